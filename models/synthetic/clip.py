"""One clip of film with its truth: draws a play through a camera path and writes a video file and tables."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd

from models.synthetic import film
from models.synthetic.cast import Bystander, Cast, bystander_rows, script_people
from models.synthetic.dataset import BALL_ID, POLE_ID, ball_label
from models.synthetic.figures import Exposure
from models.synthetic.lens import ViewCamera
from models.synthetic.looks import Look
from models.synthetic.paths import CameraPath
from models.synthetic.render import Renderer
from models.synthetic.scene import ball_rows, pole_rows
from models.synthetic.truth import frame_labels, person_rows

CODECS = {"h264": "libx264", "hevc": "libx265", "mpeg4": "mpeg4"}
ENDINGS = {"h264": ".mp4", "hevc": ".mp4", "mpeg4": ".avi"}


@dataclass(frozen=True)
class FilmFormat:
    """File format of a clip. rate: exact frames a second; quality: codec's constant-quality value (h264,
    hevc)
    or, when ``bit_rate`` is set, bits a second; drop and repeat: shares of frames lost or shown twice;
    variable: stamps jitter; scoreboard_s: seconds of a scoreboard shot before the play."""

    codec: str = "h264"
    rate: Fraction = Fraction(30000, 1001)
    quality: int = 23
    bit_rate: int = 0
    drop: float = 0.0
    repeat: float = 0.0
    variable: bool = False
    interlaced: bool = False
    scoreboard_s: float = 0.0


class ClipWriter:
    """Writes BGR frames with exact stamps through PyAV."""

    def __init__(self, path: Path, fmt: FilmFormat, width: int, height: int) -> None:
        import av

        self.fmt, self.container = fmt, av.open(str(path), "w")
        options = {} if fmt.bit_rate else {"crf": str(fmt.quality)}
        if fmt.codec == "h264":
            options["preset"] = "veryfast"
            if fmt.interlaced:
                options |= {"x264-params": "tff=1"}
        if fmt.codec == "hevc":
            options |= {"preset": "ultrafast", "x265-params": "log-level=error"}
        stream: Any = self.container.add_stream(CODECS[fmt.codec], rate=fmt.rate, options=options)
        self.stream = stream
        self.stream.width, self.stream.height, self.stream.pix_fmt = width, height, "yuv420p"
        self.stream.thread_count = 1
        if fmt.bit_rate:
            self.stream.bit_rate = fmt.bit_rate
        self.time_base = Fraction(1, 90000) if fmt.variable else 1 / fmt.rate
        self.stream.codec_context.time_base = self.time_base
        self.av = av

    def write(self, bgr: np.ndarray, pts: int) -> None:
        """Add one frame at ``pts`` ticks of ``time_base``."""
        frame = self.av.VideoFrame.from_ndarray(bgr, format="bgr24")
        frame.pts, frame.time_base = pts, self.time_base
        for packet in self.stream.encode(frame):
            self.container.mux(packet)

    def close(self) -> None:
        """Flush and finish the file."""
        for packet in self.stream.encode():
            self.container.mux(packet)
        self.container.close()


def timing(rng: np.random.Generator, fmt: FilmFormat, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Which drawn moment each written frame shows, and its stamp in ticks (see :class:`ClipWriter`)."""
    moments = list(range(count))
    if fmt.drop > 0:
        moments = [m for m in moments if m < 3 or rng.random() >= fmt.drop]
    shown, slot = [], []
    for m in moments:
        shown.append(m)
        slot.append(m)
        if fmt.repeat > 0 and rng.random() < fmt.repeat and len(slot) > 3:
            shown[-1] = shown[-2]
    ticks = 90000 / float(fmt.rate)
    if not fmt.variable:
        return np.array(shown), np.arange(len(shown)) if fmt.drop > 0 else np.array(slot)
    pts = np.array(slot) * ticks + rng.uniform(-0.25, 0.25, len(slot)) * ticks
    pts = np.maximum.accumulate(np.round(pts - pts[0]).astype(int) + np.arange(len(pts)))
    return np.array(shown), pts


