"""Plans of the routes of the tree, drawn from spreads like those of real receivers.

`plan_route` works in (depth, out): out is toward the sideline of the man's side. Angles are headings,
0 = upfield, + = toward that sideline, +-180 = back to the line. Spreads: shared motion facts; the shapes
themselves are common practice of the trade (no source).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from models.synthetic.playbook import Leg, RoutePlan


def _n(rng: np.random.Generator, mean: float, sd: float, low: float, high: float) -> float:
    return float(np.clip(rng.normal(mean, sd), low, high))


class _Pen:
    """Draws legs from a start, by heading and distance."""

    def __init__(self, depth: float, lateral: float, side: int, pro: bool = False):
        self.depth, self.out, self.side, self.pro = depth, lateral * side, side, pro
        self.legs: list[Leg] = []

    def go(self, heading_deg: float, distance: float, **kw: float | bool) -> _Pen:
        a = np.deg2rad(heading_deg)
        return self.to(self.depth + distance * np.cos(a), self.out + distance * np.sin(a), **kw)

    def to(self, depth: float, out: float, **kw: float | bool) -> _Pen:
        self.depth, self.out = float(depth), float(out)
        self.legs.append(Leg(self.depth, self.out * self.side, **kw))  # type: ignore[arg-type]
        return self


def plan_route(
    label: str,
    rng: np.random.Generator,
    depth: float,
    lateral: float,
    side: int,
    scale: float = 1.0,
    pro: bool = False,
) -> RoutePlan:
    """Plan of one route from a start. side: +1 right of the ball, -1 left. scale: depth habit of a team. pro:
    shapes drawn to the medians of real professional tracking (`models.routes.census`) instead of the book's.

    Raises ValueError for a label that has no plan.
    """
    try:
        draw = _PLANS[label]
    except KeyError:
        raise ValueError(f"no plan for route {label!r}; known: {', '.join(_PLANS)}") from None
    pen = _Pen(depth, lateral, side, pro)
    _prelude(pen, rng, label)
    break_leg, stem, angle = draw(pen, rng, scale)
    return RoutePlan(label, tuple(pen.legs), break_leg, stem, angle)


def _prelude(pen: _Pen, rng: np.random.Generator, label: str) -> None:
    """Backs often fake, look for a rusher or chip first; ends sometimes chip."""
    back = pen.depth < -3.0
    if label in ("block", "checkdown", "screen", "swing") or rng.random() > (0.38 if back else 0.05):
        return
    if not back and pen.out > 9.0:
        return
    pen.go(
        rng.normal(-5.0, 45.0),
        rng.uniform(0.4, 2.6),
        speed=float(rng.uniform(0.35, 0.8)),
        brake_to=0.25,
        wait_s=float(rng.uniform(0.0, 0.8)),
    )


def _stem(pen: _Pen, rng: np.random.Generator, depth: float, brake_to: float, lean: float = 0.0) -> float:
    """Run to a depth beyond the line, often with a release to one side first. Returns the last heading."""
    lean = rng.normal(lean, 5.0)
    distance = max(0.4, (depth - pen.depth) / np.cos(np.deg2rad(lean)))
    if distance > 5.0 and rng.random() < 0.45:
        away = float(rng.choice([-1, 1])) * rng.uniform(10, 40)
        pen.go(lean + away, rng.uniform(1.5, 3.0), through=0.9)
        distance = max(1.0, (depth - pen.depth) / np.cos(np.deg2rad(lean)))
    pen.go(lean, distance, brake_to=brake_to, through=0.5)
    return lean


_Drawn = tuple[int, float, float]


def _stop(
    pen: _Pen,
    rng: np.random.Generator,
    scale: float,
    depth: float,
    sd: float,
    low: float,
    high: float,
    back: float,
    out_heading: float,
) -> _Drawn:
    """Stem, brake, come back a little and settle; some only stop and turn, some drift on."""
    stem = _n(rng, depth * scale, sd, low, high)
    lean = _stem(pen, rng, stem, float(rng.uniform(0.2, 0.5)), rng.normal(0, 3))
    heading = rng.normal(out_heading, 18.0)
    at = len(pen.legs)
    pen.go(
        heading, _n(rng, back, 0.6 + 0.3 * back, 0.05, 6.0), settle=True, speed=float(rng.uniform(0.35, 0.7))
    )
    return at, stem, _turn(heading - lean)


def _turn(angle: float) -> float:
    return (angle + 180.0) % 360.0 - 180.0


def _hitch(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    return _stop(pen, rng, scale, 5.3, 1.0, 3.0, 8.2, 0.8, rng.choice([-150.0, 175.0, -120.0]))


def _hook(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    return _stop(pen, rng, scale, 7.6, 1.8, 4.0, 12.5, 0.8, rng.choice([-160.0, 165.0, -110.0, 110.0]))


def _curl(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    return _stop(pen, rng, scale, 11.6, 1.6, 8.2, 16.0, 2.0, -148.0)


def _comeback(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    return _stop(pen, rng, scale, 14.0, 2.0, 9.5, 19.0, 3.0, 138.0)


def _cut(
    pen: _Pen,
    rng: np.random.Generator,
    scale: float,
    depth: float,
    sd: float,
    low: float,
    high: float,
    heading: float,
    heading_sd: float,
    brake_to: float,
    lean: float = 0.0,
) -> _Drawn:
    """Stem, then one cut to a new heading; some round it, some bend on after a few yards."""
    stem = _n(rng, depth * scale, sd, low, high)
    before = _stem(pen, rng, stem, brake_to + rng.normal(0, 0.1), lean)
    after = rng.normal(heading, heading_sd)
    at = len(pen.legs)
    if rng.random() < 0.35:
        pen.go(after * 0.6 + before * 0.4, rng.uniform(1.0, 2.5), through=0.9)
    if rng.random() < 0.3:
        pen.go(after, rng.uniform(4, 9), through=1.0)
        pen.go(after + rng.normal(0, 14), 40.0)
    else:
        pen.go(after, 40.0)
    return at, stem, _turn(after - before)


def _out(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if pen.depth < -3.0:
        return _cut(pen, rng, scale, 2.5, 1.6, 0.5, 6.0, 80.0, 10.0, 0.6, rng.normal(25, 15))
    if rng.random() < 0.68:
        return _cut(pen, rng, scale, 2.6, 1.7, -0.2, 7.0, 87.0, 10.0, 0.5, rng.normal(5, 9))
    return _cut(pen, rng, scale, 9.0, 2.2, 5.0, 15.0, 90.0, 10.0, 0.42)


def _in(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if rng.random() < 0.2:
        return _cut(pen, rng, scale, 5.5, 1.2, 3.5, 8.0, -80.0, 12.0, 0.5)
    if pen.pro:
        return _cut(pen, rng, scale, 10.2, 2.4, 6.0, 16.5, -66.0, 14.0, 0.45)
    return _cut(pen, rng, scale, 10.6, 2.4, 6.0, 16.5, -74.0, 13.0, 0.5)


def _slant(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if pen.pro:
        drawn = _cut(pen, rng, scale, 1.3, 1.0, 0.2, 4.5, -51.0, 11.0, 0.55, rng.normal(-8, 10))
    else:
        drawn = _cut(pen, rng, scale, 1.7, 1.1, 0.2, 5.0, -52.0, 11.0, 0.65, rng.normal(-6, 9))
    pace = float(rng.uniform(0.62, 0.9) if pen.pro else rng.uniform(0.76, 0.98))
    pen.legs = [replace(leg, speed=leg.speed * pace) for leg in pen.legs]
    return drawn


def _post(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if pen.pro:
        return _cut(pen, rng, scale, 7.4, 2.3, 3.4, 13.0, -24.0, 7.5, 0.85)
    return _cut(pen, rng, scale, 9.6, 2.6, 4.5, 16.0, -30.0, 8.0, 0.85)


def _corner(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if pen.pro:
        return _cut(pen, rng, scale, 9.4, 2.4, 4.5, 14.5, 57.0, 9.0, 0.75, rng.normal(7, 8))
    return _cut(pen, rng, scale, 9.4, 2.4, 4.5, 14.5, 51.0, 9.0, 0.72, rng.normal(-3, 6))


def _go(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    widest = 36.0 if pen.pro else 27.0
    lean = float(np.clip(rng.normal(*((21.0, 10.0) if pen.pro else (12.0, 9.0))), -15.0, widest))
    if pen.depth < -3.0:
        pen.go(rng.normal(35, 20), rng.uniform(4, 7), through=1.2)
    pen.go(lean + rng.normal(0, 14), rng.uniform(2, 5), through=1.0)
    if rng.random() < 0.5:
        pen.go(lean, rng.uniform(6, 14), through=1.2)
        lean = float(np.clip(lean + rng.normal(3 if pen.pro else 5, 9), -18, widest))
    pen.go(lean, 60.0)
    return 0, float("nan"), lean


def _flat(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    """From the backfield: wide, then turning up; from the slot or the line: climb a little, then flat."""
    if pen.depth < -3.0:
        pen.go(
            rng.normal(82.0, 18.0),
            _n(rng, 3.5, 1.3, 1.0, 7.0),
            speed=float(rng.uniform(0.6, 0.9)),
            through=1.0,
        )
        depth = _n(rng, 0.8, 2.2, -4.5, 4.5)
        out = pen.out + (_n(rng, 5.2, 2.6, 1.0, 12.0) if pen.pro else _n(rng, 6.5, 2.8, 2.0, 14.0))
    else:
        pen.go(
            rng.normal(48.0, 20.0),
            _n(rng, 2.4, 1.0, 0.5, 5.0),
            speed=float(rng.uniform(0.7, 0.95)),
            through=0.8,
        )
        depth = _n(rng, 2.2, 1.5, -1.0, 5.5)
        out = pen.out + (_n(rng, 6.5, 2.8, 2.5, 14.0) if pen.pro else _n(rng, 8.0, 3.0, 3.0, 16.0))
    at = len(pen.legs)
    if rng.random() < 0.4:
        pen.to(depth, out, speed=float(rng.uniform(0.6, 0.95)), settle=True)
    else:
        pen.to(depth, out, speed=float(rng.uniform(0.65, 0.95)))
        pen.go(rng.normal(75.0, 20.0), 20.0, speed=float(rng.uniform(0.6, 0.95)))
    return at, pen.legs[0].depth, 0.0


def _shallow_cross(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    start = pen.depth
    depth = _n(rng, 3.2, 1.8, 0.4, 7.0)
    lean = rng.normal(-35.0, 20.0)
    pen.go(float(np.clip(lean, -70, 10)), max(0.8, (depth * 0.7 - start)), through=0.9)
    at = len(pen.legs)
    pen.to(depth, pen.out - rng.uniform(4, 8), through=1.0)
    after = rng.normal(-86.0, 6.0)
    if rng.random() < 0.2:
        pen.go(after, rng.uniform(6, 16), settle=True)
    else:
        pen.go(after, 40.0)
    return at, pen.legs[0].depth, _turn(after - lean)


def _deep_cross(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if rng.random() < 0.5:
        lean = rng.normal(-14.0, 8.0)
        return _cut(pen, rng, scale, 8.5, 2.5, 4.0, 14.0, -70.0, 9.0, 0.85, lean)
    lean = rng.normal(-38, 9)
    pen.go(lean, rng.uniform(8, 15), through=1.2)
    at = len(pen.legs)
    pen.go(-72 + rng.normal(0, 8), 40.0)
    return at, pen.legs[0].depth, -72 - lean


def _wheel(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    pen.go(rng.normal(74.0, 12.0), _n(rng, 6.5, 1.6, 3.5, 11.0), through=1.2)
    at = len(pen.legs)
    pen.go(rng.normal(36.0 if pen.pro else 32.0, 10.0), rng.uniform(3, 6) + 2 * pen.pro, through=1.3)
    pen.go(rng.normal(12.0 if pen.pro else 7.0, 8.0), 50.0)
    return at, pen.legs[0].depth, -65.0


def _angle(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    out = rng.normal(42.0, 18.0)
    pen.go(
        out,
        _n(rng, 4.2, 1.4, 1.8, 8.0),
        brake_to=float(rng.uniform(0.25, 0.5)),
        speed=float(rng.uniform(0.4, 0.7)),
    )
    at = len(pen.legs)
    after = rng.normal(-48.0, 16.0)
    pen.go(after, 20.0, speed=float(rng.uniform(0.4, 0.75)))
    return at, pen.legs[0].depth, _turn(after - out)


def _swing(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    pen.go(
        rng.normal(102.0, 13.0), _n(rng, 4.5, 1.4, 2.0, 8.0), speed=float(rng.uniform(0.6, 0.85)), through=1.2
    )
    at = len(pen.legs)
    pen.go(rng.normal(76.0, 13.0), rng.uniform(4, 8), speed=float(rng.uniform(0.6, 0.9)), through=1.2)
    pen.go(rng.normal(45.0, 20.0), 20.0, speed=float(rng.uniform(0.6, 0.9)))
    return at, pen.legs[0].depth, -26.0


def _screen(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    if pen.depth < -3.0:
        pen.to(
            pen.depth + _n(rng, 1.6, 0.9, 0.1, 3.5),
            pen.out + rng.normal(0, 0.8),
            speed=0.45,
            brake_to=0.1,
            wait_s=float(rng.uniform(0.2, 1.0)),
        )
        at = len(pen.legs)
        pen.to(_n(rng, -3.6, 1.2, -7.0, -0.5), pen.out + _n(rng, 4.5, 2.2, 0.5, 10.0), speed=0.6, settle=True)
        return at, pen.legs[0].depth, 90.0
    if rng.random() < 0.5:
        pen.go(rng.normal(115.0, 18.0), _n(rng, 2.5, 1.0, 0.8, 5.0), speed=0.75, through=0.9)
        pen.go(rng.normal(85.0, 12.0), _n(rng, 5.0, 2.0, 1.0, 9.0), speed=0.8)
        return 1, pen.legs[0].depth, -30.0
    pen.go(rng.normal(5.0, 25.0), _n(rng, 0.9, 0.6, 0.1, 2.2), speed=0.5, brake_to=0.2, through=0.3)
    pen.go(rng.normal(-125.0, 20.0), _n(rng, 3.0, 1.3, 0.8, 7.0), speed=0.65, settle=True)
    return 1, pen.legs[0].depth, -130.0


def _checkdown(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    """Look for a rusher, then slip out and settle over the ball or toward one side."""
    pen.to(
        pen.depth + _n(rng, 1.8, 1.0, 0.2, 4.0),
        pen.out + rng.normal(0.4, 1.0),
        speed=0.4,
        brake_to=0.15,
        wait_s=float(rng.uniform(0.0, 1.1)),
    )
    at = len(pen.legs)
    pen.to(
        _n(rng, 2.0, 1.8, -2.5, 6.0),
        pen.out + rng.normal(0.6, 2.4),
        speed=float(rng.uniform(0.45, 0.7)),
        settle=True,
    )
    return at, pen.legs[0].depth, 0.0


def _block(pen: _Pen, rng: np.random.Generator, scale: float) -> _Drawn:
    """Wide men go at the defender before them; ends set back like a tackle; backs step up or across to a
    rusher and give ground."""
    if abs(pen.out) > 9:
        pen.go(rng.normal(-10.0, 18.0), _n(rng, 4.2, 1.9, 0.5, 8.0), speed=0.7, settle=True)
        return 0, float("nan"), 0.0
    if pen.depth > -3.0:
        pen.to(_n(rng, -2.8, 1.3, -5.0, 0.5), pen.out + rng.normal(0.3, 0.9), speed=0.35, settle=True)
        return 0, float("nan"), 0.0
    pen.to(_n(rng, -3.9, 1.1, -6.5, -0.8), pen.out + rng.normal(0.3, 2.0), speed=0.4, through=0.4)
    pen.to(pen.depth - _n(rng, 0.6, 0.9, -1.0, 2.5), pen.out + rng.normal(0, 0.8), speed=0.2, settle=True)
    return 0, float("nan"), 0.0


_PLANS = {
    "hitch": _hitch,
    "hook": _hook,
    "curl": _curl,
    "comeback": _comeback,
    "out": _out,
    "in": _in,
    "slant": _slant,
    "flat": _flat,
    "shallow_cross": _shallow_cross,
    "deep_cross": _deep_cross,
    "post": _post,
    "corner": _corner,
    "go": _go,
    "wheel": _wheel,
    "angle": _angle,
    "swing": _swing,
    "screen": _screen,
    "checkdown": _checkdown,
    "block": _block,
}
