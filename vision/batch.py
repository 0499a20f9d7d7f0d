"""A night of film: worker processes decode clips, this process solves, understands and stores.

Killed at any moment (also with SIGKILL) and started again, a batch goes on where it was: a decoded clip
waits as a file beside the season until its play is stored, a stored play is known by the hash of its
film and settings. Nothing is lost, nothing is stored twice.

A play with a clip whose camera was lost or whose yard lines could not be numbered is stored at once, but its
clips wait until the batch ends: what later clips taught of the game's camera may settle it, and it is then
written again in place of the first. What the games have taught waits as a file beside the clips too.

So does a play of which it is not plain who has the ball: plays are stored in the order in which their clips
are decoded, and only the whole game tells. What each play said of the sides stands in the season itself, so
that a batch that goes on, and next week's clips of the same game, know it.

Last of all the routes of every game are named again with what its other plays ran
(`vision.store.game_calls`).
"""

from __future__ import annotations

import functools
import math
import multiprocessing as mp
import os
import pickle
import traceback
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from typing import Any

from calibration.clip import ClipCameras
from calibration.game import GameCameras, apart_yd, preferred
from calibration.standards import get_standard
from models.detector.detector import Detector, hash_of, weights_of
from models.detector.network import file_hash
from models.jerseys.reader import WEIGHTS as JERSEY_WEIGHTS
from models.marks.finder import WEIGHTS as MARK_WEIGHTS
from models.routes.classifier import RouteClassifier
from vision.analyze import FilmPass, solve_pass, tables_of_play
from vision.charting import read_sheet
from vision.decoding import blank, clear, decode_to_file, load_pass, start_worker, still_waits, waiting_room
from vision.game_end import read_games_again
from vision.planning import PlayWork, plan_plays
from vision.plays.game_sides import GameSides, changed, games_of_rows, kit_of_text, may_change
from vision.plays.record import F64, optional
from vision.store import Season
from vision.store.keys import film_key
from vision.trouble import Trouble

CODE_VERSION = "0.1.0"
ENOUGH_FOUND = 0.9
"""Share of frames with a camera below which a clip is tried again with what its game has taught."""
SAME_YD = 0.1  # cameras of two solutions nearer than this are one: the play is not written again
GAMES_FILE = "cameras.games"


@functools.cache
def _weights(detector: str = "small") -> dict[str, str]:
    """Hashes of the shipped weights, read once a process; detector: which size."""
    files = {"marks": MARK_WEIGHTS, "jerseys": JERSEY_WEIGHTS}
    hashes = {name: file_hash(path) for name, path in files.items()}
    return {"detector": hash_of(weights_of(detector), detector)} | hashes


def _settings(standard: str, row: Mapping[str, Any] | None, detector: str = "small") -> dict[str, Any]:
    weights = _weights(detector)
    return {
        "standard": standard,
        "code": CODE_VERSION,
        "weights": weights,
        "sheet": dict(row) if row else None,
    }


def run_batch(
    files: Iterable[Path],
    season_path: str | Path,
    *,
    standard: str,
    workers: int = 1,
    sheet: str | Path | None = None,
    roster: Sequence[str] = (),
    again: bool = False,
    detector: str = "small",
    tell: Callable[[str], None] = print,
) -> int:
    """Process clips into the season file; returns the number of plays stored by this run.

    standard: nfl, ncaa, nfhs or canadian. workers: decoding processes. sheet: charting sheet CSV.
    detector: one of `models.detector.detector.SIZES`; WeightsError when its weights are not there.
    A clip that fails is stored as failed with its reason; the others go on.
    """
    season = Season(season_path)
    plays = plan_plays(list(files), read_sheet(sheet) if sheet else None, standard)
    done = set() if again else season.finished_keys()
    for work in plays:
        settings = _settings(standard, work.row, detector)
        for path, _ in list(work.clips):
            try:
                work.keys[path] = film_key(path, settings)
            except OSError as error:
                season.write_failure({"clip_id": path.stem, "path": str(path)}, str(error))
    known = [w for w in plays if len(w.keys) == len(w.clips)]
    todo = [w for w in known if not set(w.keys.values()) <= done]
    if len(todo) < len(plays):
        tell(f"{len(plays) - len(todo)} of {len(plays)} plays are stored already")
    with waiting_room(Path(season_path)) as room:
        left = [w for w in known if set(w.keys.values()) <= done and still_waits(w, room)]
        asked = season.table("clips").query("status != 'done'")["clip_id"].tolist() if left else []
        for work in left:
            work.asks, work.early = sum(path.stem in asked for path, _ in work.clips), True
        if not todo and not left:
            threshold = RouteClassifier.load().threshold["trade"]
            read_games_again(season, (work.game_id for work in known), threshold, tell)
            return 0
        settings = _settings(standard, None, detector)
        run_id = season.start_run(settings, _weights(detector), CODE_VERSION)
        batch = _Batch(season, run_id, standard, room, tell, detector)
        stored = batch.run(todo, workers, left)
        threshold = batch.classifier.threshold["trade"]
        read_games_again(season, (work.game_id for work in known), threshold, tell)
        season.finish_run(run_id)
    return stored


