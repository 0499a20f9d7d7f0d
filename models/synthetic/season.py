"""An invented game as film: clips, charting sheet, rosters and the truth.

``python -m models.synthetic.season OUT --seed N --plays K --style pro|college|school`` writes::

    OUT/clips/gNNN_pMMM_side.mp4 (and _end.mp4 with --views both)
    OUT/sheet.csv      one row per play: clip files, down, distance, hash, yard line, result, yards
    OUT/roster.csv     team, jersey, name, position (all invented)
    OUT/truth/*.parquet  clips plays cameras tracks players routes matchups (export columns), boxes,
    tracking, events

Clips carry no truth. The same seed gives the same tables and pictures.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing as mp
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from models.synthetic import tables
from models.synthetic.cast import Cast
from models.synthetic.clip import ENDINGS, FilmFormat, render_clip
from models.synthetic.field_paint import HASH_FROM_SIDE_YD, LENGTH_YD, WIDTH_YD
from models.synthetic.lens import random_place
from models.synthetic.looks import Look, random_look
from models.synthetic.paths import operator_path
from models.synthetic.people import PeopleLibrary
from models.synthetic.plays import simulate_play
from models.synthetic.render import Renderer
from models.synthetic.scene import build_props

SIZES = {
    "pro": ((1920, 1080), (1280, 720)),
    "college": ((1280, 720), (1280, 720), (1920, 1080)),
    "school": ((852, 480), (852, 480), (1280, 720)),
}
RATES = (Fraction(30000, 1001), Fraction(30000, 1001), Fraction(30), Fraction(60000, 1001), Fraction(25))
FIRST_NAMES = (
    "Ada Ben Cal Dex Eli Fay Gus Hal Ike Jon Kip Lou Mac Ned Oz Pat Quin Rex Sol Ty Udo Vic Wes Yan Zeb "
).split()
LAST_NAMES = (
    "Alder Birch Cedar Dell Elm Fenn Glade Heath Isle Knoll Larch Marsh North Oake Pine Quarry "
    "Ridge Stone Thorn Vale Weir Yew "
).split()
TOWNS = (
    "Ashford Brackwater Cinderhill Dunmere Eastfold Fallowby Greyholt Harrowick Inverlow "
    "Kestrel Larkmoor Millrace Nettleham Oxbarrow "
).split()


# a worker keeps to its core: software GL and numpy's linear algebra would each start a thread a core
ONE_CORE = {"LP_NUM_THREADS": "0", "OPENBLAS_NUM_THREADS": "1"}


@dataclass(frozen=True)
class GamePlan:
    """Everything that fixes a game: enough to draw any of its plays on its own.

    spans_yd: (lowest, highest) width of the picture at the players for sideline and end zone; None: drawn.
    """

    seed: int
    style: str
    look: Look
    size: tuple[int, int]
    fmt: FilmFormat
    views: tuple[str, ...]
    samples: int
    ppy: float
    out: str
    clip_prefix: str
    spans_yd: tuple[tuple[float, float], tuple[float, float]] | None = None


def plan_game(
    seed: int,
    style: str,
    out: Path,
    standard: str | None = None,
    views: tuple[str, ...] = ("sideline",),
    size: tuple[int, int] | None = None,
    formats: str = "plain",
    samples: int = 4,
    ppy: float = 30.0,
    prefix: str | None = None,
    night: bool | None = None,
) -> GamePlan:
    """Draw a game from its seed. formats: plain (H.264, even stamps) or mixed (codecs and faults of real
    film)."""
    rng = np.random.default_rng([seed, 4242])
    look = random_look(rng, style, standard)
    for _ in range(50):  # film that nobody could chart is left to the stills
        if (
            (night is None or look.light.night == night)
            and look.picture.over_exposure == 0
            and look.light.haze < 0.2
            and look.field.snow == 0
        ):
            break
        look = random_look(rng, style, standard)
    size = size or SIZES[style][int(rng.integers(len(SIZES[style])))]
    school = style == "school"
    bits = int(rng.uniform(1.0e6, 2.2e6)) if school else 0
    fmt = FilmFormat(rate=Fraction(30000, 1001), quality=int(rng.integers(20, 28)), bit_rate=bits)
    if formats == "mixed":
        fmt = replace(
            fmt,
            codec=str(rng.choice(["h264", "h264", "h264", "hevc", "mpeg4"])),
            rate=RATES[int(rng.integers(len(RATES)))],
            drop=float(rng.choice([0, 0, 0.01])),
            repeat=float(rng.choice([0, 0, 0.02])),
            variable=bool(rng.random() < 0.2),
            interlaced=bool(rng.random() < 0.12),
            scoreboard_s=float(rng.choice([0, 0, 0, rng.uniform(1, 2)])),
        )
        if fmt.codec == "mpeg4":
            fmt = replace(fmt, bit_rate=max(fmt.bit_rate, 2_500_000), variable=False)
    return GamePlan(seed, style, look, size, fmt, views, samples, ppy, str(out), prefix or f"g{seed:03d}")


def play_calls(plan: GamePlan, plays: int) -> list[dict[str, Any]]:
    """Situations of the game's plays: kind, direction, spot, down and distance, which team has the ball."""
    rng = np.random.default_rng([plan.seed, 11])
    std = plan.look.field.standard
    length, w, inset = LENGTH_YD[std], WIDTH_YD[std], HASH_FROM_SIDE_YD[std]
    calls = []
    for n in range(plays):
        kind = str(rng.choice(["pass", "run", "kick"], p=[0.7, 0.22, 0.08])) if plays > 4 else "pass"
        direction = int(rng.choice([-1, 1]))
        los = float(rng.integers(12, length - 11))
        where = str(rng.choice(["near", "middle", "far"], p=[0.38, 0.24, 0.38]))
        spot = {"near": inset, "middle": w / 2, "far": w - inset}[where]
        hash_word = (
            "middle" if where == "middle" else ("right" if (where == "near") == (direction > 0) else "left")
        )
        down = (
            int(rng.choice([1, 2, 3], p=[0.45, 0.33, 0.22]))
            if kind != "kick"
            else (3 if std == "canadian" else 4)
        )
        distance = 10 if down == 1 else int(rng.integers(1, 13))
        calls.append(
            {
                "n": n + 1,
                "kind": kind,
                "direction": direction,
                "los": los,
                "spot": spot,
                "hash": hash_word,
                "down": down,
                "distance": distance,
                "swap": bool(rng.random() < 0.5),
                "seed": int(rng.integers(1 << 31)),
            }
        )
    return calls


