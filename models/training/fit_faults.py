"""Fit the fault model of `models.synthetic.faults` to a detector's own mistakes on film with truth.

    python -m models.training.fit_faults --name fitted_school --film FILM --boxes FOLDER [--film ...]

Each FILM is a folder that `models.synthetic.season` wrote; FOLDER holds what the detector found on its clips,
one file a clip, named after it: CLIP*.pass (kept by `underneath score --passes`), CLIP.pkl.xz, or CLIP*.csv
(written by `underneath detect`). Sideline clips are used. The mistakes are counted against the truth's boxes;
then simulated plays are given faults and counted in the same way, and every setting is moved until the counts
agree. Settings and both sets of counts go into `models/synthetic/faults_fitted.json`.
"""

from __future__ import annotations

import argparse
import json
import lzma
import math
import pickle
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from models.evaluation.boxes import CORNERS
from models.evaluation.fault_counts import FaultCounts, FoundBoxes, TrueBoxes, count_faults
from models.synthetic.fault_settings import FITTED, PRESETS, PRO, FaultSettings
from models.synthetic.faults import make_faulty, true_boxes
from models.synthetic.plays import simulate_play

MOVES = (
    ("white_miss", "single_frame", 0.3),
    ("miss_free_per_s", "spells_free", 30.0),
    ("miss_small", "missed_small", 60.0),
    ("miss_covered_per_s", "missed_covered", 60.0),
    ("miss_length_s", "spell_s", 4.0),
    ("low_during_miss", "faint_while_missed", 1.0),
    ("jitter", "edge_sd", 0.3),
    ("jitter_low", "low_sd", 0.3),
    ("jitter_side", "side_sd", 0.3),
    ("jitter_covered", "covered_sd", 8.0),
    ("merge_per_s", "shared", 40.0),
    ("merge_length_s", "shared_s", 3.0),
    ("double_per_s", "doubled", 10.0),
    ("double_length_s", "doubled_s", 3.0),
    ("cut_per_s", "cut", 40.0),
    ("cut_length_s", "cut_s", 3.0),
    ("false_per_s", "false_tracks", 20.0),
    ("false_length_s", "false_s", 6.0),
    ("official_as_player", "official_as_player", 0.98),
    ("player_as_official", "player_as_official", 0.98),
)
"""(setting, the count it moves, its upper limit)."""
SEEDS = 7_100
"""First seed of the plays that settings are fitted on; tests use others."""


def read_found(path: Path) -> tuple[FoundBoxes, int]:
    """What the detector found on one clip, and of how many film frames one was looked at."""
    if path.suffix == ".csv":
        table = pd.read_csv(path)
        kinds = {"player": 0, "official": 1}
        table = table[table["class"].isin(kinds)]
        boxes = table[CORNERS].to_numpy(float)
        kind = table["class"].map(kinds).to_numpy(int)
        found = FoundBoxes(table["frame"].to_numpy(int), boxes, table["confidence"].to_numpy(float), kind)
        return found, 1
    data = pickle.loads(lzma.decompress(path.read_bytes()) if path.suffix == ".xz" else path.read_bytes())
    film = data[0] if isinstance(data, tuple) else data
    d = film.detections
    return FoundBoxes(d.frame, d.xyxy_px, d.confidence, d.kind), int(film.step)


def film_counts(film: Path, boxes: Path) -> tuple[FaultCounts, list[str]]:
    """Counts over the sideline clips of one film for which boxes are there; and the clips' names."""
    clips = pd.read_parquet(film / "truth" / "clips.parquet")
    truth = pd.read_parquet(film / "truth" / "boxes.parquet")
    total, used = FaultCounts(), []
    for clip in clips[clips["view"] == "sideline"].to_dict("records"):
        files = sorted(p for p in boxes.glob(f"{clip['clip_id']}*") if p.suffix in (".pass", ".xz", ".csv"))
        rows = truth[truth["clip_id"] == clip["clip_id"]]
        if not files or not len(rows):
            continue
        found, step = read_found(files[-1])
        total = total + count_faults(truth_of(rows, clip, step), found)
        used.append(clip["clip_id"])
    if not used:
        raise FileNotFoundError(f"{boxes}: no boxes of the clips of {film}")
    return total, used


def truth_of(rows: pd.DataFrame, clip: dict[str, Any], step: int) -> TrueBoxes:
    """True boxes of the frames looked at. rows: the clip's rows of truth/boxes."""
    rows = rows[rows["frame"] % step == 0]
    frame = rows["frame"].to_numpy(int) // step
    frames = int(frame.max()) + 1
    sides = rows[CORNERS].to_numpy(float)
    person = rows["kind"].isin(["player", "official"]).to_numpy()
    ids = {p: i for i, p in enumerate(rows.loc[person, "player_id"].unique())}
    grid = np.full((len(ids), frames, 4), np.nan)
    grid[rows.loc[person, "player_id"].map(ids).to_numpy(int), frame[person]] = sides[person]
    first = rows[person].drop_duplicates("player_id")
    official = first.set_index("player_id")["kind"].eq("official").reindex(list(ids)).to_numpy(bool)
    other = rows["kind"].eq("other").to_numpy()
    others = tuple(sides[other & (frame == f)] for f in range(frames))
    dt = step * clip["fps_den"] / clip["fps_num"]
    return TrueBoxes(grid, official, others, dt, int(clip["width_px"]), int(clip["height_px"]))


