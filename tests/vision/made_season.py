"""An invented season for the reading half: simulated plays, measured with plain code of its own.

The measures here are deliberately simple (nearest man, straight differences) and independent of
`vision.coverage`: they only need to be right enough that questions have answers a test can recompute.
"""

from __future__ import annotations

import shutil
from functools import lru_cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import numpy as np
import pandas as pd

from models.synthetic.plays import PlayScript, simulate_play
from vision.store import Season

OFFENSE, DEFENSE = "Millrace", "Harbor"
LOOK_EVERY = 9
PLAYS = 16


def make_season(
    path: Path, plays: int = 24, seed: int = 100, clips: dict[int, dict[str, Any]] | None = None
) -> Season:
    """Simulate `plays` plays (every sixth a run) and write them; `clips` overrides a play's clip row."""
    season = Season(path)
    rng = np.random.default_rng(seed)
    for i in range(plays):
        kind = "run" if i % 6 == 5 else "pass"
        script = simulate_play(seed + i, standard="ncaa", kind=kind)
        clip = {
            "clip_id": f"c{i + 1:03d}",
            "path": f"g1_{i + 1:03d}_side.mp4",
            "view": "sideline",
            "width_px": 1280,
            "height_px": 720,
            "fps_num": 30,
            "fps_den": 1,
            "frames": len(script.t_s),
            "start_s": 0.0,
            "end_s": float(script.t_s[-1] - script.t_s[0]),
            "game_id": "g1",
            "play_number": str(i + 1),
            "film_key": f"key{i}",
            **(clips or {}).get(i, {}),
        }
        season.write_play(clip, tables_of(script, f"g1-{i + 1:03d}", rng, i))
    season.write_failure(
        {"clip_id": "c999", "path": "g1_999_side.mp4", "view": "sideline", "game_id": "g1"},
        "no field lines found in any frame",
    )
    return season


@lru_cache(maxsize=1)
def _made_once() -> Path:
    return make_season(Path(mkdtemp()) / "made.season", PLAYS).path


def made_copy(path: Path) -> Season:
    """A season of `PLAYS` plays, simulated once per run of the tests and copied."""
    shutil.copyfile(_made_once(), path)
    return Season(path)


def tables_of(script: PlayScript, play_id: str, rng: np.random.Generator, i: int) -> dict[str, list[dict]]:
    """The export tables of one simulated play, with believable blanks and spreads."""
    e, t = script.events, script.t_s
    start = float(t[0])
    throw = e.get("throw_s")
    arrival = e.get("arrival_s")
    men = {p.id: p for p in script.people if p.team != "official"}
    where = {k: script.to_play(p.xy_field_yd) for k, p in men.items()}
    moments = {"snap": 0.0, "throw": throw, "arrival": arrival}
    play = {
        "play_id": play_id,
        "snap_s": -start,
        "snap_source": "measured",
        "snap_sd_s": 0.05,
        "throw_s": None if throw is None else throw - start,
        "throw_source": None if throw is None else "measured",
        "throw_sd_s": None if throw is None else 0.1,
        "arrival_s": None if arrival is None else arrival - start,
        "los_field_yd": script.los_field_yd,
        "direction": script.direction,
        "down": 1 + i % 3,
        "distance": [10, 7, 4, 9][i % 4],
        "hash": ["left", "middle", "right"][i % 3],
        "qb_drop": e.get("qb_drop"),
        "play_action": e.get("play_action"),
        "boot": e.get("boot"),
        "time_to_throw_s": throw,
        "formation": script.formation,
        "left_combination": script.combos.get("left"),
        "right_combination": script.combos.get("right"),
        "target_player_id": e.get("target"),
        "result": e.get("result"),
        "result_source": "charted",
        "yards": e.get("yards"),
        "kind": script.kind,
        "standard": script.standard,
        "offense": OFFENSE,
        "defense": DEFENSE,
        "spot_y_field_yd": script.spot_y_field_yd,
        "strength": ["left", "right"][i % 2],
        "field_side": ["right", "middle", "left"][i % 3],
        "look": i % LOOK_EVERY == 4,
        "look_reason": "camera margin is small" if i % LOOK_EVERY == 4 else None,
    }
    eligible = [k for k in script.routes]
    sides = _sides(where, eligible)
    out: dict[str, list[dict]] = {
        "plays": [play],
        "players": _players(men, where, sides, i),
        "tracks": _tracks(script, men),
        "routes": [],
        "matchups": [],
        "drops": [],
    }
    for k in eligible:
        r = script.routes[k]
        end = where[k][_at(t, throw if throw is not None else e["end_s"])]
        out["routes"].append(
            {
                "player_id": k,
                "route": r.label,
                "probability": float(np.clip(rng.beta(8, 2), 0.36, 0.99)),
                "runner_up": "hitch",
                "stem_depth_play_yd": r.stem_depth_play_yd,
                "break_s": r.break_s,
                "break_angle_deg": r.break_angle_deg,
                "max_depth_play_yd": float(where[k][:, 0].max()),
                "end_depth_play_yd": float(end[0]),
                "end_lateral_play_yd": float(end[1]),
            }
        )
        out["matchups"] += _matchups(men, where, k, sides, {**moments, "break": r.break_s}, t, rng)
    if script.kind == "pass":
        out["drops"] = _drops(men, where, e, t, rng)
    return out