def _worker_state(plan: GamePlan) -> dict[str, Any]:
    state: dict[str, Any] = globals().setdefault("_STATE", {})
    if state.get("plan") != plan:
        cv2.setNumThreads(1)
        renderer = state.get("renderer") or Renderer(PeopleLibrary.load(), plan.samples, anisotropy=8.0)
        rng = np.random.default_rng([plan.seed, 12])
        places = {v: random_place(rng, plan.look, v, *plan.size) for v in ("sideline", "endzone")}
        renderer.set_game(plan.look, build_props(plan.look, [p.centre for p in places.values()]), plan.ppy)
        state |= {"plan": plan, "renderer": renderer, "places": places, "cast": Cast(plan.look, renderer.lib)}
    return state


def play_script(plan: GamePlan, call: dict[str, Any]) -> Any:
    """The simulated play of a call (see :func:`play_calls`)."""
    return simulate_play(
        call["seed"],
        plan.look.field.standard,
        call["kind"],
        direction=call["direction"],
        los_field_yd=call["los"],
        spot_y_field_yd=call["spot"],
    )


def make_play(job: tuple[GamePlan, dict[str, Any]]) -> dict[str, Any]:
    """Draw one play from every asked view; returns its sheet row and truth tables."""
    plan, call = job
    state = _worker_state(plan)
    script = play_script(plan, call)

    def draw(k: int, view: str, path: Path, play_id: str) -> dict[str, pd.DataFrame]:
        rng = np.random.default_rng([plan.seed, call["n"], k])
        lead = float(rng.uniform(2.0, 3.0))
        span = None if plan.spans_yd is None else float(rng.uniform(*plan.spans_yd[view == "endzone"]))
        place = state["places"][view]
        return render_clip(
            script,
            plan.look,
            operator_path(rng, plan.look, script, place, float(plan.fmt.rate), lead, span_yd=span),
            path,
            renderer=state["renderer"],
            cast=state["cast"],
            fmt=plan.fmt,
            clip_id=path.stem,
            play_id=play_id,
            seed=call["n"],
            swap=call["swap"],
            loaded=True,
        )

    return play_of_views(plan, call, script, draw)


