"""Read a film file frame by frame with exact time (PyAV / FFmpeg).

Conventions
-----------
* Frame numbers count from 0 in the file, in the order of presentation.
* Time is the presentation stamp times the stream's rational time base, minus the stamp of the first frame:
  the first frame is 0. Seconds appear only at the edge (`pts_s`). Variable frame rate is normal.
* The picture comes as a person sees it: upright (rotation flag applied), deinterlaced, square pixels.
  `width_px`, `height_px` are the size of that picture, and all `_px` elsewhere refer to it.
* Damage is told, not hidden: `Clip.notes` lists it after reading; a file with no readable frame raises.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import av
import numpy as np
from av.filter import Graph

from vision.trouble import FilmTrouble

FrameItem = tuple[int, float, np.ndarray]


@dataclass(frozen=True)
class Clip:
    """One opened film file; iterate it for `(index, pts_s, bgr)`, bgr uint8 (height_px, width_px, 3).

    rate: nominal frames per second as a fraction (29.97 is 30000/1001); only a label where the rate varies.
    rotation_deg: turn applied, counter-clockwise. pixel_ratio: stored pixels are this much wider than high
    (1 for nearly all film); the picture given is stretched to square pixels. interlaced: fields were woven
    into whole frames.
    announced_frames: what the file's header claims, 0 when it does not say.
    """

    path: Path
    width_px: int
    height_px: int
    rate: Fraction
    time_base: Fraction
    codec: str
    rotation_deg: int
    pixel_ratio: Fraction
    interlaced: bool
    announced_frames: int
    threads: int = 1
    notes: list[str] = field(default_factory=list, compare=False)

    @cached_property
    def stamps(self) -> tuple[int, ...]:
        """Presentation stamps of all frames in order, in `time_base`, read without decoding."""
        stamps = []
        with _container(self.path) as box:
            stream = box.streams.video[0]
            try:
                for packet in box.demux(stream):
                    if packet.pts is not None and packet.size and not packet.is_discard:
                        stamps.append(int(packet.pts))
            except av.FFmpegError:
                pass  # a damaged tail: what was listed so far stands, reading it will say so
        return tuple(sorted(stamps))

    @property
    def frame_count(self) -> int:
        """Number of frames in the file (listed, not decoded)."""
        return len(self.stamps)

    @cached_property
    def times_s(self) -> np.ndarray:
        """(frame_count,) seconds from the first frame."""
        stamps = self.stamps
        out = np.array([float((s - stamps[0]) * self.time_base) for s in stamps])
        out.setflags(write=False)
        return out

    @property
    def duration_s(self) -> float:
        """From the first frame to the end of the last one, which is taken to last 1/rate."""
        return float(self.times_s[-1]) + float(1 / self.rate) if self.frame_count else 0.0

    @property
    def variable_rate(self) -> bool:
        """True when the steps between frames differ by more than a tenth of the usual step."""
        steps = np.diff(self.times_s)
        return bool(len(steps) and np.ptp(steps) > 0.1 * np.median(steps) + 2 * float(self.time_base))

    def frame_near(self, t_s: float) -> int:
        """Number of the frame shown at `t_s` (the last one that starts no later; 0 before the film)."""
        return max(0, int(np.searchsorted(self.times_s, t_s + 1e-6, side="right")) - 1)

    def __iter__(self) -> Iterator[FrameItem]:
        return self.frames()

    def frames(self, start: int = 0, stop: int | None = None, step: int = 1) -> Iterator[FrameItem]:
        """Yield `(index, pts_s, bgr)` for frames start, start+step, ... < stop, decoding in sequence.

        Raises FilmTrouble when nothing can be decoded. A damaged tail ends the iteration and adds a note.
        """
        yield from _Reading(self, start, stop, step)

    def picture(self, index: int) -> np.ndarray:
        """One frame as bgr uint8 (height_px, width_px, 3). Raises FilmTrouble when it cannot be read."""
        for _, _, bgr in self.frames(index, index + 1):
            return bgr
        raise FilmTrouble(
            f"{self.path}: there is no frame {index}; the film has {self.frame_count}",
            "ask for a frame inside the clip",
        )


def open_clip(path: str | Path, threads: int = 1) -> Clip:
    """Open a film file; decodes one frame to learn size, rotation and interlacing.

    threads: decoder threads (1 leaves the other cores to other clips). Raises FilmTrouble with one plain
    line when the file is missing, is not film, has only sound, or no frame of it can be decoded.
    """
    path = Path(path)
    if path.is_dir():
        raise FilmTrouble(f"{path} is a folder, not a film file", "name a file, or process the folder")
    if not path.exists():
        raise FilmTrouble(f"{path}: no such file", "check the name and the folder")
    if path.stat().st_size == 0:
        raise FilmTrouble(f"{path} is empty (0 bytes)", "copy it again from the camera or the exchange")
    with _container(path) as box:
        if not box.streams.video:
            kinds = "only sound" if box.streams.audio else "no pictures"
            raise FilmTrouble(f"{path} holds {kinds}", "export it again with the picture track")
        stream = box.streams.video[0]
        stream.codec_context.thread_count = threads
        first = _first_frame(path, box, stream)
        rate = stream.average_rate or stream.guessed_rate or stream.base_rate or Fraction(30)
        ratio = stream.sample_aspect_ratio or Fraction(1)
        ratio = Fraction(ratio) if ratio > 0 else Fraction(1)
        width, height = round(first.width * ratio), first.height
        if _turn(first) in (90, 270):
            width, height = height, width
        return Clip(
            path=path,
            width_px=width,
            height_px=height,
            rate=Fraction(rate),
            time_base=Fraction(stream.time_base or Fraction(1, 1000)),
            codec=stream.codec_context.name,
            rotation_deg=_turn(first),
            pixel_ratio=ratio,
            interlaced=bool(first.interlaced_frame),
            announced_frames=int(stream.frames or 0),
            threads=threads,
        )


def _container(path: Path) -> Any:
    try:
        return av.open(str(path))
    except av.FFmpegError as error:
        with path.open("rb") as file:
            head = file.read(64)
        why = "is cut off: its table of contents is missing" if b"ftyp" in head else "is not a film file"
        raise FilmTrouble(
            f"{path} {why} ({error.strerror or error})", "copy it again, or export it as MP4 (H.264)"
        ) from None


def _first_frame(path: Path, box: Any, stream: Any) -> Any:
    reason = "it holds no frames"
    try:
        for packet in box.demux(stream):
            try:
                for frame in packet.decode():
                    return frame
            except av.FFmpegError as error:
                reason = str(error.strerror or error)
    except av.FFmpegError as error:
        reason = str(error.strerror or error)
    raise FilmTrouble(f"{path}: no picture could be decoded ({reason})", "copy it again, or export it anew")


def _turn(frame: Any) -> int:
    """Counter-clockwise turn in degrees that makes the picture upright: 0, 90, 180 or 270."""
    return int(round(float(frame.rotation or 0) / 90.0) * 90) % 360


class _Reading:
    """One pass over a clip. Owns the decoder, the optional deinterlacer and the repair of stamps."""

    def __init__(self, clip: Clip, start: int, stop: int | None, step: int) -> None:
        if start < 0 or step < 1:
            raise ValueError("start must be >= 0 and step >= 1")
        self.clip, self.start, self.stop, self.step = clip, start, stop, step
        self.first_stamp: int | None = None
        self.last_stamp: int | None = None
        self.graph: Graph | None = None
        self.error = ""
        self.repaired = 0

    def __iter__(self) -> Iterator[FrameItem]:
        clip = self.clip
        index, sought, delivered = 0, False, False
        with _container(clip.path) as box:
            stream = box.streams.video[0]
            stream.codec_context.thread_count = clip.threads
            stream.thread_type = "AUTO" if clip.threads != 1 else "SLICE"
            if self.start > 60:
                sought, index = self._seek(box, stream)
            for frame in self._whole_frames(box, stream):
                if sought:
                    place = bisect_left(clip.stamps, frame.pts) if frame.pts is not None else None
                    sought = False
                    if place is not None:
                        index = place
                        self.last_stamp = None
                if self.stop is not None and index >= self.stop:
                    return
                stamp = self._stamp(frame)
                if index >= self.start and (index - self.start) % self.step == 0:
                    delivered = True
                    yield index, float((stamp - (self.first_stamp or 0)) * clip.time_base), _bgr(frame, clip)
                index += 1
        self._note_damage(index, delivered)

    def _seek(self, box: Any, stream: Any) -> tuple[bool, int]:
        """Jump to the key frame before `start`; exact, because frame numbers follow from the stamps."""
        stamps = self.clip.stamps
        if self.start >= len(stamps) or len(set(stamps)) != len(stamps) or self.clip.interlaced:
            return False, 0
        box.seek(stamps[self.start], stream=stream, backward=True, any_frame=False)
        self.first_stamp = stamps[0]
        return True, 0

    def _whole_frames(self, box: Any, stream: Any) -> Iterator[Any]:
        for frame in self._decoded(box, stream):
            if not self.clip.interlaced:
                yield frame
                continue
            if self.graph is None:
                self.graph = _deinterlacer(stream, frame)
            self.graph.push(frame)
            yield from self._pulled()
        if self.graph is not None:
            self.graph.push(None)
            yield from self._pulled()

    def _pulled(self) -> Iterator[Any]:
        assert self.graph is not None
        while True:
            try:
                yield self.graph.pull()
            except (av.BlockingIOError, av.EOFError):
                return

    def _decoded(self, box: Any, stream: Any) -> Iterator[Any]:
        bad_packets = 0
        try:
            for packet in box.demux(stream):
                try:
                    yield from packet.decode()
                except av.EOFError:
                    return
                except av.FFmpegError as error:
                    bad_packets += 1
                    self.error = str(error.strerror or error)
        except av.FFmpegError as error:
            self.error = str(error.strerror or error)

    def _stamp(self, frame: Any) -> int:
        """Presentation stamp, repaired by one nominal step where it is missing or does not grow."""
        step = max(1, round(1 / (self.clip.rate * self.clip.time_base)))
        stamp = frame.pts
        if stamp is not None and self.graph is not None and frame.time_base != self.clip.time_base:
            stamp = round(stamp * frame.time_base / self.clip.time_base)
        if stamp is None or (self.last_stamp is not None and stamp <= self.last_stamp):
            stamp = 0 if self.last_stamp is None else self.last_stamp + step
            self.repaired += 1
        if self.first_stamp is None:
            self.first_stamp = stamp
        self.last_stamp = stamp
        return stamp

    def _note_damage(self, read: int, delivered: bool) -> None:
        clip = self.clip
        expected = max(clip.announced_frames, 0 if self.error else clip.frame_count)
        if read == 0 or (self.start == 0 and not delivered):
            raise FilmTrouble(
                f"{clip.path}: no picture could be decoded ({self.error or 'no frames'})",
                "copy it again, or export it anew",
            )
        notes = []
        if expected and read < expected - 1:
            notes.append(f"ends early: {read} of {expected} frames could be read")
        elif self.error:
            notes.append(f"damaged: {read} frames read ({self.error})")
        if self.repaired:
            notes.append(f"{self.repaired} frames without a growing time stamp were spaced evenly")
        clip.notes.extend(note for note in notes if note not in clip.notes)


def _deinterlacer(stream: Any, frame: Any) -> Graph:
    """FFmpeg's bwdif, one whole frame per stored frame, so that numbers and stamps stay."""
    graph = Graph()
    source = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format.name, time_base=stream.time_base
    )
    weave = graph.add("bwdif", "mode=send_frame:parity=auto:deint=all")
    sink = graph.add("buffersink")
    source.link_to(weave)
    weave.link_to(sink)
    graph.configure()
    return graph


def _bgr(frame: Any, clip: Clip) -> np.ndarray:
    """Upright picture in the size found at opening, even if the stored size changes within the file."""
    turned = clip.rotation_deg in (90, 270)
    width, height = (clip.height_px, clip.width_px) if turned else (clip.width_px, clip.height_px)
    picture = frame.to_ndarray(format="bgr24", width=width, height=height)
    if clip.rotation_deg:
        picture = np.ascontiguousarray(np.rot90(picture, clip.rotation_deg // 90))
    return picture
