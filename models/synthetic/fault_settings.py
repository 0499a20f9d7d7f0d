"""How often and how long a detector errs: settings of the fault model, guessed presets and fitted ones."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from pathlib import Path


@dataclass(frozen=True)
class FaultSettings:
    """Rates of the faults. Rates `_per_s` are hazards, lengths are means in seconds.

    jitter: sd of each box side as a share of the box's height (half slow, half white). low_edge: how much
    too low the lower edge lies on the median, same share. miss_small: how many times more often than at 40 px
    a man is missed who is next to nothing tall (in between by his height). jitter_low, jitter_side: more
    scatter of the lower edge, and of the whole box sideways, with tails, staying for up to a second or two
    (posture, a leg or an arm left out); jitter_covered: how much worse all is for a man fully covered.
    free_fades: power of the uncovered share with which a free or small man's misses fade as he is covered.
    """

    name: str = "pro"
    white_miss: float = 0.02
    miss_free_per_s: float = 0.06
    miss_covered_per_s: float = 5.0
    miss_length_s: float = 0.35
    low_during_miss: float = 0.5
    jitter: float = 0.035
    merge_per_s: float = 2.0
    merge_length_s: float = 0.4
    double_per_s: float = 0.06
    double_length_s: float = 0.2
    cut_per_s: float = 1.5
    cut_length_s: float = 0.3
    false_per_s: float = 0.5
    false_length_s: float = 1.0
    official_as_player: float = 0.25
    player_as_official: float = 0.01
    bench: int = 6
    colour_noise: float = 1.0
    low_edge: float = 0.02
    camera_sd_yd: float = 0.06
    lost_spans: int = 0
    miss_small: float = 4.0
    jitter_low: float = 0.0
    jitter_side: float = 0.0
    jitter_covered: float = 1.0
    free_fades: float = 0.0


CLEAN = FaultSettings(
    "clean", 0.05, 0, 0, 0.3, 0.0, 0.04, 0, 0.3, 0, 0.3, 0, 0.3, 0, 1, 0.0, 0.0, 0, 0.5, 0.0, 0.0, 0
)
"""The issue's easy case: true boxes, 5 % missing independently, 4 % jitter."""
PRO = FaultSettings()
SCHOOL = FaultSettings(
    name="school", white_miss=0.06, miss_free_per_s=0.25, miss_covered_per_s=7.0, miss_length_s=0.5,
    low_during_miss=0.5, jitter=0.06, merge_per_s=3.0, double_per_s=0.15, cut_per_s=2.5,
    false_per_s=1.5, official_as_player=0.5, player_as_official=0.03, bench=12, colour_noise=1.6,
    camera_sd_yd=0.12, lost_spans=1,
)  # fmt: skip
FITTED = Path(__file__).parent / "faults_fitted.json"
"""Settings fitted to the shipped detector's own mistakes, with what they were fitted to, written by
`python -m models.training.fit_faults`."""


def read_fitted(path: Path = FITTED) -> dict[str, FaultSettings]:
    """Fitted settings by name; none where the file is missing. Raises ValueError for an unknown setting."""
    if not path.is_file():
        return {}
    known = {f.name for f in fields(FaultSettings)}
    out = {}
    for name, entry in json.loads(path.read_text()).items():
        unknown = set(entry["settings"]) - known
        if unknown:
            raise ValueError(f"{path.name}: {name}: unknown settings {', '.join(sorted(unknown))}")
        out[name] = FaultSettings(**{**entry["settings"], "name": name})
    return out


PRESETS = {s.name: s for s in (CLEAN, PRO, SCHOOL, *read_fitted().values())}
