"""The whole pipeline on one page: film file -> boxes and marks -> cameras -> tracks -> play -> tables.

Two halves. `read_film` decodes a clip once and keeps everything that needs pixels (a `FilmPass`); it is
what the batch's worker processes do. `tables_of_play` goes on from one or more passes of one play to
the rows of the season; it needs no pixels and can be repeated (a click, a charted spot, a game's
shared camera) without decoding again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.clip import LOST, ClipCameras, cameras_table
from calibration.evidence import ClipEvidence, EvidenceCollector
from calibration.game import ClipJob, GameCameras
from calibration.solve import solve_clip
from calibration.standards import FieldStandard, get_standard
from models.detector.band import film_eye
from models.detector.colour import describe_colour
from models.detector.detector import Detector
from models.jerseys.reader import JerseyReader
from models.marks.finder import MarkFinder
from models.routes.classifier import RouteClassifier
from vision.charting import line_of_scrimmage
from vision.clicking import read_clicks
from vision.every_frame import cameras_of_every_frame, tracks_of_every_frame
from vision.film import PICTURES, open_clip, read_picture
from vision.film_boxes import loose_boxes, with_film_boxes
from vision.from_tables import play_tables
from vision.jerseys import LookCollector, NumberLooks, name_numbers, rosters_of, with_evidence
from vision.number_roles import renumbered, roster_says
from vision.plays import understand_play
from vision.plays.game_sides import GameSides, kit_difference, kit_text
from vision.plays.sightings import sightings_of
from vision.plays.start import SURE_ODDS
from vision.records import PLAYER, Detections, Tracks
from vision.tracking.clip import track_clip
from vision.tracking.together import Film
from vision.tracking.views import JoinedViews, join_views
from vision.trouble import FilmTrouble

MASKED_FROM = 0.3
FAST_RATE_HZ = 40.0
LEAST_FRAMES = 15
FEW_MEN = 11
SPOT_FITS_YD = 1.5


@dataclass(frozen=True)
class FilmPass:
    """All that was taken from one clip's pixels. Frame i here is frame i * step of the file.

    evidence: marks and background motion; detections: boxes with colours; pts_s (F,) times of the file's
    own frames; notes: damage the reader met; numbers: looks at the men's numbers (None in older files).
    """

    path: str
    clip_id: str
    detections: Detections
    evidence: ClipEvidence
    step: int
    pts_s: np.ndarray
    width_px: int
    height_px: int
    rate: tuple[int, int]
    notes: tuple[str, ...] = ()
    numbers: NumberLooks | None = None


@dataclass
class Tools:
    """The loaded weights of a process; `hashes` go into the run's record."""

    detector: Detector
    finder: MarkFinder
    jerseys: JerseyReader
    hashes: dict[str, str] = field(default_factory=dict)

    @classmethod
    def load(cls, threads: int | None = None, detector: str = "small") -> Tools:
        """Load the shipped detector, mark finder and number reader; threads: of one inference; detector:
        which size (see `models.detector.detector.SIZES`)."""
        boxes, finder = Detector.load(threads=threads, size=detector), MarkFinder.load(threads=threads)
        return cls(boxes, finder, JerseyReader.load(), {"detector": boxes.weights_hash})


def read_film(path: Path, standard: str | FieldStandard, tools: Tools, every_frame: bool = False) -> FilmPass:
    """Decode a clip once: boxes, colours, marks, background motion. Film faster than 40 a second is taken
    at every second frame unless `every_frame`. Raises FilmTrouble when nothing can be read."""
    clip = open_clip(path)
    step = 1 if every_frame or float(clip.rate) <= FAST_RATE_HZ else 2
    collector = EvidenceCollector(get_standard(standard), tools.finder)
    numbers, eye = LookCollector(tools.jerseys), film_eye(tools.detector)
    rows, times, kept = [], [], []
    for index, pts_s, bgr in clip:
        times.append(pts_s)
        if index % step:
            continue
        boxes = eye.detect(bgr)
        rows.append((boxes.xyxy_px, boxes.confidence, boxes.kind, describe_colour(bgr, boxes.xyxy_px)))
        collector.add(len(rows) - 1, bgr, boxes.xyxy_px[(boxes.confidence > MASKED_FROM) & (boxes.kind != 2)])
        numbers.add(pts_s, bgr, boxes.xyxy_px, boxes.confidence, boxes.kind)
        kept.append(pts_s)
    if len(rows) < LEAST_FRAMES:
        raise FilmTrouble(
            f"{path}: only {len(rows)} frames could be read", "a play needs half a second of film"
        )
    assert collector.evidence is not None
    size = (clip.width_px, clip.height_px)
    detections = Detections.from_frames(rows, np.asarray(kept), size, Path(path).stem)
    rate = (clip.rate.numerator, clip.rate.denominator)
    return FilmPass(
        str(path), Path(path).stem, detections, collector.evidence, step, np.asarray(times), *size, rate,
        tuple(clip.notes), numbers.finish(),
    )  # fmt: skip


