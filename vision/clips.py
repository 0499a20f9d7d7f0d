"""Cut-ups: one film of the clips that share something, a title card before each, chapters beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFont

from vision.film import Clip, open_clip, write_film
from vision.store import Season
from vision.trouble import FilmTrouble, QuestionTrouble

INK, PAPER, AMBER, QUIET = (18, 33, 29), (244, 241, 232), (232, 163, 23), (150, 164, 158)


@dataclass(frozen=True)
class Cut:
    """One stretch of film: play, file, first and last second in the file, title lines, where it starts in
    the reel (filled when the reel is made; NaN before)."""

    play_id: str
    path: Path
    start_s: float
    end_s: float
    title: str
    detail: str


def plan(
    season: Season,
    play_ids: Sequence[str],
    titles: dict[str, tuple[str, str]] | None = None,
    views: Sequence[str] = ("sideline",),
    lead_s: float = 3.0,
    tail_s: float = 1.5,
    film_folder: str | Path | None = None,
) -> tuple[list[Cut], list[str]]:
    """The cuts for some plays in order, and one line per play whose film cannot be found.

    Each cut runs from `lead_s` before the snap to `tail_s` after the whistle (or the arrival, or 6 s after
    the snap), and is the whole stored stretch where the snap is not known.
    """
    clips, plays = season.table("clips"), season.table("plays").set_index("play_id")
    cuts, missing = [], []
    for play_id in play_ids:
        if play_id not in plays.index:
            missing.append(f"{play_id}: no such play in {season.path.name}")
            continue
        rows = clips[(clips["play_id"] == play_id) & (clips["status"] != "failed")]
        found = False
        for view in views:
            for _, clip in rows[
                rows["view"].isin([view, None]) if view == "sideline" else rows["view"] == view
            ].iterrows():
                path = locate(season, clip["path"], film_folder)
                if path is None:
                    missing.append(f"{play_id}: {clip['path']} is not there; name its folder with --film")
                    found = True
                    continue
                start, end = _stretch(plays.loc[play_id], clip, lead_s, tail_s)
                title, detail = (titles or {}).get(play_id, default_title(play_id, plays.loc[play_id]))
                cuts.append(Cut(play_id, path, start, end, title, detail))
                found = True
        if not found:
            missing.append(f"{play_id}: no {' or '.join(views)} film of this play is known")
    return cuts, missing


def locate(season: Season, stored: object, film_folder: str | Path | None = None) -> Path | None:
    """The film file a stored path means: from the season's folder, or by name in it or in `film_folder`."""
    if not stored or stored != stored:
        return None
    path = Path(str(stored))
    tries = [season.path.parent / path, season.path.parent / path.name, path]
    if film_folder is not None:
        tries = [Path(film_folder) / path, Path(film_folder) / path.name, *tries]
    return next((t for t in tries if t.is_file()), None)


def _stretch(play: pd.Series, clip: pd.Series, lead_s: float, tail_s: float) -> tuple[float, float]:
    known = [v for v in (play["end_s"], play["arrival_s"]) if v is not None and v == v]
    if play["snap_s"] is None or play["snap_s"] != play["snap_s"]:
        start = clip["start_s"] if clip["start_s"] == clip["start_s"] else 0.0
        return float(start or 0.0), float(clip["end_s"]) if clip["end_s"] == clip["end_s"] else float("inf")
    return max(0.0, play["snap_s"] - lead_s), (known[0] if known else play["snap_s"] + 6.0) + tail_s


def default_title(play_id: str, play: pd.Series) -> tuple[str, str]:
    """Two lines about a play: its name and situation, its formation and result; blanks left out."""
    from vision.questions.answers import situation

    first = [play_id, situation(play["down"], play["distance"])]
    result = play["result"] if isinstance(play["result"], str) else ""
    yards = play["yards"]
    if (
        result
        and yards is not None
        and yards == yards
        and result in ("complete", "touchdown", "run", "scramble", "sack")
    ):
        result += f" {yards:+.0f} yd"
    sides = " / ".join(
        str(c) for c in (play["left_combination"], play["right_combination"]) if isinstance(c, str) and c
    )
    second = [play["formation"] if isinstance(play["formation"], str) else "", sides, result]
    return "   ".join(p for p in first if p and p != "–"), "   ".join(p for p in second if p)


def write_reel(cuts: Sequence[Cut], path: str | Path, heading: str = "", card_s: float = 2.0) -> pd.DataFrame:
    """Write the reel as MP4 and its chapters as WebVTT beside it; returns the reel's index (play_id, path,
    start_s, end_s in the file, reel_start_s, reel_end_s, title, note). A clip that cannot be read gets its
    card and a note, the others go on. Raises when there is nothing to cut or nothing could be read."""
    path = Path(path)
    if not cuts:
        raise QuestionTrouble(
            "there is no clip to cut", "ask for something wider, or check the film's folder"
        )
    width, height, rate = _format(cuts)
    rows: list[dict[str, object]] = []
    write_film(path, _pictures(cuts, rows, heading, width, height, card_s), rate)
    index = pd.DataFrame(rows)
    if not (index["note"] == "").any():
        path.unlink(missing_ok=True)
        raise FilmTrouble(f"no clip of the reel could be read; first: {index['note'].iloc[0]}")
    path.with_suffix(".vtt").write_text(chapters(index), encoding="utf-8")
    return index


