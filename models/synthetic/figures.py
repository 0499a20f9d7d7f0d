"""Arrays that pass between cast, renderer and truth, and the arithmetic on them that needs no GPU."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from models.synthetic.field_paint import WIDTH_YD
from models.synthetic.glyphs import glyph
from models.synthetic.lens import ViewCamera
from models.synthetic.people import PeopleLibrary

MARGIN = 1.08  # the drawn picture is this much wider than the camera's, for the lens and the shutter
NUMBER_STYLES = ("block", "slab", "sans", "round")
PROP_ID = 65000


@dataclass
class Figures:
    """People of one instant, one row each.

    place (N,4) x y z yaw in field yards and radians; pose (N,4) first frame row, second frame row, weight,
    scale, a row being shape * frames + frame; look (N,3) number (-1 none), pattern bits, reserved;
    palette (N,24,3) uint8 sRGB.
    """

    place: np.ndarray
    pose: np.ndarray
    look: np.ndarray
    palette: np.ndarray

    def __len__(self) -> int:
        return len(self.place)


@dataclass(frozen=True)
class Exposure:
    """picture (h,w,3) uint8 BGR; ids (h//2,w//2) uint16: 0 ground and sky, n+1 the n-th figure, 65000 a
    thing;
    area_px (N,) pixels each figure would cover alone; visible_px (N,) pixels of him seen in the picture;
    boxes (N,4) amodal x0 y0 x1 y1 in pixels (NaN behind the camera)."""

    picture: np.ndarray
    ids: np.ndarray
    area_px: np.ndarray
    visible_px: np.ndarray
    boxes: np.ndarray


def noise_texture(size: int = 256, seed: int = 7) -> np.ndarray:
    """(size,size,4) uint8 tiling noise, each channel stretched to 0..255."""
    rng = np.random.default_rng(seed)
    out = np.zeros((size, size, 4), np.float32)
    for c, sigmas in enumerate(((18, 7, 2), (9, 3, 1), (4, 1.5, 0.6), (1.2, 0.5, 0.5))):
        for k, s in enumerate(sigmas):
            n = rng.standard_normal((size, size)).astype(np.float32)
            tiled = cv2.GaussianBlur(np.tile(n, (3, 3)), (0, 0), s)[size : 2 * size, size : 2 * size]
            out[..., c] += tiled / tiled.std() * (1.0, 0.6, 0.35)[k]
        lo, hi = np.percentile(out[..., c], [1, 99])
        out[..., c] = np.clip((out[..., c] - lo) / (hi - lo), 0, 1)
    return (out * 255).astype(np.uint8)


def ground_noise(seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    """(512,512,2) and (1024,1024,2) uint8: blotches and grain of the ground, two tiles in one texture each
    (the second 3 and 4 times as fine), so that two looks at a texture do for four."""
    noise = noise_texture(seed=seed)
    tile = lambda c, times, size: cv2.resize(  # noqa: E731
        np.tile(noise[..., c], (times, times)), (size, size), interpolation=cv2.INTER_LINEAR
    )
    coarse = np.stack([tile(0, 1, 512), tile(1, 3, 512)], -1)
    return coarse, np.stack([tile(2, 1, 1024), tile(3, 4, 1024)], -1)


def digit_layers() -> np.ndarray:
    """(layers, 64, 40, 2) uint8: fill and outline of ten digits in each style."""
    layers = []
    for style in NUMBER_STYLES:
        for d in "0123456789":
            small = glyph(d, style, 52, 29)
            fill = cv2.copyMakeBorder(small, 6, 6, 5, 6, cv2.BORDER_CONSTANT, value=0)
            layers.append(np.stack([fill, cv2.dilate(fill, np.ones((7, 7), np.uint8))], -1))
    return np.stack(layers)


def spread(values: np.ndarray, at: np.ndarray, count: int, fill: float) -> np.ndarray:
    out = np.full((count, *values.shape[1:]), fill)
    out[at] = values
    return out


def ground_mesh(standard: str, crown: float) -> np.ndarray:
    """(T*3,3) triangles of strips along x, crowned between the side lines."""
    w = WIDTH_YD[standard]
    y = np.concatenate([[-400.0, -60.0, -15.0], np.linspace(0, w, 41), [w + 15.0, w + 60.0, 500.0]])
    z = np.where((y >= 0) & (y <= w), crown * (1 - ((y - w / 2) / (w / 2)) ** 2), 0.0)
    out = []
    xs = np.array([-500.0, -60.0, 0.0, 55.0, 110.0, 170.0, 600.0])
    for i in range(len(y) - 1):
        for xa, xb in zip(xs[:-1], xs[1:], strict=True):
            a, b = (xa, y[i], z[i]), (xb, y[i], z[i])
            c, d = (xb, y[i + 1], z[i + 1]), (xa, y[i + 1], z[i + 1])
            out += [a, b, c, a, c, d]
    return np.array(out)


def distort_ids(raw: np.ndarray, cam: ViewCamera) -> np.ndarray:
    """Half-size identity map as the lens shows it."""
    h, w = cam.height_px // 2, cam.width_px // 2
    x = (np.arange(w) * 2 + 0.5 - (cam.width_px - 1) / 2) / cam.focal_px
    y = (np.arange(h) * 2 + 0.5 - (cam.height_px - 1) / 2) / cam.focal_px
    if abs(cam.k1) < 1e-9:
        ux, uy = np.broadcast_to(x, (h, w)), np.broadcast_to(y[:, None], (h, w))
    else:
        r2 = x[None] ** 2 + y[:, None] ** 2
        k = np.ones((h, w))
        for _ in range(4):
            k = 1.0 + cam.k1 * r2 / k**2
        ux, uy = x[None] / k, y[:, None] / k
    rh, rw = raw.shape
    mx = (ux * cam.focal_px / (0.5 * cam.width_px * MARGIN) + 1) * 0.5 * rw - 0.5
    my = (uy * cam.focal_px / (0.5 * cam.height_px * MARGIN) + 1) * 0.5 * rh - 0.5
    return cv2.remap(raw, mx.astype(np.float32), my.astype(np.float32), cv2.INTER_NEAREST)


def shutter_move(cam: ViewCamera, later: ViewCamera) -> np.ndarray:
    """(3,3) turning a camera ray as the shutter opens into the same point's ray as it closes."""
    zoom = later.focal_px / cam.focal_px
    return np.asarray(np.diag([zoom, zoom, 1.0]) @ (later.rotation() @ cam.rotation().T))


def seen_part(cam: ViewCamera, move: np.ndarray, wide: tuple[int, int]) -> tuple[int, int, int, int]:
    """x, y, width, height (px, y up) of the wide picture that lens and shutter (``move``) look at.

    wide: width and height of the wide picture, ``MARGIN`` times the camera's angle.
    """
    along = np.linspace(-1.0, 1.0, 17)
    edge = np.ones(17)
    border = np.concatenate(
        [np.stack(p, 1) for p in ((along, edge), (along, -edge), (edge, along), (-edge, along))]
    )
    size = np.array([cam.width_px, cam.height_px])
    seen = border * size / 2 / cam.focal_px
    plain = seen
    for _ in range(6):
        plain = seen / (1.0 + cam.k1 * (plain**2).sum(1, keepdims=True))
    ray = np.concatenate([plain, np.ones((len(plain), 1))], 1)
    turned = ray @ move.T
    ends = np.concatenate([ray + (turned - ray) * t for t in (-0.5, 0.0, 0.5)])
    place = ends[:, :2] / ends[:, 2:] * cam.focal_px / (0.5 * size * MARGIN)
    px = (0.5 + 0.5 * place * [1.0, -1.0]) * wide
    low = np.clip(np.floor(px.min(0)) - 2, 0, wide).astype(int)
    high = np.clip(np.ceil(px.max(0)) + 2, 0, wide).astype(int)
    return int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])


