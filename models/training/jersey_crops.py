"""Dressed, lit, hidden, blurred: training crops for the number reader out of bare views and cloth.

A crop shows one man (perhaps with others behind and before him) as film would: number, colours, folds,
light, codec, size and box errors are drawn anew each time. What is known of it is exact: the number, and
how much of each digit is seen (against its size on the flat cloth).

    python -m models.training.jersey_crops CROPS.npz --views VIEWS.npz --fonts FOLDER ... --crops 20000
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from models.jerseys.crops import CROP_PX
from models.training.jersey_cloth import PX_PER_YD, Style, any_colour, load_fonts, make_panel, random_style
from models.training.jersey_views import MARGIN, NOTHING, VIEW_PX

NO_NUMBER = 0.06
"""Share of men without any number (officials, coaches, bare practice shirts)."""
_PANEL_YD = (0.503, 0.634)


@dataclass(frozen=True)
class Views:
    """Bare views (`jersey_views`): views (N,P,P,6) uint8, px_per_yd (N,), part numbers by name."""

    views: np.ndarray
    px_per_yd: np.ndarray
    parts: dict[str, int]

    @classmethod
    def load(cls, path: Path) -> Views:
        """Read the file that `jersey_views` wrote."""
        with np.load(path, allow_pickle=False) as z:
            return cls(z["views"], z["px_per_yd"], {str(n): i for i, n in enumerate(z["parts"])})


@dataclass
class Layer:
    """One dressed man: bgr (P,P,3) float32, there (P,P) bool, tens and ones (P,P) digit cover 0..1, full
    (2,): px of the tens and ones digit if the cloth lay flat towards the camera."""

    bgr: np.ndarray
    there: np.ndarray
    tens: np.ndarray
    ones: np.ndarray
    full: tuple[float, float]


def smooth_noise(rng: np.random.Generator, cells: int, size: int = VIEW_PX) -> np.ndarray:
    """(size,size) float32 noise of about unit spread, `cells` bumps across."""
    rough = rng.standard_normal((cells + 2, cells + 2)).astype(np.float32)
    return np.asarray(cv2.resize(rough, (size, size), interpolation=cv2.INTER_CUBIC)) * 1.3


def dress_view(
    rng: np.random.Generator, v: Views, k: int, style: Style, fonts: dict[str, list[np.ndarray]], number: int,
    light: tuple[np.ndarray, float],
) -> Layer:  # fmt: skip
    """View k in a team's jersey under a light (direction (3,), share of direct light)."""
    g, p = v.views[k], v.parts
    part = g[..., 0]
    lut = np.zeros((256, 3), np.float32)
    skin = np.array([60, 90, 140]) * rng.uniform(0.35, 1.6)
    for name, c in (
        ("helmet", style.second), ("sleeve", style.base if rng.random() < 0.7 else style.second),
        ("pants", any_colour(rng)), ("belt", any_colour(rng)), ("skin", skin),
        ("forearm", skin if rng.random() < 0.7 else any_colour(rng)), ("glove", any_colour(rng)),
        ("facemask", any_colour(rng)), ("sock", any_colour(rng)), ("shoe", any_colour(rng)),
        ("visor", np.full(3, 12.0)),
    ):  # fmt: skip
        if name in p:
            lut[p[name]] = c
    bgr = lut[part]
    tens, ones = np.zeros((2, VIEW_PX, VIEW_PX), np.float32)
    full = (0.0, 0.0)
    fold = smooth_noise(rng, int(rng.integers(4, 12)))
    creased = rng.uniform(0, 0.022)
    u = g[..., 1].astype(np.float32) / 255 + creased * smooth_noise(rng, int(rng.integers(4, 10)))
    w = g[..., 2].astype(np.float32) / 255 + creased * fold
    for name, back in (("jersey_front", False), ("jersey_back", True)):
        here = part == p[name]
        if not here.any():
            continue
        panel = make_panel(rng, style, fonts, number, back, _PANEL_YD)
        h, wide = panel.ones.shape
        mx, my = u * wide - 0.5, (1 - w) * h - 0.5
        read = lambda image: cv2.remap(image, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # noqa: B023, E731
        bgr[here] = read(panel.bgr)[here]
        t, o = read(panel.tens) * here, read(panel.ones) * here
        if t.sum() + o.sum() > tens.sum() + ones.sum():  # the side that shows more of its number
            tens, ones = t, o
            size = (v.px_per_yd[k] / PX_PER_YD) ** 2
            full = (float(panel.tens.sum()) * size, float(panel.ones.sum()) * size)
    normal = (g[..., 3:].astype(np.float32) - 128) / 127
    direct = np.clip(normal @ light[0].astype(np.float32), 0, 1)
    shade = (1 - light[1]) + light[1] * direct * 1.3
    shade *= 1 + rng.uniform(0, 0.16) * fold * ((part == p["jersey_front"]) | (part == p["jersey_back"]))
    return Layer(np.clip(bgr * shade[..., None], 0, 255), part != NOTHING, tens, ones, full)


def background(rng: np.random.Generator, photographs: list[np.ndarray]) -> np.ndarray:
    """(P,P,3) float32: turf with lines and shadows, or a piece of a photograph."""
    if photographs and rng.random() < 0.25:
        photo = photographs[int(rng.integers(len(photographs)))]
        side = int(rng.integers(48, min(photo.shape[:2])))
        y, x = int(rng.integers(photo.shape[0] - side + 1)), int(rng.integers(photo.shape[1] - side + 1))
        return np.asarray(cv2.resize(photo[y : y + side, x : x + side], (VIEW_PX, VIEW_PX)), np.float32)
    hsv = np.array([[[rng.normal(55, 12) % 180, rng.uniform(20, 190), rng.uniform(40, 190)]]])
    turf = cv2.cvtColor(np.clip(hsv, 0, 255).astype(np.uint8), cv2.COLOR_HSV2BGR)[0, 0].astype(np.float32)
    out = turf * (1 + rng.uniform(0.02, 0.12) * smooth_noise(rng, int(rng.integers(3, 60))))[..., None]
    for _ in range(int(rng.integers(0, 4))):
        at, slope = float(rng.uniform(0, VIEW_PX)), float(rng.normal(0, 0.25))
        thick = int(rng.integers(1, 9))
        ends = (0, int(at)), (VIEW_PX, int(at + slope * VIEW_PX))
        if rng.random() < 0.4:
            ends = (int(at), 0), (int(at + slope * VIEW_PX), VIEW_PX)
        cv2.line(out, *ends, [float(rng.uniform(150, 250))] * 3, thick, cv2.LINE_AA)
    return np.clip(out, 0, 255)


def _shifted(layer: Layer, scale: float, dx: float, dy: float) -> Layer:
    half = VIEW_PX / 2
    move = np.array([[scale, 0, half * (1 - scale) + dx], [0, scale, half * (1 - scale) + dy]])
    go = lambda a: cv2.warpAffine(a, move, (VIEW_PX, VIEW_PX))  # noqa: E731
    return Layer(
        go(layer.bgr), go(layer.there.astype(np.float32)) > 0.5, layer.tens * 0, layer.ones * 0, (0.0, 0.0)
    )


@dataclass(frozen=True)
class Crop:
    """image (CROP_PX,CROP_PX,3) uint8; number 0..99 or -1; seen: the smaller visible share of its digits
    (0 without a number); side_px: size of the crop on the film it was drawn for; where (2,2): x and y (share
    of the crop) of the middle of what is seen of the tens and the ones digit, NaN where nothing is."""

    image: np.ndarray
    number: int
    seen: float
    side_px: float
    where: np.ndarray


def make_crop(
    rng: np.random.Generator, v: Views, fonts: dict[str, list[np.ndarray]], styles: tuple[Style, Style],
    photographs: list[np.ndarray],
) -> Crop:  # fmt: skip
    """One crop of a man of the first style; men of both styles stand behind and before him."""
    number = int(rng.integers(10)) if rng.random() < 0.1 else int(rng.integers(10, 100))
    if rng.random() < NO_NUMBER:
        number = -1
    direction = rng.normal(0, 1, 3) + [0, -1.2, -0.8]
    light = (direction / np.linalg.norm(direction), float(rng.uniform(0.15, 0.65)))
    pick = lambda: int(rng.integers(len(v.views)))  # noqa: E731
    picture = background(rng, photographs)
    man = dress_view(rng, v, pick(), styles[0], fonts, number, light)
    others = []
    for _ in range(int(rng.choice([0, 1, 2], p=[0.55, 0.32, 0.13]))):
        other = dress_view(rng, v, pick(), styles[int(rng.integers(2))], fonts, int(rng.integers(100)), light)
        far = rng.random() < 0.4
        dx, dy = rng.normal(0, 45), -rng.uniform(0, 60) if far else rng.uniform(5, 75)
        others.append((far, _shifted(other, float(rng.uniform(0.85, 1.2)), dx, dy)))
    seen = np.ones((VIEW_PX, VIEW_PX), bool)
    for _, other in [o for o in others if o[0]]:
        picture[other.there] = other.bgr[other.there]
    picture[man.there] = man.bgr[man.there]
    for far, other in others:
        if not far:
            picture[other.there] = other.bgr[other.there]
            seen &= ~other.there
    if rng.random() < 0.03:  # a goal post or a pole before him
        x, half = int(rng.uniform(10, VIEW_PX - 10)), int(rng.integers(2, 9))
        picture[:, max(0, x - half) : x + half] = any_colour(rng)
        seen[:, max(0, x - half) : x + half] = False
    image, side_px, (left, top, side) = film_look(rng, picture)
    across = (np.arange(VIEW_PX) - left) / side
    down = (np.arange(VIEW_PX) - top) / side
    seen &= (across >= 0) & (across < 1) & ((down >= 0) & (down < 1))[:, None]
    shares, where = [], np.full((2, 2), np.nan)
    for k, (mask, full) in enumerate(zip((man.tens, man.ones), man.full, strict=True)):
        if full > 0:
            ink = mask * seen
            shares.append(float(ink.sum()) / full)
            if shares[-1] > 0.1:
                where[k] = (ink.sum(0) @ across / ink.sum(), ink.sum(1) @ down / ink.sum())
    return Crop(image, number, min(shares) if number >= 0 and shares else 0.0, side_px, where)


def film_look(
    rng: np.random.Generator, picture: np.ndarray
) -> tuple[np.ndarray, float, tuple[float, float, float]]:
    """The square as it is cut from film: box error, size on the film, what camera and codec did to it.

    Returns the crop, its size on the film (px) and the square in the picture (left, top, side).
    """
    side = VIEW_PX / MARGIN * float(np.exp(rng.normal(0, 0.05)))
    cx, cy = VIEW_PX / 2 + rng.normal(0, 0.035, 2) * side
    size = float(np.exp(rng.uniform(np.log(21), np.log(100))))
    n = round(size) + 16  # a border, so that blocks and blur go on beyond the crop
    scale = size / side
    move = np.array([[scale, 0, (n - 1) / 2 - cx * scale], [0, scale, (n - 1) / 2 - cy * scale]])
    if scale < 1:
        picture = np.asarray(cv2.GaussianBlur(picture, (0, 0), 0.42 / scale))
    small = film_faults(rng, cv2.warpAffine(picture, move, (n, n), borderMode=cv2.BORDER_REFLECT), size)
    k, low = CROP_PX / size, (n - size) / 2
    if k < 0.8:
        part = small[round(low) : n - round(low), round(low) : n - round(low)]
        crop = cv2.resize(part, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA)
    else:
        cut = np.array([[k, 0, -low * k - 0.5 + k / 2], [0, k, -low * k - 0.5 + k / 2]])
        crop = cv2.warpAffine(small, cut, (CROP_PX, CROP_PX), borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(crop), size, (cx - side / 2, cy - side / 2, side)


def film_faults(rng: np.random.Generator, picture: np.ndarray, size_px: float) -> np.ndarray:
    """Low storage size, lens and motion blur, exposure, noise, sharpening, JPEG once or twice; uint8."""
    n = len(picture)
    small: np.ndarray = np.asarray(picture, np.float32)
    if rng.random() < 0.3:  # stored smaller, then blown up
        inner = float(rng.uniform(0.5, 1.0))
        less = cv2.resize(small, None, fx=inner, fy=inner, interpolation=cv2.INTER_AREA)
        small = np.asarray(cv2.resize(less, (n, n)))
    if rng.random() < 0.6:
        sigma = float(rng.uniform(0.25, 0.9)) * (0.5 + size_px / 170)
        small = np.asarray(cv2.GaussianBlur(small, (0, 0), sigma))
    if rng.random() < 0.15:  # he or the camera moves
        length = int(rng.integers(2, 2 + max(2, round(size_px / 14))))
        line: np.ndarray = np.zeros((length, length), np.float32)
        line[length // 2] = 1 / length
        turn = cv2.getRotationMatrix2D(((length - 1) / 2,) * 2, float(rng.uniform(0, 180)), 1)
        kernel = np.asarray(cv2.warpAffine(line, turn, (length, length)), np.float32)
        small = np.asarray(cv2.filter2D(small, -1, np.float32(1 / max(float(kernel.sum()), 1e-3)) * kernel))
    gain = np.exp(rng.normal(0, 0.12, 3)) * np.exp(rng.normal(0, 0.2))
    small = np.clip(small * gain + rng.normal(0, 10), 0, 255)
    small = small + rng.normal(0, rng.uniform(0, 8), small.shape)
    if rng.random() < 0.4:
        soft = cv2.GaussianBlur(small.astype(np.float32), (0, 0), float(rng.uniform(0.8, 1.8)))
        small = small + rng.uniform(0.2, 1.2) * (small - soft)
    out = np.clip(small, 0, 255).astype(np.uint8)
    for _ in range(int(rng.integers(1, 3))):
        _, data = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(22, 92))])
        out = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))
    return out


