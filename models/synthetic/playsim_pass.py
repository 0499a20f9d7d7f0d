"""A pass play put together: call, protection, coverage, then run."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.synthetic.playbook import Formation
from models.synthetic.playbook_calls import DROPS, PassCall, call_pass
from models.synthetic.playsim_ball import PlayDirector
from models.synthetic.playsim_calls import build_defenders, call_defense
from models.synthetic.playsim_defense import Rush
from models.synthetic.playsim_finish import finish
from models.synthetic.playsim_offense import Motion, PassBlocker, Quarterback, RouteRunner, RunBlocker
from models.synthetic.playsim_officials import crew
from models.synthetic.playsim_records import PlayScript, RouteTruth
from models.synthetic.playsim_routes import plan_route
from models.synthetic.playsim_world import Man, World, simulate


def runner_for(
    rng: np.random.Generator, call: PassCall, i: int, form: Formation, pressed: bool
) -> RouteRunner:
    spot = form.spots[i]
    label, scale = call.routes[i]
    plan = plan_route(label, rng, spot.depth, spot.lateral, call.sides[i], scale)
    jam = (0.3, float(rng.uniform(0.25, 0.9))) if pressed else (0.0, 0.0)
    delay = float(np.clip(rng.normal(0.13, 0.06), 0.0, 0.4)) + (
        0.3 * rng.random() if spot.role == "RB" else 0.0
    )
    if call.play_action and spot.role == "RB":
        delay += 0.0
    effort = float(np.clip(rng.normal(0.93, 0.07), 0.7, 1.0))
    return RouteRunner(plan, delay, effort, jam)


def add_motion(rng: np.random.Generator, men: list[Man], form: Formation, canadian: bool) -> str:
    """Shifts, motion and the Canadian run-up, put on the men in place. Returns a word for the truth."""
    word = "none"
    movers = [i for i, s in enumerate(form.spots) if s.number or s.role == "RB"]
    if canadian:
        for i in movers:
            if form.spots[i].number > 1 and rng.random() < 0.7:
                back = rng.uniform(3.5, 6.0)
                d, lateral = men[i].spot
                men[i].start = (d - back, lateral + rng.normal(0, 1.0))
                men[i].brain = Motion(men[i].brain, -back / 4.2 - 0.25, 4.6)
                word = "waggle"
    draw = rng.random()
    if draw < 0.22 and movers:
        i = int(rng.choice(movers))
        d, lateral = men[i].spot
        far = float(rng.uniform(4, 16)) * float(rng.choice([-1, 1]))
        men[i].start = (min(d, -1.4), lateral + far)
        lead = abs(far) / 4.4 + float(rng.choice([0.1, 0.8]))
        men[i].brain = Motion(men[i].brain, -min(lead, 3.0), 5.0)
        word = "motion"
    elif draw < 0.3:
        for i in rng.choice(movers, size=min(2, len(movers)), replace=False):
            d, lateral = men[i].spot
            men[i].start = (d + rng.normal(0, 0.5), lateral + rng.uniform(-6, 6))
            men[i].brain = Motion(men[i].brain, -2.9, 3.5)
        word = "shift"
    return word


def protect(
    rng: np.random.Generator, men: list[Man], blockers: list[int], rushers: list[int], clean: float
) -> None:
    """Give every rusher the nearest free blocker; the rest come free."""
    free = list(blockers)
    for j in sorted(rushers, key=lambda k: abs(men[k].spot[1])):
        if not free:
            break
        i = min(free, key=lambda k: abs(men[k].spot[1] - men[j].spot[1]))
        if abs(men[i].spot[1] - men[j].spot[1]) > 5.5:
            continue
        free.remove(i)
        brain = men[i].brain
        if isinstance(brain, PassBlocker):
            brain.rusher = j
            brain.hold_s = float(rng.gamma(2.2, clean))


def simulate_pass(
    rng: np.random.Generator, ground: dict[str, Any], form: Formation, **options: Any
) -> PlayScript:
    call = call_pass(rng, form, **options)
    depth_gun, depth_centre, set_s, _, _ = DROPS[call.drop]
    depth = (depth_centre if form.under_centre else depth_gun) + rng.normal(0, 0.4)
    fake = float(rng.uniform(0.7, 1.05)) if call.play_action else 0.0
    set_s = set_s + (0.1 if form.under_centre else -0.1) + rng.normal(0, 0.1) + 0.5 * bool(fake)
    n_side = 12 if ground["standard"] == "canadian" else 11
    family, jobs = call_defense(
        rng,
        form,
        n_side,
        ground["right"],
        ground["left"],
        n_side,
        False,
        call.play_action,
        options.get("coverage"),
        ground["goal"],
    )
    defenders = build_defenders(jobs)
    men: list[Man] = []
    for i, s in enumerate(form.spots):
        if s.role == "QB":
            brain: Any = Quarterback(depth, set_s, set_s, call.boot, fake)
        elif s.role == "OL":
            brain = PassBlocker(float(rng.normal(-3.6, 0.5)))
        elif call.routes[i][0] == "block" and abs(s.lateral) > 8.0:
            near_by = [abs(d.spot[1] - s.lateral) + 0.3 * d.spot[0] for d in defenders]
            brain = RunBlocker(len(form.spots) + int(np.argmin(near_by)), float(rng.uniform(0.1, 0.3)))
        elif call.routes[i][0] == "block":
            brain = PassBlocker(float(rng.normal(-3.8, 0.7)))
        else:
            near = [
                d
                for d in defenders
                if d.spot[0] < 2.6 and abs(d.spot[1] - s.lateral) < 1.6 and d.role != "DL"
            ]
            brain = runner_for(rng, call, i, form, bool(near) and rng.random() < 0.7)
        shape = {"OL": "lineman", "QB": "linebacker", "TE": "linebacker"}.get(s.role, "skill")
        men.append(Man(f"O{i + 1}", "offense", s.role, shape, (s.depth, s.lateral), brain))
    rushers = [len(men) + k for k, j in enumerate(jobs) if isinstance(j.brain, Rush)]
    blockers = [i for i, m in enumerate(men) if isinstance(m.brain, PassBlocker)]
    motion_men = men
    men = men + defenders
    protect(rng, men, blockers, rushers, clean=1.8 if call.boot else 2.8)
    motion = add_motion(rng, motion_men, form, ground["standard"] == "canadian")
    men += crew(rng, ground["standard"], ground["right"], ground["left"])
    w = World(rng, men, ground["left"], ground["right"], ground["goal"])
    eligible = [i for i, s in enumerate(form.spots) if s.number or s.role == "RB"]
    w.notes |= {"eligible": eligible, "boot": call.boot, "pass": True}
    w.events |= {"set_s": float(set_s)}
    director = PlayDirector(
        "pass",
        max(call.throw_s, set_s + 0.1),
        call.target,
        snap_length_s=0.12 if form.under_centre else 0.28,
        throwaway=bool(rng.random() < 0.03),
    )
    w.brake = np.where([m.role in ("WR", "RB", "CB") for m in men], w.brake + 0.6, w.brake)
    rows = simulate(w, director, -3.2, 12.0)
    return _finish(w, rows, rng, ground, form, call, family, jobs, motion)


def _finish(w, rows, rng, ground, form, call, family, jobs, motion) -> PlayScript:
    stop = w.events.get("throw_s", w.events.get("end_s", rows["t"][-1]))
    last = min(int(np.searchsorted(rows["t"], stop)), len(rows["t"]) - 1)
    routes = {}
    for i in w.notes["eligible"]:
        brain = w.men[i].brain
        brain = brain.own if isinstance(brain, Motion) else brain
        d, lateral = rows["pos"][last, i]
        if isinstance(brain, RouteRunner):
            p = brain.plan
            done = p.break_leg == 0 or (np.isfinite(brain.break_s) and brain.break_s < stop - 0.25)
            routes[w.men[i].id] = RouteTruth(
                p.label, p.stem_depth, brain.break_s, p.break_angle_deg, bool(done), float(d), float(lateral)
            )
        else:
            routes[w.men[i].id] = RouteTruth(
                "block", float("nan"), float("nan"), float("nan"), True, float(d), float(lateral)
            )
    w.events |= {
        "qb_drop": call.drop,
        "play_action": call.play_action,
        "boot": bool(call.boot),
        "screen": call.screen,
        "scramble": "scramble_s" in w.notes,
    }
    w.events.setdefault("target", None)
    w.events.setdefault("launch_play_yd", tuple(float(x) for x in rows["pos"][last, w.qb]))
    situation = {
        "coverage": family,
        "jobs": {f"D{k + 1}": j.name for k, j in enumerate(jobs)},
        "motion": motion,
        "under_centre": form.under_centre,
    }
    return finish(
        w,
        rows,
        rng,
        ground["standard"],
        ground["direction"],
        ground["los"],
        ground["spot_y"],
        "pass",
        form.name,
        call.combos,
        routes,
        situation,
    )
