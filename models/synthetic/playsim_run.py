"""Running plays: inside and outside zone, power, counter, draw, toss, jet, quarterback keep, sneak, kneel."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.synthetic.playbook import Formation
from models.synthetic.playsim_ball import PlayDirector
from models.synthetic.playsim_calls import build_defenders, call_defense
from models.synthetic.playsim_finish import finish
from models.synthetic.playsim_offense import Quarterback, RunBlocker, RunningBack
from models.synthetic.playsim_officials import crew
from models.synthetic.playsim_pass import add_motion
from models.synthetic.playsim_records import PlayScript
from models.synthetic.playsim_world import Man, World, simulate

SCHEMES = {  # aiming point (depth, lateral), handoff time, mesh depth share, chance
    "inside zone": ((1.0, 1.2), 0.75, 0.75, 0.28),
    "outside zone": ((0.5, 6.0), 0.8, 0.85, 0.2),
    "power": ((1.0, 3.2), 0.9, 0.8, 0.14),
    "counter": ((1.0, 4.0), 1.0, 0.8, 0.1),
    "draw": ((1.0, 0.8), 1.35, 1.0, 0.08),
    "toss": ((-1.0, 9.0), 0.65, 1.1, 0.07),
    "jet": ((0.0, 11.0), 0.45, 0.9, 0.05),
    "keep": ((1.0, 4.5), 1.0, 1.0, 0.05),
    "sneak": ((1.5, 0.3), 0.3, 1.0, 0.02),
    "kneel": ((-2.5, 0.0), 0.4, 1.0, 0.01),
}


def _assign(
    rng: np.random.Generator, men: list[Man], n_off: int, runner: int, side: int, scheme: str
) -> None:
    """Each blocker takes the nearest man to the play side not yet taken."""
    free = [j for j in range(n_off, len(men))]
    for i in range(1, n_off):
        if i == runner:
            continue
        d, lateral = men[i].spot
        shift = (
            side * {"outside zone": 1.6, "inside zone": 0.7}.get(scheme, 0.3) if men[i].role == "OL" else 0.0
        )
        if not free:
            break
        j = min(free, key=lambda k: np.hypot(men[k].spot[0] - d, 1.6 * (men[k].spot[1] - lateral - shift)))
        free.remove(j)
        lead = None
        if scheme in ("power", "counter") and men[i].role == "OL" and i == (2 if side > 0 else 4):
            lead = (-1.5, side * 3.6)
        men[i].brain = RunBlocker(j, float(rng.uniform(0.08, 0.16)), lead)


def simulate_run(
    rng: np.random.Generator, ground: dict[str, Any], form: Formation, **options: Any
) -> PlayScript:
    names = list(SCHEMES)
    chance = np.array([SCHEMES[n][3] for n in names])
    scheme = str(options.get("scheme") or rng.choice(names, p=chance / chance.sum()))
    n_side = len(form.spots)
    backs = [i for i, s in enumerate(form.spots) if s.role == "RB"]
    if not backs and scheme not in ("jet", "sneak", "kneel"):
        scheme = "keep"
    side = int(rng.choice([-1, 1]))
    hole, handoff, share, _ = SCHEMES[scheme]
    runner = (
        0
        if scheme in ("keep", "sneak", "kneel")
        else (max(backs, key=lambda i: -form.spots[i].depth) if backs else 0)
    )
    if scheme == "jet":
        split = [i for i, s in enumerate(form.spots) if s.number]
        runner = int(min(split, key=lambda i: abs(form.spots[i].lateral)))
        side = -int(np.sign(form.spots[runner].lateral))
    family, jobs = call_defense(
        rng,
        form,
        n_side,
        ground["right"],
        ground["left"],
        n_side,
        True,
        False,
        options.get("coverage"),
        ground["goal"],
    )
    qb = form.spots[0]
    men = [
        Man(
            f"O{i + 1}",
            "offense",
            s.role,
            {"OL": "lineman", "QB": "linebacker", "TE": "linebacker"}.get(s.role, "skill"),
            (s.depth, s.lateral),
            lambda w, i: (0.0, 0.0),
        )
        for i, s in enumerate(form.spots)
    ]
    aim = (hole[0], side * hole[1] + rng.normal(0, 0.6))
    if runner == 0:
        men[0].brain = RunningBack((qb.depth, side * 0.8), aim, 0.15, True)
    else:
        mesh = (qb.depth * share - (0.4 if form.under_centre else 0.0), qb.lateral + 0.9 * side)
        if form.under_centre:
            mesh = (-4.0, 0.5 * side)
        men[runner].brain = RunningBack(mesh, aim, 0.75 if scheme == "draw" else 0.12)
        back = -3.4 if form.under_centre else qb.depth - 0.3
        men[0].brain = Quarterback(back if scheme != "draw" else back - 2.0, handoff, handoff)
    men += build_defenders(jobs)
    _assign(rng, men, n_side, runner, side, scheme)
    motion = add_motion(rng, men[:n_side], form, ground["standard"] == "canadian")
    men += crew(rng, ground["standard"], ground["right"], ground["left"])
    w = World(rng, men, ground["left"], ground["right"], ground["goal"])
    w.notes |= {
        "eligible": [i for i, s in enumerate(form.spots) if s.number or s.role == "RB"],
        "runner": runner,
    }
    director = PlayDirector(
        "run",
        99.0,
        -1,
        runner,
        handoff,
        0.1 if form.under_centre else 0.28,
        longest_s=1.6 if scheme == "kneel" else 10.0,
    )
    rows = simulate(w, director, -3.2, 11.0)
    w.events |= {
        "play_action": False,
        "qb_drop": None,
        "boot": False,
        "target": None,
        "scheme": scheme,
        "carrier": men[runner].id,
    }
    if w.events.get("result") == "no play":
        w.events["result"] = "kneel" if scheme == "kneel" else "run"
    situation = {
        "coverage": family,
        "jobs": {f"D{k + 1}": j.name for k, j in enumerate(jobs)},
        "motion": motion,
        "under_centre": form.under_centre,
        "scheme": scheme,
    }
    return finish(
        w,
        rows,
        rng,
        ground["standard"],
        ground["direction"],
        ground["los"],
        ground["spot_y"],
        "run",
        form.name,
        {},
        {},
        situation,
    )
