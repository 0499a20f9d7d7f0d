"""Truth of rendered film as the program's own export tables (same file names and columns), plus boxes."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd

from models.routes.what_was_run import names_by_run
from models.synthetic.playsim_offense import LEAVES_ROUTE_S

ELIGIBLE = ("WR", "TE", "RB")


class Pinhole(Protocol):
    """What the cameras table says of a camera; both drawing programs have their own."""

    @property
    def width_px(self) -> int: ...
    @property
    def height_px(self) -> int: ...
    @property
    def focal_px(self) -> float: ...
    @property
    def k1(self) -> float: ...
    @property
    def centre(self) -> tuple[float, float, float]: ...

    def rotation(self) -> np.ndarray:
        """(3, 3) rows: camera right, down, forward in field axes."""


def camera_row(
    clip_id: str, frame: int, pts_s: float, cam: Pinhole | None, crown_yd: float
) -> dict[str, Any]:
    """One row of the cameras table; a frame without a field is lost and blank."""
    row: dict[str, Any] = {
        "clip_id": clip_id,
        "frame": frame,
        "pts_s": pts_s,
        "status": "lost" if cam is None else "measured",
    }
    names = [
        "fx_px",
        "cx_px",
        "cy_px",
        "k1",
        *(f"r{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3)),
        "tx_yd",
        "ty_yd",
        "tz_yd",
    ]
    if cam is None:
        values: list[float] = [float("nan")] * len(names)
    else:
        values = [
            cam.focal_px,
            (cam.width_px - 1) / 2,
            (cam.height_px - 1) / 2,
            cam.k1,
            *cam.rotation().ravel(),
            *cam.centre,
        ]
    return (
        row
        | dict(zip(names, (float(v) for v in values), strict=True))
        | {"field_crown_yd": crown_yd, "sd_px": 0.0}
    )


def clip_row(
    clip_id: str,
    path: Path,
    view: str,
    width: int,
    height: int,
    fmt: Any,
    frames: int,
    play_id: str,
    end_s: float,
) -> dict[str, Any]:
    """One row of the clips table."""
    return {
        "clip_id": clip_id,
        "path": path.name,
        "view": view,
        "width_px": width,
        "height_px": height,
        "fps_num": fmt.rate.numerator,
        "fps_den": fmt.rate.denominator,
        "frames": frames,
        "play_id": play_id,
        "start_s": 0.0,
        "end_s": end_s,
        "status": "done",
        "reason": "",
    }


def track_rows(
    clip_id: str, play_id: str, frame: int, t_s: float, people: list[dict[str, Any]]
) -> pd.DataFrame:
    """Everybody of one frame in or near the picture: box, share seen, foot point, place."""
    rows = []
    for p in people:
        foot = p["foot_px"] or (np.nan, np.nan)
        rows.append(
            (
                clip_id,
                play_id,
                frame,
                t_s,
                f"{play_id}|{p['id']}",
                p["kind"],
                p["team"],
                p["number"],
                *p["field_yd"],
                *p["box"],
                p["visible"],
                *foot,
            )
        )
    return pd.DataFrame(
        rows,
        columns=[
            "clip_id",
            "play_id",
            "frame",
            "t_s",
            "player_id",
            "kind",
            "team",
            "number",
            "x_field_yd",
            "y_field_yd",
            "z_field_yd",
            "x0_px",
            "y0_px",
            "x1_px",
            "y1_px",
            "visible",
            "foot_x_px",
            "foot_y_px",
        ],
    )


def tracks_table(boxes: pd.DataFrame, rate: float) -> pd.DataFrame:
    """The tracks table: players and officials in or near the picture. observed: a fifth of him is seen."""
    t = (
        boxes[boxes["team"].isin(["offense", "defense", "official"])]
        .sort_values(["clip_id", "player_id", "frame"])
        .astype({"x_field_yd": float, "y_field_yd": float})  # a missing place makes a column of objects
    )
    by = t.groupby(["clip_id", "player_id"])
    dx, dy, dt = by["x_field_yd"].diff(), by["y_field_yd"].diff(), by["t_s"].diff()
    t["speed_yd_per_s"] = np.hypot(dx, dy) / dt.where(dt > 0.5 / rate)
    t["observed"], t["sd_yd"] = t["visible"] >= 0.2, 0.0
    return t[
        [
            "clip_id",
            "play_id",
            "frame",
            "t_s",
            "player_id",
            "team",
            "x_field_yd",
            "y_field_yd",
            "sd_yd",
            "speed_yd_per_s",
            "observed",
            "x0_px",
            "y0_px",
            "x1_px",
            "y1_px",
            "visible",
        ]
    ].reset_index(drop=True)


def play_row(
    play_id: str, script: Any, snap_s: float, down: int, distance: float, hash_word: str
) -> dict[str, Any]:
    """One row of the plays table, times in the first clip's file time."""
    e = script.events
    row: dict[str, Any] = {"play_id": play_id, "kind": script.kind, "standard": script.standard}
    for name in ("snap", "throw", "arrival", "end"):
        t = 0.0 if name == "snap" else e.get(f"{name}_s")
        if name in ("throw", "arrival") and script.kind != "pass":
            t = None
        row |= {
            f"{name}_s": float("nan") if t is None else snap_s + float(t),
            f"{name}_source": "measured",
            f"{name}_sd_s": 0.0,
        }
    launch = e.get("launch_play_yd") or (np.nan, np.nan)
    target = e.get("target")
    throw = e.get("throw_s")
    return row | {
        "los_field_yd": script.los_field_yd,
        "direction": script.direction,
        "hash": hash_word,
        "down": down,
        "distance": distance,
        "spot_y_field_yd": script.spot_y_field_yd,
        "qb_drop": e.get("qb_drop"),
        "play_action": bool(e.get("play_action", False)),
        "launch_depth_play_yd": launch[0],
        "launch_lateral_play_yd": launch[1],
        "time_to_throw_s": np.nan if throw is None or script.kind != "pass" else throw,
        "formation": script.formation,
        "left_combination": script.combos.get("left"),
        "right_combination": script.combos.get("right"),
        "target_player_id": f"{play_id}|{target}" if target else None,
        "result": e.get("result"),
        "result_source": "measured",
        "yards": e.get("yards"),
    }


