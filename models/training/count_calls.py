"""Count which routes are called together over simulated calls: the table of `models.routes.called`.

python -m models.training.count_calls --calls 30000 --out models/routes/called.json
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from models.routes.called import SHIPPED, CalledTogether
from models.synthetic.playbook import draw_formation
from models.synthetic.playbook_calls import call_pass

STANDARDS, ROOM_YD = ("nfl", "ncaa", "nfhs", "canadian"), 26.0


def sides_of_calls(calls: int, seed: int = 0) -> list[tuple[str, ...]]:
    """Routes of each side's receivers, from the sideline inward, of so many simulated calls."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(calls):
        form = draw_formation(rng, STANDARDS[k % len(STANDARDS)], ROOM_YD, ROOM_YD)
        call = call_pass(rng, form)
        sides = [form.side(side) for side in (1, -1)]
        out += [tuple(call.routes[i][0] for i in rows) for rows in sides if rows]
    return out


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--calls", type=int, default=30_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path, default=SHIPPED)
    args = parser.parse_args(argv)
    sides = sides_of_calls(args.calls, args.seed)
    table = CalledTogether.of_sides(sides)
    table.save(args.out)
    print(f"wrote {args.out}: {len(table.sets)} sets of {len(sides)} sides")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