def play_of_views(
    plan: GamePlan,
    call: dict[str, Any],
    script: Any,
    draw: Callable[[int, str, Path, str], dict[str, pd.DataFrame]],
) -> dict[str, Any]:
    """A play's sheet row, truth tables and jerseys, drawn from every asked view.

    draw: given the view's number, its name, the file to write and the play's name, writes the clip and
    returns its tables clips, cameras and boxes.
    """
    play_id = f"{plan.clip_prefix}_p{call['n']:03d}"
    frames: dict[str, list[pd.DataFrame]] = {}
    files = {}
    for k, view in enumerate(call.get("views", plan.views)):
        files[view] = f"{play_id}_{'side' if view == 'sideline' else 'end'}{ENDINGS[plan.fmt.codec]}"
        made = draw(k, view, Path(plan.out) / "clips" / files[view], play_id)
        for table, frame in made.items():
            frames.setdefault(table, []).append(frame)
    snap_s = float(frames["clips"][0]["snap_s"].iloc[0])
    frames["tracks"] = [tables.tracks_table(pd.concat(frames["boxes"]), float(plan.fmt.rate))]
    frames["plays"] = [
        pd.DataFrame([tables.play_row(play_id, script, snap_s, call["down"], call["distance"], call["hash"])])
    ]
    frames["players"] = [pd.DataFrame(tables.player_rows(play_id, script))]
    frames["routes"] = [pd.DataFrame(tables.route_rows(play_id, script))]
    frames["matchups"] = [pd.DataFrame(tables.matchup_rows(play_id, script))]
    frames["tracking"] = [tables.tracking_rows(play_id, script)]
    frames["events"] = [pd.DataFrame(tables.event_rows(play_id, script))]
    return {
        "n": call["n"],
        "sheet": sheet_row(plan, call, script, files),
        "tables": {k: pd.concat(v, ignore_index=True) for k, v in frames.items()},
        "roster": [
            (p.team, p.jersey, p.role, call["swap"])
            for p in script.people
            if p.team != "official" and p.jersey is not None
        ],
    }


def team_names(plan: GamePlan) -> tuple[str, str]:
    """Names of the two invented teams (first wears the kit called offense in the look)."""
    rng = np.random.default_rng([plan.seed, 13])
    a, b = rng.choice(TOWNS, 2, replace=False)
    return str(a), str(b)


def sheet_row(plan: GamePlan, call: dict[str, Any], script: Any, files: dict[str, str]) -> dict[str, Any]:
    """A charting sheet's row as a team's video man would write it."""
    length = LENGTH_YD[plan.look.field.standard]
    to_goal = length - call["los"] if call["direction"] > 0 else call["los"]
    spot = (
        "50"
        if to_goal * 2 == length == 100
        else (f"own {length - to_goal:.0f}" if to_goal > length / 2 else f"opp {to_goal:.0f}")
    )
    home, away = team_names(plan)
    yards = script.events.get("yards")
    return {
        "play": call["n"],
        "quarter": 1 + (call["n"] - 1) * 4 // max(call.get("of", call["n"]), 1) if call.get("of") else 1,
        "offense": away if call["swap"] else home,
        "defense": home if call["swap"] else away,
        "down": call["down"],
        "distance": call["distance"],
        "hash": call["hash"],
        "yard line": spot,
        "play type": call["kind"],
        "result": script.events.get("result"),
        "yards": "" if yards is None else round(float(yards)),
        "sideline": files.get("sideline", ""),
        "endzone": files.get("endzone", ""),
    }


def write_roster(plan: GamePlan, seen: list[tuple[str, int, str, bool]], path: Path) -> None:
    """Invented names for every jersey that took the field."""
    rng = np.random.default_rng([plan.seed, 14])
    home, away = team_names(plan)
    rows: dict[tuple[str, int], dict[str, Any]] = {}
    for team, jersey, role, swap in sorted(seen, key=lambda s: (s[0], s[1], s[2])):
        name = home if (team == "offense") != swap else away
        if (name, jersey) not in rows:
            rows[(name, jersey)] = {
                "team": name,
                "jersey": jersey,
                "name": f"{rng.choice(FIRST_NAMES)} {rng.choice(LAST_NAMES)}",
                "position": role,
            }
    pd.DataFrame(sorted(rows.values(), key=lambda r: (r["team"], r["jersey"]))).to_csv(path, index=False)