def near_view(cam: ViewCamera, figures: Figures) -> np.ndarray:
    """(N,) bool: people whose body or shadow may touch the wide picture."""
    middle = figures.place[:, :3].astype(float) + np.array([0.0, 0.0, 0.9])
    local = (middle - np.asarray(cam.centre)) @ cam.rotation().T
    z = local[:, 2]
    reach = 4.5
    half = np.array([cam.width_px, cam.height_px]) * MARGIN / 2 / cam.focal_px
    near = (np.abs(local[:, :2]) < half * np.maximum(z, 0.0)[:, None] + reach).all(1)
    return near & (z > 0.5)


def body_boxes(library: PeopleLibrary, cam: ViewCamera, figures: Figures) -> np.ndarray:
    """(N,4) amodal pixel boxes from the projection of every vertex; NaN where behind the camera."""
    n = len(figures)
    if n == 0:
        return np.zeros((0, 4))
    flat = library.vertices_q.reshape(-1, *library.vertices_q.shape[2:])
    a, b = flat[figures.pose[:, 0].astype(int)], flat[figures.pose[:, 1].astype(int)]
    w = figures.pose[:, 2, None, None].astype(np.float32)
    v = a * (1 - w) + b * w
    c, s = np.cos(figures.place[:, 3]), np.sin(figures.place[:, 3])
    none, one = np.zeros(n), np.ones(n)
    turn = np.stack([c, s, none, -s, c, none, none, none, one], 1).reshape(n, 3, 3)  # of row vectors
    turn *= (library.scale_yd * figures.pose[:, 3])[:, None, None]
    world = v @ turn.astype(np.float32)
    world += figures.place[:, None, :3].astype(np.float32)
    px, ok = cam.project(world.reshape(-1, 3))
    x, y = np.ascontiguousarray(px.T).reshape(2, n, -1)
    out = np.stack([x.min(1), y.min(1), x.max(1), y.max(1)], 1)
    out[~ok.reshape(n, -1).all(1)] = np.nan
    return out