def sample_people(cast: Cast, script: Any, t: float, swap: bool) -> tuple[list[Any], list[str]]:
    """Rows of everybody in the script at any time: places blended between the script's samples."""
    grid = script.t_s
    i = int(np.clip(np.searchsorted(grid, t) - 1, 0, len(grid) - 2))
    w = float(np.clip((t - grid[i]) / (grid[i + 1] - grid[i]), 0, 1))
    near = i + int(w > 0.5)
    rows, ids = script_people(cast, script, near, swap)
    out = []
    for row, p in zip(rows, script.people, strict=True):
        d, _, _, z, _, action, phase = row
        xy = p.xy_field_yd[i] * (1 - w) + p.xy_field_yd[i + 1] * w
        turn = (float(p.facing_rad[i + 1]) - float(p.facing_rad[i]) + np.pi) % (2 * np.pi) - np.pi
        if str(p.action[i]) == str(p.action[i + 1]):
            step = float(p.phase[i + 1]) - float(p.phase[i])
            step = step + 1 if step < -0.5 else (step - 1 if step > 0.5 else step)
            phase = float(p.phase[i]) + w * step
            phase = phase % 1.0 if cast.lib.clips[action].cyclic else min(max(phase, 0.0), 1.0)
        out.append((d, float(xy[0]), float(xy[1]), z, float(p.facing_rad[i]) + w * turn, action, phase))
    return out, ids


def ball_at(script: Any, t: float) -> np.ndarray:
    """(3,) ball place at a time, field yards."""
    return np.array([np.interp(t, script.t_s, script.ball_field_yd[:, k]) for k in range(3)])


def draw_moment(
    renderer: Renderer,
    cast: Cast,
    script: Any,
    t: float,
    cam: ViewCamera,
    later: ViewCamera,
    crew: list[Bystander],
    poles: list[tuple[float, float]],
    swap: bool,
) -> tuple[Exposure, list[dict[str, Any]], dict[str, Any] | None]:
    """Exposure, people (for :func:`frame_labels`) and the ball's label at one instant."""
    rows, ids = sample_people(cast, script, t, swap)
    beside = cast.bystanders + crew
    rows = rows + bystander_rows(beside, t + 10.0)
    ids = ids + [f"B{k}" for k in range(len(beside))]
    figures = cast.figures(rows)
    place = ball_at(script, t)
    ahead = ball_at(script, t + 0.03) - place
    ball = ball_rows(
        place,
        float(np.arctan2(ahead[1], ahead[0])),
        float(np.arctan2(ahead[2], max(np.hypot(ahead[0], ahead[1]), 1e-3)))
        if np.linalg.norm(ahead) > 0.05
        else 0.2,
    )
    exposure = renderer.draw(cam, figures, later, [(ball, BALL_ID), (pole_rows(poles), POLE_ID)])
    people = person_rows(rows, ids, figures.place[:, 2])
    return exposure, people, ball_label(exposure, cam, ball, place)


