"""A night of film: worker processes decode clips, this process solves, understands and stores.

Killed at any moment (also with SIGKILL) and started again, a batch goes on where it was: a decoded clip
waits as a file beside the season until its play is stored, a stored play is known by the hash of its
film and settings. Nothing is lost, nothing is stored twice.
"""

from __future__ import annotations

import contextlib
import functools
import multiprocessing as mp
import os
import pickle
import traceback
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.game import GameCameras
from calibration.standards import get_standard
from models.detector.detector import SHIPPED, Detector
from models.detector.network import file_hash
from models.marks.finder import WEIGHTS as MARK_WEIGHTS
from models.routes.classifier import RouteClassifier
from vision.analyze import FilmPass, Tools, read_film, solve_pass, tables_of_play
from vision.charting import Sheet, read_sheet
from vision.store import Season
from vision.store.keys import film_key
from vision.trouble import Trouble

CODE_VERSION = "0.1.0"
_TOOLS: Tools | None = None


@dataclass
class PlayWork:
    """One play of the batch: its clips (sideline first), its sheet row, what is still missing."""

    play_id: str
    clips: list[tuple[Path, str]]
    row: Mapping[str, Any] | None
    number: Any
    game_id: str
    keys: dict[Path, str] = field(default_factory=dict)
    passes: dict[Path, Path] = field(default_factory=dict)


def plan_plays(files: Sequence[Path], sheet: Sheet | None, standard: str) -> list[PlayWork]:
    """Group clips into plays: by the sheet's rows, else one clip is one play."""
    plays: dict[str, PlayWork] = {}
    for path in files:
        row = sheet.row_of(path) if sheet else None
        view = (sheet.view_of(path) if sheet else None) or ""
        game = str((row or {}).get("game_id") or _game_of(path))
        number = row["play_number"] if row else None
        play_id = f"{game}-{number}" if row else path.stem
        work = plays.setdefault(play_id, PlayWork(play_id, [], row, number, game))
        work.clips.append((path, view))
    for work in plays.values():
        work.clips.sort(key=lambda item: item[1] == "endzone")
    return list(plays.values())


def _game_of(path: Path) -> str:
    """A game's name from its folder; a folder that is merely called clips or film lends its parent's."""
    folder = path.resolve().parent
    return (folder.parent if folder.name.lower() in ("clips", "film", "video", "videos") else folder).name


@functools.cache
def _weights() -> dict[str, str]:
    """Hashes of the shipped weights, read once a process."""
    return {"detector": file_hash(SHIPPED), "marks": file_hash(MARK_WEIGHTS)}


def _settings(standard: str, row: Mapping[str, Any] | None) -> dict[str, Any]:
    weights = _weights()
    return {
        "standard": standard,
        "code": CODE_VERSION,
        "weights": weights,
        "sheet": dict(row) if row else None,
    }


def _start_worker(threads: int) -> None:
    """Load the weights once per worker; one inference thread each, so that workers do not fight."""
    global _TOOLS
    import cv2
    import torch

    cv2.setNumThreads(threads)
    torch.set_num_threads(threads)
    _TOOLS = Tools.load(threads=threads)


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


def _load_pass(path: Path, tools_finder: Any) -> FilmPass:
    with path.open("rb") as file:
        film: FilmPass = pickle.load(file)
    film.evidence.reader = tools_finder
    return film


def run_batch(
    files: Iterable[Path],
    season_path: str | Path,
    *,
    standard: str,
    workers: int = 1,
    sheet: str | Path | None = None,
    roster: Sequence[str] = (),
    again: bool = False,
    tell: Callable[[str], None] = print,
) -> int:
    """Process clips into the season file; returns the number of plays stored by this run.

    standard: nfl, ncaa, nfhs or canadian. workers: decoding processes. sheet: charting sheet CSV.
    A clip that fails is stored as failed with its reason; the others go on.
    """
    season = Season(season_path)
    plays = plan_plays(list(files), read_sheet(sheet) if sheet else None, standard)
    done = set() if again else season.finished_keys()
    for work in plays:
        settings = _settings(standard, work.row)
        for path, _ in list(work.clips):
            try:
                work.keys[path] = film_key(path, settings)
            except OSError as error:
                season.write_failure({"clip_id": path.stem, "path": str(path)}, str(error))
    todo = [w for w in plays if len(w.keys) == len(w.clips) and not set(w.keys.values()) <= done]
    if len(todo) < len(plays):
        tell(f"{len(plays) - len(todo)} of {len(plays)} plays are stored already")
    if not todo:
        return 0
    run_id = season.start_run(_settings(standard, None), _weights(), CODE_VERSION)
    with _waiting_room(Path(season_path)) as room:
        stored = _Batch(season, run_id, standard, room, tell).run(todo, workers)
    season.finish_run(run_id)
    return stored