def make_crops(
    count: int, views: Views, fonts: dict[str, list[np.ndarray]], seed: int, photographs: list[np.ndarray],
    per_style: int = 6,
) -> dict[str, np.ndarray]:  # fmt: skip
    """images (N,S,S,3) uint8, number, seen, side_px, where (see `Crop`): arrays of `count` crops, a pair of
    teams anew every `per_style`."""
    rng = np.random.default_rng(seed)
    names, crops = list(fonts), []
    for k in range(count):
        if k % per_style == 0:
            styles = random_style(rng, names), random_style(rng, names)
        crops.append(make_crop(rng, views, fonts, styles, photographs))
    return {
        "images": np.stack([c.image for c in crops]),
        "number": np.array([c.number for c in crops], np.int16),
        "seen": np.array([c.seen for c in crops], np.float32),
        "side_px": np.array([c.side_px for c in crops], np.float32),
        "where": np.stack([c.where for c in crops]).astype(np.float32),
    }


def load_photographs(folder: Path | None) -> list[np.ndarray]:
    """Pictures without people (see `models.training.negatives`), at most 512 px high."""
    files = (
        sorted(p for p in folder.rglob("*") if p.suffix.lower() in (".jpg", ".jpeg", ".png"))
        if folder
        else []
    )
    out = []
    for file in files:
        bgr = cv2.imread(str(file))
        if bgr is not None and min(bgr.shape[:2]) > 100:
            scale = min(1.0, 512 / bgr.shape[0])
            out.append(cv2.resize(bgr, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("out", type=Path)
    parser.add_argument("--views", type=Path, required=True)
    parser.add_argument("--fonts", type=Path, nargs="+", required=True, help="folders of .ttf, .otf, .woff")
    parser.add_argument("--keep", help="regular expression: only fonts whose names match")
    parser.add_argument("--leave", help="regular expression: no fonts whose names match")
    parser.add_argument("--photographs", type=Path)
    parser.add_argument("--crops", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    import re

    cv2.setNumThreads(1)
    fonts = {
        n: g
        for n, g in load_fonts(args.fonts).items()
        if (not args.keep or re.search(args.keep, n)) and not (args.leave and re.search(args.leave, n))
    }
    if not fonts:
        parser.error("no font is left")
    made = make_crops(
        args.crops, Views.load(args.views), fonts, args.seed, load_photographs(args.photographs)
    )
    args.out.parent.mkdir(parents=True, exist_ok=True)
    np.savez(args.out, fonts=np.array(sorted(fonts)), **made)  # type: ignore[arg-type]
    share = (made["seen"] > 0.42).mean()
    print(f"{len(made['number'])} crops in {len(fonts)} fonts; both digits seen on {share:.0%}")


if __name__ == "__main__":
    main()
