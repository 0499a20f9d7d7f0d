"""Coverage measures from an understood play: matchups (cushion, leverage, separation, lane) and drops."""

from vision.coverage.drops import Drop
from vision.coverage.matchups import Matchup
from vision.coverage.measure import measure
from vision.coverage.relation import Relation, lane_distance, leverage_words, relation

__all__ = ["Drop", "Matchup", "Relation", "lane_distance", "leverage_words", "measure", "relation"]