def player_rows(play_id: str, script: Any) -> list[dict[str, Any]]:
    """Rows of the players table: role, jersey, and for eligible men number, side and split at the snap."""
    i0 = int(np.searchsorted(script.t_s, 0.0))
    at = {p.id: script.to_play(p.xy_field_yd[i0]) for p in script.people}
    out = []
    for p in script.people:
        if p.team == "official":
            continue
        side, number, split = None, None, np.nan
        if p.team == "offense" and p.role in ELIGIBLE:
            lateral = float(at[p.id][1])
            side = "right" if lateral >= 0 else "left"
            same = [
                q.id
                for q in script.people
                if q.team == "offense" and q.role in ELIGIBLE and (at[q.id][1] >= 0) == (lateral >= 0)
            ]
            number = sorted(same, key=lambda q: -abs(float(at[q][1]))).index(p.id) + 1
            split = abs(lateral)
        out.append(
            {
                "play_id": play_id,
                "player_id": f"{play_id}|{p.id}",
                "team": p.team,
                "role": p.role,
                "jersey": p.jersey,
                "jersey_probability": 1.0,
                "receiver_number": number,
                "side": side,
                "split_yd": split,
                "landmark": None,
            }
        )
    return out


def route_rows(play_id: str, script: Any) -> list[dict[str, Any]]:
    """Rows of the routes table; ``route_twelve`` is what was run until the ball came."""
    stop = script.events.get("arrival_s") or script.events.get("end_s") or script.t_s[-1]
    use = (script.t_s >= 0) & (script.t_s <= stop)
    paths = {pid: script.to_play(script.person(pid).xy_field_yd[use]) for pid in script.routes}
    by_run = _by_run(script, paths, stop)
    out = []
    for (pid, r), run in zip(script.routes.items(), by_run, strict=True):
        path = paths[pid]
        out.append(
            {
                "play_id": play_id,
                "player_id": f"{play_id}|{pid}",
                "route": r.label,
                "probability": 1.0,
                "runner_up": None,
                "stem_depth_play_yd": r.stem_depth_play_yd,
                "break_s": r.break_s,
                "break_angle_deg": r.break_angle_deg,
                "finished": r.finished,
                "route_twelve": run,
                "max_depth_play_yd": float(path[:, 0].max()),
                "end_depth_play_yd": float(path[-1, 0]),
                "end_lateral_play_yd": float(path[-1, 1]),
            }
        )
    return out


