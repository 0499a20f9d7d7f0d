"""Everything that stands round the field: stands, walls, fences, cars, masts, goal posts, benches, boards.

Geometry is built once a look, as triangles with normal, colour and texture place. Yards, field frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.synthetic.field_paint import LENGTH_YD, WIDTH_YD
from models.synthetic.looks import Colour, Look, hsv, strong_colour


@dataclass(frozen=True)
class Props:
    """(T*3, 12) float32 rows: position, normal, colour, (u, v, kind). ``mesh`` is drawn blended."""

    solid: np.ndarray
    mesh: np.ndarray


class _Builder:
    def __init__(self) -> None:
        self.rows: list[np.ndarray] = []

    def quad(
        self,
        a: np.ndarray,
        b: np.ndarray,
        c: np.ndarray,
        d: np.ndarray,
        colour: Colour,
        kind: float = 0.0,
        uv: tuple[float, float, float, float] = (0, 0, 1, 1),
    ) -> None:
        """Quad a b c d in order; its normal is (b-a) x (d-a)."""
        p = np.array([a, b, c, d], float)
        n = np.cross(p[1] - p[0], p[3] - p[0])
        n /= max(float(np.linalg.norm(n)), 1e-9)
        tex = np.array([(uv[0], uv[1]), (uv[2], uv[1]), (uv[2], uv[3]), (uv[0], uv[3])])
        rows = np.hstack([p, np.tile(n, (4, 1)), np.tile(colour, (4, 1)), tex, np.full((4, 1), kind)])
        self.rows.append(rows[[0, 1, 2, 0, 2, 3]])

    def box(
        self,
        centre: tuple[float, float, float],
        size: tuple[float, float, float],
        colour: Colour,
        yaw: float = 0.0,
        kind: float = 0.0,
    ) -> None:
        """Box standing with its bottom at centre z."""
        sx, sy, sz = size[0] / 2, size[1] / 2, size[2]
        c, s = np.cos(yaw), np.sin(yaw)
        corner = np.array([(x, y) for x, y in ((-sx, -sy), (sx, -sy), (sx, sy), (-sx, sy))]) @ np.array(
            [[c, s], [-s, c]]
        )
        lo = [np.array([centre[0] + x, centre[1] + y, centre[2]]) for x, y in corner]
        hi = [p + np.array([0, 0, sz]) for p in lo]
        for i in range(4):
            j = (i + 1) % 4
            self.quad(lo[i], lo[j], hi[j], hi[i], colour, kind)
        self.quad(hi[0], hi[1], hi[2], hi[3], colour, kind)

    def pole(
        self, a: tuple[float, float, float], b: tuple[float, float, float], radius: float, colour: Colour
    ) -> None:
        """Six-sided rod from a to b."""
        p, q = np.array(a, float), np.array(b, float)
        axis = (q - p) / np.linalg.norm(q - p)
        side = np.cross(axis, [0.3, 0.2, 1.0] if abs(axis[2]) < 0.9 else [1.0, 0, 0])
        side /= np.linalg.norm(side)
        up = np.cross(axis, side)
        t = np.linspace(0, 2 * np.pi, 7)
        ring = [radius * (np.cos(v) * side + np.sin(v) * up) for v in t]
        for r0, r1 in zip(ring[:-1], ring[1:], strict=True):
            self.quad(p + r0, p + r1, q + r1, q + r0, colour)

    def array(self) -> np.ndarray:
        return np.vstack(self.rows).astype(np.float32) if self.rows else np.zeros((0, 12), np.float32)


def crowd_texture(look: Look) -> np.ndarray:
    """(512,1024,4) uint8: 64 x 32 seats, some with a person (head and shoulders), sRGB."""
    rng = np.random.default_rng(look.venue.seed)
    v = look.venue
    seat = np.array(v.seat) * 255
    img = np.zeros((512, 1024, 4), np.float32)
    img[..., :3] = seat * 0.8
    img[..., 3] = 255
    fans = [np.array(look.offense.jersey), np.array(look.defense.jersey), np.array(look.offense.helmet)]
    yy, xx = np.mgrid[0:16, 0:16]
    torso = ((np.abs(xx - 7.5) < 5.2 - 0.18 * (9 - yy).clip(0)) & (yy < 9)).astype(float)
    head = (((xx - 7.5) / 2.8) ** 2 + ((yy - 11.3) / 2.9) ** 2 < 1).astype(float)
    for r in range(32):
        img[r * 16 : r * 16 + 2, :, :3] *= 0.5
        for c in range(64):
            cell = img[r * 16 : r * 16 + 16, c * 16 : c * 16 + 16, :3]
            cell *= rng.uniform(0.85, 1.1)
            if c % 16 == 0:
                cell[...] = 140
                continue
            if rng.random() > v.occupancy * (0.75 + 0.4 * np.sin(c * 0.31 + r * 0.23)):
                continue
            shirt = (
                fans[int(rng.integers(3))]
                if rng.random() < 0.45
                else np.array(hsv(rng.random(), rng.uniform(0, 0.8), rng.uniform(0.1, 0.95)))
            )
            skin = np.array([0.85, 0.65, 0.5]) * rng.uniform(0.3, 1.05)
            top = skin if rng.random() < 0.5 else np.array(hsv(rng.random(), 0.4, rng.uniform(0.05, 0.5)))
            sh = int(rng.integers(-2, 3))
            t, h = np.roll(torso, sh, 1)[..., None], np.roll(head, sh, 1)[..., None]
            cell[...] = cell * (1 - t) + shirt * 255 * t * rng.uniform(0.6, 1.0)
            cell[...] = cell * (1 - h) + np.where(yy[..., None] > 12, top, skin) * 255 * h
    return np.clip(img, 0, 255).astype(np.uint8)


def _stand(
    b: _Builder, look: Look, origin: np.ndarray, along: np.ndarray, out: np.ndarray, length: float
) -> None:
    """Sloped block of seats: front edge from ``origin`` along ``along``, rising away along ``out``."""
    v = look.venue
    rise, run = (0.42, 0.85) if v.kind in ("stadium", "bowl") else (0.3, 0.75)
    decks = 2 if v.kind == "bowl" else 1
    front, base = origin.astype(float), v.far_base_yd
    for deck in range(decks):
        rows = v.far_rows if deck == 0 else max(8, v.far_rows // 2)
        depth, height = rows * run, rows * rise * (1.0 + 0.35 * deck)
        a = front + np.array([0, 0, base])
        c = a + along * length
        d = a + out * depth + np.array([0, 0, height])
        e = d + along * length
        b.quad(a, c, e, d, v.seat, 1.0, (0, 0, length / 35.0, rows / 32.0))
        wall = v.wall if deck == 0 else (0.5, 0.5, 0.52)
        b.quad(front, front + along * length, c, a, wall)
        step = 11.0
        for k in range(int(length / step)):  # lettered boards on the wall
            if (k * 7 + v.seed) % 3 == 0 and base > 0.8 and deck == 0:
                p = front + along * (k * step + 1) - out * 0.05 + np.array([0, 0, 0.15])
                q = p + along * (step - 3)
                up = np.array([0, 0, base * 0.7])
                b.quad(p, q, q + up, p + up, look.field.emblem_colours[k % len(look.field.emblem_colours)])
        back = d + np.array([0, 0, 4.0 if v.kind == "bowl" else 1.0])
        b.quad(d, e, back + along * length, back, (0.42, 0.42, 0.44))
        front, base = np.array([d[0], d[1], 0.0]) - out * 4.0, float(d[2] + 3.0)


def _posts(b: _Builder, look: Look) -> None:
    std, f = look.field.standard, look.field
    length, w = float(LENGTH_YD[std]), WIDTH_YD[std]
    half = 23.333 / 6 if std == "nfhs" else 18.5 / 6
    col = look.venue.post_colour
    for x_end, s in ((-f.end_zone_depth_yd, -1.0), (length + f.end_zone_depth_yd, 1.0)):
        x = x_end if std != "canadian" else (0.0 if s < 0 else length)
        bar_z, top = 10 / 3, 10 / 3 + (10.0 if look.style == "pro" else 20 / 3)
        if look.style == "school" and look.venue.seed % 2:
            for y in (w / 2 - half, w / 2 + half):
                b.pole((x, y, 0), (x, y, top), 0.07, col)
        else:
            b.pole((x + s * 2, w / 2, 0), (x + s * 2, w / 2, bar_z - 1), 0.1, col)
            b.pole((x + s * 2, w / 2, bar_z - 1), (x, w / 2, bar_z), 0.1, col)
            for y in (w / 2 - half, w / 2 + half):
                b.pole((x, y, bar_z), (x, y, top), 0.06, col)
        b.pole((x, w / 2 - half, bar_z), (x, w / 2 + half, bar_z), 0.08, col)


def _cars(b: _Builder, rng: np.random.Generator, count: int, y: float, length: float) -> None:
    for _ in range(count):
        x, yaw = (
            float(rng.uniform(-40, length + 40)),
            float(rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.05)),
        )
        yy, c = y + float(rng.uniform(0, 25)), strong_colour(rng) if rng.random() < 0.5 else (0.8, 0.8, 0.82)
        van = float(rng.uniform(0.2, 0.7))
        b.box((x, yy, 0.25), (5.0, 2.0, 0.65), c, yaw)
        b.box((x, yy, 0.9), (2.8, 1.8, van), (0.12, 0.14, 0.16), yaw)
        b.box((x, yy, 0.9 + van), (2.6, 1.7, 0.06), c, yaw)
        for k in (-1, 1):
            b.box(
                (x + k * 1.5 * np.cos(yaw), yy + k * 1.5 * np.sin(yaw), 0),
                (0.7, 2.05, 0.4),
                (0.03, 0.03, 0.03),
                yaw,
            )


def _bench(b: _Builder, rng: np.random.Generator, look: Look, y: float, mid: float) -> None:
    for _ in range(int(rng.integers(2, 7))):
        x = mid + float(rng.uniform(-22, 22))
        b.box((x, y, 0.35), (float(rng.uniform(3, 6)), 0.45, 0.12), (0.75, 0.76, 0.78))
    for _ in range(int(rng.integers(0, 9))):  # coolers, trunks, tables, tents
        s = float(rng.uniform(0.3, 1.0))
        b.box(
            (mid + float(rng.uniform(-26, 26)), y + float(rng.uniform(-2, 2)), 0.0),
            (s * 1.4, s, s),
            strong_colour(rng),
            float(rng.uniform(0, 3)),
        )
    if rng.random() < 0.15:
        x, c = mid + float(rng.uniform(-25, 25)), strong_colour(rng)
        for dx in (-1.5, 1.5):
            b.pole((x + dx, y - 2, 0), (x + dx, y - 2, 2.4), 0.04, (0.8, 0.8, 0.8))
        b.box((x, y - 2, 2.4), (3.4, 3.4, 0.5), c)


def build_props(look: Look, cameras: Sequence[tuple[float, float, float]] = ()) -> Props:
    """Geometry of the venue of a look; end stands that hold one of ``cameras`` are left out."""
    v, f = look.venue, look.field
    rng = np.random.default_rng(v.seed + 1)
    length, w = float(LENGTH_YD[f.standard]), WIDTH_YD[f.standard]
    b, mesh = _Builder(), _Builder()
    mid = length / 2
    gap = max(v.far_gap_yd, (f.track_inner_yd + f.track_width_yd + 2.0) if f.track is not None else 0.0)
    far = w + gap
    x_axis, y_axis = np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    if v.kind != "park" or rng.random() < 0.5:
        off = float(rng.uniform(-20, 20)) if v.kind not in ("stadium", "bowl") else 0.0
        _stand(b, look, np.array([mid - v.far_length_yd / 2 + off, far, 0]), x_axis, y_axis, v.far_length_yd)
        if look.style != "school" or rng.random() < 0.3:
            top = far + v.far_rows * 0.8
            b.box(
                (mid + off, top + 2, v.far_base_yd + v.far_rows * 0.4),
                (float(rng.uniform(8, 30)), 4, 4),
                (0.55, 0.55, 0.6),
            )
    if v.end_stand:
        ez = f.end_zone_depth_yd + v.far_gap_yd + 2
        for x, sign in ((-ez, -1.0), (length + ez, 1.0)):
            held = any(c[0] < 0 if sign < 0 else c[0] > length for c in cameras)
            if (rng.random() < 0.7 or v.kind == "bowl") and not held:
                _stand(b, look, np.array([x, w / 2 - 32 * sign, 0]), y_axis * sign, x_axis * sign, 64.0)
    _posts(b, look)
    for y in (-4.0 - 2 * rng.random(), w + 4.0 + 2 * rng.random()):
        _bench(b, rng, look, float(y), mid)
    if v.cars:
        _cars(b, rng, v.cars, far + 6, length)
    for k in range(v.masts):
        x, y = mid + (k - v.masts / 2 + 0.5) * 45 + float(rng.normal(0, 4)), far + float(rng.uniform(2, 20))
        h = float(rng.uniform(18, 32))
        b.pole((x, y, 0), (x, y, h), 0.25, (0.5, 0.5, 0.52))
        lamp = 2.0 if look.light.night else 0.0
        for r in range(2):
            for q in range(4):
                b.box((x + (q - 1.5) * 0.9, y, h - r * 0.9), (0.6, 0.25, 0.6), (1.0, 0.97, 0.9), 0.0, lamp)
    if v.fence:
        y, h = w + float(rng.uniform(4, max(5, gap - 1))), float(rng.uniform(1.0, 1.6))
        for k in range(30):
            b.pole((mid - 75 + 5 * k, y, 0), (mid - 75 + 5 * k, y, h), 0.03, (0.55, 0.57, 0.6))
        b.pole((mid - 75, y, h), (mid + 75, y, h), 0.025, (0.55, 0.57, 0.6))
        col = (0.05, 0.1, 0.06) if rng.random() < 0.5 else (0.6, 0.62, 0.65)
        mesh.quad(
            np.array([mid - 75, y, 0]),
            np.array([mid + 75, y, 0]),
            np.array([mid + 75, y, h]),
            np.array([mid - 75, y, h]),
            col,
            3.0,
            (0, 0, 150 * 12, h * 12),
        )
    if v.nets:
        for x in (-f.end_zone_depth_yd - 4, length + f.end_zone_depth_yd + 4):
            mesh.quad(
                np.array([x, w / 2 - 8, 3]),
                np.array([x, w / 2 + 8, 3]),
                np.array([x, w / 2 + 8, 12]),
                np.array([x, w / 2 - 8, 12]),
                (0.1, 0.1, 0.1),
                3.0,
                (0, 0, 16 * 5, 9 * 5),
            )
    if v.scoreboard:
        x, y = float(rng.choice([-25.0, length + 25.0, mid])), far + float(rng.uniform(0, 15))
        b.box((x, y, 3), (14, 1, 6), (0.05, 0.06, 0.08))
        for k in range(3):
            b.box((x - 4 + 4 * k, y - 0.6, 4.5), (1.8, 0.1, 1.5), (0.95, 0.5, 0.1), 0.0, 2.0)
    for _ in range(int(rng.integers(0, 8))):  # pylons, cones and yard markers
        x = float(rng.choice(np.arange(0, length + 1, 10)))
        b.box((x, -1.2 - rng.random(), 0.0), (0.25, 0.15, 0.5), (0.95, 0.4, 0.05))
    for x in (0.0, length):
        for y in (0.0, w):
            b.box((x, y, 0), (0.11, 0.11, 0.5), (0.95, 0.4, 0.05))
    return Props(b.array(), mesh.array())


def ball_rows(place: np.ndarray, yaw: float, pitch: float) -> np.ndarray:
    """Triangles of a ball (11 in long, 6.7 in thick) with its white bands."""
    u, v = np.meshgrid(np.linspace(0, np.pi, 7), np.linspace(0, 2 * np.pi, 7), indexing="ij")
    x, r = -np.cos(u) * 0.153, np.sin(u) ** 0.8 * 0.093
    p = np.stack([x, r * np.cos(v), r * np.sin(v)], -1)
    n = np.stack([x / 0.153**2, p[..., 1] / 0.093**2, p[..., 2] / 0.093**2], -1)
    n /= np.maximum(np.linalg.norm(n, axis=-1, keepdims=True), 1e-6)
    c, s, cp, sp = np.cos(yaw), np.sin(yaw), np.cos(pitch), np.sin(pitch)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.array([[cp, 0, -sp], [0, 1, 0], [sp, 0, cp]])
    p, n = p @ turn.T + np.asarray(place, float), n @ turn.T
    col = np.broadcast_to(np.array([0.36, 0.19, 0.1]), p.shape).copy()
    col[1], col[5] = (0.8, 0.76, 0.7), (0.8, 0.76, 0.7)
    rows = np.concatenate([p, n, col, np.zeros_like(p)], -1)
    a, b, d, e = rows[:-1, :-1], rows[1:, :-1], rows[:-1, 1:], rows[1:, 1:]
    return np.stack([a, b, e, a, e, d], 2).reshape(-1, 12).astype(np.float32)


def pole_rows(places: list[tuple[float, float]]) -> np.ndarray:
    """The chain crew's poles with their orange tops."""
    b = _Builder()
    for k, (x, y) in enumerate(places):
        b.pole((x, y, 0), (x, y, 1.9), 0.03, (0.9, 0.5, 0.1))
        b.box((x, y, 1.7), (0.3, 0.12, 0.5) if k == 1 else (0.3, 0.12, 0.3), (0.95, 0.4, 0.05))
    return b.array()
