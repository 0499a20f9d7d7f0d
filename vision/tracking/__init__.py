"""Identities: from boxes and cameras to who is where, in field yards."""

from models.detector.colour import describe_colour
from vision.tracking.clip import TrackSettings, track_clip

__all__ = ["TrackSettings", "describe_colour", "track_clip"]
