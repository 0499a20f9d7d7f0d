"""The small invented game that ships as ``demo_media``: ``python -m models.synthetic.demo [OUT]``.

Its seed, field and kits are its own: training looks are drawn from ``[seed, index]`` generators, this game
from ``[DEMO_SEED, 4242]``. Plays are chosen by their scripts (some curls must be run out and caught), never
by how well they chart.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from models.synthetic.clip import FilmFormat
from models.synthetic.lens import FIELD_LENGTH_YD
from models.synthetic.season import GamePlan, make_season, plan_game, play_calls, play_script, team_names
from models.synthetic.tables import write_lean

DEMO_SEED = 970_001
SIZE = (960, 540)
WANTED = ("curl", "curl", "pass", "pass", "run", "kick")
BOTH_VIEWS = 2


def demo_plan(out: Path) -> GamePlan:
    """An ordinary afternoon game with a well kept field, seen by steady cameras."""
    for k in range(3000):
        plan = plan_game(
            DEMO_SEED + k, "college", out, "ncaa", ("sideline",), SIZE, prefix="demo", night=False
        )
        f, kits, men = (
            plan.look.field,
            (plan.look.offense.jersey, plan.look.defense.jersey),
            plan.look.officials,
        )
        dark, light = sorted(kits, key=sum)
        if (
            sum(light) - sum(dark) < 1.0
            or max(dark) - min(dark) < 0.35
            or not men.striped
            or men.jacket_share > 0
        ):
            continue
        if (
            f.ticks == "every"
            and f.line_wear < 0.3
            and f.line_alpha > 0.75
            and f.numerals_every
            and not f.other_sports
            and not f.missing_numerals
            and not f.missing_lines
            and not f.colour_lines
            and plan.look.light.haze < 0.05
            and plan.look.light.stadium_shadow is None
        ):
            break
    picture = replace(
        plan.look.picture,
        noise=1.0,
        chroma_noise=0.3,
        internal_height_px=540,
        blur_px=0.3,
        overlay="none",
        exposure=0.85,
    )
    dark = min(plan.look.offense.jersey, plan.look.defense.jersey, key=sum)
    ground = replace(plan.look.field, emblem=4.5, emblem_colours=(dark, *plan.look.field.emblem_colours[1:]))
    look = replace(plan.look, picture=picture, field=ground)
    fmt = FilmFormat(rate=Fraction(30000, 1001), bit_rate=800_000)
    return replace(plan, look=look, fmt=fmt, spans_yd=((34.0, 44.0), (20.0, 30.0)))


def demo_calls(plan: GamePlan) -> list[dict[str, Any]]:
    """Plays of the demo: walks through seeds until each wanted kind is met."""
    rng = np.random.default_rng([plan.seed, 15])
    calls = play_calls(plan, 400)
    chosen: list[dict[str, Any]] = []
    tried: dict[int, Any] = {}
    for want in WANTED:
        for call in calls:
            if call in chosen or call["kind"] != ("pass" if want == "curl" else want):
                continue
            if not 20 < call["los"] < FIELD_LENGTH_YD[plan.look.field.standard] - 20:
                continue
            if call["n"] not in tried:
                tried[call["n"]] = play_script(plan, call)
            script = tried[call["n"]]
            if script.t_s[-1] > 7.5:
                continue
            target = script.events.get("target")
            route = script.routes.get(target)
            caught = script.events.get("result") == "complete"
            if want != "curl" or (caught and route is not None and _run_out(route, script.events)):
                chosen.append(call)
                break
    order = rng.permutation(len(chosen))
    return [chosen[i] | {"n": n + 1} for n, i in enumerate(order)]


def _run_out(route: Any, events: dict[str, Any]) -> bool:
    """A curl whose man turned 0.4 s or more before the ball came, 8 yd deep or more."""
    turned = float(events.get("arrival_s", np.nan)) - float(route.break_s)
    return bool(route.label == "curl" and turned >= 0.4 and route.stem_depth_play_yd >= 8.0)


def write_provenance(out: Path, plan: GamePlan) -> None:
    """PROVENANCE.md: where the clips come from and under what terms."""
    home, away = team_names(plan)
    text = f"""# Where this film comes from

Drawn by `python -m models.synthetic.demo` (seed {plan.seed}); nobody filmed it. The teams ({home}, {away}),
names, numbers, marks and the field are invented; bodies and motions are credited beside the assets.
Rules: NCAA. Licence: the project's own (see LICENSE).

- `clips/`: the film, {plan.size[0]}x{plan.size[1]}, H.264, 30000/1001 frames a second
- `sheet.csv`, `roster.csv`: what a video man and a coach would hand over
- `truth/`: what the renderer knows (export tables, boxes, cameras). The program never reads it;
  `underneath score` does.

Its seed, field and kits belong to no training set (tests/models/test_season.py).
"""
    (out / "PROVENANCE.md").write_text(text)


def slim_boxes(out: Path) -> None:
    """Keep in truth/boxes what truth/tracks lacks: the ball of each frame, bystanders of every tenth."""
    path = out / "truth" / "boxes.parquet"
    table = pd.read_parquet(path)
    keep = (table["kind"] == "ball") | ((table["kind"] == "other") & (table["frame"] % 10 == 0))
    write_lean(table[keep].reset_index(drop=True), path)


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(description="Make the demo game.")
    p.add_argument("out", type=Path, nargs="?", default=Path("demo_media"))
    p.add_argument("--workers", type=int, default=2)
    p.add_argument("--samples", type=int, default=0)
    a = p.parse_args(argv)
    plan = demo_plan(a.out)
    plan = replace(plan, samples=a.samples)
    calls = [
        c | {"views": ("sideline", "endzone") if k < BOTH_VIEWS else ("sideline",)}
        for k, c in enumerate(demo_calls(plan))
    ]
    print(json.dumps(make_season(plan, len(calls), a.workers, calls)))
    slim_boxes(a.out)
    write_provenance(a.out, plan)
    size = sum(f.stat().st_size for f in a.out.rglob("*") if f.is_file())
    print(f"{size / 1e6:.2f} MB in {a.out}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
