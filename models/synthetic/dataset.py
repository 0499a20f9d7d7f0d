"""Labelled still frames of many looks, for the detector and the mark finder.

``python -m models.synthetic.dataset OUT --looks N --frames-per-look k --seed S`` writes::

    OUT/frames/LLLLLL_F.jpg            the picture (JPEG of varied quality)
    OUT/frames/LLLLLL_F.json           boxes, camera, view, time (see ``frame_labels``)
    OUT/frames/LLLLLL_F.covered.png    quarter-size map: 0 open, 1 a person, 2 another thing or a
    burnt-in mark
    OUT/looks/LLLLLL.json              what was painted, rule set, crown, the whole look
    OUT/index.json                     seed, counts, standards, styles

One process per CPU core, each with its own GL context. The same seed gives the same labels.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing as mp
import os
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.synthetic import film
from models.synthetic.cast import Bystander, Cast, bystander_rows, script_people
from models.synthetic.dress import dress_other
from models.synthetic.heaps import bunch, pile, scatter
from models.synthetic.lens import CameraPlace, ViewCamera, ground_at, random_camera, random_place, random_span
from models.synthetic.looks import Look, random_look
from models.synthetic.people import PeopleLibrary
from models.synthetic.plays import simulate_play
from models.synthetic.render import Renderer
from models.synthetic.scene import ball_rows, build_props, pole_rows
from models.synthetic.toys import LOOKS_A_TOY, toy_library, toy_look
from models.synthetic.truth import covered_map, frame_labels, look_truth, person_rows

BALL_ID, POLE_ID = 65001, 65002
SIZES = ((1920, 1080), (1280, 720), (1280, 720), (852, 480), (852, 480))
HARD_SHARE = 0.32
"""Share of frames whose men are heaped into piles (17 of 32) or strewn about in any pose (15 of 32)."""
PAN_WIDTHS_S, JERK_WIDTHS_S, TILT_WIDTHS_S = 0.15, 0.8, 0.06
"""Spread of a camera's speed in picture widths a second."""
_STATE: dict[str, Any] = {}


def _pick_time(rng: np.random.Generator, script: Any) -> int:
    t = script.t_s
    r = rng.random()
    end = float(script.events.get("end_s", t[-1]))
    throw, arrival = script.events.get("throw_s"), script.events.get("arrival_s")
    if throw is not None and arrival is not None and rng.random() < 0.3:  # the ball in the air
        return int(np.clip(np.searchsorted(t, rng.uniform(throw, arrival)), 0, len(t) - 1))
    at = (
        rng.uniform(max(t[0], -2.5), 0.1)
        if r < 0.33
        else (rng.uniform(0.1, max(end, 0.5)) if r < 0.82 else rng.uniform(max(end - 0.5, 0.2), t[-1]))
    )
    return int(np.clip(np.searchsorted(t, at), 0, len(t) - 1))


def people_in_front(rng: np.random.Generator, look: Look, cam: ViewCamera, count: int) -> list[Bystander]:
    """Heads and backs of people sitting before a low camera, cut by the lower edge."""
    out = []
    rot = cam.rotation()
    for _ in range(count):
        distance = float(rng.uniform(3, 12))
        u = float(rng.uniform(-0.5, 0.5)) * cam.width_px / cam.focal_px
        v = float(rng.uniform(0.28, 0.5)) * cam.height_px / cam.focal_px
        head = np.asarray(cam.centre) + rot.T @ np.array([u, v, 1.0]) * distance
        d = dress_other(rng, look)
        yaw = np.deg2rad(90 - cam.pan_deg) + float(rng.normal(0, 0.6))
        out.append(
            Bystander(
                d,
                float(head[0]),
                float(head[1]),
                float(head[2]) - 1.9,
                float(yaw),
                "stand",
                float(rng.random()),
                0.0,
            )
        )
    return out


