"""How good the tracker is on simulated plays with faults, beside general-purpose trackers.

    python -m vision.tracking.benchmark --plays 20 --preset school --peers

Validation seeds start at 100, test seeds at 50000; constants are chosen on validation seeds only.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from calibration.standards import get_standard
from models.evaluation.tracking import (
    TrackCounts,
    add_counts,
    count_tracks,
    kept_identity,
    matched_track,
    position_errors_yd,
)
from models.synthetic.faults import PRESETS, FaultyBoxes, make_faulty
from models.synthetic.plays import simulate_play
from vision.records import Detections, Tracks
from vision.tracking.clip import TrackSettings, track_clip
from vision.tracking.peers import PEERS, peer_tracks

VALIDATION, TEST = 100, 50_000
ELIGIBLE, UNDERNEATH = ("WR", "TE", "RB"), ("LB", "CB", "S")


@dataclass
class Result:
    """Sums over clips; `line()` gives the figures."""

    counts: list[TrackCounts] = field(default_factory=list)
    kept: list[bool] = field(default_factory=list)
    all_eligible: list[bool] = field(default_factory=list)
    position: list[np.ndarray] = field(default_factory=list)
    speed: list[np.ndarray] = field(default_factory=list)
    team: list[float] = field(default_factory=list)
    inside_2sd: list[np.ndarray] = field(default_factory=list)
    seconds: float = 0.0
    film_s: float = 0.0

    def line(self) -> str:
        c = add_counts(self.counts)
        n = len(self.counts)
        text = (
            f"n={n} HOTA {c.hota:.3f} at 1 yd {c.hota_gate:.3f} IDF1 {c.idf1:.3f} MOTA {c.mota:.3f} "
            f"changes/play {c.switches / n:.1f} one identity snap to arrival {np.mean(self.kept):.3f} "
            f"(n={len(self.kept)}) plays with all eligible right {np.mean(self.all_eligible):.2f}"
        )
        if self.position:
            e, v = np.concatenate(self.position), np.concatenate(self.speed)
            text += (
                f" | place {np.median(e):.2f} / {np.percentile(e, 95):.2f} yd, speed {np.median(v):.2f} yd/s,"
                f" within 2 sd {np.mean(np.concatenate(self.inside_2sd)):.3f},"
                f" side right {np.mean(self.team):.4f},"
                f" {self.seconds / max(self.film_s, 1e-9) * 10:.2f} s per 10 s"
            )
        return text


def visible(xy: np.ndarray, boxes: FaultyBoxes) -> np.ndarray:
    """Tracks (Q,T,2) with the times blanked at which the foot point lies outside the true picture."""
    xy = np.array(xy)
    for f, camera in enumerate(boxes.true_cameras):
        px, ok = camera.to_image(np.nan_to_num(xy[:, f], nan=-999.0))
        out = (px[:, 0] < 0) | (px[:, 0] >= boxes.width_px) | (px[:, 1] < 0) | (px[:, 1] >= boxes.height_px)
        xy[~ok | out, f] = np.nan
    return xy


def judge(result: Result, play: Any, boxes: FaultyBoxes, xy: np.ndarray, tracks: Tracks | None) -> None:
    """Add one clip to the sums. xy (Q,T,2): players only; tracks: our record with the same rows, or None."""
    players = np.array([team != "official" for team in boxes.person_team])
    truth = np.where(boxes.in_picture[..., None], boxes.xy_field_yd, np.nan)[players]
    xy = visible(xy, boxes)
    result.counts.append(count_tracks(truth, xy))
    people = [p for p, ok in zip(play.people, players, strict=True) if ok]
    span = (play.t_s >= 0) & (play.t_s <= _end_s(play))
    present = boxes.in_picture[players][:, span]
    kept = kept_identity(matched_track(truth[:, span], xy[:, span], 1.5), present)
    here = present.mean(1) > 0.5
    eligible = np.array([p.team == "offense" and p.role in ELIGIBLE for p in people]) & here
    under = np.array([p.team == "defense" and p.role in UNDERNEATH for p in people]) & here
    result.kept += kept[eligible | under].tolist()
    result.all_eligible.append(bool(kept[eligible].all()))
    if tracks is None:
        return
    matched = matched_track(truth, xy)
    p, f = np.nonzero(matched >= 0)
    result.position.append(position_errors_yd(truth, xy, matched))
    result.inside_2sd.append(result.position[-1] < 2 * np.sqrt(2) * tracks.sd_yd[matched[p, f], f])
    velocity = np.gradient(boxes.xy_field_yd[players], boxes.pts_s, axis=1)
    speed = np.linalg.norm(velocity, axis=-1)
    result.speed.append(np.abs(speed[p, f] - tracks.speed_yd_per_s[matched[p, f], f]))
    offense = np.array([q.team == "offense" for q in people])[p]
    share = float(np.mean(offense == np.array([tracks.team[k] == "A" for k in matched[p, f]])))
    result.team.append(max(share, 1 - share))


def _end_s(play: Any) -> float:
    for name in ("arrival_s", "throw_s"):
        value = play.events.get(name)
        if value is not None and np.isfinite(value):
            return float(value)
    return min(3.0, float(play.t_s[-1]))


def run(
    preset: str, seeds: Iterable[int], settings: TrackSettings | None = None, peers: tuple[str, ...] = (),
    standard: str = "ncaa", kind: str = "pass", view: str = "sideline", size: tuple[int, int] = (1280, 720),
) -> dict[str, Result]:  # fmt: skip
    """Results of our tracker ('ours') and of the peers over simulated plays."""
    results = {name: Result() for name in ("ours", *peers)}
    rules = get_standard(standard)
    for seed in seeds:
        play = simulate_play(seed, standard, kind)
        boxes = make_faulty(play, seed, PRESETS[preset], view=view, size=size)
        detections = Detections(**boxes.fields())
        start = time.perf_counter()
        tracks = track_clip(detections, boxes.cameras, rules, settings)
        ours = results["ours"]
        ours.seconds += time.perf_counter() - start
        ours.film_s += float(boxes.pts_s[-1])
        tracks = tracks.select(tracks.of_team("A", "B"))
        judge(ours, play, boxes, tracks.xy_field_yd, tracks)
        for name in peers:
            judge(results[name], play, boxes, peer_tracks(name, detections, boxes.cameras, rules), None)
    return results


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=20)
    parser.add_argument("--preset", choices=sorted(PRESETS), default="pro")
    parser.add_argument("--standard", default="ncaa")
    parser.add_argument("--view", choices=("sideline", "endzone"), default="sideline")
    parser.add_argument("--peers", action="store_true")
    parser.add_argument("--test", action="store_true", help="test seeds instead of validation seeds")
    a = parser.parse_args()
    first = TEST if a.test else VALIDATION
    seeds = range(first, first + a.plays)
    peers = PEERS[:3] if a.peers else ()
    for name, result in run(a.preset, seeds, peers=peers, standard=a.standard, view=a.view).items():
        print(f"{a.preset} {a.view} {name}: {result.line()}")


if __name__ == "__main__":
    main()
