"""What camera electronics, editors and codecs do to a picture; and writing clips as video files."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

from models.synthetic.glyphs import text_mask
from models.synthetic.looks import Look, PictureLook


@lru_cache(maxsize=4)
def _grain(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Luma (1200,2100) and chroma (1200,2100,3) int16 noise of unit deviation times 32: part white, part
    smeared."""
    rng = np.random.default_rng(seed)
    n = rng.standard_normal((1200, 2100)).astype(np.float32)
    luma = 0.6 * n + 1.1 * cv2.GaussianBlur(n, (0, 0), 0.8)
    chroma = cv2.GaussianBlur(rng.standard_normal((1200, 2100, 3)).astype(np.float32), (0, 0), 1.4) * 4.0
    return (luma * 28).astype(np.int16), (chroma * 28).astype(np.int16)


def _cut(field: np.ndarray, h: int, w: int, rng: np.random.Generator) -> np.ndarray:
    r, c = int(rng.integers(0, max(1, field.shape[0] - h))), int(rng.integers(0, max(1, field.shape[1] - w)))
    out = field[r : r + h, c : c + w]
    return out if out.shape[:2] == (h, w) else cv2.resize(out, (w, h), interpolation=cv2.INTER_NEAREST)


def add_noise(img: np.ndarray, pic: PictureLook, rng: np.random.Generator) -> np.ndarray:
    """Sensor noise: luma plus blotchy chroma."""
    if pic.noise <= 0.3 and pic.chroma_noise <= 0.3:
        return img
    luma, chroma = _grain(int(rng.integers(2)))
    h, w = img.shape[:2]
    out = cv2.addWeighted(
        img.astype(np.int16), 1.0, cv2.merge([_cut(luma, h, w, rng)] * 3), pic.noise / 32, 0
    )
    if pic.chroma_noise > 0.3:
        out = cv2.addWeighted(out, 1.0, _cut(chroma, h, w, rng), pic.chroma_noise / 32, 0)
    return np.clip(out, 0, 255).astype(np.uint8)


def degrade(img: np.ndarray, look: Look, rng: np.random.Generator, still: bool = True) -> np.ndarray:
    """Optics blur, store size, noise, denoising, sharpening, over-exposure; for stills also a first
    codec pass and
    combing (a clip has a real codec). Ways of working are fixed by the look; only the noise changes by
    frame."""
    pic = look.picture
    way = np.random.default_rng(pic.overlay_seed)
    shrink = cv2.INTER_AREA if way.random() < 0.7 else cv2.INTER_LINEAR
    grow = cv2.INTER_LINEAR if way.random() < 0.6 else cv2.INTER_CUBIC
    bilateral, radius = way.random() < 0.5, float(way.choice([0.9, 1.2, 1.8]))
    h, w = img.shape[:2]
    if pic.over_exposure > 0:
        img = cv2.convertScaleAbs(img, alpha=1.0 + pic.over_exposure, beta=10 * pic.over_exposure)
    small = min(pic.internal_height_px, h)
    if small < h:
        img = cv2.resize(img, (int(round(w * small / h)) // 2 * 2, small // 2 * 2), interpolation=shrink)
    if pic.blur_px > 0.25:
        img = cv2.GaussianBlur(img, (0, 0), pic.blur_px * min(1.0, img.shape[0] / 720))
    if look.light.rain > 0:
        img = _rain(img, look.light.rain, rng)
    img = add_noise(img, pic, rng)
    if pic.denoise > 0:
        soft = cv2.bilateralFilter(img, 5, 18 + 25 * pic.denoise, 3) if bilateral else cv2.medianBlur(img, 3)
        img = cv2.addWeighted(img, 1 - pic.denoise, soft, pic.denoise, 0)
    if pic.sharpen > 0:
        img = cv2.addWeighted(img, 1 + pic.sharpen, cv2.GaussianBlur(img, (0, 0), radius), -pic.sharpen, 0)
    if still and pic.interlace > 0:  # the second half-picture later by a pan of a few pixels
        shifted = np.roll(img, int(rng.integers(1, 6)), 1)
        img = img.copy()
        img[1::2] = shifted[1::2]
    if still and pic.pre_jpeg_quality < 90:
        img = recode(img, pic.pre_jpeg_quality, pic.chroma_half)
    if img.shape[0] != h:
        img = cv2.resize(img, (w, h), interpolation=grow)
    return img


def exposure_pump(img: np.ndarray, look: Look, t_s: float) -> np.ndarray:
    """Automatic exposure that hunts: slow brightening and darkening (some school cameras)."""
    if look.style != "school" or look.seed % 4:
        return img
    return cv2.convertScaleAbs(img, alpha=1.0 + 0.09 * float(np.sin(0.9 * t_s + look.seed % 7)))


def recode(img: np.ndarray, quality: int, chroma_half: bool) -> np.ndarray:
    """Once through JPEG: 8 x 8 blocks and halved chroma as in low bit-rate film."""
    factor = 0x221111 if chroma_half else 0x111111
    _, data = cv2.imencode(
        ".jpg", img, [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, factor]
    )
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))


