"""The recording: everything captured from one sample in one run, raw."""
