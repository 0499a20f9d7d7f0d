"""The people of a game: who wears what, where the ones beside the play stand, and figures for one instant."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from models.synthetic.field_paint import LENGTH_YD, WIDTH_YD
from models.synthetic.looks import Colour, Kit, Look, hsv, strong_colour, white
from models.synthetic.people import PeopleLibrary
from models.synthetic.render import NUMBER_STYLES, Figures

BENCH_ACTIONS = ("stand",) * 10 + ("walk",) * 4 + ("crouch", "kneel", "arms_up", "hips", "hips", "knees", "point")
KINDS = ("player", "official", "ball", "other")
PARTS = {"skin": 0, "hair": 1, "cap": 2, "helmet": 3, "facemask": 4, "visor": 5, "jersey_front": 6, "jersey_back": 7, "sleeve": 8,
         "forearm": 9, "glove": 10, "belt": 11, "pants": 12, "sock": 13, "shoe": 14}


@dataclass(frozen=True)
class Dress:
    """One person's looks for a whole game: palette (24,3) uint8, pattern bits, number, shape name, scale."""

    kind: int
    team: str
    number: int
    shape: str
    scale: float
    pattern: int
    palette: np.ndarray


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


def _skin(rng: np.random.Generator) -> Colour:
    t = float(rng.beta(1.2, 1.2))
    light, dark = np.array([0.93, 0.76, 0.64]), np.array([0.28, 0.18, 0.13])
    return tuple((light * (1 - t) + dark * t) * rng.uniform(0.9, 1.05))  # type: ignore[return-value]


def _palette(parts: dict[str, Colour], extra: dict[int, Colour]) -> np.ndarray:
    p = np.full((24, 3), 0.3)
    for name, c in parts.items():
        p[PARTS[name]] = c
    for k, c in extra.items():
        p[k] = c
    return np.clip(p * 255, 0, 255).astype(np.uint8)


def _hair(rng: np.random.Generator) -> Colour:
    return hsv(rng.uniform(0.03, 0.12), rng.uniform(0.1, 0.7), rng.uniform(0.03, 0.5) if rng.random() < 0.85 else rng.uniform(0.5, 0.85))


def dress_player(rng: np.random.Generator, kit: Kit, team: str, number: int | None, shape: str, pattern: int, scale: float = 1.0) -> Dress:
    """A player in his team's kit with his own skin, shoes and sleeves."""
    skin = _skin(rng)
    undersleeve = rng.random()
    forearm = skin if undersleeve < 0.7 else ((0.04, 0.04, 0.05) if undersleeve < 0.85 else kit.glove)
    glove = kit.glove if rng.random() < 0.55 else skin
    sock = kit.sock if rng.random() < 0.8 else (skin if rng.random() < 0.5 else kit.jersey)
    shoe = kit.shoe if rng.random() < 0.7 else strong_colour(rng)
    parts = {"skin": skin, "hair": _hair(rng), "cap": kit.helmet, "helmet": kit.helmet, "facemask": kit.facemask, "visor": (0.05, 0.05, 0.07),
             "jersey_front": kit.jersey, "jersey_back": kit.jersey, "sleeve": kit.sleeve, "forearm": forearm, "glove": glove,
             "belt": kit.pants_stripe, "pants": kit.pants, "sock": sock, "shoe": shoe}
    extra = {16: kit.number, 17: kit.number_outline, 18: kit.number, 19: kit.pants_stripe, 20: kit.helmet_stripe, 21: kit.pants, 22: kit.jersey}
    style = {"block": 0, "slab": 1, "sans": 2}.get(kit.number_style, 3) % len(NUMBER_STYLES)
    return Dress(0, team, -1 if number is None else int(number), shape, scale * float(rng.uniform(0.95, 1.05)), (pattern & 0xFE) | style << 8,
                 _palette(parts, extra))