def _rain(img: np.ndarray, strength: float, rng: np.random.Generator) -> np.ndarray:
    h, w = img.shape[:2]
    layer: np.ndarray = np.zeros((h, w), np.uint8)
    slant = float(rng.normal(0, 0.2))
    for _ in range(int(350 * strength)):
        x, y, n = float(rng.uniform(0, w)), float(rng.uniform(0, h)), float(rng.uniform(0.01, 0.05)) * h
        cv2.line(
            layer,
            (int(x), int(y)),
            (int(x + slant * n), int(y + n)),
            int(rng.integers(60, 200)),
            1,
            cv2.LINE_AA,
        )
    layer = cv2.GaussianBlur(layer, (0, 0), 0.8)
    haze = cv2.addWeighted(img, 1 - 0.25 * strength, np.full_like(img, 150), 0.25 * strength, 0)
    return cv2.add(haze, cv2.merge([cv2.convertScaleAbs(layer, alpha=0.25)] * 3))


def overlay_boxes(look: Look, width: int, height: int) -> list[tuple[int, int, int, int]]:
    """Rectangles (x0 y0 x1 y1) that burnt-in marks cover."""
    kind, rng = look.picture.overlay, np.random.default_rng(look.picture.overlay_seed)
    out = []
    if kind in ("scorebug", "both"):
        w, h = int(width * rng.uniform(0.25, 0.9)), int(height * rng.uniform(0.04, 0.09))
        x = int(rng.choice([0.03, 0.5, 0.97]) * (width - w))
        y = int(height * rng.uniform(0.85, 0.9)) if rng.random() < 0.7 else int(height * 0.04)
        out.append((x, y, x + w, y + h))
    if kind in ("timecode", "both"):
        w, h = int(width * rng.uniform(0.13, 0.25)), int(height * rng.uniform(0.03, 0.055))
        x, y = int(rng.choice([0.02, 0.5, 0.98]) * (width - w)), int(rng.choice([0.02, 0.96]) * (height - h))
        out.append((x, y, x + w, y + h))
    if kind == "mark":
        s = int(height * rng.uniform(0.06, 0.12))
        x, y = int(rng.choice([0.02, 0.98]) * (width - s)), int(rng.choice([0.03, 0.97]) * (height - s))
        out.append((x, y, x + s, y + s))
    return out


def draw_overlay(img: np.ndarray, look: Look, seconds: float) -> np.ndarray:
    """Burn in the score line, time code or corner mark (all invented)."""
    kind = look.picture.overlay
    if kind == "none":
        return img
    h, w = img.shape[:2]
    rng = np.random.default_rng(look.picture.overlay_seed + 1)
    for k, (x0, y0, x1, y1) in enumerate(overlay_boxes(look, w, h)):
        if kind == "mark":
            c = (int(x0 + x1) // 2, int(y0 + y1) // 2)
            layer = img.copy()
            cv2.circle(layer, c, (x1 - x0) // 2, [int(v) for v in rng.integers(0, 255, 3)], -1, cv2.LINE_AA)
            cv2.circle(layer, c, (x1 - x0) // 3, (240, 240, 240), max(2, (x1 - x0) // 12), cv2.LINE_AA)
            img = cv2.addWeighted(layer, 0.75, img, 0.25, 0)
            continue
        if kind in ("scorebug", "both") and k == 0:
            a, b = ("".join(rng.choice(list("ABCDEHKLMNORSTV"), 3)) for _ in range(2))
            ranges = ((0, 40), (0, 40), (1, 5), (0, 15))
            ours, theirs, quarter, minute = (int(rng.integers(lo, hi)) for lo, hi in ranges)
            text = f"{a} {ours}  {b} {theirs}  Q{quarter} {minute}:{int(59 - seconds % 60):02d}"
            img[y0:y1, x0:x1] = (img[y0:y1, x0:x1] * 0.15 + np.array(rng.integers(0, 90, 3)) * 0.85).astype(
                np.uint8
            )
        else:
            clock = (seconds // 3600, seconds // 60 % 60, seconds % 60, seconds * 30 % 30)
            text = ":".join(f"{int(part):02d}" for part in clock)
            if rng.random() < 0.6:
                img[y0:y1, x0:x1] //= 4
        th = max(6, int((y1 - y0) * 0.6))
        m = text_mask(text, "sans", th)
        m = m[:, : max(1, min(m.shape[1], x1 - x0 - 4))]
        ty, tx = y0 + (y1 - y0 - m.shape[0]) // 2, x0 + 4
        roi = img[ty : ty + m.shape[0], tx : tx + m.shape[1]]
        m = m[: roi.shape[0], : roi.shape[1], None] / 255.0
        roi[...] = (roi * (1 - m) + 235 * m).astype(np.uint8)
    return img
