"""Plans of the routes of the tree, drawn from spreads like those of real receivers.

`plan_route` works in (depth, out): out is toward the sideline of the man's side. Angles are headings,
0 = upfield, + = toward that sideline, +-180 = back to the line. Spreads: shared motion facts; the shapes
themselves are common practice of the trade (no source).
"""

from __future__ import annotations

import numpy as np

from models.synthetic.playbook import Leg, RoutePlan


def _n(rng: np.random.Generator, mean: float, sd: float, low: float, high: float) -> float:
    return float(np.clip(rng.normal(mean, sd), low, high))


class _Pen:
    """Draws legs from a start, by heading and distance."""

    def __init__(self, depth: float, lateral: float, side: int):
        self.depth, self.out, self.side = depth, lateral * side, side
        self.legs: list[Leg] = []

    def go(self, heading_deg: float, distance: float, **kw: float | bool) -> _Pen:
        a = np.deg2rad(heading_deg)
        return self.to(self.depth + distance * np.cos(a), self.out + distance * np.sin(a), **kw)

    def to(self, depth: float, out: float, **kw: float | bool) -> _Pen:
        self.depth, self.out = float(depth), float(out)
        self.legs.append(Leg(self.depth, self.out * self.side, **kw))  # type: ignore[arg-type]
        return self


def plan_route(
    label: str, rng: np.random.Generator, depth: float, lateral: float, side: int, scale: float = 1.0
) -> RoutePlan:
    """Plan of one route from a start. side: +1 right of the ball, -1 left. scale: depth habit of a team.

    Raises ValueError for a label that has no plan.
    """
    try:
        draw = _PLANS[label]
    except KeyError:
        raise ValueError(f"no plan for route {label!r}; known: {', '.join(_PLANS)}") from None
    pen = _Pen(depth, lateral, side)
    break_leg, stem, angle = draw(pen, rng, scale)
    return RoutePlan(label, tuple(pen.legs), break_leg, stem, angle)


def _stem(pen: _Pen, rng: np.random.Generator, depth: float, brake_to: float, lean: float = 0.0) -> float:
    """Run to a depth beyond the line with a lean (deg) off straight. Returns the heading."""
    lean = rng.normal(lean, 4.0)
    distance = max(0.4, (depth - pen.depth) / np.cos(np.deg2rad(lean)))
    pen.go(lean, distance, brake_to=brake_to, through=0.5)
    return lean


def _stop(pen, rng, scale, depth, sd, low, high, back, out_heading):
    stem = _n(rng, depth * scale, sd, low, high)
    lean = _stem(pen, rng, stem, 0.35)
    heading = rng.normal(out_heading, 14.0)
    pen.go(heading, _n(rng, back, 0.5, 0.2, 4.0), settle=True, speed=0.55)
    return 1, stem, heading - lean


def _hitch(pen, rng, scale):
    return _stop(pen, rng, scale, 5.4, 0.9, 3.2, 8.0, 0.9, -150.0)


def _hook(pen, rng, scale):
    return _stop(pen, rng, scale, 8.2, 1.8, 4.5, 12.5, 0.9, -165.0)


def _curl(pen, rng, scale):
    return _stop(pen, rng, scale, 11.8, 1.5, 8.5, 16.0, 2.2, -145.0)


def _comeback(pen, rng, scale):
    return _stop(pen, rng, scale, 14.2, 1.8, 10.0, 19.0, 3.2, 140.0)


def _cut(pen, rng, scale, depth, sd, low, high, heading, hsd, brake_to, lean=0.0):
    stem = _n(rng, depth * scale, sd, low, high)
    before = _stem(pen, rng, stem, brake_to, lean)
    after = rng.normal(heading, hsd)
    pen.go(after, 40.0)
    return 1, stem, after - before


def _out(pen, rng, scale):
    return _cut(pen, rng, scale, 5.5, 3.0, 0.5, 14.0, 84.0, 9.0, 0.5)


