"""The virtual instrument: a recording with known truth."""