def made_counts(settings: FaultSettings, seeds: Sequence[int], size: tuple[int, int]) -> FaultCounts:
    """The same counts over simulated plays with faults."""
    total = FaultCounts()
    for seed in seeds:
        play = simulate_play(seed, ("ncaa", "nfhs")[seed % 2], "pass")
        made = make_faulty(play, seed, settings, size=size)
        boxes, _ = true_boxes(play.people, made.true_cameras, np.arange(len(play.t_s)))
        bench = made.person == -2
        frames = range(len(made.pts_s))
        others = tuple(made.xyxy_px[bench & (made.frame == f)].astype(float) for f in frames)
        official = np.array([team == "official" for team in made.person_team])
        dt = float(np.median(np.diff(made.pts_s)))
        keep = ~bench
        total = total + count_faults(
            TrueBoxes(boxes, official, others, dt, *size),
            FoundBoxes(made.frame[keep], made.xyxy_px[keep], made.confidence[keep], made.kind[keep]),
        )
    return total


def fit(
    wanted: dict[str, float], start: FaultSettings, size: tuple[int, int], plays: int = 6, rounds: int = 8
) -> tuple[FaultSettings, dict[str, float]]:
    """Move every setting by the ratio of its count wanted to its count made, round after round; the counts
    that settings share (a longer miss is also more misses) settle on the way. Returns the settings and
    their counts in the last round but one."""
    settings = start
    made: dict[str, float] = {}
    for k in range(rounds):
        made = made_counts(settings, range(SEEDS, SEEDS + plays), size).statistics()
        if k == rounds - 1:
            break
        settings = moved(settings, wanted, made)
    return settings, made


def moved(settings: FaultSettings, wanted: dict[str, float], made: dict[str, float]) -> FaultSettings:
    """Settings after one round. A count that was not met on film (NaN) leaves its setting as it is."""
    values: dict[str, float] = {}
    for name, count, most in MOVES:
        old, goal, now = float(getattr(settings, name)), wanted[count], made[count]
        if not math.isfinite(goal):
            continue
        if goal == 0:
            values[name] = 0.0 if not name.endswith("length_s") else old
        elif not math.isfinite(now) or now == 0:
            values[name] = min(most, max(old * 1.7, 0.01))
        else:
            values[name] = min(most, old * float(np.clip((goal / now) ** 0.7, 0.4, 2.5)))
    if math.isfinite(wanted["low_edge"]) and math.isfinite(made["low_edge"]):
        values["low_edge"] = settings.low_edge + 0.7 * (wanted["low_edge"] - made["low_edge"])
    return replace(settings, **{k: round(v, 4) for k, v in values.items()})  # type: ignore[arg-type]


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add = parser.add_argument
    add("--film", type=Path, action="append", required=True, metavar="FOLDER", help="film with truth")
    add("--boxes", type=Path, action="append", required=True, metavar="FOLDER", help="its boxes")
    add("--name", required=True, help="name of the settings; with 'school' in it the lift is low")
    add("--start", default="", help="preset to start from (default: school or pro, by the name)")
    add("--plays", type=int, default=6, help="simulated plays in each round (6)")
    add("--rounds", type=int, default=8, help="rounds (8)")
    add("--note", default="", help="said beside the settings, e.g. which detector")
    add("--out", type=Path, default=FITTED)
    args = parser.parse_args(argv)
    if len(args.film) != len(args.boxes):
        parser.error("one --boxes for each --film")
    total, size = FaultCounts(), (1280, 720)
    used: list[str] = []
    for film, boxes in zip(args.film, args.boxes, strict=True):
        counts, clips = film_counts(film, boxes)
        total, used = total + counts, [*used, *clips]
        first = pd.read_parquet(film / "truth" / "clips.parquet").iloc[0]
        size = (int(first["width_px"]), int(first["height_px"]))
    start = PRESETS[args.start] if args.start else PRESETS["school"] if "school" in args.name else PRO
    start = replace(start, name=args.name, jitter_low=start.jitter_low or 0.02,
                    jitter_side=start.jitter_side or 0.02, free_fades=2.0)  # fmt: skip
    wanted = total.statistics()
    settings, made = fit(wanted, start, size, args.plays, args.rounds)
    entry = {
        "settings": {k: v for k, v in asdict(settings).items() if k != "name"},
        "size_px": list(size),
        "clips": used,
        "note": args.note,
        "film": {k: _plain(v) for k, v in wanted.items()},
        "made": {k: _plain(v) for k, v in made.items()},
        "n": total.sizes(),
    }
    every = json.loads(args.out.read_text()) if args.out.is_file() else {}
    every[args.name] = entry
    args.out.write_text(json.dumps(every, indent=1) + "\n")
    print(f"{'count':<20} {'film':>8} {'made':>8} {'n':>8}")
    for name, value in wanted.items():
        print(f"{name:<20} {value:8.3f} {made[name]:8.3f} {entry['n'][name]:8d}")
    print(f"wrote {args.name} into {args.out}")
    return 0


def _plain(value: float) -> float | None:
    return round(value, 4) if math.isfinite(value) else None


if __name__ == "__main__":
    raise SystemExit(main())
