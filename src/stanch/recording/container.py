"""The recording container: create, append, open, read, recover.

One HDF5 file holds everything captured from one sample in one run. See ``docs/reference/recording-format.md``.
"""

from stanch.recording.layout import WellLayout
from stanch.recording.reader import Note, Recording, open_recording
from stanch.recording.recover import RecoveryReport, WellRecovery, recover, verify
from stanch.recording.start import create
from stanch.recording.writer import Writer

__all__ = [
    "Note",
    "Recording",
    "RecoveryReport",
    "WellLayout",
    "WellRecovery",
    "Writer",
    "create",
    "open_recording",
    "recover",
    "verify",
]
