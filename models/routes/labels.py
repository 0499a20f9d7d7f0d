"""The label set, written definitions, and maps to coarser sets of labels.

Definitions are common practice of the trade (no source) unless said; numbers are yards and seconds.
A taxonomy is a JSON file {"name", "labels", "map": {ours: theirs or null}} beside this module or anywhere.
"""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass
from pathlib import Path

LABELS = (
    "hitch",
    "hook",
    "curl",
    "comeback",
    "out",
    "in",
    "slant",
    "flat",
    "shallow_cross",
    "deep_cross",
    "post",
    "corner",
    "go",
    "wheel",
    "angle",
    "swing",
    "screen",
    "checkdown",
    "block",
)
"""What the network answers; `unknown` is added by the threshold."""
UNKNOWN = "unknown"

DEFINITIONS = {
    "hitch": "Straight stem of 5-6 yd (3-8), quick stop and turn to the ball; outside man, three-step drop.",
    "hook": "Inside receiver (end, slot, back) stems 6-12 yd over the hook area, stops, turns to the ball.",
    "curl": "Outside receiver stems 10-14 yd, stops and comes back inside toward the ball.",
    "comeback": "Outside receiver stems 12-16 yd, breaks back and toward the sideline.",
    "out": "Stem, then a near-square cut toward the sideline; from 2 yd (quick out) to 12 yd.",
    "in": "Stem of 5-15 yd, then a near-square cut toward the middle (dig).",
    "slant": "Stem of 1-4 yd, then inward and upfield at about 45 degrees.",
    "flat": "From slot, end or backfield to the sideline at -3 to 4 yd, no clear vertical stem.",
    "shallow_cross": "Crosses the formation at 1-6 yd.",
    "deep_cross": "Climbs, then crosses the field at 8-16 yd, heading flatter than a post.",
    "post": "Vertical stem of 6-14 yd, then inward and upfield at 20-40 degrees toward the goal post.",
    "corner": "Vertical stem of 7-14 yd, then outward and upfield at 35-55 degrees.",
    "go": "Straight up the field without a break: go, fade, seam.",
    "wheel": "First to the flat or sideline, then turned up the field near the sideline.",
    "angle": "From the backfield outward, then broken back inside over the middle.",
    "swing": "From the backfield in an arc, first back or level, toward the sideline.",
    "screen": "Takes a short ball at or behind the line with blockers in front; waits or comes back.",
    "checkdown": "Looks for a rusher, then slips out and settles short, mostly over the ball.",
    "block": "An eligible man who stays in to block (or blocks a defender near him).",
    UNKNOWN: "No label is likely enough, or the path is too short or too broken to name.",
}


def known(name: str) -> str:
    """The label as written here; raises ValueError with the nearest names for an unknown one."""
    plain = name.strip().lower().replace("-", "_").replace(" ", "_")
    if plain in LABELS or plain == UNKNOWN:
        return plain
    near = difflib.get_close_matches(plain, [*LABELS, UNKNOWN], n=3, cutoff=0.4)
    raise ValueError(
        f"unknown route label {name!r}; nearest: {', '.join(near) or 'none'}; known: {', '.join(LABELS)}"
    )


@dataclass(frozen=True)
class Taxonomy:
    """A coarser (or other) set of labels. mapping: our label -> theirs, None = outside their set."""

    name: str
    labels: tuple[str, ...]
    mapping: dict[str, str | None]

    def __post_init__(self) -> None:
        for ours, theirs in self.mapping.items():
            known(ours)
            if theirs is not None and theirs not in self.labels:
                raise ValueError(
                    f"taxonomy {self.name}: {ours} maps to {theirs!r}, which is not one of {self.labels}"
                )


def load_taxonomy(name_or_path: str | Path) -> Taxonomy:
    """A taxonomy by name ('twelve') or from a JSON file. Raises ValueError naming those there are."""
    path = Path(name_or_path)
    if not path.suffix:
        path = Path(__file__).parent / f"taxonomy_{name_or_path}.json"
    if not path.is_file():
        there = [p.stem.removeprefix("taxonomy_") for p in Path(__file__).parent.glob("taxonomy_*.json")]
        raise ValueError(
            f"no taxonomy {str(name_or_path)!r}: expected a JSON file or one of {', '.join(sorted(there))}"
        )
    data = json.loads(path.read_text())
    return Taxonomy(data["name"], tuple(data["labels"]), dict(data["map"]))
