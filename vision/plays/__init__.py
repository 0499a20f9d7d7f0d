"""Understanding a play from tracks in yards: moments, line, roles, quarterback, throw."""

from vision.plays.ball import BallPath
from vision.plays.record import UNKNOWN, Play, PlayerInPlay, Value, to_play
from vision.plays.understand import understand_play

__all__ = ["UNKNOWN", "BallPath", "Play", "PlayerInPlay", "Value", "to_play", "understand_play"]