def dress_official(rng: np.random.Generator, look: Look) -> Dress:
    """An official: stripes or plain, dark or light trousers, black, white or red cap, sometimes a jacket."""
    o = look.officials
    skin = _skin(rng)
    jacket = rng.random() < o.jacket_share
    striped = o.striped and not jacket
    shirt = (0.04, 0.04, 0.05) if jacket else o.shirt
    pants = o.pants if rng.random() < 0.9 else white(rng)
    cap = (0.95, 0.95, 0.95) if rng.random() < 0.2 else o.cap
    parts = {"skin": skin, "hair": _hair(rng), "cap": cap, "jersey_front": shirt, "jersey_back": shirt, "sleeve": shirt,
             "forearm": skin if rng.random() < 0.6 else shirt, "glove": skin, "belt": (0.03, 0.03, 0.03), "pants": pants,
             "sock": (0.03, 0.03, 0.03), "shoe": (0.03, 0.03, 0.03), "helmet": cap}
    number = int(rng.integers(1, 99)) if rng.random() < 0.3 and not jacket else -1
    return Dress(1, "official", number, "official", float(rng.uniform(0.94, 1.06)), 1 if striped else 0, _palette(parts, {16: (0.02, 0.02, 0.02), 17: (0.95, 0.95, 0.95), 18: shirt, 22: o.stripe}))


def dress_other(rng: np.random.Generator, look: Look) -> Dress:
    """Coach, chain crew, photographer, fan: ordinary clothes, often in team colours."""
    skin = _skin(rng)
    kit = look.offense if rng.random() < 0.5 else look.defense
    top = kit.jersey if rng.random() < 0.4 else (strong_colour(rng) if rng.random() < 0.6 else white(rng))
    pants = [(0.72, 0.62, 0.45), (0.04, 0.04, 0.05), (0.15, 0.18, 0.3), kit.pants, strong_colour(rng)][int(rng.integers(5))]
    shorts = rng.random() < 0.25
    parts = {"skin": skin, "hair": _hair(rng), "cap": kit.helmet if rng.random() < 0.5 else strong_colour(rng), "jersey_front": top, "jersey_back": top,
             "sleeve": top, "forearm": skin if rng.random() < 0.6 else top, "glove": skin, "belt": pants, "pants": pants,
             "sock": skin if shorts else pants, "shoe": (0.05, 0.05, 0.05) if rng.random() < 0.6 else white(rng), "helmet": top}
    vest = {18: (0.95, 0.6, 0.1)}
    return Dress(3, "other", -1, "ordinary", float(rng.uniform(0.9, 1.06)), 64 if rng.random() < 0.1 else 0, _palette(parts, vest))


def team_pattern(rng: np.random.Generator) -> int:
    """Decoration bits of a team's kit (see person.frag)."""
    return sum(bit for bit in (2, 4, 8, 16, 32, 64) if rng.random() < (0.35 if bit != 64 else 0.12))


