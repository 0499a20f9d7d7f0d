"""Doubt about whose path it is, brought into the names of routes.

A tracker that loses a man in the crowd may go on with another one, and then names a run that is not his. Its
stated spread tells how often: the wider it is, the likelier the men were exchanged. A man followed in
another's place shows that one's run, mostly a lineman's block; what he ran himself is then anybody's guess.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from models.routes.classifier import RoutePrediction
from models.routes.features import BACKFIELD_YD, Grid, RoutePath

MOST, HALF_SD_YD, STEEPNESS = 0.4, 0.42, 4.0
"""how often the name is another's at a wide spread, the median spread (yd, a man's own part) of half of that,
and slope of its log-odds in the spread's logarithm (731 receivers of 34 tuning films: of those with a spread
of 0.3 yd and more every second one was exchanged at some time, of the others one in twenty; half of the men
exchanged are still named right. Log-likelihood of the truth, every second film and the others, -0.83 and
-0.67 without, -0.80 and -0.67 with it)"""
BLOCKS_IF_OTHER, BLOCKS_IF_HIM = 0.37, (0.05, 0.30)
"""how often the run of a man exchanged looks like a block, and that of the man himself: split, in the
backfield (same films)"""
SHARES: Mapping[str, float] = {
    "go": 21, "hitch": 7, "hook": 4, "curl": 4, "comeback": 2, "flat": 12, "out": 10, "in": 6, "slant": 4,
    "shallow_cross": 6, "deep_cross": 6, "post": 4, "corner": 4, "screen": 4, "angle": 1, "wheel": 1,
    "swing": 2, "checkdown": 2, "block": 5,
}  # fmt: skip
"""what receivers run (percent, published real tracking in twelve classes, split into ours by hand)"""


def exchanged(paths: Sequence[RoutePath]) -> np.ndarray:
    """(N,) chance that a path is another man's where it counts, by its spread; 0 where that is not stated."""
    out = np.zeros(len(paths))
    for i, path in enumerate(paths):
        if path.sd_yd is None:
            continue
        used = (path.t_s > 0) & (path.t_s < min(np.nan_to_num(path.throw_s, nan=3.0), 3.0))
        sd = np.asarray(path.sd_yd, float)[used & np.isfinite(path.depth_lateral_play_yd[:, 0])]
        sd = sd[np.isfinite(sd)]
        if len(sd):
            odds = STEEPNESS * np.log(max(float(np.median(sd)), 0.01) / HALF_SD_YD)
            out[i] = MOST / (1.0 + np.exp(-odds))
    return out


def with_doubt(said: RoutePrediction, paths: Sequence[RoutePath], grid: Grid) -> RoutePrediction:
    """The prediction with each man's chance of having been exchanged laid over it (names of the trade)."""
    shares = np.array([SHARES.get(name, 0.0) for name in said.labels])
    if not shares.sum() or "block" not in said.labels:
        return said
    doubt = exchanged(paths)
    block = said.probability[:, said.labels.index("block")]
    own = np.where(grid.start_yd[:, 0] < BACKFIELD_YD, BLOCKS_IF_HIM[1], BLOCKS_IF_HIM[0])
    ratio = block * BLOCKS_IF_OTHER / own + (1 - block) * (1 - BLOCKS_IF_OTHER) / (1 - own)
    doubt = (doubt * ratio / (doubt * ratio + 1.0 - doubt))[:, None]
    return replace(said, probability=(1 - doubt) * said.probability + doubt * shares / shares.sum())
