"""Simulated plays through `understand_play` and `measure`, with figures: `python -m vision.plays.trial
--help`.

Kinds of tracks: clean (30 Hz, exact), table (10 Hz, 0.1 yd, teams named A / B), film (30 Hz, slowly wandering
errors of 0.15 yd and 0.1 yd of shake, men missing for stretches), pro and school (boxes with a detector's
faults of that preset through the tracker; men out of the picture at the snap are not asked for).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from scipy.optimize import linear_sum_assignment

from calibration.standards import get_standard
from models.evaluation.plays import Score, score_cushions, score_play
from models.synthetic.faults import PRESETS, make_faulty
from models.synthetic.plays import PlayScript, simulate_play
from vision.coverage import measure
from vision.plays.ball import BallPath
from vision.plays.understand import understand_play
from vision.records import Detections, Tracks
from vision.tracking.clip import track_clip

OFFSET_S = 7.0
STANDARDS = ("ncaa", "nfl", "nfhs", "canadian")
KINDS = ("clean", "table", "film", "pro", "school")


def tracks_of(
    script: PlayScript, rng: np.random.Generator, kind: str = "film", teams: bool = False
) -> Tracks:
    """The script's players as Tracks whose clock shows OFFSET_S at the snap."""
    men = [p for p in script.people if p.team != "official"]
    step = 3 if kind == "table" else 1
    xy = np.stack([p.xy_field_yd[::step] for p in men]).astype(float)
    t = np.asarray(script.t_s[::step]) + OFFSET_S
    n, frames = xy.shape[:2]
    sd = {"clean": 0.02, "table": 0.1, "film": 0.18}[kind]
    if kind == "table":
        xy += rng.normal(0, 0.1, xy.shape)
    if kind == "film":
        keep = np.exp(-1 / (0.7 * 30))
        wander = rng.normal(0, 0.15, xy.shape)
        for k in range(1, frames):
            wander[:, k] = keep * wander[:, k - 1] + np.sqrt(1 - keep**2) * wander[:, k]
        shake = rng.normal(0, 0.3, xy.shape)
        kernel = np.hanning(9) / np.hanning(9).sum()
        shake = np.apply_along_axis(lambda v: np.convolve(v, kernel, "same"), 1, shake)
        xy += wander + shake
        for row in range(n):
            if rng.random() < 0.25:
                start, length = int(rng.integers(0, frames)), int(rng.integers(5, 40))
                xy[row, start : start + length] = np.nan
    flip = rng.random() < 0.5
    ab = {"offense": "B" if flip else "A", "defense": "A" if flip else "B"}
    present = np.isfinite(xy[..., 0])
    return Tracks(
        ids=tuple(p.id for p in men),
        team=tuple(p.team if teams else ab[p.team] for p in men),
        xy_field_yd=xy,
        velocity_field_yd_per_s=np.gradient(xy, t, axis=1),
        sd_yd=np.where(present, sd, np.nan),
        observed=present,
        uncertain=np.zeros((n, frames), bool),
        t_s=t,
        jersey=tuple(str(p.jersey) if p.jersey is not None and kind == "table" else "" for p in men),
    )


def tracked(script: PlayScript, seed: int, preset: str) -> tuple[Tracks, dict[str, str]]:
    """Tracks from faulty boxes through the tracker, and {true id: track id, '' = none} of the men in the
    picture
    at the snap (nearest track within 1.5 yd, one each)."""
    boxes = make_faulty(script, seed, PRESETS[preset])
    tracks = track_clip(Detections(**boxes.fields()), boxes.cameras, get_standard(script.standard))
    tracks = tracks.select(tracks.of_team("A", "B"))
    k = int(np.argmin(np.abs(script.t_s)))
    asked = [p for p, t in enumerate(boxes.person_team) if t != "official" and boxes.in_picture[p, k]]
    gap = boxes.xy_field_yd[asked, k][:, None] - tracks.xy_field_yd[None, :, k]
    far = np.nan_to_num(np.hypot(gap[..., 0], gap[..., 1]), nan=99.0)
    names = {boxes.person_id[p]: "" for p in asked}
    for i, j in zip(*linear_sum_assignment(np.minimum(far, 3.0)), strict=True):
        if far[i, j] <= 1.5:
            names[boxes.person_id[asked[i]]] = tracks.ids[j]
    shifted = replace(tracks, t_s=tracks.t_s + script.t_s[0] + OFFSET_S)
    return shifted, names


def ball_of(script: PlayScript, rng: np.random.Generator) -> BallPath:
    """The ball as a 10 Hz table gives it, 0.1 yd of error."""
    xy = np.asarray(script.ball_field_yd[::3, :2], float)
    return BallPath(np.asarray(script.t_s[::3]) + OFFSET_S, xy + rng.normal(0, 0.1, xy.shape))


def trial(seeds: Iterable[int], kind: str = "film", with_ball: bool = False, verbose: bool = False) -> Score:
    """Simulate one play a seed (standards in turn; 75 % pass, 20 % run, 5 % kick), read it, score it."""
    score = Score()
    for seed in seeds:
        rng = np.random.default_rng([seed, 99])
        what = str(rng.choice(["pass", "run", "kick"], p=[0.75, 0.2, 0.05]))
        script = simulate_play(seed, STANDARDS[seed % 4], what)
        ball = ball_of(script, rng) if with_ball else None
        names: dict[str, str] = {}
        if kind in PRESETS and kind != "clean":
            tracks, names = tracked(script, seed, kind)
        else:
            tracks = tracks_of(script, rng, kind)
        play = understand_play(tracks, script.standard, ball=ball, play_id=str(seed))
        before = {n: list(v) for n, v in score.hits.items()}
        score_play(score, play, script, OFFSET_S, names)
        if script.kind == "pass" and play.understood:
            routes = {names.get(i, i): r for i, r in script.routes.items()}
            matchups, _ = measure(play, routes)
            score_cushions(score, matchups, script, names)
        if verbose:
            missed = {
                n: v[1] - v[0] - (before.get(n, [0, 0])[1] - before.get(n, [0, 0])[0])
                for n, v in score.hits.items()
            }
            print(seed, what, script.standard, {n: m for n, m in missed.items() if m}, play.warnings)
    return score


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--plays", type=int, default=60, help="number of plays")
    parser.add_argument("--kind", choices=KINDS, default="film", help="how good the tracks are")
    parser.add_argument("--ball", action="store_true", help="give the ball's path too")
    parser.add_argument("--verbose", action="store_true", help="one line per play")
    given = parser.parse_args(arguments)
    seeds = range(given.first, given.first + given.plays)
    print("\n".join(trial(seeds, given.kind, given.ball, given.verbose).lines()))


if __name__ == "__main__":
    main()
