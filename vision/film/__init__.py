"""Film in and out: frames with exact time, and finished reels."""

from vision.film.reader import Clip, open_clip
from vision.film.writer import write_film

__all__ = ["Clip", "open_clip", "write_film"]
