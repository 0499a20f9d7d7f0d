"""The field as each rule set paints it: lengths, rows, ticks, numbers, with the rule they come from.

All lengths in yards (0.9144 m exactly). Frame ``_field_yd``: x from 0 at the left goal line to
``length_yd`` at the right one, as the sideline camera sees it; y from the near sideline (0) to the
far one (``width_yd``). Rule numbers are given from memory of the rule books and cross-checked in
tests against the dimensions of PyPI ``sportypy``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

FOOT_YD = 1.0 / 3.0
INCH_YD = 1.0 / 36.0


@dataclass(frozen=True)
class FieldStandard:
    """One rule set's field. Yards throughout; see the module's docstring for the frame.

    hash_from_sideline_yd: distance of each hash row from its sideline.
    hash_alternatives_yd: other distances seen on grounds used under the same rules.
    tick_length_yd: length (along y) of the one-yard ticks; they run from the hash row outward
        (toward the nearest sideline) and inward from each sideline.
    cross_tick_yd: length (along x) of the short dash that marks the row on every five-yard line.
    number_bottom_yd: distance from the sideline to the side of the digits nearest that sideline.
    number_height_yd / number_width_yd: size of one digit; the two digits straddle the line.
    number_gap_yd: distance from the middle of the yard line to the inner edge of each digit.
    number_sd_yd: how far off the rule grounds paint the rows of numbers (common practice, sd).
    """

    name: str
    length_yd: float
    width_yd: float
    end_zone_yd: float
    hash_from_sideline_yd: float
    players_per_side: int
    hash_alternatives_yd: tuple[float, ...] = ()
    line_width_yd: float = 4 * INCH_YD
    goal_line_width_yd: float = 4 * INCH_YD
    boundary_width_yd: float = 4 * INCH_YD
    tick_length_yd: float = 2 * FOOT_YD
    cross_tick_yd: float = 2 * FOOT_YD
    number_bottom_yd: float = 7.0
    number_height_yd: float = 2.0
    number_width_yd: float = 4 * FOOT_YD
    number_gap_yd: float = 1 * FOOT_YD
    number_sd_yd: float = 1.0
    arrow_length_yd: float = 36 * INCH_YD
    arrow_base_yd: float = 18 * INCH_YD
    try_mark_yd: float = 3.0
    posts_on_goal_line: bool = False
    citations: MappingProxyType[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def hash_rows_yd(self) -> tuple[float, float]:
        """y of the near and the far hash row."""
        return self.hash_from_sideline_yd, self.width_yd - self.hash_from_sideline_yd

    @property
    def hash_spacing_yd(self) -> float:
        return self.width_yd - 2 * self.hash_from_sideline_yd

    @property
    def yard_lines_yd(self) -> np.ndarray:
        """x of every five-yard line, both goal lines included."""
        return np.arange(0.0, self.length_yd + 0.1, 5.0)

    @property
    def number_rows_yd(self) -> tuple[float, float]:
        """y of the middle of the near and the far numbers."""
        middle = self.number_bottom_yd + self.number_height_yd / 2
        return middle, self.width_yd - middle

    @property
    def centre_x_yd(self) -> float:
        return self.length_yd / 2

    def number_at(self, x_yd: float) -> tuple[str, int] | None:
        """(digits, arrow) painted at the line ``x_yd``: arrow -1 points to x=0, +1 to x=length, 0 none.

        None where no number stands (fives, goal lines, off the field). The Canadian centre line
        carries ``"C"`` (the 55).
        """
        tenths = round(x_yd / 5.0)
        x = tenths * 5.0
        if abs(x - x_yd) > 1e-6 or x <= 0 or x >= self.length_yd:
            return None
        if x == self.length_yd / 2 and self.length_yd > 100:
            return "C", 0
        nearest = min(x, self.length_yd - x)
        if nearest % 10:
            return None
        if x == self.length_yd / 2:
            return str(int(nearest)), 0
        return str(int(nearest)), (-1 if x < self.length_yd / 2 else 1)

    @property
    def number_lines_yd(self) -> np.ndarray:
        """x of every line that carries a number (the Canadian centre line included)."""
        return np.array([x for x in self.yard_lines_yd if self.number_at(float(x)) is not None])

    def yards_name(self, x_yd: float) -> str:
        """Trade name of a place along the field, e.g. ``own 35`` cannot be known here: ``L35`` / ``R35``."""
        side = "L" if x_yd < self.length_yd / 2 else "R"
        return f"{side}{min(x_yd, self.length_yd - x_yd):.0f}"


_NCAA = FieldStandard(
    name="ncaa",
    length_yd=100.0,
    width_yd=160 / 3,
    end_zone_yd=10.0,
    hash_from_sideline_yd=20.0,
    players_per_side=11,
    citations=MappingProxyType(
        {
            "length_yd": "NCAA Rule 1-2-1 (field diagram): 300 ft between goal lines (rule number from "
            "memory)",
            "width_yd": "NCAA Rule 1-2-1: 160 ft",
            "end_zone_yd": "NCAA Rule 2-12-6: end zone 10 yards",
            "hash_from_sideline_yd": "NCAA Rule 1-2-1-e and diagram: hash marks 60 ft from each sideline",
            "tick_length_yd": "NCAA Rule 1-2-1: yard-line extensions and hash marks 24 in long",
            "number_bottom_yd": "NCAA Rule 1-2-1-j: numbers to 6 ft x 4 ft, tops 9 yd from the sidelines",
            "arrow_length_yd": "NCAA Rule 1-2-1-k: triangle, base 18 in, sides 36 in",
            "line_width_yd": "NCAA Rule 1-2-1: lines 4 in wide",
            "players_per_side": "NCAA Rule 1-1-1: eleven players a team",
        }
    ),
)

_NFL = FieldStandard(
    name="nfl",
    length_yd=100.0,
    width_yd=160 / 3,
    end_zone_yd=10.0,
    hash_from_sideline_yd=70.75 / 3,
    players_per_side=11,
    goal_line_width_yd=8 * INCH_YD,
    boundary_width_yd=2.0,
    number_bottom_yd=12.0,
    number_sd_yd=0.25,
    try_mark_yd=2.0,
    citations=MappingProxyType(
        {
            "length_yd": "NFL Rule 1 Section 1: 300 ft between goal lines (rule number from memory)",
            "width_yd": "NFL Rule 1 Section 1: 160 ft",
            "end_zone_yd": "NFL Rule 1 Section 1: 30 ft",
            "hash_from_sideline_yd": "NFL Rule 1 Section 1: inbounds lines 70 ft 9 in from the "
            "sidelines (18 ft 6 in)",
            "number_bottom_yd": "NFL Rule 1 Section 1 (diagram): bottoms of the numbers 12 yd from the "
            "sidelines",
            "goal_line_width_yd": "NFL Rule 1 Section 1 Article 4: goal line 8 in",
            "boundary_width_yd": "NFL Rule 1 Section 1 Article 2: border 6 ft wide (solid white)",
            "tick_length_yd": "NFL field diagram: ticks 2 ft long",
            "players_per_side": "NFL Rule 5-1-1: eleven players",
        }
    ),
)

_NFHS = FieldStandard(
    name="nfhs",
    length_yd=100.0,
    width_yd=160 / 3,
    end_zone_yd=10.0,
    hash_from_sideline_yd=160 / 9,
    players_per_side=11,
    citations=MappingProxyType(
        {
            "length_yd": "NFHS Rule 1-2-1 and Table 1-7 diagram: 100 yd (rule number from memory)",
            "width_yd": "NFHS Rule 1-2-1: 160 ft",
            "hash_from_sideline_yd": "NFHS Rule 1-2-3: hash marks divide the field in thirds, 53 ft 4 in",
            "tick_length_yd": "NFHS Rule 1-2-3: hash marks and yard-line extensions 24 in long",
            "number_bottom_yd": "NFHS Rule 1-2-3: tops of 6 ft numbers 9 yd (27 ft) from the sidelines "
            "(from memory)",
            "players_per_side": "NFHS Rule 1-1-2: eleven players",
        }
    ),
)

_CANADIAN = FieldStandard(
    name="canadian",
    length_yd=110.0,
    width_yd=65.0,
    end_zone_yd=20.0,
    hash_from_sideline_yd=24.0,
    hash_alternatives_yd=(28.0,),
    players_per_side=12,
    posts_on_goal_line=True,
    number_bottom_yd=7.0,
    number_sd_yd=4.0,
    citations=MappingProxyType(
        {
            "length_yd": "Canadian Rule 1-1-1: 110 yd between goal lines (rule number from memory)",
            "width_yd": "Canadian Rule 1-1-1: 65 yd",
            "end_zone_yd": "Canadian Rule 1-1-1: goal areas 20 yd (some grounds 15 or less)",
            "hash_from_sideline_yd": "Canadian Rule 1-1-4: hash marks 24 yd from each sideline (17 yd "
            "apart); 28 yd "
            "on professional grounds since 2022 (from memory)",
            "posts_on_goal_line": "Canadian Rule 1-1-5: goal posts on the goal line",
            "players_per_side": "Canadian Rule 3-1: twelve players",
        }
    ),
)

STANDARDS: MappingProxyType[str, FieldStandard] = MappingProxyType(
    {s.name: s for s in (_NFL, _NCAA, _NFHS, _CANADIAN)}
)


def get_standard(name: str | FieldStandard) -> FieldStandard:
    """The rule set called ``name`` (nfl, ncaa, nfhs, canadian; any case).

    Raises ValueError naming what was found and what is known.
    """
    if isinstance(name, FieldStandard):
        return name
    found = STANDARDS.get(str(name).strip().lower())
    if found is None:
        raise ValueError(f"unknown field standard {name!r}; expected one of {', '.join(STANDARDS)}")
    return found
