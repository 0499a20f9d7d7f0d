"""What is called: route combinations per side, routes of the backs, the quarterback's drop.

Names are generic trade terms; contents are common practice (no source). Routes are listed from the
sideline inward (#1 first).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from models.synthetic.playbook import Formation

SIDE_CALLS: dict[int, tuple[tuple[str, tuple[str, ...], float], ...]] = {
    1: tuple(
        ("single", (r,), w)
        for r, w in (
            ("go", 5),
            ("hitch", 3),
            ("slant", 3),
            ("comeback", 2),
            ("in", 3),
            ("post", 2),
            ("curl", 3),
            ("out", 3),
            ("deep_cross", 1),
            ("shallow_cross", 2),
            ("block", 0.3),
        )
    ),
    2: (
        ("flat-curl", ("curl", "flat"), 10),
        ("slant-flat", ("slant", "flat"), 7),
        ("smash", ("hitch", "corner"), 7),
        ("hook-flat", ("hook", "flat"), 2),
        ("curl-seam", ("curl", "go"), 5),
        ("double go", ("go", "go"), 6),
        ("go-hook", ("go", "hook"), 6),
        ("go-out", ("go", "out"), 6),
        ("double slant", ("slant", "slant"), 4),
        ("drive", ("shallow_cross", "in"), 5),
        ("post-dig", ("post", "in"), 5),
        ("levels", ("in", "deep_in"), 3),
        ("go-cross", ("go", "deep_cross"), 6),
        ("go-shallow", ("go", "shallow_cross"), 6),
        ("comeback-flat", ("comeback", "flat"), 4),
        ("scissors", ("post", "corner"), 3),
        ("post-wheel", ("post", "wheel"), 3),
        ("hitch-seam", ("hitch", "go"), 4),
        ("double out", ("out", "out"), 3),
        ("double hitch", ("hitch", "hook"), 3),
        ("bubble screen", ("block", "screen"), 3),
        ("smash", ("hitch", "corner"), 1),
        ("dig-flat", ("in", "flat"), 2),
        ("post-cross", ("post", "deep_cross"), 3),
        ("crack screen", ("screen", "block"), 2),
    ),
    3: (
        ("flood", ("go", "deep_out", "flat"), 7),
        ("four verticals", ("go", "go", "go"), 6),
        ("stick", ("go", "hook", "flat"), 5),
        ("flat-curl", ("curl", "go", "flat"), 6),
        ("drive", ("post", "in", "shallow_cross"), 5),
        ("levels", ("in", "deep_in", "go"), 3),
        ("smash", ("hitch", "corner", "go"), 5),
        ("curl-seam", ("curl", "go", "hook"), 3),
        ("spacing", ("hitch", "hook", "flat"), 3),
        ("slant-flat", ("slant", "slant", "flat"), 3),
        ("drive", ("go", "in", "shallow_cross"), 4),
        ("post-cross", ("post", "deep_cross", "flat"), 4),
        ("bubble screen", ("block", "screen", "block"), 3),
        ("corner-in", ("in", "corner", "shallow_cross"), 3),
    ),
    4: (("flood", ("go", "deep_out", "hook", "flat"), 1), ("four verticals", ("go", "go", "go", "hook"), 1)),
}

DROPS = {  # depth behind the line (gun, under centre), time of set, mean throw after the snap, chance
    "quick": (-5.6, -3.6, 0.95, 1.75, 0.17),
    "three-step": (-7.3, -5.0, 1.4, 2.25, 0.33),
    "five-step": (-8.6, -7.4, 1.9, 2.75, 0.34),
    "seven-step": (-10.0, -9.4, 2.5, 3.3, 0.16),
}

THROW_S = {
    "screen": 1.7,
    "slant": 2.0,
    "flat": 2.4,
    "hitch": 2.35,
    "hook": 2.5,
    "curl": 2.75,
    "comeback": 3.0,
    "out": 2.5,
    "go": 2.6,
    "in": 2.9,
    "shallow_cross": 2.7,
    "deep_cross": 3.1,
    "corner": 3.0,
    "post": 2.9,
    "wheel": 3.0,
    "angle": 2.6,
    "swing": 2.3,
    "checkdown": 3.1,
}
TARGET_WEIGHT = {
    "hitch": 1.3, "curl": 1.3, "flat": 1.1, "go": 0.32, "screen": 8.0, "post": 0.7, "corner": 0.8,
}  # fmt: skip


@dataclass(frozen=True)
class PassCall:
    """One called pass. routes: index of the spot -> (label, depth scale); side +1/-1 per spot."""

    routes: dict[int, tuple[str, float]]
    sides: dict[int, int]
    combos: dict[str, str]
    drop: str
    play_action: bool
    boot: int
    """0 none, else the side the quarterback rolls to"""
    screen: bool
    throw_s: float
    target: int
    extra: dict[str, float] = field(default_factory=dict)


def _pick(
    rng: np.random.Generator, table: tuple[tuple[str, tuple[str, ...], float], ...]
) -> tuple[str, tuple[str, ...]]:
    weights = np.array([row[2] for row in table], dtype=float)
    row = table[rng.choice(len(table), p=weights / weights.sum())]
    return row[0], row[1]


def call_pass(rng: np.random.Generator, form: Formation, **options: object) -> PassCall:
    """Draw a call for a formation. options: drop, play_action, boot, combo (name) force a value."""
    play_action = bool(options.get("play_action", rng.random() < 0.2 and form.backs > 0))
    boot_wish = rng.random() < (0.3 if play_action else 0.05)
    boot = int(options.get("boot", rng.choice([-1, 1]) if boot_wish else 0))  # type: ignore[call-overload]
    routes: dict[int, tuple[str, float]] = {}
    sides: dict[int, int] = {}
    combos: dict[str, str] = {}
    team_scale = float(rng.normal(1.0, 0.08))
    mesh = rng.random() < 0.06 and not options.get("combo")
    for side in (1, -1):
        rows = form.side(side)
        name, labels = ("none", ()) if not rows else _pick(rng, SIDE_CALLS[len(rows)])
        wish = options.get("combo")
        if wish and rows:
            fits = [c for c in SIDE_CALLS[len(rows)] if c[0] == wish]
            name, labels = (fits[0][0], fits[0][1]) if fits else (name, labels)
        if mesh and rows and len(rows) <= 3:
            name, labels = "mesh", ("go", "corner", "shallow_cross")[-len(rows) :]
        combos["right" if side == 1 else "left"] = name
        for i, label in zip(rows, labels, strict=True):
            scale = team_scale * (1.35 if label.startswith("deep_in") or label == "deep_out" else 1.0)
            label = {"deep_in": "in", "deep_out": "out"}.get(label, label)
            routes[i], sides[i] = (label, scale), side
    for i, spot in enumerate(form.spots):
        if spot.role == "RB":
            sides[i] = int(np.sign(spot.lateral)) if abs(spot.lateral) > 0.5 else int(rng.choice([-1, 1]))
            kinds = ("checkdown", "swing", "flat", "angle", "wheel", "block", "screen")
            label = str(rng.choice(kinds, p=(0.2, 0.15, 0.22, 0.08, 0.03, 0.29, 0.03)))
            routes[i] = (label, 1.0)
    _with_backs(form, routes, sides, combos)
    screen = any(v[0] == "screen" for v in routes.values())
    return _time(rng, form, routes, sides, combos, play_action, boot, screen, options)


def _with_backs(
    form: Formation, routes: dict[int, tuple[str, float]], sides: dict[int, int], combos: dict[str, str]
) -> None:
    """A back in the flat beside a lone curl or slant makes a combination of it."""
    for side, name in ((1, "right"), (-1, "left")):
        rows = form.side(side)
        backs = [routes[i][0] for i, s in enumerate(form.spots) if s.role == "RB" and sides[i] == side]
        if combos[name] == "single" and {"flat", "swing"} & set(backs):
            known = {"curl": "flat-curl", "slant": "slant-flat"}
            combos[name] = known.get(routes[rows[0]][0], "single")


def _time(rng, form, routes, sides, combos, play_action, boot, screen, options) -> PassCall:
    live = [i for i, (label, _) in routes.items() if label != "block"]
    if not live:
        i = next(iter(routes))
        routes[i] = ("checkdown", 1.0)
        live = [i]
    weights = np.array([TARGET_WEIGHT.get(routes[i][0], 1.0) for i in live])
    target = int(live[rng.choice(len(live), p=weights / weights.sum())])
    label = routes[target][0]
    names = list(DROPS)
    chance = np.array([DROPS[d][4] for d in names])
    wanted = THROW_S[label]
    near = chance * np.exp(-0.5 * ((np.array([DROPS[d][3] for d in names]) - wanted) / 0.45) ** 2)
    drop = str(options.get("drop") or rng.choice(names, p=near / near.sum()))
    if (play_action or boot) and not options.get("drop"):
        drop = "seven-step" if rng.random() < 0.6 else "five-step"
    base = 0.6 * wanted + 0.4 * DROPS[drop][3] + 0.55 * play_action + 0.35 * bool(boot)
    throw_s = float(np.clip(base + rng.normal(0, 0.25) + rng.exponential(0.25) - 0.2, 1.15, 5.5))
    return PassCall(routes, sides, combos, drop, play_action, boot, screen, throw_s, target)