def _at(t: np.ndarray, moment: float) -> int:
    return int(np.argmin(np.abs(t - moment)))


def _sides(where: dict[str, np.ndarray], eligible: list[str]) -> dict[str, tuple[str, int]]:
    out: dict[str, tuple[str, int]] = {}
    snap = 90
    for side, sign in (("left", -1), ("right", 1)):
        here = [k for k in eligible if sign * where[k][snap, 1] > 0]
        for place, k in enumerate(sorted(here, key=lambda k: -sign * where[k][snap, 1])):
            out[k] = (side, place + 1)
    return out


def _players(men: dict, where: dict, sides: dict, i: int) -> list[dict]:
    rows = []
    for k, p in men.items():
        side, number = sides.get(k, (None, None))
        role = p.role if p.role in ("QB", "RB", "TE", "WR", "OL", "DL", "LB", "CB", "S") else None
        y = float(p.xy_field_yd[90, 1])
        split = min(y, 160 / 3 - y)
        rows.append(
            {
                "player_id": k,
                "team": p.team,
                "role": role,
                "jersey": p.jersey if (hash(p.jersey) + i) % 4 else None,
                "jersey_probability": 0.9,
                "receiver_number": number,
                "side": side,
                "split_yd": split,
                "landmark": None
                if number is None
                else "outside numbers"
                if split < 8
                else "on numbers"
                if split < 10
                else "inside numbers"
                if split < 17
                else "hash",
                "depth_play_yd": float(where[k][90, 0]),
                "lateral_play_yd": float(where[k][90, 1]),
            }
        )
    return rows


def _tracks(script: PlayScript, men: dict) -> list[dict]:
    rows = []
    for k, p in men.items():
        speed = np.hypot(*np.gradient(p.xy_field_yd.astype(float), 1 / 30, axis=0).T)
        for f in range(0, len(script.t_s), 2):
            rows.append(
                {
                    "frame": f,
                    "t_s": float(script.t_s[f]),
                    "player_id": k,
                    "team": p.team,
                    "x_field_yd": float(p.xy_field_yd[f, 0]),
                    "y_field_yd": float(p.xy_field_yd[f, 1]),
                    "sd_yd": 0.2,
                    "speed_yd_per_s": float(speed[f]),
                    "observed": True,
                }
            )
    return rows


def _matchups(
    men: dict, where: dict, k: str, sides: dict, moments: dict, t: np.ndarray, rng: np.random.Generator
) -> list[dict]:
    rows = []
    for moment, t_s in moments.items():
        if t_s is None or t_s != t_s:
            continue
        f = _at(t, t_s)
        me = where[k][f]
        others = sorted((float(np.hypot(*(where[d][f] - me))), d) for d in men if d[0] == "D")
        under = [(gap, d) for gap, d in others if where[d][f][0] < me[0]]
        for kind, chosen in (("nearest", others[:1]), ("underneath", under[:1])):
            for gap, d in chosen:
                away = where[d][f] - me
                sign = -1.0 if me[1] > 0 else 1.0
                inside = float(sign * away[1])
                rows.append(
                    {
                        "receiver_id": k,
                        "defender_id": d,
                        "kind": kind,
                        "moment": moment,
                        "t_s": t_s,
                        "distance_yd": gap,
                        "cushion_yd": float(away[0]),
                        "inside_yd": inside,
                        "under_yd": float(-away[0]),
                        "leverage": "",
                        "sd_yd": 0.3,
                        "lane_yd": float(abs(inside) * 0.6 + rng.uniform(0, 1)),
                    }
                )
    return rows


def _drops(men: dict, where: dict, e: dict, t: np.ndarray, rng: np.random.Generator) -> list[dict]:
    rows = []
    for k, p in men.items():
        if p.team != "defense" or p.role == "DL":
            continue
        depth = where[k][:, 0]
        throw = e.get("throw_s")
        end = _at(t, throw if throw is not None else e["end_s"])
        row: dict[str, Any] = {
            "player_id": k,
            "start_depth_play_yd": float(depth[90]),
            "first_move": "inside",
            "deepest_play_yd": float(depth[90 : end + 1].max()),
            "qb_set_s": e.get("set_s"),
            "first_second_speed_yd_per_s": float(abs(depth[120] - depth[90])),
            "settle_s": (e.get("set_s") or 1.8) + rng.normal(0.15, 0.25),
        }
        for s in (5, 10, 15, 20, 25, 30):
            f = _at(t, s / 10)
            row[f"depth_{s:02d}_play_yd"] = float(depth[f]) if f <= end else None
        if throw is not None:
            row |= {
                "throw_depth_play_yd": float(depth[end]),
                "reaction_s": float(rng.gamma(6, 0.06)),
                "break_speed_yd_per_s": float(rng.normal(5, 1)),
                "path_efficiency": float(rng.uniform(0.6, 1)),
                "arrival_distance_yd": float(rng.gamma(3, 1.2)),
            }
        if e.get("play_action"):
            row |= {"bite_yd": float(rng.gamma(2, 0.6)), "turn_s": 0.9}
        rows.append(row)
    return rows


if __name__ == "__main__":
    import sys

    print(len(pd.DataFrame(make_season(Path(sys.argv[1]), int(sys.argv[2])).table("plays"))), "plays")
