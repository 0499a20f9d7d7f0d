"""Write a reel: H.264 in MP4, playable everywhere, index at the front."""

from __future__ import annotations

import os
from collections.abc import Iterable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np


def write_film(
    path: str | Path,
    pictures: Iterable[tuple[float, np.ndarray]],
    rate: Fraction = Fraction(30),
    quality: int = 22,
) -> int:
    """Write `(t_s, bgr)` pictures, all of one even size, in growing time; returns how many were written.

    t_s: seconds in the reel, kept to a millisecond (variable rate is fine). quality: x264 constant rate
    factor, smaller is finer. The file appears under its name only when it is whole.
    """
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_name(f".{path.stem}.part.mp4")
    count, last = 0, -1
    try:
        with av.open(str(part), "w", format="mp4", options={"movflags": "+faststart"}) as box:
            stream = None
            for t_s, picture in pictures:
                if stream is None:
                    stream = box.add_stream("libx264", rate=rate)
                    stream.width, stream.height = picture.shape[1] // 2 * 2, picture.shape[0] // 2 * 2
                    stream.pix_fmt = "yuv420p"
                    stream.time_base = Fraction(1, 90000)
                    stream.codec_context.time_base = Fraction(1, 90000)
                    stream.options = {"crf": str(quality), "preset": "veryfast", "threads": "1"}
                even = np.ascontiguousarray(picture[: stream.height, : stream.width])
                frame = av.VideoFrame.from_ndarray(even, format="bgr24")
                last = max(last + 1, round(t_s * 90000))
                frame.pts, frame.time_base = last, Fraction(1, 90000)
                box.mux(stream.encode(frame))
                count += 1
            if stream is not None:
                box.mux(stream.encode())
        if count:
            os.replace(part, path)
        return count
    finally:
        part.unlink(missing_ok=True)
