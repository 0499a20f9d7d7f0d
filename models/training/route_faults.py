"""A tracker's own faults on film with truth, kept as series that training lays over simulated routes.

    python -m models.training.route_faults --film FILM --tables EXPORT [--film ...] --out FAULTS.npz

Each FILM is a folder that `models.synthetic.season` wrote, each EXPORT the tables of the season made from it
(`underneath export`). Men are matched at the snap, within 1.5 yd; a series is the place found less the true
one at 10 Hz around the snap, with the stated sd and whether he was seen. Linemen and passers are left out.
Men outside the picture are not faults: their series end where they leave it.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from models.evaluation.chart import match_people
from models.routes.features import GRID_S, MEASURED_SD_YD

LOST_S, OWN_SD_YD, WORST_YD = 0.7, 0.1, 8.0
"""so long without a look at him a man is lost; spread that is a man's own where the camera is good; errors
are held at WORST_YD (somebody else was followed)"""
LEFT_OUT = ("OL", "QB")


@dataclass(frozen=True)
class FaultSeries:
    """error_yd (N, G, 2) found less true place, (depth, lateral) of the play frame; seen (N, G) bool; sd_yd
    (N, G) as the tracker states it without what all men share; G is the grid of `models.routes.features`.
    Places after the last look are held."""

    error_yd: np.ndarray
    seen: np.ndarray
    sd_yd: np.ndarray

    def __len__(self) -> int:
        return len(self.seen)

    def save(self, path: str | Path) -> None:
        np.savez_compressed(
            path,
            error_yd=self.error_yd.astype(np.float16),
            seen=self.seen,
            sd_yd=self.sd_yd.astype(np.float16),
        )

    @classmethod
    def load(cls, path: str | Path) -> FaultSeries:
        with np.load(path, allow_pickle=False) as data:
            return cls(data["error_yd"].astype(float), data["seen"], data["sd_yd"].astype(float))


def series_of_play(
    found: pd.DataFrame, true: Mapping[str, pd.DataFrame], play: pd.Series, snap_found_s: float
) -> FaultSeries:
    """Series of one play's men. found: our tracks of its sideline clip (t_s from our snap); true: tables
    `tracks` (of that clip) and `tracking` (of that play); snap_found_s: our snap on the clip's clock."""
    nothing = FaultSeries(
        np.zeros((0, len(GRID_S), 2)), np.zeros((0, len(GRID_S)), bool), np.zeros((0, len(GRID_S)))
    )
    if not len(found) or not np.isfinite(snap_found_s):
        return nothing
    clock = found["t_s"] + snap_found_s - float(play["snap_s"])
    found = found.assign(t=clock, own=_own_sd(found))
    frames = true["tracks"].assign(off=true["tracks"]["t_s"].abs())
    at = int(frames["frame"].iloc[int(frames["off"].argmin())])
    here = frames[(frames["frame"] == at) & frames["team"].isin(["offense", "defense"]) & frames["observed"]]
    pairs = match_people(found[found["frame"] == at], here)
    roles = true["tracking"].drop_duplicates("entity_id").set_index("entity_id")["role"].to_dict()
    out = []
    for true_id, found_id, _ in pairs:
        name = true_id.split("|")[-1]
        if roles.get(name) in LEFT_OUT:
            continue
        one = _series(
            found[found["player_id"] == found_id].sort_values("t"),
            true["tracking"][true["tracking"]["entity_id"] == name].sort_values("t_s"),
            frames[frames["player_id"] == true_id].sort_values("t_s"),
            play,
        )
        if one is not None:
            out.append(one)
    return join_series([FaultSeries(*(a[None] for a in one)) for one in out]) if out else nothing


