"""The people of a game: who wears what, where the ones beside the play stand, and figures for one instant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.synthetic.dress import Dress, dress_official, dress_other, dress_player, team_pattern
from models.synthetic.field_paint import LENGTH_YD, WIDTH_YD
from models.synthetic.figures import Figures
from models.synthetic.looks import Look
from models.synthetic.people import PeopleLibrary

BENCH_ACTIONS = (
    ("stand",) * 10 + ("walk",) * 4 + ("crouch", "kneel", "arms_up", "hips", "hips", "knees", "point")
)
KINDS = ("player", "official", "ball", "other")


@dataclass(frozen=True)
class Bystander:
    """Somebody beside the play. ``sway`` yards of slow wandering."""

    dress: Dress
    x: float
    y: float
    z: float
    yaw: float
    action: str
    phase: float
    sway: float


class Cast:
    """Dresses for one game, made once from the look so that a man keeps his clothes from play to play."""

    def __init__(self, look: Look, library: PeopleLibrary) -> None:
        self.look, self.lib = look, library
        rng = np.random.default_rng(look.seed + 5)
        self.young = 0.86 if look.style == "school" and rng.random() < 0.3 else 1.0
        self.patterns = {"offense": team_pattern(rng), "defense": team_pattern(rng)}
        self.plain_feet = bool(look.extra.get("plain_feet"))
        self._dress: dict[tuple[str, Any], Dress] = {}
        self.bystanders = self._stage_bystanders(rng)

    def dress(self, team: str, key: Any, number: int | None, shape: str, swap: bool = False) -> Dress:
        """Dress of a man; ``swap`` exchanges the two kits (the other team has the ball)."""
        kit_name = {"offense": "defense", "defense": "offense"}.get(team, team) if swap else team
        full = (kit_name, (key, shape))
        if full not in self._dress:
            rng = np.random.default_rng([self.look.seed, abs(hash_text(f"{kit_name}{key}{shape}"))])
            if team == "official":
                self._dress[full] = dress_official(rng, self.look)
            else:
                self._dress[full] = self._player(rng, kit_name, number, shape)
        return replace(self._dress[full], team=team)

    def _player(self, rng: np.random.Generator, side: str, number: int | None, shape: str) -> Dress:
        """A man in the kit of a side ("offense" or "defense")."""
        kit = self.look.offense if side == "offense" else self.look.defense
        return dress_player(rng, kit, side, number, shape, self.patterns[side], self.young, self.plain_feet)

    def _stage_bystanders(self, rng: np.random.Generator) -> list[Bystander]:
        look, v = self.look, self.look.venue
        std = look.field.standard
        length, w = float(LENGTH_YD[std]), WIDTH_YD[std]
        out: list[Bystander] = []
        mid = length / 2
        border = look.field.border_width_yd
        for near, count in ((True, v.near_people), (False, v.bench_people)):
            side = "offense" if near else "defense"
            for _ in range(count):
                depth = border + 0.3 + abs(float(rng.normal(0, 2.2)))
                y = -depth if near else w + depth
                x = (
                    mid + float(rng.uniform(-26, 26))
                    if rng.random() < 0.9
                    else float(rng.uniform(-8, length + 8))
                )
                if rng.random() < 0.55:
                    shape = ("lineman", "linebacker", "skill")[int(rng.integers(3))]
                    number = int(rng.integers(1, 99))
                    d = replace(self._player(rng, side, number, shape), kind=3, team="other")
                else:
                    d = dress_other(rng, look)
                yaw = (np.pi / 2 if near else -np.pi / 2) + float(rng.normal(0, 0.7))
                act = BENCH_ACTIONS[int(rng.integers(len(BENCH_ACTIONS)))]
                out.append(Bystander(d, x, y, 0.0, yaw, act, float(rng.random()), float(rng.uniform(0, 0.5))))
        for _ in range(v.crowd_people):
            y = (
                w + float(rng.uniform(4, max(6.0, v.far_gap_yd)))
                if rng.random() < 0.6
                else -float(rng.uniform(4, 12))
            )
            x = float(rng.uniform(-25, length + 25))
            act = ("stand", "walk", "walk", "jog")[int(rng.integers(4))]
            out.append(
                Bystander(
                    dress_other(rng, look),
                    x,
                    y,
                    0.0,
                    float(rng.uniform(0, 6.28)),
                    act,
                    float(rng.random()),
                    float(rng.uniform(0, 2)),
                )
            )
        for _ in range(int(rng.integers(0, 6))):  # photographers and staff behind the end lines
            x = (-1 if rng.random() < 0.5 else length + 1) + float(rng.choice([-1, 1])) * (
                look.field.end_zone_depth_yd + float(rng.uniform(1, 6))
            )
            out.append(
                Bystander(
                    dress_other(rng, look),
                    x,
                    float(rng.uniform(0, w)),
                    0.0,
                    float(rng.uniform(0, 6.28)),
                    "kneel" if rng.random() < 0.3 else "stand",
                    0.3,
                    0.1,
                )
            )
        return out

    def chain_crew(
        self, los: float, to_gain: float, seed: int
    ) -> tuple[list[Bystander], list[tuple[float, float]]]:
        """Chain crew at the line and the line to gain (far side as a rule) and the places of their poles."""
        rng = np.random.default_rng([self.look.seed, seed, 77])
        w = WIDTH_YD[self.look.field.standard]
        b = self.look.field.border_width_yd + 0.6
        y, yaw = (w + b, -np.pi / 2) if rng.random() < 0.7 else (-b, np.pi / 2)
        crew, poles = [], []
        for x in (los, los + float(rng.uniform(-1, 0)), to_gain):
            d = dress_other(rng, self.look)
            crew.append(
                Bystander(
                    d, x + 0.4, y, 0.0, yaw + float(rng.normal(0, 0.3)), "stand", float(rng.random()), 0.1
                )
            )
            poles.append((x, y))
        return crew, poles

    def crown_z(self, y: np.ndarray) -> np.ndarray:
        """Height of the ground at lateral place y."""
        w = WIDTH_YD[self.look.field.standard]
        z = self.look.field.crown_yd * (1 - ((y - w / 2) / (w / 2)) ** 2)
        return np.where((y >= 0) & (y <= w), z, 0.0)

    def row(self, shape: str, action: str, phase: float) -> tuple[int, int, float]:
        """Rows of the two blended frames of the vertex texture and the weight of the second."""
        pose = self.lib.pose(action, phase)
        base = self.lib.shape_index(shape) * self.lib.vertices_q.shape[1]
        return base + pose.first, base + pose.second, pose.weight

    def figures(self, people: list[tuple[Dress, float, float, float, float, str, float]]) -> Figures:
        """(dress, x, y, z above ground, yaw, action, phase) rows -> Figures."""
        n = len(people)
        place, pose, look = (
            np.zeros((n, 4), np.float32),
            np.zeros((n, 4), np.float32),
            np.zeros((n, 3), np.float32),
        )
        palette = np.zeros((n, 24, 3), np.uint8)
        for i, (d, x, y, z, yaw, action, phase) in enumerate(people):
            a, b, w = self.row(d.shape, action, phase)
            place[i] = x, y, z, yaw
            pose[i] = a, b, w, d.scale
            look[i] = d.number, d.pattern, 0
            palette[i] = d.palette
        if n:
            place[:, 2] += self.crown_z(place[:, 1])
        return Figures(place, pose, look, palette)


def hash_text(text: str) -> int:
    """Stable 31-bit hash of a string (Python's own changes from run to run)."""
    h = 2166136261
    for c in text.encode():
        h = ((h ^ c) * 16777619) & 0x7FFFFFFF
    return h


def script_people(
    cast: Cast, script: Any, index: int, swap: bool = False
) -> tuple[list[tuple[Dress, float, float, float, float, str, float]], list[str]]:
    """Rows for :meth:`Cast.figures` of a play script at sample ``index``, and the people's ids."""
    rows, ids = [], []
    for p in script.people:
        d = cast.dress(
            p.team,
            p.id if p.team == "official" else (p.jersey if p.jersey is not None else p.id),
            p.jersey,
            p.shape,
            swap,
        )
        x, y = (float(v) for v in p.xy_field_yd[index])
        rows.append((d, x, y, 0.0, float(p.facing_rad[index]), str(p.action[index]), float(p.phase[index])))
        ids.append(p.id)
    return rows, ids


def bystander_rows(
    people: list[Bystander], t_s: float
) -> list[tuple[Dress, float, float, float, float, str, float]]:
    """Rows of the people beside the play at a time: slow wandering, shifting weight."""
    rows = []
    for k, b in enumerate(people):
        a = 0.35 * t_s + 1.7 * k
        x, y = b.x + b.sway * np.sin(a), b.y + 0.4 * b.sway * np.sin(0.7 * a)
        cyc = (b.phase + t_s * (0.25 if b.action not in ("walk", "jog") else 0.9)) % 1.0
        rows.append(
            (
                b.dress,
                float(x),
                float(y),
                b.z,
                b.yaw + 0.2 * float(np.sin(0.5 * a)),
                b.action,
                cyc if b.action in ("walk", "jog", "stand") else b.phase,
            )
        )
    return rows
