"""Officials: where the crew stands and how it moves (common practice; no source)."""

from __future__ import annotations

from typing import Any

import numpy as np

from models.synthetic.playsim_world import DEAD, PRE, Man, Want, World

# name -> (depth, lateral rule, brain kind); lateral rule: number = yards, "right"/"left" = side line
_PLACES: dict[str, tuple[float, Any, str]] = {
    "R": (-12.5, 6.0, "behind"),
    "U": (7.5, 1.0, "middle"),
    "H": (0.0, "left", "line"),
    "L": (0.0, "right", "line"),
    "S": (21.0, "right", "deep"),
    "F": (21.0, "left", "deep"),
    "B": (25.0, 0.0, "deep"),
    "C": (-12.0, -6.5, "behind"),
}
CREWS = {4: "RUHL", 5: "RUHLB", 6: "RUHLSF", 7: "RUHLSFB", 8: "RUHLSFBC"}


class Official:
    def __init__(self, kind: str, pace: float):
        self.kind, self.pace = kind, pace

    def __call__(self, w: World, i: int) -> Want:
        spot = w.men[i].spot
        if w.phase == PRE or w.t < 0.3:
            return w.toward(i, spot[0], spot[1], 1.4, stop=True)
        if w.phase == DEAD:
            d = float(np.hypot(w.ball[0] - w.pos[i, 0], w.ball[1] - w.pos[i, 1]))
            return w.toward(i, w.ball[0], w.ball[1], 3.0 if d > 9 else 1.2) if d > 4 else (0.0, 0.0)
        if self.kind == "deep":
            front = max(float(w.pos[j, 0]) for j in w.notes["eligible"])
            return w.toward(
                i, max(spot[0], front + 6), spot[1], 4.8 if front + 6 > w.pos[i, 0] else 1.5, stop=True
            )
        if self.kind == "line":
            return w.toward(i, max(0.0, w.ball[0]) + 1.0, spot[1], self.pace, stop=True)
        if self.kind == "behind":
            return w.toward(i, min(w.ball[0] - 7.0, -4.0), spot[1] + 0.3 * w.ball[1], self.pace, stop=True)
        return w.toward(i, spot[0] + 1.0, spot[1] + 0.25 * w.ball[1], 1.2, stop=True)


def crew(rng: np.random.Generator, standard: str, right: float, left: float) -> list[Man]:
    """4 to 8 officials; the umpire stands in the offensive backfield under professional rules."""
    size = {
        "nfl": 7,
        "ncaa": int(rng.choice([7, 8])),
        "nfhs": int(rng.choice([4, 5, 5, 7])),
        "canadian": int(rng.choice([5, 6, 7])),
    }[standard]
    flip = float(rng.choice([-1, 1]))
    men = []
    for k, letter in enumerate(CREWS[size]):
        depth, lateral, kind = _PLACES[letter]
        if letter == "U" and standard == "nfl":
            depth, lateral, kind = -12.0, -6.5, "behind"
        if lateral in ("right", "left"):
            place = (right if lateral == "right" else left) + rng.normal(0, 0.6)
        else:
            place = float(lateral) * flip + rng.normal(0, 0.8)
        spot = (depth + rng.normal(0, 0.8), float(place))
        men.append(
            Man(
                f"X{k + 1}",
                "official",
                letter,
                "official",
                spot,
                Official(kind, float(rng.uniform(2.2, 4.2))),
            )
        )
    return men