def _draw_camera(
    rng: np.random.Generator, look: Look, places: dict[str, CameraPlace], script: Any, index: int
) -> tuple[ViewCamera, str]:
    view = "endzone" if rng.random() < 0.24 else "sideline"
    place = places[view]
    players = np.array([p.xy_field_yd[index] for p in script.people if p.team != "official"])
    focus = (
        np.array([script.los_field_yd, script.spot_y_field_yd])
        if script.t_s[index] < 0.3
        else 0.5 * script.ball_field_yd[index, :2] + 0.5 * players.mean(0)
    )
    if rng.random() < 0.12:  # looking elsewhere: an end of the formation, a lost ball
        focus = players[int(rng.integers(len(players)))] + rng.normal(0, 4, 2)
    cam = random_camera(rng, look, view, focus, place.width_px, place.height_px, place)
    if view == "sideline" and rng.random() < 0.1:  # small men
        at = ground_at(cam)
        if at is not None:
            cam = place.look_at(
                np.array([focus[0], focus[1], 1.0]),
                random_span(rng, look, view) * float(rng.uniform(1.3, 1.9)),
            )
    return cam, view


def _shutter(rng: np.random.Generator, look: Look, cam: ViewCamera) -> ViewCamera:
    """Camera at the end of the exposure: pan, tilt and zoom speeds of a following operator.

    An operator follows in picture widths, whatever the lens: half a width in two to three seconds mostly, a
    jerk of a width a second at times (in degrees, a long lens would smear a man over several of his widths).
    """
    if rng.random() < 0.45:
        return cam
    s = look.picture.shutter_s
    width_deg = math.degrees(math.atan(cam.width_px / cam.focal_px))
    pan = float(rng.normal(0, PAN_WIDTHS_S if rng.random() < 0.9 else JERK_WIDTHS_S))
    return replace(
        cam,
        pan_deg=cam.pan_deg + pan * width_deg * s,
        tilt_deg=cam.tilt_deg + float(rng.normal(0, TILT_WIDTHS_S)) * width_deg * s,
        focal_px=cam.focal_px * (1 + float(rng.normal(0, 0.25)) * s),
        roll_deg=cam.roll_deg,
    )