def spot_of(row: Mapping[str, Any] | None, standard: FieldStandard) -> tuple[float, float | None] | None:
    """Charted (line of scrimmage, None) in field yards where the sheet leaves only one place for it."""
    places = places_of(row, standard)
    return (places[0], None) if len(places) == 1 else None


def places_of(row: Mapping[str, Any] | None, standard: FieldStandard) -> tuple[float, ...]:
    """Where the charted line of scrimmage may lie, in field yards: one place, two, or () without a sheet."""
    return tuple(sorted(set(line_of_scrimmage(dict(row), standard.length_yd).values()))) if row else ()


def solve_pass(
    film: FilmPass,
    game: GameCameras,
    standard: FieldStandard,
    row: Mapping[str, Any] | None,
    view: str | None,
) -> ClipCameras:
    """Cameras of one pass with the help of the game's other clips.

    A field without painted numbers is numbered by the charted line of scrimmage: where that can lie in
    two places (own or opponent's half), the way the offense faces tells which.
    """
    places = places_of(row, standard)
    job = ClipJob(film.clip_id, film.evidence, view, spot_of(row, standard), places=places)
    cameras = game.solve(job).cameras
    if cameras.needs_click and job.spot is None and row and view != "endzone":
        spot = spot_by_direction(film, cameras, standard, row)
        if spot is not None:
            cameras = game.solve(replace(job, spot=spot)).cameras
    return cameras


def spot_by_direction(
    film: FilmPass, cameras: ClipCameras, standard: FieldStandard, row: Mapping[str, Any]
) -> tuple[float, float | None] | None:
    """Charted (line of scrimmage, None) for the direction in which the men on the film line up; None when
    the sheet is silent, the direction is not told, or the line seen does not fit it modulo five yards."""
    places = line_of_scrimmage(dict(row), standard.length_yd)
    if not places:
        return None
    play = understand_play(follow(film, cameras, standard), standard)
    if play.direction not in places or not play.los_field_yd.known:
        return None
    off = (places[play.direction] - play.los_field_yd.value + 2.5) % 5.0 - 2.5
    return (places[play.direction], None) if abs(off) <= SPOT_FITS_YD else None


def follow(film: FilmPass, cameras: ClipCameras, standard: FieldStandard) -> Tracks:
    """Identities of one clip in yards, with what the looks say of their numbers."""
    tracks = track_clip(film.detections, cameras, standard, numbers=film.numbers)
    return with_evidence(tracks, film.numbers, film.detections)


def men_found(film: FilmPass) -> float:
    """Median number of players found in a frame (confidence 0.25 and more)."""
    sure = (film.detections.kind == PLAYER) & (film.detections.confidence >= 0.25)
    return float(np.median(np.bincount(film.detections.frame[sure], minlength=film.detections.n_frames)))


def remarks_of(film: FilmPass, cameras: ClipCameras, tracks: Tracks) -> list[str]:
    """What a person should know before trusting the play's numbers."""
    out = [*film.notes]
    if cameras.message:
        out.append(cameras.message)
    if cameras.needs_click:
        out.append("the yard numbers are not certain: one click is needed (underneath clicks)")
    share = float(np.mean(cameras.status == LOST)) if len(cameras) else 1.0
    if share > 0.1:
        out.append(f"no camera on {share:.0%} of the frames")
    men = men_found(film)
    if men < FEW_MEN:
        out.append(f"too dark, soft or far: only {men:.0f} men found in a frame")
    if tracks.message:
        out.append(tracks.message)
    return out