@contextlib.contextmanager
def _waiting_room(season_path: Path) -> Iterator[Path]:
    """Folder of decoded clips beside the season; removed when it is empty."""
    room = season_path.with_name(f".{season_path.name}.film")
    room.mkdir(parents=True, exist_ok=True)
    for stale in room.glob("*.part"):
        stale.unlink(missing_ok=True)
    yield room
    with contextlib.suppress(OSError):
        room.rmdir()


class _Batch:
    """The storing half: takes decoded clips as they come, keeps the game's camera, writes plays."""

    def __init__(
        self, season: Season, run_id: str, standard: str, room: Path, tell: Callable[[str], None]
    ) -> None:
        self.season, self.run_id, self.room, self.tell = season, run_id, room, tell
        self.standard = get_standard(standard)
        self.games: dict[tuple[str, int, int], GameCameras] = {}
        self.classifier = RouteClassifier.load()
        from models.marks.finder import MarkFinder

        self.finder = MarkFinder.load()
        self.stored = 0
        self.total = 0

    def run(self, todo: list[PlayWork], workers: int) -> int:
        """Decode in a pool, store here; a clip's failure is written down and the play done without it."""
        self.total = len(todo)
        owner: dict[Future[Path], tuple[PlayWork, Path]] = {}
        ready: list[PlayWork] = []
        context = mp.get_context("spawn")
        threads = max(1, (os.cpu_count() or 2) // max(1, workers))
        Detector.load().detect([_blank()])  # convert the network once, before the workers start
        with ProcessPoolExecutor(workers, context, _start_worker, (threads,)) as pool:
            for work in todo:
                for path, _ in work.clips:
                    target = self.room / f"{work.keys[path]}.pass"
                    if target.exists():
                        work.passes[path] = target
                    else:
                        owner[pool.submit(decode_to_file, path, self.standard.name, target)] = (work, path)
                if len(work.passes) == len(work.clips):
                    ready.append(work)
            for work in ready:
                self._store(work)
            waiting = set(owner)
            while waiting:
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in finished:
                    self._take(future, *owner.pop(future))
        return self.stored

    def _take(self, future: Future[Path], work: PlayWork, path: Path) -> None:
        try:
            work.passes[path] = future.result()
        except Exception as error:
            reason = str(error) if isinstance(error, Trouble) else f"{type(error).__name__}: {error}"
            meta = {"clip_id": path.stem, "path": str(path), "film_key": work.keys[path]}
            self.season.write_failure(meta, reason, self.run_id)
            self.tell(f"failed: {path.name}: {reason}")
            work.clips = [c for c in work.clips if c[0] != path]
        if work.clips and len(work.passes) == len(work.clips):
            self._store(work)

    def _store(self, work: PlayWork) -> None:
        try:
            self._solve_and_write(work)
            self.stored += 1
        except Exception as error:
            reason = str(error) if isinstance(error, Trouble) else f"{type(error).__name__}: {error}"
            if not isinstance(error, Trouble) and os.environ.get("UNDERNEATH_DEBUG"):
                traceback.print_exc()
            for path, view in work.clips:
                meta = {
                    "clip_id": path.stem,
                    "path": str(path),
                    "view": view or None,
                    "film_key": work.keys[path],
                }
                self.season.write_failure(meta, reason, self.run_id)
            self.tell(f"failed: play {work.play_id}: {reason}")
        for file in work.passes.values():
            file.unlink(missing_ok=True)

    def _solve_and_write(self, work: PlayWork) -> None:
        passes = []
        for path, view in work.clips:
            film = _load_pass(work.passes[path], self.finder)
            game = self.games.setdefault(
                (work.game_id, film.width_px, film.height_px), GameCameras(self.standard)
            )
            cameras = solve_pass(film, game, self.standard, work.row, view or None)
            passes.append((film, cameras, view or cameras.view or "sideline"))
        metas, tables = tables_of_play(
            passes,
            self.standard,
            work.row,
            work.play_id,
            self.classifier,
            self.season.corrected_moments(work.play_id),
        )
        for meta in metas:
            meta |= {
                "game_id": work.game_id,
                "play_number": work.number,
                "film_key": work.keys[Path(meta["path"])],
            }
        self.season.write_play(metas, tables, self.run_id)
        row = tables["plays"][0]
        found = ", ".join(f"{c.found_share:.0%} of frames placed" for _, c, _ in passes)
        self.tell(f"[{self.stored + 1}/{self.total}] {work.play_id}: {row.get('kind', '')}, {found}")


def _blank() -> Any:
    import numpy as np

    return np.zeros((720, 1280, 3), np.uint8)
