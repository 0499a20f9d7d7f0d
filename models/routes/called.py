"""Which routes are called together: a table of the sets that the receivers of one side run.

Counted over simulated calls (`python -m models.training.count_calls`), whose combinations are common
practice of the trade; no film and no real calls were used. Backs are left out, their routes are called apart.
"""

from __future__ import annotations

import functools
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

SHIPPED = Path(__file__).with_name("called.json")
LEAST_SHARE, MOST_OF_TWO, MOST = 0.03, 12.0, 30.0
"""a route is not rarer than this alone; the routes of two men, and of more, are at most so many times
likelier than drawn apart (by hand, so that no rare call of the table rules over what was seen)"""


@dataclass(frozen=True)
class CalledTogether:
    """sets: routes from the sideline inward -> share among sides with so many men. alone: route -> share
    among the men of sides of two and more."""

    sets: Mapping[tuple[str, ...], float]
    alone: Mapping[str, float]

    def ratio(self, routes: Sequence[str]) -> float:
        """How many times likelier routes (#1 first) are called together than each on its own; 0 = never."""
        share = self.sets.get(tuple(routes), 0.0)
        for route in routes:
            share /= max(self.alone.get(route, 0.0), LEAST_SHARE)
        return min(share, MOST_OF_TWO if len(routes) < 3 else MOST)

    @classmethod
    def of_sides(cls, sides: Sequence[Sequence[str]]) -> CalledTogether:
        """Counted over sides, each its men's routes from the sideline inward."""
        sets: dict[tuple[str, ...], float] = {}
        like = Counter(len(s) for s in sides)
        for side in sides:
            sets[tuple(side)] = sets.get(tuple(side), 0.0) + 1.0 / like[len(side)]
        runs = Counter(route for side in sides if len(side) > 1 for route in side)
        return cls(sets, {route: count / runs.total() for route, count in runs.items()})

    def save(self, path: str | Path) -> None:
        """Write as JSON, the commonest first."""
        order = sorted(self.sets, key=lambda s: (len(s), -self.sets[s], s))
        data = {
            "sets": {" ".join(s): round(self.sets[s], 4) for s in order},
            "alone": {route: round(share, 4) for route, share in sorted(self.alone.items())},
        }
        Path(path).write_text(json.dumps(data, indent=1) + "\n")

    @classmethod
    def load(cls, path: str | Path | None = None) -> CalledTogether:
        """The shipped table, or a file of `save`."""
        data = json.loads(Path(path or SHIPPED).read_text())
        sets = {tuple(name.split()): float(p) for name, p in data["sets"].items()}
        return cls(sets, {str(route): float(p) for route, p in data["alone"].items()})


@functools.lru_cache(maxsize=1)
def shipped() -> CalledTogether:
    """The shipped table, read once."""
    return CalledTogether.load()
