"""Forecasts of readings from a growing curve: never a reading, and always with what they were learnt from."""
