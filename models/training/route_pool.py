"""Routes by the million, made once on many cores: what the route network is trained on.

    python -m models.training.route_pool POOL --workers 16 --rounds 18 --plays 260

A pool is a folder of shards, one a worker: what the network reads of each route (in half precision), its
labels and the program that drew it. A round is fresh routes of seven drawing programs, and men of whole
simulated plays through other faults of a tracker. It never holds routes of `playsim_feet`, which checks what
training never met.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import torch

from models.routes.features import hand_features, sequence_features
from models.routes.fitting import Batch
from models.routes.labels import LABELS, load_taxonomy
from models.routes.made import coarse_labels, observe, to_arrival
from models.routes.whole import join_sets, whole_routes
from models.synthetic.playsim_bends import sample_bends
from models.synthetic.playsim_curves import sample_curves
from models.synthetic.playsim_gaits import sample_gaits
from models.synthetic.playsim_knots import sample_knots
from models.synthetic.playsim_pulls import sample_pulls
from models.synthetic.playsim_sampler import RouteSet, sample_routes
from models.synthetic.playsim_strokes import sample_strokes
from models.training.route_faults import FaultSeries

WHOLE = "whole"
ROUND = {
    **{"sampler": 2600, "curves": 1400, "bends": 1400, "knots": 1400, "strokes": 1400, "pulls": 1400},
    **{"gaits": 1400, WHOLE: 1500},
}
"""routes of each program that a worker adds in a round"""
DRAW: dict[str, Callable[[int, int], RouteSet]] = {
    **{"sampler": sample_routes, "curves": sample_curves, "bends": sample_bends, "knots": sample_knots},
    **{"strokes": sample_strokes, "pulls": sample_pulls, "gaits": sample_gaits},
}
FAULTS = Path(__file__).resolve().parents[1] / "weights" / "route_faults.npz"
WHOLE_SEED, ROUTE_SEED, FAULT_SEED = 1_000_000, 5_000_000, 7_000_000
"""first seed of the whole plays, the single routes and the faults of a pool (validation and tests have lower
ones)"""


def batch_of(routes: RouteSet, seed: int, strength: float, faults: FaultSeries | None = None) -> Batch:
    """Routes as a tracker sees them (`observe`), and their labels in both sets (-1 = none): `trade` by what
    was called, `twelve` by what was run, where they are run as professionals do (a professional league's
    set: the book's shapes do not count there)."""
    grid = observe(routes, seed, strength, faults=faults)
    twelve = load_taxonomy("twelve").labels
    fine = np.array([LABELS.index(str(x)) for x in routes.label])
    names = coarse_labels(routes, to_arrival(routes, seed + 2), seed + 1)
    coarse = np.array([twelve.index(str(x)) if x else -1 for x in names])
    coarse[~routes.pro] = -1
    return grid, {"trade": fine, "twelve": coarse}


@dataclass
class Pool:
    """What the network reads of N routes: sequence (N, C, G) and hand (N, F) in half precision, labels (N,)
    of both heads (-1 = none), way (N,) row of ROUND."""

    sequence: torch.Tensor
    hand: torch.Tensor
    trade: torch.Tensor
    twelve: torch.Tensor
    way: torch.Tensor

    @classmethod
    def load(cls, folder: Path, leave_out: list[str], device: str) -> Pool:
        """Every shard, less the routes of some programs. Raises FileNotFoundError without shards."""
        files = sorted(folder.glob("shard*.npz"))
        if not files:
            raise FileNotFoundError(f"{folder}: no shards there; make some with models.training.route_pool")
        out = [list(ROUND).index(name) for name in leave_out]
        parts: dict[str, list[torch.Tensor]] = {name: [] for name in cls.__dataclass_fields__}
        for file in files:
            with np.load(file, allow_pickle=False) as data:
                rows = ~np.isin(data["way"], out)
                for name, kept in parts.items():
                    kept.append(torch.from_numpy(data[name][rows]).to(device))
        return cls(**{name: torch.cat(kept) for name, kept in parts.items()})

    def __len__(self) -> int:
        return len(self.way)

    def hash(self) -> str:
        """Of what the network reads of every route beside its path."""
        return hashlib.sha256(self.hand.cpu().numpy().tobytes()).hexdigest()[:16]


def make_shard(path: Path, seed: int, rounds: int, plays: int) -> int:
    """One worker's shard: `rounds` rounds of fresh routes and the men of `plays` whole plays, each round
    through other faults. Same arguments, same shard. How many routes."""
    torch.set_num_threads(1)
    faults = FaultSeries.load(FAULTS)
    whole = whole_routes(WHOLE_SEED + seed * 1000, plays)
    parts: dict[str, list[np.ndarray]] = {name: [] for name in Pool.__dataclass_fields__}
    for k in range(rounds):
        own = seed * 1000 + k
        sets = [DRAW[name](ROUTE_SEED + own, n) for name, n in ROUND.items() if name != WHOLE]
        rng = np.random.default_rng([own, 3])
        rows = rng.permutation(len(whole))[: ROUND[WHOLE]]
        routes = join_sets([*sets, _rows(whole, rows)])
        grid, labels = batch_of(routes, FAULT_SEED + own * 3, 1.0, faults)
        parts["sequence"].append(sequence_features(grid).astype(np.float16))
        parts["hand"].append(np.clip(hand_features(grid), -6e4, 6e4).astype(np.float16))
        for head, y in labels.items():
            parts[head].append(np.asarray(y, np.int8))
        sizes = [*(len(s) for s in sets), len(rows)]
        parts["way"].append(np.repeat(np.arange(len(sizes), dtype=np.int8), sizes))
    np.savez(path, **{name: np.concatenate(kept) for name, kept in parts.items()})  # type: ignore[arg-type]
    return sum(len(w) for w in parts["way"])


def _rows(routes: RouteSet, rows: np.ndarray) -> RouteSet:
    names = [n for n in RouteSet.__dataclass_fields__ if n != "t_s"]
    picked = {n: None if (a := getattr(routes, n)) is None else a[rows] for n in names}
    return RouteSet(t_s=routes.t_s, **picked)  # type: ignore[arg-type]


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("pool", type=Path)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=18, help=f"of {sum(ROUND.values())} routes, a worker")
    parser.add_argument("--plays", type=int, default=260, help="whole plays simulated, a worker")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    args.pool.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(args.workers, get_context("spawn")) as workers:
        made = [
            workers.submit(
                make_shard, args.pool / f"shard{k:02}.npz", args.seed * 100 + k, args.rounds, args.plays
            )
            for k in range(args.workers)
        ]
        print(f"{sum(m.result() for m in made)} routes in {args.pool}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