def _in(pen, rng, scale):
    return _cut(pen, rng, scale, 9.5, 3.2, 3.5, 16.0, -82.0, 11.0, 0.5)


def _slant(pen, rng, scale):
    return _cut(pen, rng, scale, 2.4, 1.1, 0.6, 5.0, -50.0, 10.0, 0.75)


def _post(pen, rng, scale):
    return _cut(pen, rng, scale, 10.0, 2.6, 5.0, 16.0, -32.0, 8.0, 0.8)


def _corner(pen, rng, scale):
    return _cut(pen, rng, scale, 10.0, 2.4, 5.0, 15.0, 44.0, 9.0, 0.75)


def _go(pen, rng, scale):
    lean = rng.normal(4.0, 7.0)
    pen.go(lean, 60.0)
    return 0, float("nan"), lean


def _flat(pen, rng, scale):
    pen.go(rng.normal(70.0, 14.0), _n(rng, 3.0, 1.0, 1.0, 6.0), speed=0.85)
    pen.go(rng.normal(88.0, 10.0), _n(rng, 9.0, 3.0, 3.0, 18.0), speed=0.85, settle=rng.random() < 0.4)
    return 0, float("nan"), 85.0


def _shallow_cross(pen, rng, scale):
    pen.go(rng.normal(-45.0, 20.0), _n(rng, 3.0, 1.2, 0.8, 6.0))
    pen.go(rng.normal(-85.0, 5.0), 40.0)
    return 1, pen.legs[0].depth, -60.0


def _deep_cross(pen, rng, scale):
    return _cut(pen, rng, scale, 8.0, 3.0, 2.0, 14.0, -68.0, 9.0, 0.8)


def _wheel(pen, rng, scale):
    pen.go(rng.normal(80.0, 10.0), _n(rng, 6.0, 1.6, 3.0, 11.0))
    pen.go(rng.normal(5.0, 8.0), 50.0)
    return 1, pen.legs[0].depth, -75.0


def _angle(pen, rng, scale):
    pen.go(rng.normal(55.0, 14.0), _n(rng, 4.5, 1.2, 2.5, 8.0), brake_to=0.4)
    pen.go(rng.normal(-50.0, 12.0), 20.0)
    return 1, pen.legs[0].depth, -105.0


def _swing(pen, rng, scale):
    pen.go(rng.normal(105.0, 12.0), _n(rng, 4.0, 1.2, 2.0, 7.0), speed=0.75)
    pen.go(rng.normal(75.0, 12.0), 20.0, speed=0.85)
    return 0, float("nan"), 75.0


def _screen(pen, rng, scale):
    pen.go(rng.normal(20.0, 30.0), _n(rng, 0.8, 0.5, 0.1, 2.0), speed=0.5)
    pen.go(rng.normal(-120.0, 25.0), _n(rng, 3.0, 1.0, 1.0, 6.0), speed=0.6, settle=True)
    return 0, float("nan"), -120.0


def _checkdown(pen, rng, scale):
    pen.to(pen.depth + _n(rng, 2.0, 1.0, 0.3, 4.0), pen.out + rng.normal(0.5, 1.0), speed=0.4)
    pen.to(_n(rng, 2.5, 1.6, -1.5, 6.0), pen.out + rng.normal(0.5, 2.5), speed=0.6, settle=True)
    return 0, float("nan"), 0.0


def _block(pen, rng, scale):
    pen.to(pen.depth + _n(rng, 0.8, 0.8, -0.6, 3.0), pen.out + rng.normal(0.3, 0.8), speed=0.4, settle=True)
    return 0, float("nan"), 0.0


_PLANS = {
    "hitch": _hitch, "hook": _hook, "curl": _curl, "comeback": _comeback, "out": _out, "in": _in,
    "slant": _slant, "flat": _flat, "shallow_cross": _shallow_cross, "deep_cross": _deep_cross,
    "post": _post, "corner": _corner, "go": _go, "wheel": _wheel, "angle": _angle, "swing": _swing,
    "screen": _screen, "checkdown": _checkdown, "block": _block,
}