def make_season(
    plan: GamePlan, plays: int, workers: int = 0, calls: list[dict[str, Any]] | None = None
) -> dict[str, Any]:
    """Render a game's plays and write clips, sheet, roster and truth under ``plan.out``. Returns counts."""
    return write_game(plan, draw_plays(make_play, plan, plays, workers, calls))


def draw_plays(
    draw: Callable[[tuple[GamePlan, dict[str, Any]]], dict[str, Any]],
    plan: GamePlan,
    plays: int,
    workers: int = 0,
    calls: list[dict[str, Any]] | None = None,
) -> list[dict[str, Any]]:
    """``draw`` (plan, call) of every play, in as many processes as there are workers (0: all cores)."""
    (Path(plan.out) / "clips").mkdir(parents=True, exist_ok=True)
    jobs = [(plan, c | {"of": plays}) for c in (calls or play_calls(plan, plays))]
    workers = workers or max(1, min(os.cpu_count() or 1, len(jobs)))
    if workers == 1:
        return [draw(j) for j in jobs]
    done: list[dict[str, Any]] = []
    for name, threads in ONE_CORE.items():
        os.environ.setdefault(name, threads)
    with mp.get_context("spawn").Pool(workers) as pool:
        for item in pool.imap_unordered(draw, jobs):
            done.append(item)
            print(f"{len(done)} of {len(jobs)} plays", flush=True)
    return done


def write_game(plan: GamePlan, done: list[dict[str, Any]]) -> dict[str, Any]:
    """Write sheet, roster and truth of the plays drawn (:func:`play_of_views`). Returns counts."""
    out = Path(plan.out)
    (out / "truth").mkdir(exist_ok=True)
    done.sort(key=lambda d: d["n"])
    pd.DataFrame([d["sheet"] for d in done]).to_csv(out / "sheet.csv", index=False)
    write_roster(plan, [r for d in done for r in d["roster"]], out / "roster.csv")
    for name in done[0]["tables"]:
        parts = [d["tables"][name] for d in done if len(d["tables"][name])]
        if parts:
            tables.write_lean(pd.concat(parts, ignore_index=True), out / "truth" / f"{name}.parquet")
    about = {
        "seed": plan.seed,
        "style": plan.style,
        "standard": plan.look.field.standard,
        "plays": len(done),
        "views": list(plan.views),
        "teams": team_names(plan),
        "look": plan.look.as_dict(),
    }
    (out / "truth" / "game.json").write_text(json.dumps(about, indent=1))
    return {
        "plays": len(done),
        "clips": sum(len(d["tables"]["clips"]) for d in done),
        "frames": int(sum(d["tables"]["clips"]["frames"].sum() for d in done)),
    }


def size_of(text: str) -> tuple[int, int]:
    """(width, height) px of WIDTHxHEIGHT. Raises ValueError where it is none."""
    width, _, height = text.lower().partition("x")
    return int(width), int(height)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(description="Render an invented game with its truth.")
    p.add_argument("out", type=Path)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--plays", type=int, default=4)
    p.add_argument("--style", choices=("pro", "college", "school"), default="college")
    p.add_argument("--standard", choices=("nfl", "ncaa", "nfhs", "canadian"))
    p.add_argument("--views", choices=("sideline", "endzone", "both"), default="sideline")
    p.add_argument(
        "--size", type=size_of, help="picture size WIDTHxHEIGHT; drawn from the style when left out"
    )
    p.add_argument(
        "--formats",
        choices=("plain", "mixed"),
        default="plain",
        help="mixed: codecs, rates, lost and repeated frames",
    )
    p.add_argument("--night", choices=("yes", "no"))
    p.add_argument("--workers", type=int, default=0)
    p.add_argument("--samples", type=int, default=4, help="multisampling; 0 is fastest on a CPU")
    p.add_argument("--ppy", type=float, default=30.0, help="paint texture pixels per yard")
    a = p.parse_args(argv)
    views = ("sideline", "endzone") if a.views == "both" else (a.views,)
    plan = plan_game(
        a.seed,
        a.style,
        a.out,
        a.standard,
        views,
        a.size,
        a.formats,
        a.samples,
        a.ppy,
        night=None if a.night is None else a.night == "yes",
    )  # type: ignore[arg-type]
    print(json.dumps(make_season(plan, a.plays, a.workers)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
