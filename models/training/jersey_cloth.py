"""Cloth of jerseys for the number reader: digits of many fonts on panels of any colour, with their masks.

Fonts are read for training only and do not ship: any folder of freely licensed .ttf, .otf or .woff files
(the card names those used). The digits of the film renderer (`models.synthetic.glyphs`) are no fonts here,
so that figures on rendered film tell how well the reader goes over to digits it never saw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

PX_PER_YD = 200
GLYPH_H = 96
FONT_FILES = (".ttf", ".otf", ".woff")


@dataclass(frozen=True)
class Panel:
    """One side of a jersey as seen from outside. bgr (H,W,3) float32 0..255; tens, ones (H,W) float32 0..1:
    how much of each texel is the digit (tens all 0 for one-digit numbers). Row 0 is the collar."""

    bgr: np.ndarray
    tens: np.ndarray
    ones: np.ndarray


def load_fonts(folders: Sequence[Path]) -> dict[str, list[np.ndarray]]:
    """Font name -> ten masks (GLYPH_H, w) uint8 of its digits; fonts without plain digits are left out."""
    from PIL import ImageFont

    out = {}
    for file in sorted(f for folder in folders for f in folder.rglob("*") if f.suffix.lower() in FONT_FILES):
        try:
            font = ImageFont.truetype(str(file), 160)
            masks = [_digit(font, d) for d in "0123456789"]
        except (OSError, ValueError):
            continue
        out[file.stem] = masks
    return out


def _digit(font: object, text: str) -> np.ndarray:
    from PIL import Image, ImageDraw

    picture = Image.new("L", (400, 400))
    ImageDraw.Draw(picture).text((100, 100), text, fill=255, font=font)  # type: ignore[arg-type]
    ink = np.asarray(picture)
    ys, xs = np.nonzero(ink > 60)
    if len(ys) < 200:
        raise ValueError("no such digit")
    ink = ink[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1]
    width = max(8, round(ink.shape[1] * GLYPH_H / ink.shape[0]))
    return np.asarray(cv2.resize(ink, (width, GLYPH_H), interpolation=cv2.INTER_AREA))


def digits_mask(
    rng: np.random.Generator, font: list[np.ndarray], number: int, height_yd: float, aspect: float, gap: float
) -> tuple[np.ndarray, np.ndarray]:
    """(tens, ones) float32 masks of one picture, cropped to the number. aspect: widest digit to height."""
    h = max(8, round(height_yd * PX_PER_YD))
    widest = max(m.shape[1] for m in font)
    parts = [font[int(c)] for c in str(number)]
    widths = [max(3, round(h * aspect * m.shape[1] / widest)) for m in parts]
    space = max(0, round(gap * h))
    total = sum(widths) + space * (len(parts) - 1)
    masks = []
    at = 0
    for m, w in zip(parts, widths, strict=True):
        layer: np.ndarray = np.zeros((h, total), np.float32)
        layer[:, at : at + w] = cv2.resize(m, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
        masks.append(layer)
        at += w + space
    lean = float(rng.normal(0, 0.06)) if rng.random() < 0.3 else 0.0
    if lean:
        move = np.array([[1, -lean, max(0, lean) * h], [0, 1, 0]])
        size = (total + int(abs(lean) * h) + 1, h)
        masks = [cv2.warpAffine(m, move, size).astype(np.float32) for m in masks]
    return (masks[0] * 0 if len(masks) == 1 else masks[0]), masks[-1]


def paint_number(
    bgr: np.ndarray,
    tens: np.ndarray,
    ones: np.ndarray,
    colours: Sequence[np.ndarray],
    centre: tuple[float, float],
    outlines: Sequence[int],
    shadow: tuple[int, int] | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Paint digits on a panel in place; returns their masks at the panel's size. colours: fill, then one an
    outline from the inside out; shadow: shift in texels of a copy in the outermost colour, or None."""
    h, w = bgr.shape[:2]
    place = np.array([[1, 0, centre[0] * w - tens.shape[1] / 2], [0, 1, centre[1] * h - tens.shape[0] / 2]])
    full = [cv2.warpAffine(m, place, (w, h)).astype(np.float32) for m in (tens, ones)]
    ink = np.maximum(*full)
    reach = sum(outlines)
    if shadow is not None:
        moved = cv2.warpAffine(ink, np.array([[1, 0, shadow[0]], [0, 1, shadow[1]]], float), (w, h))
        _lay(bgr, moved, colours[-1])
    for width, colour in zip(reversed(outlines), reversed(colours[1:]), strict=False):
        _lay(bgr, cv2.dilate(ink, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1,) * 2)), colour)
        reach -= width
    _lay(bgr, ink, colours[0])
    return full[0], full[1]


def _lay(bgr: np.ndarray, mask: np.ndarray, colour: np.ndarray) -> None:
    m = np.asarray(mask, np.float32)[..., None]
    bgr *= 1 - m
    bgr += m * np.asarray(colour, np.float32)


