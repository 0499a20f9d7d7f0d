"""What the charting sheet says of a play, laid over what the men showed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from calibration.standards import FieldStandard
from vision.charting import line_of_scrimmage
from vision.plays.lineup import Spot
from vision.plays.record import UNKNOWN, Play, Value, optional

_HASH = {"l": "left", "left": "left", "m": "middle", "middle": "middle", "c": "middle", "centre": "middle",
         "center": "middle", "r": "right", "right": "right"}  # fmt: skip
_RESULTS = (
    ("touchdown", r"touchdown|\btd\b"),
    ("incomplete", r"\binc|incomplete|drop|broken up"), ("intercepted", r"\bint\b|intercept|pick"),
    ("sack", r"sack"), ("complete", r"\bcomp|complete|catch|caught"), ("scramble", r"scramble"),
    ("kick", r"punt|kick|field goal|\bfg\b|\bpat\b"), ("run", r"\brun\b|rush|\bgain"),
)  # fmt: skip
_KIND = {"incomplete": "pass", "intercepted": "pass", "sack": "pass", "complete": "pass", "scramble": "pass",
         "kick": "kick", "run": "run"}  # fmt: skip


@dataclass(frozen=True)
class Charted:
    """The usable part of a sheet row; blanks where the sheet is silent.

    los_field_yd: line in field yards where the sheet leaves one possible, else NaN; los_by_direction: the
    line for each direction (+1, -1) the offense may go.
    """

    play_id: str = ""
    down: int = 0
    distance: float = math.nan
    hash: str = ""
    los_field_yd: float = math.nan
    los_by_direction: Mapping[int, float] = field(default_factory=dict)
    result: str = ""
    kind: str = ""
    yards: float = math.nan

    @property
    def thrown(self) -> bool | None:
        """Whether the sheet says that the ball was thrown; None where it does not say."""
        if self.result in ("sack", "scramble") or self.kind in ("run", "kick"):
            return False
        caught = self.result in ("complete", "incomplete", "intercepted")
        return True if caught or (self.result == "touchdown" and self.kind == "pass") else None

    def spot(self, standard: FieldStandard) -> Spot:
        """Where the ball may lie by the rules and this row. The offense's left is the far side of the field
        when it goes toward +x."""
        near, far = standard.hash_from_sideline_yd, standard.width_yd - standard.hash_from_sideline_yd
        sides = {"left": {1: far, -1: near}, "right": {1: near, -1: far}}
        middle = dict.fromkeys((1, -1), standard.width_yd / 2)
        across = sides.get(self.hash, middle if self.hash == "middle" else {})
        return Spot((near, far), across, self.los_by_direction, standard.players_per_side)

    def onto(self, play: Play) -> Play:
        """The play with the sheet's facts; a charted line far from the men's is said, not taken."""
        warnings = list(play.warnings)
        changes: dict[str, Any] = {"down": self.down, "distance": self.distance, "yards": self.yards}
        if self.hash:
            if play.hash and self.hash != play.hash and "middle" not in (self.hash, play.hash):
                warnings.append(f"the sheet says {self.hash} hash, the ball lies toward the {play.hash} one")
            changes["hash"] = self.hash
        if self.result:
            changes |= {"result": self.result, "result_source": "charted"}
        if self.result in ("sack", "scramble") and play.throw_s.source in ("estimated", ""):
            changes |= {
                "throw_s": UNKNOWN,
                "arrival_s": UNKNOWN,
                "target_player_id": "",
                "target_probability": math.nan,
            }
            changes |= {"arrival_depth_play_yd": UNKNOWN, "arrival_lateral_play_yd": UNKNOWN}
        if self.kind:
            if play.kind not in ("unknown", self.kind):
                warnings.append(f"the sheet says {self.kind}, the men moved as on a {play.kind}")
            changes |= {"kind": self.kind, "kind_probability": 0.99}
        los = self.los_field_yd if math.isfinite(self.los_field_yd) else self._line_for(play)
        if math.isfinite(los) and play.los_field_yd.known:
            off = los - play.los_field_yd.value
            if abs(off) > 2.5:
                warnings.append(f"the charted line of scrimmage is {off:+.1f} yd from where the men stand")
            elif play.los_field_yd.source == "estimated":
                changes["los_field_yd"] = _blend(play.los_field_yd, Value(los, 0.45, "charted"))
        return replace(play, **changes, warnings=tuple(warnings))

    def _line_for(self, play: Play) -> float:
        """The charted line for the way the offense was seen to go; NaN where that is not certain."""
        doubtful = any("which team is the offense" in w for w in play.warnings)
        return math.nan if doubtful else self.los_by_direction.get(play.direction, math.nan)


def _blend(seen: Value, sheet: Value) -> Value:
    """Two measurements weighed by their variances (a sheet's whole yard has a sd of about 0.45 yd)."""
    a, b = 1 / seen.sd**2, 1 / sheet.sd**2
    return Value((a * seen.value + b * sheet.value) / (a + b), (a + b) ** -0.5, "estimated")


def charted(row: Mapping[str, Any] | None, field: FieldStandard) -> Charted:
    """Read a sheet row; unknown words are left out, wrong numbers raise nothing and stay blank."""
    if row is None:
        return Charted()
    result = str(optional(row, "result") or "").strip().lower()
    word = next((name for name, pattern in _RESULTS if re.search(pattern, result)), result)
    kind = str(optional(row, "kind", "play_type") or "").strip().lower()
    kind = kind if kind in ("pass", "run", "kick") else _KIND.get(word, "")
    lines = {
        k: x
        for k, x in line_of_scrimmage({**row, "los_field_yd": _finite(row.get("los_field_yd"))},
                                      field.length_yd).items()
        if -1 <= x <= field.length_yd + 1
    }  # fmt: skip
    places = set(lines.values())
    return Charted(
        play_id=str(optional(row, "play_id", "play") or ""),
        down=int(_number(optional(row, "down"), 0.0)),
        distance=_number(optional(row, "distance")),
        hash=_HASH.get(str(optional(row, "hash") or "").strip().lower(), ""),
        los_field_yd=places.pop() if len(places) == 1 else math.nan,
        los_by_direction=lines,
        result=word,
        kind=kind,
        yards=_number(optional(row, "yards")),
    )


def _finite(value: Any) -> float | None:
    number = _number(value)
    return number if math.isfinite(number) else None


def _number(value: Any, missing: float = math.nan) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return missing