def tables_of_play(
    passes: Sequence[tuple[FilmPass, ClipCameras, str]],
    standard: FieldStandard,
    row: Mapping[str, Any] | None,
    play_id: str,
    classifier: RouteClassifier | None = None,
    events: Mapping[str, float] | None = None,
    roster: Sequence[Mapping[str, Any]] = (),
    sides: GameSides | None = None,
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Rows of one play for `Season.write_play`.

    passes: (pass, cameras, view) with the sideline view first. events: moments a person corrected (s on
    the first clip's clock). roster: rows of team, jersey, position. sides: what the game's plays said of who
    has the ball and what the sides wear; used, and taught this play. Returns (clip rows, tables).
    """
    kit, lean = np.zeros(0), 0.0
    tracks = [follow(film, cameras, standard) for film, cameras, _ in passes]
    remarks: list[str] = []
    if sides is not None:
        first = next((k for k, one in enumerate(tracks) if len(one.ids)), 0)  # its sides are the joined ones
        kit = kit_difference(tracks[first], passes[first][0].detections)
        lean = sides.lean(row, play_id, kit)
    if len(passes) > 1:
        joined, passes, remarks, offsets = fuse(passes, tracks, standard)
    else:
        joined, offsets = tracks[0], (0.0,)
    for (film, cameras, _), one in zip(passes, tracks, strict=True):
        remarks += remarks_of(film, cameras, one)
    joined = name_numbers(joined, rosters_of(roster, row))
    says = roster_says(joined, roster, row)
    films = [(f.detections, c, o) for (f, c, _), o in zip(passes, offsets, strict=True) if np.isfinite(o)]
    play = understand_play(
        joined, standard, row, events, sightings_of(films), play_id=play_id, lean=lean, says=says
    )
    play = renumbered(play, roster, row)
    tables = play_tables(play, classifier, row)
    plays = tables["plays"][0]
    if sides is not None:
        sides.learn(row, play_id, play.side_evidence, kit)
        plays |= {"side_evidence": play.side_evidence, "side_lean": lean, "side_kit": kit_text(kit)}
        if abs(lean) >= SURE_ODDS and lean * (play.side_evidence + lean) < 0:
            remarks.append("by the sheet and the kits of the game's other plays the other team has the ball")
    uncertain = any(c.needs_click or (c.status == LOST).mean() > 0.5 for _, c, _ in passes[:1])
    reasons = [r for r in (plays["look_reason"], *remarks) if r]
    plays["look"] = bool(plays["look"] or remarks)
    plays["look_reason"] = "; ".join(dict.fromkeys(reasons))
    tables["tracks"], tables["loose_boxes"] = _boxed(tables["tracks"], play.tracks, passes)
    tables["loose_boxes"] = tables["loose_boxes"].assign(play_id=play_id)
    if uncertain:
        _blank_places(tables)
    named = tables["tracks"]["team"].isin(["offense", "defense", "official"])
    tables["tracks"]["team"] = tables["tracks"]["team"].where(named, None)
    tables["cameras"] = [r for item in passes for r in camera_rows(item[0], item[1])]
    return [clip_row(*item, play_id) for item in passes], tables


def _boxed(
    rows: pd.DataFrame, tracks: Tracks, passes: Sequence[tuple[FilmPass, ClipCameras, str]]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of `tracks` with their boxes settled, for every frame of the film whose frames the tracks have,
    and rows of `loose_boxes` (frames of that film that were read)."""
    shown = [p for p in passes if p[0].clip_id == tracks.clip_id]
    film, cameras, _ = (shown or passes)[0]
    box_row = tracks.box_index[np.nonzero(tracks.present)]
    boxed = with_film_boxes(rows, cameras, film.detections, box_row)
    loose = loose_boxes(boxed, film.detections)
    loose = loose.assign(frame=loose["frame"] * film.step)
    return tracks_of_every_frame(boxed, film.step, film.pts_s), loose


def fuse(
    passes: Sequence[tuple[FilmPass, ClipCameras, str]], tracks: Sequence[Tracks], standard: FieldStandard
) -> tuple[Tracks, list[tuple[FilmPass, ClipCameras, str]], list[str], tuple[float, ...]]:
    """Tracks of two views in one; (tracks, passes, remarks, seconds that put each film on the tracks' clock,
    NaN = not told). Joined views also settle which end zone the second camera stands behind: its cameras are
    turned where needed and no longer ask."""
    first, second, kept = tracks[0], tracks[1], list(passes)
    if not len(first.ids):
        return second, kept, [], (float("nan"), 0.0)
    if not len(second.ids):
        return first, kept, [], (0.0, float("nan"))
    films = [Film(film.detections, cameras, film.numbers) for film, cameras, _ in kept]
    two = join_views(first, second, standard, films=(films[0], films[1]))
    if not two.pairs:
        return two.tracks, kept, [two.message] if two.message else [], (0.0, float("nan"))
    film, cameras, view = kept[1]
    if two.turned:
        cameras = half_turn(cameras, standard)
    kept[1] = (film, replace(cameras, message="", _cache={}), view)
    return _with_both_looks(two, kept), kept, list(two.remarks), (0.0, two.offset_s)


def _with_both_looks(two: JoinedViews, passes: Sequence[tuple[FilmPass, ClipCameras, str]]) -> Tracks:
    """Joined tracks with what the looks of both films say of the men's numbers."""
    looks = [
        with_evidence(one, film.numbers, film.detections).number_evidence
        for one, (film, _, _) in zip(two.each, passes, strict=False)
    ]
    return replace(two.tracks, number_evidence=np.sum(looks, axis=0)) if looks else two.tracks


def half_turn(cameras: ClipCameras, standard: FieldStandard) -> ClipCameras:
    """The same cameras on the field turned by half a turn (x to length - x, y to width - y)."""
    p = np.array(cameras.parameters)
    p[:, 0] = (p[:, 0] + 360.0) % 360.0 - 180.0
    p[:, 5], p[:, 6] = standard.length_yd - p[:, 5], standard.width_yd - p[:, 6]
    return replace(cameras, parameters=p, _cache={})


def _blank_places(tables: dict[str, Any]) -> None:
    """Without the yard number, places along the field are unknown; what is relative to the ball stays."""
    tables["plays"][0]["los_field_yd"] = None
    tables["tracks"] = tables["tracks"].assign(x_field_yd=np.nan)


def clip_row(film: FilmPass, cameras: ClipCameras, view: str, play_id: str) -> dict[str, Any]:
    """One row of `clips`."""
    found = float(np.mean(cameras.status != LOST)) if len(cameras) else 0.0
    reason = cameras.message or ("; ".join(film.notes) if film.notes else "")
    return {
        "clip_id": film.clip_id, "path": film.path, "view": view, "width_px": film.width_px,
        "height_px": film.height_px, "fps_num": film.rate[0],
        "fps_den": film.rate[1], "frames": len(film.pts_s),
        "play_id": play_id, "start_s": 0.0, "end_s": float(film.pts_s[-1]),
        "status": "partial" if film.notes else "look" if found < 0.5 or cameras.needs_click else "done",
        "reason": reason,
    }  # fmt: skip


def camera_rows(film: FilmPass, cameras: ClipCameras) -> list[dict[str, Any]]:
    """Rows of `cameras`, one per frame of the file (frames stepped over get their neighbours' mean)."""
    full = cameras_of_every_frame(cameras, film.step, len(film.pts_s))
    table = cameras_table(full, film.clip_id, film.pts_s).drop(columns=["covariance"])
    return table.to_dict("records")  # type: ignore[return-value]


def calibrate_film(path: Path, standard: str, clicks: Path | None = None) -> tuple[ClipCameras, np.ndarray]:
    """Cameras of every frame of a clip (or of one picture) and the frames' times."""
    tools, field_standard = Tools.load(), get_standard(standard)
    points = read_clicks(clicks) if clicks else None
    if path.suffix.lower() in PICTURES:
        bgr = read_picture(path)
        boxes = tools.detector.detect([bgr])[0].at_least(MASKED_FROM)
        collector = EvidenceCollector(field_standard, tools.finder)
        collector.add(0, bgr, boxes.xyxy_px[boxes.kind != 2])
        assert collector.evidence is not None
        return solve_clip(collector.evidence, field_standard, clicks=points), np.zeros(1)
    film = read_film(path, field_standard, tools, every_frame=True)
    return solve_clip(film.evidence, field_standard, clicks=points), film.pts_s
