"""Film in and out: frames with exact time, single pictures, and finished reels."""

from vision.film.pictures import PICTURES, read_picture
from vision.film.reader import Clip, open_clip
from vision.film.writer import write_film

__all__ = ["PICTURES", "Clip", "open_clip", "read_picture", "write_film"]
