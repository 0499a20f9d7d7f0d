"""Players taken for officials: nobody of the crew stands where the lines meet.

In every crew the officials stand wide of the men, behind the backs or beyond the linebackers, so that a man
said to be an official who lines up among the linemen at the snap is a player (a passer under the centre, a
lineman in a pale kit).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.plays.lineup import Lineup
from vision.plays.motion import motion_of
from vision.plays.record import to_play
from vision.plays.start import set_places
from vision.records import Tracks

BEHIND_YD, BEYOND_YD, ASIDE_YD = 6.0, 1.5, 8.5
"""the place of the two lines: so far behind the line of scrimmage, beyond it, and aside from the ball (crew
places: common practice; the nearest, an umpire or a referee, stand 5 to 12 yd away, wing officials wider)"""
CROWD = 4
"""more officials than this in there are no mistake about single men: the reading of the line is"""


def recalled(tracks: Tracks, lineup: Lineup, snap_s: float) -> Tracks | None:
    """The tracks with such men given to the team on whose side of the ball they stand; None = nothing to
    change."""
    crew = motion_of(tracks, ("official",))
    if not crew.ids or not len(lineup.offense) or not len(lineup.defense):
        return None
    place = to_play(set_places(crew, snap_s), lineup.direction, lineup.los_yd, lineup.spot_y_yd)
    among = (
        (place[:, 0] > -BEHIND_YD)
        & (place[:, 0] < BEYOND_YD)
        & (np.abs(place[:, 1]) < ASIDE_YD)
        & np.isfinite(place[:, 0])
    )
    rows = np.flatnonzero(among)
    if not 0 < len(rows) <= CROWD:
        return None
    players = motion_of(tracks)
    names = [players.team_of(side) for side in (lineup.offense, lineup.defense)]
    team = list(tracks.team)
    for row in rows:
        team[tracks.index(crew.ids[int(row)])] = names[int(place[row, 0] > 0.0)]
    return replace(tracks, team=tuple(team))