def _series(
    found: pd.DataFrame, path: pd.DataFrame, view: pd.DataFrame, play: pd.Series
) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
    """Error, seen and sd of one man on the grid; None when he is hardly seen."""
    t = found["t"].to_numpy(float)
    xy = found[["x_field_yd", "y_field_yd"]].to_numpy(float)
    truth = np.stack([np.interp(t, path["t_s"], path[k]) for k in ("x_field_yd", "y_field_yd")], 1)
    sign = float(play["direction"])
    error = np.clip((xy - truth) * [sign, -sign], -WORST_YD, WORST_YD)
    own = found["own"].to_numpy(float)
    good = np.isfinite(error).all(1) & (_kept(found["observed"].to_numpy(bool), t) | (own <= MEASURED_SD_YD))
    outside = view.loc[~view["observed"].astype(bool), "t_s"].to_numpy(float)
    outside = outside[outside > 0.0]
    stop = min(float(outside.min(initial=np.inf)), float(t[-1]) if len(t) else -np.inf)
    good &= t <= stop
    if good.sum() < 10 or t[good][0] > 0.3 or t[good][-1] < 1.5:
        return None
    at, e, own = t[good], error[good], own[good]
    gap = np.interp(GRID_S, at, np.arange(len(at)))
    low = np.floor(gap).astype(int)
    wide = at[np.minimum(low + 1, len(at) - 1)] - at[low] > 0.25
    seen = ~wide & (GRID_S >= at[0] - 0.05)
    seen |= GRID_S > stop  # nothing is known of him later: not a fault
    return np.stack([np.interp(GRID_S, at, e[:, k]) for k in (0, 1)], 1), seen, np.interp(GRID_S, at, own)


def _kept(observed: np.ndarray, t_s: np.ndarray) -> np.ndarray:
    """(T,) bool: not inside a stretch of LOST_S or more without a look."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], observed, [True]]).astype(int)))
    out = np.ones(len(t_s), bool)
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        until = t_s[stop] if stop < len(t_s) else t_s[-1] + 1.0
        if until - t_s[max(start - 1, 0)] > LOST_S:
            out[start:stop] = False
    return out


def _own_sd(found: pd.DataFrame) -> np.ndarray:
    """Stated sd without what the camera adds to all men alike: the lower fifth of a frame, in squares, less
    OWN_SD_YD."""
    sd = found["sd_yd"].to_numpy(float)
    fifth = found.groupby("frame")["sd_yd"].transform(lambda v: v.quantile(0.2)).to_numpy(float)
    shared = np.maximum(np.nan_to_num(fifth) ** 2 - OWN_SD_YD**2, 0.0)
    return np.asarray(np.sqrt(np.maximum(sd**2 - shared, 0.5 * OWN_SD_YD**2)))


def join_series(parts: Sequence[FaultSeries]) -> FaultSeries:
    """Several sets as one."""
    return FaultSeries(
        *(np.concatenate([getattr(p, k) for p in parts]) for k in ("error_yd", "seen", "sd_yd"))
    )


def series_of_film(film: Path, tables: Path) -> FaultSeries:
    """Series of all plays of a film folder with truth and the exported tables made from it."""
    truth = {
        k: pd.read_parquet(film / "truth" / f"{k}.parquet") for k in ("plays", "clips", "tracks", "tracking")
    }
    ours = {k: pd.read_parquet(tables / f"{k}.parquet") for k in ("plays", "tracks")}
    parts = []
    for clip in truth["clips"][truth["clips"]["view"] == "sideline"].itertuples():
        found = ours["tracks"][ours["tracks"]["clip_id"] == clip.clip_id].dropna(subset=["x_field_yd"])
        snaps = ours["plays"].loc[ours["plays"]["play_id"].isin(found["play_id"]), "snap_s"]
        if not len(snaps):
            continue
        play = truth["plays"][truth["plays"]["play_id"] == clip.play_id].iloc[0]
        true = {
            "tracks": truth["tracks"][truth["tracks"]["clip_id"] == clip.clip_id],
            "tracking": truth["tracking"][truth["tracking"]["play_id"] == clip.play_id],
        }
        parts.append(series_of_play(found, true, play, float(snaps.iloc[0])))
    return join_series(parts)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--film", type=Path, action="append", required=True)
    parser.add_argument("--tables", type=Path, action="append", required=True)
    parser.add_argument("--out", type=Path, required=True)
    args = parser.parse_args(argv)
    if len(args.film) != len(args.tables):
        parser.error(f"{len(args.film)} films but {len(args.tables)} folders of tables")
    series = join_series([series_of_film(f, t) for f, t in zip(args.film, args.tables, strict=True)])
    series.save(args.out)
    wrong = np.linalg.norm(series.error_yd, axis=2)
    print(f"wrote {args.out}: {len(series)} men, median error {np.median(wrong):.2f} yd")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
