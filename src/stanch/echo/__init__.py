"""Echoes to displacement."""

from stanch.echo.given import from_displacement
from stanch.echo.records import Displacement, PushFlag
from stanch.echo.track import TrackSettings, track

__all__ = ["Displacement", "PushFlag", "TrackSettings", "from_displacement", "track"]