def _format(cuts: Sequence[Cut]) -> tuple[int, int, Fraction]:
    """Size of the largest readable clip (at most 1920 wide, even) and its rate."""
    best: Clip | None = None
    for path in dict.fromkeys(c.path for c in cuts):
        try:
            clip = open_clip(path)
        except FilmTrouble:
            continue
        if best is None or clip.width_px > best.width_px:
            best = clip
    if best is None:
        return 1280, 720, Fraction(30)
    scale = min(1.0, 1920 / best.width_px)
    return round(best.width_px * scale) // 2 * 2, round(best.height_px * scale) // 2 * 2, best.rate


def _pictures(
    cuts: Sequence[Cut], rows: list[dict[str, object]], heading: str, width: int, height: int, card_s: float
) -> Iterator[tuple[float, np.ndarray]]:
    now = 0.0
    for number, cut in enumerate(cuts, 1):
        begin, note = now, ""
        picture = card(heading, cut.title, cut.detail, f"{number} of {len(cuts)}", width, height)
        yield now, picture
        yield now + card_s - 0.05, picture
        now += card_s
        try:
            clip = open_clip(cut.path)
            first = None
            step = float(1 / clip.rate)
            for _, t_s, bgr in clip.frames(clip.frame_near(cut.start_s)):
                if t_s > cut.end_s:
                    break
                first = t_s if first is None else first
                yield now + t_s - first, fitted(bgr, width, height)
                last = t_s
            if first is None:
                raise FilmTrouble(
                    f"{cut.path.name}: no frame between {cut.start_s:.1f} and {cut.end_s:.1f} s"
                )
            now += last - first + step
        except FilmTrouble as trouble:
            note = str(trouble)
        rows.append(
            {
                "play_id": cut.play_id,
                "path": str(cut.path),
                "start_s": cut.start_s,
                "end_s": cut.end_s,
                "reel_start_s": begin,
                "reel_end_s": now,
                "title": f"{cut.title}   {cut.detail}".strip(),
                "note": note,
            }
        )


def fitted(bgr: np.ndarray, width: int, height: int) -> np.ndarray:
    """The picture scaled to fit, on black."""
    h, w = bgr.shape[:2]
    if (w, h) == (width, height):
        return bgr
    scale = min(width / w, height / h)
    size = max(1, round(w * scale)), max(1, round(h * scale))
    small = np.asarray(Image.fromarray(bgr).resize(size, Image.Resampling.BILINEAR))
    out = np.zeros((height, width, 3), np.uint8)
    x, y = (width - size[0]) // 2, (height - size[1]) // 2
    out[y : y + size[1], x : x + size[0]] = small
    return out


def card(heading: str, title: str, detail: str, place: str, width: int, height: int) -> np.ndarray:
    """A title card as bgr: the question, the play, what to look for, its number in the reel."""
    image = Image.new("RGB", (width, height), INK)
    draw = ImageDraw.Draw(image)
    left, size = round(width * 0.08), height / 720
    draw.rectangle((left, height * 0.40, left + 6 * size, height * 0.62), fill=AMBER)
    for text, y, points, colour in (
        (heading, 0.30, 24, QUIET),
        (title, 0.39, 50, PAPER),
        (detail, 0.52, 30, PAPER),
        (place, 0.86, 22, QUIET),
    ):
        font = _font(text, points * size, width - 2 * left - 24 * size)
        draw.text((left + (24 * size if y in (0.39, 0.52) else 0), height * y), text, fill=colour, font=font)
    return np.ascontiguousarray(np.asarray(image)[..., ::-1])


def _font(text: str, points: float, room: float) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The built-in face, smaller where the text would not fit."""
    font = ImageFont.load_default(points)
    wide = font.getlength(text)
    return font if wide <= room else ImageFont.load_default(max(9.0, points * room / wide))


def chapters(index: pd.DataFrame) -> str:
    """WebVTT chapter text (W3C WebVTT): one cue per clip, from its card to its end."""
    lines = ["WEBVTT", ""]
    for i, row in enumerate(index.itertuples(), 1):
        title = str(row.title).replace("-->", "→").replace("&", "&amp;").replace("<", "&lt;")
        lines += [str(i), f"{_clock(row.reel_start_s)} --> {_clock(row.reel_end_s)}", title, ""]
    return "\n".join(lines)


def _clock(seconds: float) -> str:
    ms = round(seconds * 1000)
    return f"{ms // 3600000:02d}:{ms // 60000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