def asks(cameras: ClipCameras) -> bool:
    """Whether a clip's camera was lost or its yard lines could not be numbered."""
    return cameras.needs_click or cameras.found_share < ENOUGH_FOUND


def _with_views(
    work: PlayWork, films: Sequence[FilmPass], cameras: Sequence[ClipCameras]
) -> list[tuple[FilmPass, ClipCameras, str]]:
    """(pass, cameras, view) of a play's clips; a view not told is the camera's."""
    return [
        (film, found, view or found.view or "sideline")
        for film, found, (_, view) in zip(films, cameras, work.clips, strict=True)
    ]


def _standing(passes: Sequence[tuple[FilmPass, ClipCameras, str]]) -> tuple[int, float]:
    """(how many of a play's clips ask, least share of frames with a camera)."""
    return sum(asks(c) for _, c, _ in passes), min(c.found_share for _, c, _ in passes)


class _Batch:
    """The storing half: takes decoded clips as they come, keeps the game's camera, writes plays."""

    def __init__(
        self, season: Season, run_id: str, standard: str, room: Path, tell: Callable[[str], None],
        detector: str = "small",
    ) -> None:  # fmt: skip
        self.season, self.run_id, self.room, self.tell = season, run_id, room, tell
        self.detector, self.settings = detector, _settings(standard, None, detector)
        self.standard = get_standard(standard)
        self.games = self._games_of_a_killed_batch()
        self.waiting: list[PlayWork] = []
        self.sides: dict[str, GameSides] = games_of_rows(season.table("plays").to_dict("records"))
        self.classifier = RouteClassifier.load()
        from models.marks.finder import MarkFinder

        self.finder = MarkFinder.load()
        self.roster = season.table("roster").to_dict("records")
        self.stored = 0
        self.total = 0

    def run(self, todo: list[PlayWork], workers: int, left: Sequence[PlayWork] = ()) -> int:
        """Decode in a pool, store here; a clip's failure is written down and the play done without it.

        left: stored plays of a killed batch that still wait to be settled. Returns the plays stored.
        """
        self.total = len(todo)
        self.waiting = list(left)
        asked: list[tuple[PlayWork, Path, Path]] = []
        for work in todo:
            for path, _ in work.clips:
                target = self.room / f"{work.keys[path]}.pass"
                if target.exists():
                    work.passes[path] = target
                else:
                    asked.append((work, path, target))
        for work in todo:
            if len(work.passes) == len(work.clips):
                self._store(work)
        if asked:
            self._decode(asked, workers)
        self._settle()
        (self.room / GAMES_FILE).unlink(missing_ok=True)
        return self.stored

    def _decode(self, asked: list[tuple[PlayWork, Path, Path]], workers: int) -> None:
        """Decode clips in worker processes and store each play as soon as its clips are there."""
        context = mp.get_context("spawn")
        threads = max(1, (os.cpu_count() or 2) // max(1, workers))
        # convert the network once, before the workers start
        Detector.load(size=self.detector).detect([blank()])
        with ProcessPoolExecutor(workers, context, start_worker, (threads, self.detector)) as pool:
            owner: dict[Future[Path], tuple[PlayWork, Path]] = {
                pool.submit(decode_to_file, path, self.standard.name, target): (work, path)
                for work, path, target in asked
            }
            waiting = set(owner)
            while waiting:
                finished, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                for future in finished:
                    self._take(future, *owner.pop(future))

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
        waits = False
        try:
            work.early = not self._knows(work)
            passes = self._solve(work)
            self._keep_games()
            self._write(work, passes)
            work.cameras = [cameras for _, cameras, _ in passes]
            work.asks, work.found_share = _standing(passes)
            waits = work.asks > 0 or work.early or may_change(self._side_of(work)[0])
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
        if waits:
            self.waiting.append(work)
        else:
            clear(work)

    def _settle(self) -> None:
        """Look at the waiting plays again with what the whole batch has taught: first of the cameras, then,
        when every play has said what it can, of who has the ball."""
        for settle in (self._settle_camera, self._settle_sides):
            for work in self.waiting:
                try:
                    settle(work)
                except Exception as error:  # the play is stored: a failed second look takes nothing away
                    self.tell(f"not settled: play {work.play_id}: {type(error).__name__}: {error}")
        for work in self.waiting:
            clear(work)
        self.waiting = []

    def _settle_camera(self, work: PlayWork) -> None:
        """Solve a play again whose clips ask, or were solved before the game knew its camera; write it when
        that changes anything."""
        settled = work.early and self._knows(work)
        if not settled and not (work.asks and self._taught(work)):
            return
        again = self._solve(work)
        kept = work.cameras or [cameras for _, cameras, _ in again]
        changed = not work.cameras  # stored by a batch that was killed: what it had is not known
        for k, (_, cameras, _) in enumerate(again):
            if preferred(kept[k], cameras, settled):
                changed |= asks(kept[k]) or apart_yd(kept[k], cameras) > SAME_YD
                kept[k] = cameras
        work.cameras = kept
        if changed:
            films = [film for film, _, _ in again]
            self._write(work, _with_views(work, films, kept), "settled by the game's other clips")

    def _settle_sides(self, work: PlayWork) -> None:
        """Read a play again when the rest of the game says otherwise of who has the ball than when it was
        read, or now makes it sure. What a person corrected is put on top again by the season."""
        evidence, lean, kit = self._side_of(work)
        game = self.sides.get(work.game_id)
        if game is not None and may_change(evidence):
            now = game.lean(work.row, work.play_id, kit)
            if changed(evidence, lean, now):
                self._write(work, self._as_settled(work), "read again with the game's other plays")

    def _side_of(self, work: PlayWork) -> tuple[float, float, F64]:
        """(log-odds of the play alone that side A has the ball, lean it was read with, its kits) as stored;
        NaN where it says nothing or the sheet does not name the offense."""
        rows = self.season.table("plays", [work.play_id]).to_dict("records")
        row = rows[0] if rows else {}
        said = [optional(row, name) for name in ("side_evidence", "side_lean")]
        evidence, lean = (math.nan if v is None else float(v) for v in said)
        if not optional(work.row, "offense"):
            evidence = math.nan
        return evidence, lean, kit_of_text(row.get("side_kit"))

    def _cameras_of(self, work: PlayWork) -> list[GameCameras]:
        """What the play's game knows of its cameras, of each picture size."""
        return [game for (game_id, _, _), game in self.games.items() if game_id == work.game_id]

    def _knows(self, work: PlayWork) -> bool:
        """Whether the play's game is sure of the cameras of all the play's clips."""
        games = self._cameras_of(work)
        return all(any(game.knows(view or None) for game in games) for _, view in work.clips)

    def _taught(self, work: PlayWork) -> bool:
        """Whether the play's game knows its camera: where it stands along the field, or, for a clip that
        was lost, anything of it."""
        views = {view for _, view in work.clips}
        priors = [p for game in self._cameras_of(work) for p in game.priors.values() if views & {"", p.view}]
        return any(p.placed or work.found_share < ENOUGH_FOUND for p in priors)

    def _games_of_a_killed_batch(self) -> dict[tuple[str, int, int], GameCameras]:
        """What the games had taught when a batch of these settings was killed; empty else."""
        try:
            settings, taught = pickle.loads((self.room / GAMES_FILE).read_bytes())
        except Exception:  # none there, or of another version: the clips teach again
            return {}
        games = {}
        if settings == self.settings:
            for key, priors in taught.items():
                games[key] = GameCameras(self.standard)
                games[key].priors = priors
        return games

    def _keep_games(self) -> None:
        """Leave what the games have taught as a file, for a batch that goes on after this one is killed."""
        partial = self.room / f"{GAMES_FILE}.{os.getpid()}.part"
        taught = {key: game.priors for key, game in self.games.items()}
        partial.write_bytes(pickle.dumps((self.settings, taught)))
        partial.replace(self.room / GAMES_FILE)

    def _films(self, work: PlayWork) -> list[FilmPass]:
        """The passes of a play's clips."""
        return [load_pass(work.passes[path], self.finder) for path, _ in work.clips]

    def _solve(self, work: PlayWork) -> list[tuple[FilmPass, ClipCameras, str]]:
        """(pass, cameras, view) of a play's clips, with the help of the game's camera and teaching it."""
        films, found = self._films(work), []
        for film, (_, view) in zip(films, work.clips, strict=True):
            game = self.games.setdefault(
                (work.game_id, film.width_px, film.height_px), GameCameras(self.standard)
            )
            found.append(solve_pass(film, game, self.standard, work.row, view or None))
        return _with_views(work, films, found)

    def _as_settled(self, work: PlayWork) -> list[tuple[FilmPass, ClipCameras, str]]:
        """(pass, cameras, view) of a play's clips with the cameras settled on (solved if none)."""
        if not work.cameras:
            return self._solve(work)
        return _with_views(work, self._films(work), work.cameras)

    def _write(
        self, work: PlayWork, passes: list[tuple[FilmPass, ClipCameras, str]], again: str = ""
    ) -> None:
        """Analyse and store one play. again: why it is written a second time, in place of the first."""
        metas, tables = tables_of_play(
            passes,
            self.standard,
            work.row,
            work.play_id,
            self.classifier,
            self.season.corrected_moments(work.play_id),
            self.roster,
            self.sides.setdefault(work.game_id, GameSides()),
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
        count = f"[{again}]" if again else f"[{self.stored + 1}/{self.total}]"
        self.tell(f"{count} {work.play_id}: {row.get('kind', '')}, {found}")
