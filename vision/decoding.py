"""Clips decoded by worker processes, each to a file that waits beside the season until its play is done."""

from __future__ import annotations

import contextlib
import os
import pickle
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from vision.analyze import FilmPass, Tools, read_film
from vision.planning import PlayWork

_TOOLS: Tools | None = None


def start_worker(threads: int, detector: str = "small") -> None:
    """Load the weights once per worker; one inference thread each, so that workers do not fight."""
    global _TOOLS
    import cv2
    import torch

    cv2.setNumThreads(threads)
    torch.set_num_threads(threads)
    _TOOLS = Tools.load(threads=threads, detector=detector)


def decode_to_file(path: Path, standard: str, target: Path) -> Path:
    """Worker: decode one clip and leave its pass as a file (written beside, then moved in one step)."""
    assert _TOOLS is not None
    film = read_film(path, standard, _TOOLS)
    partial = target.with_name(f"{target.name}.{os.getpid()}.part")
    with partial.open("wb") as file:
        film.evidence.reader = None
        pickle.dump(film, file, protocol=pickle.HIGHEST_PROTOCOL)
    partial.replace(target)
    return target


def load_pass(path: Path, finder: Any) -> FilmPass:
    """A decoded clip; finder: the mark finder whose number reader its evidence gets."""
    with path.open("rb") as file:
        film: FilmPass = pickle.load(file)
    film.evidence.reader = finder
    return film


def still_waits(work: PlayWork, room: Path) -> bool:
    """Whether a stored play's clips all wait from a batch that was killed (their paths are then taken over);
    of a play that was being cleared away the rest is removed."""
    passes = {path: room / f"{key}.pass" for path, key in work.keys.items()}
    if passes and all(p.exists() for p in passes.values()):
        work.passes |= passes
        return True
    for file in passes.values():
        file.unlink(missing_ok=True)
    return False


@contextlib.contextmanager
def waiting_room(season_path: Path) -> Iterator[Path]:
    """Folder of decoded clips beside the season; removed when it is empty."""
    room = season_path.with_name(f".{season_path.name}.film")
    room.mkdir(parents=True, exist_ok=True)
    for stale in room.glob("*.part"):
        stale.unlink(missing_ok=True)
    try:
        yield room
    finally:
        with contextlib.suppress(OSError):
            room.rmdir()


def clear(work: PlayWork) -> None:
    """Remove a play's decoded clips."""
    for file in work.passes.values():
        file.unlink(missing_ok=True)


def blank() -> np.ndarray:
    """A black picture."""
    return np.zeros((720, 1280, 3), np.uint8)
