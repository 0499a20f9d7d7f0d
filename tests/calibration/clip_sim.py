"""A simulated clip: a camera path, marks on some frames, background links between all, all with noise."""

from __future__ import annotations

import numpy as np
from marks_sim import random_camera, simulate_marks

from calibration import Camera, FieldStandard
from calibration.chain import _moved, _pixels
from calibration.evidence import ClipEvidence
from calibration.flow import FlowLink


def camera_path(rng: np.random.Generator, first: Camera, frames: int) -> list[np.ndarray]:
    """Smooth pan, tilt and zoom of an operator (up to half a picture in 2-3 s, zoom by up to 1.6)."""
    p = first.parameters
    half = np.degrees(np.arctan(first.width_px / 2 / first.focal_px))
    t = np.linspace(0, 1, frames)
    ease = 0.5 - 0.5 * np.cos(np.pi * np.clip((t - 0.25) / 0.6, 0, 1))
    goal = np.array(
        [
            rng.uniform(-0.8, 0.8) * half,
            rng.uniform(-0.15, 0.15) * half,
            rng.uniform(-0.2, 0.45),
            rng.normal(0, 0.2),
        ]
    )
    shake = np.cumsum(rng.normal(0, 0.004, (frames, 3)), 0)
    out = []
    for i in range(frames):
        q = _moved(p, goal * ease[i], 0.0)
        q[:3] += shake[i] * [1, 1, 4]
        out.append(q)
    return out


def simulate_clip(
    rng: np.random.Generator,
    standard: FieldStandard,
    view: str = "sideline",
    frames: int = 90,
    every: int = 12,
    width: int = 1280,
    low: bool = False,
    place: Camera | None = None,
    first: Camera | None = None,
    flow_noise_px: float = 0.15,
    **marks: float,
) -> tuple[ClipEvidence, list[Camera]]:
    """Evidence as a collector would hold it, and the true camera of every frame. first: that of frame 0."""
    first = first or random_camera(rng, standard, view, width, low, place)
    cameras = [first.with_parameters(q) for q in camera_path(rng, first, frames)]
    evidence = ClipEvidence(first.width_px, first.height_px)
    for i, camera in enumerate(cameras):
        evidence.links.append(
            None if i == 0 else _link(rng, cameras[i - 1], camera, flow_noise_px * width / 1280)
        )
        if i % every == 0:
            evidence.marks[i] = simulate_marks(rng, camera, standard, **marks)  # type: ignore[arg-type]
    return evidence, cameras


def _link(rng: np.random.Generator, a: Camera, b: Camera, noise: float) -> FlowLink:
    px = rng.uniform([0, 0], [a.width_px, a.height_px], (80, 2))
    rays, _ = a.rays(px)
    after = _pixels(rays, b.parameters[None], np.zeros(len(px), int), b.principal)
    wrong = rng.random(len(px)) < 0.05
    after = after + rng.normal(0, noise, after.shape) + wrong[:, None] * rng.normal(0, 5, after.shape)
    inside = (after > 0).all(1) & (after[:, 0] < a.width_px) & (after[:, 1] < a.height_px)
    return FlowLink(px[inside], after[inside], 0.9)