def _by_run(script: Any, paths: dict[str, np.ndarray], stop_s: float) -> list[str | None]:
    """Names in the 12-class set of what the men of these paths ((T, 2) from the snap) ran before stop_s, or
    before they left their routes because the ball went elsewhere."""
    if not paths:
        return []
    throw, target = script.events.get("throw_s"), script.events.get("target")
    left = stop_s if throw is None else min(stop_s, throw + LEAVES_ROUTE_S)
    routes = [script.routes[pid] for pid in paths]
    start, last = (np.array([path[k] for path in paths.values()]) for k in (0, -1))
    names = names_by_run(
        np.array([r.label for r in routes]),
        np.array([path[:, 0].max() for path in paths.values()]),
        (last[:, 1] - start[:, 1]) * np.where(start[:, 1] >= 0, 1.0, -1.0),
        start[:, 0],
        np.array([r.break_s for r in routes]),
        np.array([stop_s if pid == target else left for pid in paths]),
    )
    return [str(name) or None for name in names]


def matchup_rows(play_id: str, script: Any) -> list[dict[str, Any]]:
    """Nearest defender of every route runner at snap, break, throw and arrival, from the script's places.

    Men of the line and who rushes cover nobody; who stays in to block is no route runner.
    """
    out = []
    rush = {who for who, job in script.situation.get("jobs", {}).items() if job in ("rush", "blitz")}
    men = [p for p in script.people if p.team == "defense" and p.role != "DL"]
    defenders = [p for p in men if p.id not in rush] or men
    for pid, r in script.routes.items():
        if r.label == "block":
            continue
        man = script.person(pid)
        moments = {
            "snap": 0.0,
            "break": r.break_s,
            "throw": script.events.get("throw_s"),
            "arrival": script.events.get("arrival_s"),
        }
        for moment, t in moments.items():
            if t is None or not np.isfinite(t):
                continue
            i = int(np.argmin(np.abs(script.t_s - t)))
            me = script.to_play(man.xy_field_yd[i])
            places = np.array([script.to_play(d.xy_field_yd[i]) for d in defenders])
            gap = places - me
            k = int(np.argmin(np.hypot(gap[:, 0], gap[:, 1])))
            inward = -np.sign(me[1]) if me[1] else 1.0
            out.append(
                {
                    "play_id": play_id,
                    "receiver_id": f"{play_id}|{pid}",
                    "defender_id": f"{play_id}|{defenders[k].id}",
                    "kind": "nearest",
                    "moment": moment,
                    "t_s": float(t),
                    "distance_yd": float(np.hypot(*gap[k])),
                    "cushion_yd": float(gap[k, 0]),
                    "inside_yd": float(gap[k, 1] * inward),
                    "under_yd": float(-gap[k, 0]),
                    "leverage": None,
                    "lane_yd": np.nan,
                    "sd_yd": 0.0,
                }
            )
    return out


def tracking_rows(play_id: str, script: Any, every: int = 3) -> pd.DataFrame:
    """The play as a researcher's tracking table (10 Hz): players and ball."""
    frames = []
    for p in script.people:
        if p.team == "official":
            continue
        r = script.routes.get(p.id)
        frames.append(
            pd.DataFrame(
                {
                    "play_id": play_id,
                    "t_s": script.t_s[::every],
                    "entity_id": p.id,
                    "team": p.team,
                    "x_field_yd": p.xy_field_yd[::every, 0],
                    "y_field_yd": p.xy_field_yd[::every, 1],
                    "role": p.role,
                    "jersey": p.jersey,
                    "route": r.label if r else None,
                }
            )
        )
    frames.append(
        pd.DataFrame(
            {
                "play_id": play_id,
                "t_s": script.t_s[::every],
                "entity_id": "ball",
                "team": "ball",
                "x_field_yd": script.ball_field_yd[::every, 0],
                "y_field_yd": script.ball_field_yd[::every, 1],
                "role": None,
                "jersey": None,
                "route": None,
            }
        )
    )
    return pd.concat(frames, ignore_index=True)


def event_rows(play_id: str, script: Any) -> list[dict[str, Any]]:
    """Events of a play for the tracking table."""
    return [
        {"play_id": play_id, "event": n[:-2], "t_s": float(v)}
        for n, v in script.events.items()
        if n.endswith("_s") and v is not None
    ]


def write_lean(table: pd.DataFrame, path: Path) -> None:
    """Write a truth table small: long tables carry pixels to 0.1, yards to 0.01 in float32, zstd."""
    lean = table.copy()
    options: dict[str, Any] = {"compression": "zstd", "compression_level": 19}
    floats = [n for n in lean.columns if lean[n].dtype.kind == "f" and not path.name.startswith("cameras")]
    if len(lean) > 2000 and floats:
        for name in floats:
            places = 1 if name.endswith("_px") else (4 if name.endswith("t_s") else 2)
            lean[name] = lean[name].round(places).astype(np.float32)
    lean.to_parquet(path, index=False, **options)
