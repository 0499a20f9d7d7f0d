"""Defensive calls: front, coverage, who has which job, where he lines up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.synthetic.playbook import Formation
from models.synthetic.playsim_defense import Defender, HoldGap, ManCover, RunFit, Rush, Spy, ZoneCover
from models.synthetic.playsim_world import Man

COVERAGES = {
    "cover0": 0.03,
    "cover1": 0.24,
    "cover2": 0.12,
    "tampa2": 0.05,
    "cover3": 0.30,
    "cover4": 0.15,
    "cover6": 0.06,
    "2man": 0.05,
}
"""Shares are of the usual order for the trade (no source)."""

# underneath zones: depth, lateral as share of the room on that side, half width
_UNDER = {
    "flat": (4.5, 0.80, 7.0),
    "curl_flat": (8.5, 0.62, 7.5),
    "curl": (10.0, 0.52, 6.5),
    "hook": (9.0, 0.28, 6.0),
    "middle": (9.5, 0.0, 6.5),
    "pole": (16.0, 0.0, 7.0),
}


@dataclass
class Job:
    role: str
    depth: float
    lateral: float
    brain: Defender
    name: str


def call_defense(
    rng: np.random.Generator,
    form: Formation,
    n_side: int,
    right: float,
    left: float,
    offset: int,
    run: bool,
    play_action: bool,
    coverage: str | None = None,
    goal: float = 60.0,
) -> tuple[str, list[Job]]:
    """Jobs of all defenders. offset: index of the first defender in the world (jobs refer to indices)."""
    names = list(COVERAGES)
    chance = np.array(list(COVERAGES.values()))
    family = coverage or str(rng.choice(names, p=chance / chance.sum()))
    n_line = int(rng.choice([3, 4, 4, 4, 5], p=[0.22, 0.2, 0.2, 0.2, 0.18])) if form.backs else 4
    jobs = _front(rng, n_line, run)
    covers = [(i, s) for i, s in enumerate(form.spots) if s.number or s.role == "RB"]
    rest = n_side - len(jobs)
    if family in ("cover0", "cover1", "2man"):
        jobs += _man(rng, form, covers, rest, family, goal)
    else:
        jobs += _zone(rng, form, rest, family, right, left, goal)
    jobs = jobs[:n_side]
    while len(jobs) < n_side:
        jobs.append(
            Job(
                "LB",
                rng.normal(4.6, 0.5),
                rng.normal(0, 2.0),
                ZoneCover(9, rng.normal(0, 3), 6, False, 4.0),
                "middle",
            )
        )
    _temper(rng, jobs, run, play_action)
    return family, jobs


def _front(rng: np.random.Generator, n_line: int, run: bool) -> list[Job]:
    places = {3: (-4.0, 0.0, 4.0), 4: (-5.2, -1.3, 2.2, 5.2), 5: (-6.0, -2.6, 0.0, 2.6, 6.0)}[n_line]
    flip = rng.choice([-1, 1])
    jobs = []
    for x in places:
        lateral = flip * x + rng.normal(0, 0.3)
        aim = lateral * rng.uniform(0.75, 1.1) if abs(lateral) > 3.6 else lateral + rng.normal(0, 0.5)
        jobs.append(Job("DL", rng.uniform(0.75, 1.15), lateral, Rush(float(aim)), "rush"))
    return jobs


def _press_depth(rng: np.random.Generator, press: bool) -> float:
    return float(rng.uniform(1.2, 2.2)) if press else float(np.clip(rng.normal(3.6, 1.3), 2.0, 8.0))


def _man(rng, form: Formation, covers, rest: int, family: str, goal: float) -> list[Job]:
    jobs: list[Job] = []
    deep = {"cover0": 0, "cover1": 1, "2man": 2}[family]
    split = sorted((c for c in covers if c[1].number), key=lambda c: (c[1].number, -abs(c[1].lateral)))
    backs = [c for c in covers if c[1].role == "RB"]
    for i, s in [*split, *backs]:
        if len(jobs) >= rest - deep:
            break
        press = bool(rng.random() < 0.5) and s.number <= 2
        inside = float(rng.normal(0.9, 0.5)) * (1 if rng.random() < 0.85 else -1)
        if s.role == "RB":
            job = Job(
                "LB",
                rng.normal(4.6, 0.4),
                s.lateral * 0.5 + rng.normal(0, 1.6),
                ManCover(i, inside, False, False),
                "man",
            )
        else:
            role = "CB" if s.number == 1 else str(rng.choice(["CB", "S", "LB"], p=[0.45, 0.35, 0.2]))
            depth = _press_depth(rng, press) - (0.8 if s.number > 1 and not press else 0.0)
            job = Job(
                role,
                max(1.2, depth),
                s.lateral - np.sign(s.lateral) * inside,
                ManCover(i, inside, press, family != "cover0" and rng.random() < 0.45),
                "man",
            )
        jobs.append(job)
    for k in range(min(deep, rest - len(jobs))):
        share = (0.0,) if deep == 1 else (-0.5, 0.5)
        lateral = share[k] * 22 + rng.normal(0, 1.5)
        zone = ZoneCover(min(17.0, goal + 6), lateral, 14.0 if deep == 2 else 22.0, True, 6.0)
        jobs.append(Job("S", min(rng.normal(12.0, 1.5), goal + 7), lateral * 0.8, zone, "deep"))
    while len(jobs) < rest:
        lateral = rng.normal(0, 2.5)
        kind = rng.random()
        if kind < 0.45:
            job = Job(
                "LB",
                rng.normal(4.4, 0.5),
                lateral,
                Rush(float(rng.choice([-3.0, -0.8, 0.8, 3.0])), 0.6),
                "blitz",
            )
        elif kind < 0.85:
            job = Job("LB", rng.normal(4.6, 0.4), lateral, ZoneCover(8.5, 0.0, 7.0, False, 4.0), "hole")
        else:
            job = Job("LB", rng.normal(4.6, 0.4), lateral, Spy(), "spy")
        jobs.append(job)
    return jobs


def _zone(rng, form: Formation, rest: int, family: str, right: float, left: float, goal: float) -> list[Job]:
    jobs: list[Job] = []
    wide = {side: [form.spots[i] for i in form.side(side)] for side in (1, -1)}
    outer = {side: (abs(wide[side][0].lateral) if wide[side] else 9.0) for side in (1, -1)}
    room = {1: right, -1: -left}
    strong = 1 if len(wide[1]) >= len(wide[-1]) else -1
    squeeze = min(1.0, max(0.55, (goal + 8.0) / 26.0))

    def under(side: int, key: str, role: str, depth: float, lateral: float) -> None:
        d, share, width = _UNDER[key]
        pace = float(np.clip(rng.normal(3.9, 0.7), 2.6, 6.2))
        zone = ZoneCover(
            d * rng.normal(1, 0.12) * squeeze, side * share * room.get(side, 0.0), width, False, pace
        )
        jobs.append(
            Job(
                role,
                depth,
                (side or 1) * lateral,
                zone,
                key if not side else f"{key}_{'right' if side > 0 else 'left'}",
            )
        )

    def deep(lateral: float, width: float, role: str, depth: float, where: float, name: str) -> None:
        jobs.append(
            Job(
                role,
                min(depth, goal + 7),
                where,
                ZoneCover(min(18.0, goal + 6), lateral, width, True, 6.0),
                name,
            )
        )

    corner = {s: outer[s] - rng.normal(0.6, 0.8) for s in (1, -1)}
    if family in ("cover3",):
        for s in (1, -1):
            deep(s * 0.62 * room[s], 10.0, "CB", rng.normal(4.6, 1.6), s * corner[s], "deep_third")
        deep(0.0, 12.0, "S", rng.normal(12.5, 1.2), rng.normal(0, 1.0), "deep_middle")
        under(strong, "curl_flat", "S", rng.normal(7.5, 1.6), outer[strong] * rng.uniform(0.45, 0.6))
        under(-strong, "curl_flat", "LB", rng.normal(4.8, 0.4), min(8.0, outer[-strong] * 0.5))
        for s in (1, -1):
            under(s, "hook", "LB", rng.normal(4.7, 0.4), abs(rng.normal(2.6, 0.5)))
    elif family in ("cover2", "tampa2"):
        for s in (1, -1):
            under(s, "flat", "CB", rng.normal(5.0, 0.8), corner[s])
            deep(s * 0.48 * room[s], 13.0, "S", rng.normal(12.5, 1.2), s * rng.normal(8.5, 1.2), "deep_half")
            under(s, "hook", "LB", rng.normal(4.8, 0.4), abs(rng.normal(4.5, 0.6)))
        under(0, "pole" if family == "tampa2" else "middle", "LB", rng.normal(4.8, 0.4), 0.0)
    else:
        for s in (1, -1):
            deep(s * 0.66 * room[s], 9.0, "CB", rng.normal(4.9, 1.5), s * corner[s], "deep_quarter")
            deep(
                s * 0.26 * room[s], 9.0, "S", rng.normal(10.5, 1.2), s * rng.normal(6.0, 1.0), "deep_quarter"
            )
            key = "flat" if family == "cover6" and s == -strong else "curl_flat"
            under(s, key, "LB", rng.normal(4.9, 0.4), min(8.5, outer[s] * 0.5))
        under(0, "middle", "LB", rng.normal(4.7, 0.4), rng.normal(0, 1.0))
    while len(jobs) > rest:
        jobs.pop(-1)
    while len(jobs) < rest:
        if rng.random() < 0.4:
            jobs.append(
                Job(
                    "LB",
                    rng.normal(4.5, 0.4),
                    rng.normal(0, 3.0),
                    Rush(float(rng.normal(0, 3)), 0.5),
                    "blitz",
                )
            )
        else:
            under(int(rng.choice([-1, 1])), "hook", "LB", rng.normal(4.7, 0.4), abs(rng.normal(4.0, 1.0)))
    return jobs


def _temper(rng: np.random.Generator, jobs: list[Job], run: bool, play_action: bool) -> None:
    """Personal habits: reactions, bite, drop style, how tight a zone plays its man."""
    for job in jobs:
        b = job.brain
        b.first_react = float(np.clip(rng.normal(0.22, 0.06), 0.1, 0.45)) if job.role != "DL" else 0.12
        b.sees_throw = float(np.clip(rng.gamma(5, 0.075), 0.1, 1.0))
        b.eager = float(rng.uniform(0.75, 1.0))
        b.aim_error = (float(rng.normal(0, 1.1)), float(rng.normal(0, 1.1)))
        if isinstance(b, ZoneCover):
            b.tight = float(np.clip(rng.normal(0.6, 0.2), 0.1, 0.95))
            b.aim_inside, b.aim_under = float(rng.normal(1.8, 1.2)), float(rng.normal(2.0, 1.2))
            if not b.deep and rng.random() < 0.22:
                b.pace = float(rng.uniform(5.4, 6.6))
        if isinstance(b, ManCover):
            b.lag = float(np.clip(rng.gamma(6, 0.035), 0.08, 0.6))
        if (play_action or run) and not isinstance(b, Rush) and job.role in ("LB", "S") and job.depth < 9:
            b.bite_yd = float(np.clip(rng.normal(1.9, 0.8), 0.0, 4.0))
            b.bite_until = float(np.clip(rng.normal(0.95, 0.2), 0.4, 1.6))
            if isinstance(b, ZoneCover):
                b.pace = max(b.pace, float(rng.uniform(5.2, 6.5)))
        if run and job.role == "DL":
            job.brain = HoldGap(float(job.lateral))
        if run and not isinstance(b, Rush) and job.role == "LB":
            job.brain = RunFit(float(rng.uniform(0.4, 0.85)))
            job.brain.first_react = b.first_react


def build_defenders(jobs: list[Job]) -> list[Man]:
    shapes = {"DL": "lineman", "LB": "linebacker", "CB": "skill", "S": "skill"}
    return [
        Man(f"D{k + 1}", "defense", j.role, shapes[j.role], (float(j.depth), float(j.lateral)), j.brain)
        for k, j in enumerate(jobs)
    ]