def scoreboard_shot(look: Look, width: int, height: int, seconds: float) -> np.ndarray:
    """A close picture of an invented scoreboard."""
    img = np.full((height, width, 3), 18, np.uint8)
    rng = np.random.default_rng(look.seed + 3)
    for k, text in enumerate(
        (
            f"HOME {rng.integers(0, 40)}",
            f"AWAY {rng.integers(0, 40)}",
            f"QTR {rng.integers(1, 5)}   {rng.integers(0, 12)}:{int(40 - seconds):02d}",
        )
    ):
        m = film.text_mask(text, "sans", height // 8)
        m = m[:, : width - 40]
        y, x = int(height * (0.2 + 0.24 * k)), (width - m.shape[1]) // 2
        img[y : y + m.shape[0], x : x + m.shape[1], 1:] = np.maximum(
            img[y : y + m.shape[0], x : x + m.shape[1], 1:],
            (m[..., None] * np.array([0.65, 1.0])).astype(np.uint8),
        )
    return cv2.GaussianBlur(img, (0, 0), 1.5)


def render_clip(
    script: Any,
    look: Look,
    camera_path: CameraPath,
    out_mp4: Path | str,
    *,
    renderer: Renderer,
    cast: Cast | None = None,
    fmt: FilmFormat | None = None,
    clip_id: str = "",
    play_id: str = "",
    seed: int = 0,
    swap: bool = False,
    loaded: bool = False,
) -> dict[str, pd.DataFrame]:
    """Write the video and return its truth tables: clips, cameras, tracks, boxes (columns of the export
    files).

    ``loaded``: the renderer already holds this look (``set_game``). ``swap``: the team dressed as
    defense attacks.
    """
    from models.synthetic.tables import camera_row, clip_row, track_rows

    out, fmt = Path(out_mp4), fmt or FilmFormat()
    cast = cast or Cast(look, renderer.lib)
    if not loaded:
        from models.synthetic.scene import build_props

        renderer.set_game(look, build_props(look, [camera_path.cameras[0].centre]))
    rng = np.random.default_rng([look.seed, seed])
    crew, poles = cast.chain_crew(script.los_field_yd, script.los_field_yd + 10.0 * script.direction, seed)
    first = camera_path.cameras[0]
    w, h = first.width_px, first.height_px
    writer = ClipWriter(out, fmt, w, h)
    shown, ticks = timing(rng, fmt, len(camera_path.t_s))
    intro = int(round(fmt.scoreboard_s * float(fmt.rate)))
    per = 1 if not fmt.variable else int(round(90000 / float(fmt.rate)))
    cameras: list[dict[str, Any]] = []
    labels: list[pd.DataFrame] = []
    tick_s = float(writer.time_base)
    for k in range(intro):
        writer.write(
            film.degrade(scoreboard_shot(look, w, h, k / float(fmt.rate)), look, rng, False), k * per
        )
        cameras.append(camera_row(clip_id, k, k * per * tick_s, None, look.field.crown_yd))
    last, picture, people = -1, np.zeros((h, w, 3), np.uint8), []
    for k, (m, tick) in enumerate(zip(shown, ticks, strict=True)):
        cam, t = camera_path.cameras[m], float(camera_path.t_s[m])
        if m != last:
            exposure, who, ball = draw_moment(
                renderer, cast, script, t, cam, camera_path.next_cameras[m], crew, poles, swap
            )
            overlays = film.overlay_boxes(look, w, h)
            people = frame_labels(exposure, cam, who, ball, overlays)
            picture = exposure.picture
            if fmt.interlaced:
                half = camera_path.next_cameras[m]
                second, _, _ = draw_moment(
                    renderer, cast, script, t + 0.5 / float(fmt.rate), half, half, crew, poles, swap
                )
                picture = picture.copy()
                picture[1::2] = second.picture[1::2]
            picture = film.draw_overlay(
                film.degrade(film.exposure_pump(picture, look, t), look, rng, False), look, 600.0 + t
            )
        last = m
        frame, pts = k + intro, int(tick) + intro * per
        writer.write(picture, pts)
        cameras.append(camera_row(clip_id, frame, pts * tick_s, cam, look.field.crown_yd))
        labels.append(track_rows(clip_id, play_id, frame, t, people))
    writer.close()
    boxes = pd.concat(labels, ignore_index=True)
    cams = pd.DataFrame(cameras)
    start = intro + int(np.argmin(np.abs(camera_path.t_s[shown] - 0.0)))
    snap_s = float(np.interp(0.0, camera_path.t_s[shown], cams["pts_s"].to_numpy()[intro:]))
    clip = clip_row(
        clip_id, out, camera_path.view, w, h, fmt, len(cams), play_id, float(cams["pts_s"].iloc[-1])
    )
    clip |= {"snap_frame": start, "snap_s": snap_s}
    return {"clips": pd.DataFrame([clip]), "cameras": cams, "boxes": boxes}