def _people_and_look(renderer: Renderer, look: Look, index: int, seed: int) -> Look:
    """Load the people of a look, toys for a share of them (eight looks in a row share one make)."""
    if not _STATE.get("toys"):
        return look
    make = int(np.random.default_rng([seed, index // LOOKS_A_TOY, 47]).integers(1 << 30))
    if make >= _STATE["toys"] * (1 << 30):
        renderer.set_people(_STATE["people"])
        return look
    if _STATE.get("make") != make:
        _STATE["make"], _STATE["toy"] = make, toy_library(_STATE["people"], make)
    renderer.set_people(_STATE["toy"])
    return toy_look(look, look.seed)


def make_look(
    index: int, seed: int, count: int, out: Path, sizes: tuple[tuple[int, int], ...] = SIZES
) -> int:
    """Render all frames of one look in this process; returns how many frames were written."""
    renderer: Renderer = _STATE["renderer"]
    rng = np.random.default_rng([seed, index])
    look = _people_and_look(renderer, random_look(rng), index, seed)
    cast = Cast(look, renderer.lib)
    size = sizes[int(rng.integers(len(sizes)))]
    if look.style == "pro" and size[1] < 720:
        size = sizes[0]
    places = {v: random_place(rng, look, v, *size) for v in ("sideline", "endzone")}
    drawn = renderer.set_game(look, build_props(look, [p.centre for p in places.values()]), _STATE["ppy"])
    std = look.field.standard
    (out / "looks" / f"{index:06d}.json").write_text(json.dumps(look_truth(look, drawn)))
    actions = list(renderer.lib.clips)
    for k in range(count):
        if k % 3 == 0:
            kind = ("pass", "pass", "pass", "run", "kick")[int(rng.integers(5))]
            script = _simulate(rng, std, kind)
            crew, poles = cast.chain_crew(
                script.los_field_yd,
                script.los_field_yd + script.direction * float(rng.uniform(1, 12)),
                int(rng.integers(1 << 30)),
            )
            swap = bool(rng.random() < 0.5)
        i = _pick_time(rng, script)
        rows, ids = script_people(cast, script, i, swap)
        share = _STATE.get("hard", HARD_SHARE)
        hard = str(rng.choice(["none", "pile", "scatter"], p=[1 - share, share * 17 / 32, share * 15 / 32]))
        if hard == "pile":
            rows = pile(rng, rows, script.ball_field_yd[i, :2] + rng.normal(0, 1, 2))
        elif hard == "scatter":
            rows = scatter(rng, rows, actions)
        if hard == "none" and _STATE.get("bunched") and rng.random() < _STATE["bunched"]:
            hard, rows = "bunch", bunch(rng, rows, script.ball_field_yd[i, :2] + rng.normal(0, 2, 2))
        cam, view = _draw_camera(rng, look, places, script, i)
        beside = cast.bystanders + crew
        if look.venue.front_people and view == "sideline":
            beside = beside + people_in_front(rng, look, cam, look.venue.front_people)
        rows = rows + bystander_rows(beside, float(rng.uniform(0, 60)))
        ids = ids + [f"B{j}" for j in range(len(beside))]
        if rng.random() < 0.03:  # the bare field: paint, emblems and shadows on which nobody stands
            rows, ids = rows[:1], ids[:1]
        _one_frame(
            renderer,
            look,
            cast,
            rows,
            ids,
            cam,
            view,
            script,
            i,
            poles,
            hard,
            rng,
            out / "frames" / f"{index:06d}_{k}",
        )
    return count


def _simulate(rng: np.random.Generator, standard: str, kind: str) -> Any:
    for _ in range(4):
        try:
            return simulate_play(int(rng.integers(1 << 31)), standard, kind)
        except (ValueError, IndexError, KeyError, FloatingPointError):
            kind = "pass"
    return simulate_play(int(rng.integers(1 << 31)), standard, "pass")


def _one_frame(
    renderer: Renderer,
    look: Look,
    cast: Cast,
    rows: list[Any],
    ids: list[str],
    cam: ViewCamera,
    view: str,
    script: Any,
    i: int,
    poles: list[tuple[float, float]],
    hard: str,
    rng: np.random.Generator,
    stem: Path,
) -> None:
    figures = cast.figures(rows)
    ball_at = script.ball_field_yd[i]
    spin = float(rng.uniform(0, 6.28))
    extras = [(ball_rows(ball_at, spin, float(rng.normal(0, 0.4))), BALL_ID), (pole_rows(poles), POLE_ID)]
    exposure = renderer.draw(cam, figures, _shutter(rng, look, cam), extras)
    people = person_rows(rows, ids, figures.place[:, 2])
    overlays = film.overlay_boxes(look, cam.width_px, cam.height_px)
    ball = ball_label(exposure, cam, extras[0][0], ball_at)
    labels = frame_labels(exposure, cam, people, ball, overlays)
    picture = film.degrade(exposure.picture, look, rng)
    picture = film.draw_overlay(picture, look, float(rng.uniform(0, 7200)))
    factor = 0x221111 if look.picture.chroma_half else 0x111111
    cv2.imwrite(
        f"{stem}.jpg",
        picture,
        [cv2.IMWRITE_JPEG_QUALITY, look.picture.jpeg_quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, factor],
    )
    cv2.imwrite(f"{stem}.covered.png", covered_map(exposure, overlays), [cv2.IMWRITE_PNG_COMPRESSION, 2])
    Path(f"{stem}.json").write_text(
        json.dumps(
            {
                "view": view,
                "t_s": float(script.t_s[i]),
                "hard": hard,
                "standard": look.field.standard,
                "camera": {**cam.as_dict(), "field_crown_yd": look.field.crown_yd},
                "overlays": overlays,
                "people": labels,
            }
        )
    )


def ball_label(exposure: Any, cam: ViewCamera, rows: np.ndarray, place: np.ndarray) -> dict[str, Any] | None:
    """Box of the ball and the share of it that is seen; None behind the camera."""
    px, ok = cam.project(rows[:, :3])
    if not ok.all():
        return None
    lo, hi = px.min(0), px.max(0)
    if hi[0] < 0 or hi[1] < 0 or lo[0] > cam.width_px or lo[1] > cam.height_px:
        return None
    area = 0.72 * float((hi[0] - lo[0]) * (hi[1] - lo[1]))
    seen = float((exposure.ids == BALL_ID).sum()) * 4.0
    return {
        "kind": "ball",
        "id": "ball",
        "team": "ball",
        "number": -1,
        "action": "",
        "box": [round(float(v), 2) for v in (*lo, *hi)],
        "visible": round(min(1.0, seen / max(area, 4.0)), 3),
        "foot_px": None,
        "field_yd": [round(float(v), 3) for v in place],
    }


def _start(samples: int, scale: float, ppy: float, shares: dict[str, float]) -> None:
    cv2.setNumThreads(1)
    _STATE.update(shares)
    _STATE["people"] = PeopleLibrary.load()
    _STATE["renderer"] = Renderer(_STATE["people"], samples, scale)
    _STATE["ppy"] = ppy


def _job(args: tuple[int, int, int, str, tuple[tuple[int, int], ...]]) -> int:
    index, seed, count, out, sizes = args
    try:
        return make_look(index, seed, count, Path(out), sizes)
    except Exception as trouble:  # one bad look must not end a long run; it is named and counted
        print(f"look {index} of seed {seed} failed: {type(trouble).__name__}: {trouble}", flush=True)
        return 0


def make_dataset(
    out: Path,
    looks: int,
    frames_per_look: int,
    seed: int,
    workers: int = 0,
    width: int = 0,
    samples: int = 4,
    scale: float = 1.0,
    ppy: float = 30.0,
    first: int = 0,
    hard: float = HARD_SHARE,
    toys: float = 0.0,
    bunched: float = 0.0,
) -> dict[str, Any]:
    """Render the set; see the module docstring. width 0: sizes of real film mixed. Returns the index."""
    out = Path(out)
    (out / "frames").mkdir(parents=True, exist_ok=True)
    (out / "looks").mkdir(exist_ok=True)
    sizes = SIZES if not width else ((width, int(round(width * 9 / 16)) // 2 * 2),)
    jobs = [(i, seed, frames_per_look, str(out), sizes) for i in range(first, first + looks)]
    workers = workers or max(1, min(os.cpu_count() or 1, looks))
    begun, done = time.time(), 0
    state = (samples, scale, ppy, {"hard": hard, "toys": toys, "bunched": bunched})
    if workers == 1:
        _start(*state)
        for job in jobs:
            done += _job(job)
    else:
        with mp.get_context("spawn").Pool(workers, _start, state) as pool:
            for n in pool.imap_unordered(_job, jobs, LOOKS_A_TOY if toys else 1):
                done += n
                if done % 500 < frames_per_look:
                    print(f"{done} frames, {done / (time.time() - begun):.1f} a second", flush=True)
    index = {
        "seed": seed,
        "looks": looks,
        "first_look": first,
        "frames": done,
        "expected": looks * frames_per_look,
        "seconds": round(time.time() - begun, 1),
    }
    (out / "index.json").write_text(json.dumps(index))
    return index


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(description="Render labelled frames of many looks.")
    p.add_argument("out", type=Path)
    p.add_argument("--looks", type=int, default=100)
    p.add_argument("--frames-per-look", type=int, default=3)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--width", type=int, default=0, help="picture width; 0 mixes 1920, 1280 and 852")
    p.add_argument("--workers", type=int, default=0)
    p.add_argument("--samples", type=int, default=4, help="multisampling; 0 is fastest on a CPU")
    p.add_argument(
        "--scale", type=float, default=1.0, help="size of the drawn picture before it is brought to size"
    )
    p.add_argument("--ppy", type=float, default=30.0, help="paint texture pixels per yard")
    p.add_argument("--first", type=int, default=0, help="number of the first look")
    p.add_argument("--hard", type=float, default=HARD_SHARE, help="share of frames with piles and strewn men")
    p.add_argument("--toys", type=float, default=0.0, help="share of looks with people of another make")
    p.add_argument(
        "--bunched", type=float, default=0.0, help="share of the others with a tight standing band"
    )
    a = p.parse_args(argv)
    index = make_dataset(
        a.out,
        a.looks,
        a.frames_per_look,
        a.seed,
        a.workers,
        a.width,
        a.samples,
        a.scale,
        a.ppy,
        a.first,
        a.hard,
        a.toys,
        a.bunched,
    )
    print(json.dumps(index))
    return 0 if index["frames"] >= 0.98 * index["expected"] else 1


if __name__ == "__main__":
    raise SystemExit(main())