def any_colour(rng: np.random.Generator) -> np.ndarray:
    """(3,) BGR 0..255: white, black, grey or any strong colour."""
    r = rng.random()
    if r < 0.3:
        return np.full(3, rng.uniform(205, 255)) - rng.uniform(0, 12, 3)
    if r < 0.42:
        return rng.uniform(5, 45, 3)
    if r < 0.5:
        return np.full(3, rng.uniform(70, 190)) + rng.normal(0, 8, 3)
    hsv = np.array([[[rng.uniform(0, 180), rng.uniform(110, 255), rng.uniform(60, 245)]]]).astype(np.uint8)
    return np.asarray(cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR)[0, 0], float)


def apart_from(rng: np.random.Generator, other: np.ndarray, least: float = 75.0) -> np.ndarray:
    """A colour that stands off `other` by at least `least` (weighted grey levels), as far as ten tries go."""
    best, far = any_colour(rng), -1.0
    for _ in range(10):
        c = any_colour(rng)
        d = c - other
        off = float(np.sqrt((2 * (d @ [0.11, 0.59, 0.30]) ** 2 + 0.25 * (d @ d)) / 2))
        if off > far:
            best, far = c, off
        if off >= least:
            break
    return best


@dataclass(frozen=True)
class Style:
    """How one team's jerseys look: colours (BGR), font and layout; the men of a team share it."""

    base: np.ndarray
    second: np.ndarray
    fill: np.ndarray
    rims: tuple[np.ndarray, ...]
    outlines: tuple[int, ...]
    shadow: tuple[int, int] | None
    font: str
    aspect: float
    gap: float
    heights_yd: tuple[float, float]
    middles: tuple[float, float]
    named: float
    yoke: float
    sides: float


def random_style(rng: np.random.Generator, fonts: Sequence[str]) -> Style:
    """Any team's jersey. Heights: 8-10 in on the chest, 10-12 in on the back are usual, school sizes less."""
    base = any_colour(rng)
    fill = apart_from(rng, base, 100.0 if rng.random() < 0.9 else 40.0)
    count = int(rng.choice([0, 1, 2], p=[0.35, 0.45, 0.2]))
    rims = tuple(apart_from(rng, fill, 40.0) for _ in range(count))
    outlines = tuple(int(rng.integers(1, 5)) for _ in range(count))
    shadow = (int(rng.integers(-4, 5)), int(rng.integers(1, 5))) if rng.random() < 0.08 else None
    back = float(rng.uniform(0.22, 0.34))
    return Style(
        base, any_colour(rng), fill, rims, outlines, shadow, str(rng.choice(list(fonts))),
        float(rng.uniform(0.5, 0.82)), float(rng.uniform(0.0, 0.14)),
        (float(np.clip(back * rng.uniform(0.72, 1.0), 0.18, 0.3)), back),
        (float(rng.uniform(0.33, 0.47)), float(rng.uniform(0.37, 0.52))),
        float(rng.random() < 0.45), float(rng.random() < 0.25), float(rng.random() < 0.25),
    )  # fmt: skip


def make_panel(
    rng: np.random.Generator, style: Style, fonts: dict[str, list[np.ndarray]], number: int, back: bool,
    panel_yd: tuple[float, float],
) -> Panel:  # fmt: skip
    """The chest or the back of one man's jersey; number -1 leaves it bare."""
    w, h = round(panel_yd[0] * PX_PER_YD), round(panel_yd[1] * PX_PER_YD)
    bgr = np.empty((h, w, 3), np.float32)
    bgr[:] = style.base
    if style.yoke:
        bgr[: round(0.2 * h)] = style.second
    if style.sides:
        edge = round(0.09 * w)
        bgr[:, :edge] = bgr[:, -edge:] = style.second
    if (back and style.named) or (not back and rng.random() < 0.2):
        word = "".join(rng.choice(list("ABCDEFGHIKLMNORSTUW"), int(rng.integers(4, 10))))
        scale = 0.062 * PX_PER_YD / 22 * (1.0 if back else 0.6)
        (tw, _), _ = cv2.getTextSize(word, cv2.FONT_HERSHEY_DUPLEX, scale, 1)
        at = (int(w / 2 - tw / 2), round((0.22 if back else 0.24) * h))
        ink: np.ndarray = np.zeros((h, w), np.uint8)
        cv2.putText(ink, word, at, cv2.FONT_HERSHEY_DUPLEX, scale, 255, 2, cv2.LINE_AA)
        _lay(bgr, ink / 255, style.fill)
    tens = ones = np.zeros((h, w), np.float32)
    if number >= 0:
        digits = digits_mask(
            rng, fonts[style.font], number, style.heights_yd[back], style.aspect, style.gap + 0.03
        )
        where = (0.5 + float(rng.normal(0, 0.015)), style.middles[back])
        colours = [style.fill, *style.rims]
        tens, ones = paint_number(bgr, *digits, colours, where, style.outlines, style.shadow)
    return Panel(bgr, tens, ones)
