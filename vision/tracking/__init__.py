"""Identities: from boxes and cameras to who is where, in field yards."""

from vision.tracking.clip import TrackSettings, track_clip
from vision.tracking.colour import describe_colour

__all__ = ["TrackSettings", "describe_colour", "track_clip"]