class Cast:
    """Dresses for one game, made once from the look so that a man keeps his clothes from play to play."""

    def __init__(self, look: Look, library: PeopleLibrary) -> None:
        self.look, self.lib = look, library
        rng = np.random.default_rng(look.seed + 5)
        self.young = 0.86 if look.style == "school" and rng.random() < 0.3 else 1.0
        self.patterns = {"offense": team_pattern(rng), "defense": team_pattern(rng)}
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
                kit = self.look.offense if kit_name == "offense" else self.look.defense
                self._dress[full] = dress_player(rng, kit, team, number, shape, self.patterns[kit_name], self.young)
        return replace(self._dress[full], team=team)

    def _stage_bystanders(self, rng: np.random.Generator) -> list[Bystander]:
        look, v = self.look, self.look.venue
        std = look.field.standard
        length, w = float(LENGTH_YD[std]), WIDTH_YD[std]
        out: list[Bystander] = []
        mid = length / 2
        border = look.field.border_width_yd
        for near, count in ((True, v.near_people), (False, v.bench_people)):
            kit = look.offense if near else look.defense
            team = "offense" if near else "defense"
            for _ in range(count):
                depth = border + 0.3 + abs(float(rng.normal(0, 2.2)))
                y = -depth if near else w + depth
                x = mid + float(rng.uniform(-26, 26)) if rng.random() < 0.9 else float(rng.uniform(-8, length + 8))
                if rng.random() < 0.55:
                    shape = ("lineman", "linebacker", "skill")[int(rng.integers(3))]
                    d = replace(dress_player(rng, kit, team, int(rng.integers(1, 99)), shape, self.patterns[team], self.young), kind=3, team="other")
                else:
                    d = dress_other(rng, look)
                yaw = (np.pi / 2 if near else -np.pi / 2) + float(rng.normal(0, 0.7))
                act = BENCH_ACTIONS[int(rng.integers(len(BENCH_ACTIONS)))]
                out.append(Bystander(d, x, y, 0.0, yaw, act, float(rng.random()), float(rng.uniform(0, 0.5))))
        for _ in range(v.crowd_people):
            y = w + float(rng.uniform(4, max(6.0, v.far_gap_yd))) if rng.random() < 0.6 else -float(rng.uniform(4, 12))
            x = float(rng.uniform(-25, length + 25))
            act = ("stand", "walk", "walk", "jog")[int(rng.integers(4))]
            out.append(Bystander(dress_other(rng, look), x, y, 0.0, float(rng.uniform(0, 6.28)), act, float(rng.random()), float(rng.uniform(0, 2))))
        for _ in range(int(rng.integers(0, 6))):  # photographers and staff behind the end lines
            x = (-1 if rng.random() < 0.5 else length + 1) + float(rng.choice([-1, 1])) * (look.field.end_zone_depth_yd + float(rng.uniform(1, 6)))
            out.append(Bystander(dress_other(rng, look), x, float(rng.uniform(0, w)), 0.0, float(rng.uniform(0, 6.28)), "kneel" if rng.random() < 0.3 else "stand", 0.3, 0.1))
        return out

    def chain_crew(self, los: float, to_gain: float, seed: int) -> tuple[list[Bystander], list[tuple[float, float]]]:
        """Chain crew at the line and the line to gain (far side as a rule) and the places of their poles."""
        rng = np.random.default_rng([self.look.seed, seed, 77])
        w = WIDTH_YD[self.look.field.standard]
        b = self.look.field.border_width_yd + 0.6
        y, yaw = (w + b, -np.pi / 2) if rng.random() < 0.7 else (-b, np.pi / 2)
        crew, poles = [], []
        for x in (los, los + float(rng.uniform(-1, 0)), to_gain):
            d = dress_other(rng, self.look)
            crew.append(Bystander(d, x + 0.4, y, 0.0, yaw + float(rng.normal(0, 0.3)), "stand", float(rng.random()), 0.1))
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
        place, pose, look = np.zeros((n, 4), np.float32), np.zeros((n, 4), np.float32), np.zeros((n, 3), np.float32)
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


def script_people(cast: Cast, script: Any, index: int, swap: bool = False) -> tuple[list[tuple[Dress, float, float, float, float, str, float]], list[str]]:
    """Rows for :meth:`Cast.figures` of a play script at sample ``index``, and the people's ids."""
    rows, ids = [], []
    for p in script.people:
        d = cast.dress(p.team, p.id if p.team == "official" else (p.jersey if p.jersey is not None else p.id), p.jersey, p.shape, swap)
        x, y = (float(v) for v in p.xy_field_yd[index])
        rows.append((d, x, y, 0.0, float(p.facing_rad[index]), str(p.action[index]), float(p.phase[index])))
        ids.append(p.id)
    return rows, ids


def bystander_rows(people: list[Bystander], t_s: float) -> list[tuple[Dress, float, float, float, float, str, float]]:
    """Rows of the people beside the play at a time: slow wandering, shifting weight."""
    rows = []
    for k, b in enumerate(people):
        a = 0.35 * t_s + 1.7 * k
        x, y = b.x + b.sway * np.sin(a), b.y + 0.4 * b.sway * np.sin(0.7 * a)
        cyc = (b.phase + t_s * (0.25 if b.action not in ("walk", "jog") else 0.9)) % 1.0
        rows.append((b.dress, float(x), float(y), b.z, b.yaw + 0.2 * float(np.sin(0.5 * a)), b.action, cyc if b.action in ("walk", "jog", "stand") else b.phase))
    return rows
