"""Echoes to displacement."""

from stanch.echo.records import Displacement, PushFlag
from stanch.echo.traces import from_displacement
from stanch.echo.track import TrackSettings, track

__all__ = ["Displacement", "PushFlag", "TrackSettings", "from_displacement", "track"]
