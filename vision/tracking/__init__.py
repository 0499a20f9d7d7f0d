"""Identities: from boxes and cameras to who is where, in field yards."""

from vision.tracking.clip import TrackSettings, track_clip

__all__ = ["TrackSettings", "track_clip"]
