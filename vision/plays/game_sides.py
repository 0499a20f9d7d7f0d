"""A game's memory of the two teams' kits, and what it says of who has the ball in a play.

A team wears one kit for a whole game and the charting sheet says which team has the ball, so that plays in
which the offense is plain tell it for those in which it is not. Which side of one clip wears which side's
kit of another is told by the difference of the two kits' colours, for one kit may be the lighter in one
clip and the darker in the next (shade, floodlights), and a difference survives what shifts both alike.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from vision.plays.motion import F64
from vision.plays.record import optional
from vision.plays.start import LEAST_ODDS, SURE_ODDS
from vision.records import Detections, Tracks

LAB_COLUMNS = 9
"""columns of a box's colours that are compared: jersey, helmet, trousers in CIE Lab"""
PLAY_MOST, GAME_MOST = 3.0, 4.0
"""log-odds that one play may say, and all other plays of a game together: a sheet errs now and then"""
ALIKE_FROM, ALIKE_SURE = 0.2, 0.7
"""cosine of two kit differences below which nothing is said, and from which they are the same two kits (on
seventeen tuning films, 1 of 103 plays excepted, no pair of a game's plays lay below 0.27)"""
BOXES_LEAST = 60
"""boxes of a side needed to know its kit"""


def kit_difference(tracks: Tracks, detections: Detections) -> F64:
    """(LAB_COLUMNS,) median colours of side A's boxes less those of side B's, in Lab; zeros: not known.

    tracks, detections: of one clip (`Tracks.box_index` counts the rows of the detections)."""
    none = np.zeros(LAB_COLUMNS)
    if detections.colour.shape[1] < LAB_COLUMNS:
        return none
    means = []
    for side in ("A", "B"):
        rows = tracks.box_index[tracks.of_team(side)]
        colours = detections.colour[rows[rows >= 0], :LAB_COLUMNS]
        colours = colours[np.isfinite(colours).all(1)]
        if len(colours) < BOXES_LEAST:
            return none
        means.append(np.median(colours, axis=0))
    return np.asarray(means[0] - means[1], dtype=float)


@dataclass(frozen=True)
class _Said:
    offense: str
    defense: str
    evidence: float
    kit: F64


class GameSides:
    """What the plays of one game said of who has the ball and what the sides wore.

    A row without a charted offense neither says nor is told anything.
    """

    def __init__(self) -> None:
        self._said: dict[str, _Said] = {}

    def learn(self, row: Mapping[str, Any] | None, play_id: str, evidence: float, kit: F64) -> None:
        """Keep a play's own log-odds that side A is the offense (NaN: nothing to keep) and the difference of
        its kits. Told again, a play replaces what it said."""
        offense, defense = _team(row, "offense"), _team(row, "defense")
        self._said.pop(play_id, None)
        if offense and offense != defense and math.isfinite(evidence) and np.any(kit):
            said = float(np.clip(evidence, -PLAY_MOST, PLAY_MOST))
            self._said[play_id] = _Said(offense, defense, said, np.asarray(kit, dtype=float))

    def lean(self, row: Mapping[str, Any] | None, play_id: str, kit: F64) -> float:
        """Log-odds that side A is this play's offense from the other plays; 0 where nothing is known."""
        offense, defense = _team(row, "offense"), _team(row, "defense")
        if not offense or offense == defense:
            return 0.0
        total = 0.0
        for other, said in self._said.items():
            same = _same_offense(offense, defense, said)
            if other != play_id and same:
                total += same * _through(said.evidence, alike(kit, said.kit))
        return float(np.clip(total, -GAME_MOST, GAME_MOST))


def changed(evidence: float, then: float, now: float) -> bool:
    """Whether a play's offense or the doubt about it is another with the lean of now than with that of then
    (evidence: the play's own; all log-odds)."""
    return _verdict(evidence + then) != _verdict(evidence + now)


def may_change(evidence: float) -> bool:
    """Whether the rest of a game can change what a play with this evidence of its own says."""
    return math.isfinite(evidence) and abs(evidence) < GAME_MOST + SURE_ODDS


def alike(one: F64, other: F64) -> float:
    """How surely two clips' sides A wear the same kit: 1 surely, -1 surely each other's, 0 nobody knows."""
    size = float(np.linalg.norm(one) * np.linalg.norm(other))
    if size <= 0.0:
        return 0.0
    cosine = float(one @ other) / size
    sure = (abs(cosine) - ALIKE_FROM) / (ALIKE_SURE - ALIKE_FROM)
    return math.copysign(min(max(sure, 0.0), 1.0), cosine)


def kit_text(kit: F64) -> str:
    """The difference as text for the season; '' where it is not known."""
    return " ".join(f"{v:.1f}" for v in kit) if np.any(kit) else ""


def kit_of_text(text: Any) -> F64:
    """Back from `kit_text`; zeros for anything else."""
    try:
        kit = np.array([float(v) for v in str(text).split()])
    except ValueError:
        kit = np.zeros(0)
    return kit if len(kit) == LAB_COLUMNS and np.isfinite(kit).all() else np.zeros(LAB_COLUMNS)


def games_of_rows(rows: Iterable[Mapping[str, Any]]) -> dict[str, GameSides]:
    """The memory of every game from a season's rows of plays (game_id, offense, defense, side_evidence,
    side_kit)."""
    games: dict[str, GameSides] = {}
    for row in rows:
        evidence = optional(row, "side_evidence")
        if evidence is not None and optional(row, "game_id"):
            game = games.setdefault(str(row["game_id"]), GameSides())
            game.learn(row, str(row["play_id"]), float(evidence), kit_of_text(row.get("side_kit")))
    return games


def _through(evidence: float, alike: float) -> float:
    """Log-odds that are left of another play's when its kits are the same only so surely (-1..1)."""
    return 2.0 * math.atanh(alike * math.tanh(evidence / 2.0))


def _same_offense(offense: str, defense: str, said: _Said) -> int:
    """1 when the other play's offense is this one's, -1 when it is this one's defense, 0 when neither."""
    if said.offense == offense or (defense and said.defense == defense):
        return 1
    return -1 if said.offense == defense or said.defense == offense else 0


def _verdict(odds: float) -> tuple[int, int]:
    return int(np.sign(odds)), int(abs(odds) >= LEAST_ODDS) + int(abs(odds) >= SURE_ODDS)


def _team(row: Mapping[str, Any] | None, column: str) -> str:
    """A charted team's name, plain; '' where the sheet is silent."""
    return " ".join(str(optional(row, column) or "").lower().split())
