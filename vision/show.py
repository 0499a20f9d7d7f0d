"""Show what was found: boxes, paths, field lines drawn over the film, beside the play from above.

Everything comes from the season file, so a person sees exactly what the tables hold. A frame whose camera was
lost carries no field lines and says so.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from PIL import Image, ImageDraw, ImageFont

from vision.clips import fitted, locate
from vision.film import open_clip, write_film
from vision.questions.words import shown
from vision.sheets.drawing import play_points
from vision.store import Season
from vision.trouble import FilmTrouble, QuestionTrouble

OFFENSE, DEFENSE, OFFICIAL, LINE, WHITE = (
    (70, 150, 255),
    (255, 140, 30),
    (190, 190, 190),
    (255, 230, 90),
    (255,) * 3,
)
PANEL_PX, TRAIL_S = 420, 1.5
SIZE = {"canadian": (110.0, 65.0)}
WIDTH_PX = 1280


def show_clip(
    season: Season,
    clip: str,
    out: str | None = None,
    moment: str | None = None,
    film_folder: str | None = None,
) -> Path:
    """Write the overlay of a clip (file name, clip id, or play id) as film, or as one picture when `out` ends
    in .png or `moment` is given (snap, throw, arrival, or seconds). Returns the path written."""
    row, play = _chosen(season, clip)
    path = locate(season, row["path"], film_folder)
    if path is None:
        raise FilmTrouble(f"{row['path']} is not there", "name its folder with --film")
    target = Path(out) if out else Path(f"{path.stem}_show{'.png' if moment else '.mp4'}")
    scene = Scene(season, row, play)
    film = open_clip(path, threads=2)
    if target.suffix.lower() == ".png":
        frame = film.frame_near(scene.second(moment or "throw"))
        picture = scene.draw(frame, film.picture(frame))
        target.parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(picture[..., ::-1]).save(target)
    else:
        first, last = scene.span()
        write_film(target, _drawn(scene, film, first, last), film.rate, quality=24)
    return target


def _drawn(scene: Scene, film: Any, first_s: float, last_s: float) -> Iterator[tuple[float, np.ndarray]]:
    begin = None
    for frame, t_s, bgr in film.frames(film.frame_near(max(0.0, first_s))):
        if t_s > last_s:
            return
        begin = t_s if begin is None else begin
        yield t_s - begin, scene.draw(frame, bgr)


def _chosen(season: Season, name: str) -> tuple[pd.Series, pd.Series]:
    clips = season.table("clips")
    clips = clips[clips["status"] != "failed"]
    for test in (
        clips["clip_id"] == name,
        clips["play_id"] == name,
        clips["path"].map(lambda p: Path(str(p)).name == Path(name).name),
        clips["path"].map(lambda p: Path(str(p)).stem == Path(name).stem),
    ):
        if test.any():
            row = clips[test].sort_values("view", ascending=False).iloc[0]
            plays = season.table("plays", [row["play_id"]])
            return row, plays.iloc[0]
    raise QuestionTrouble(f"no clip or play {name!r} is stored", "list them with `underneath todo` or `find`")


class Scene:
    """All that is known of one clip's play, ready to be drawn frame by frame."""

    def __init__(self, season: Season, clip: pd.Series, play: pd.Series) -> None:
        self.clip, self.play = clip, play
        ids = [play["play_id"]]
        tracks = season.table("tracks", ids)
        here = tracks[(tracks["clip_id"] == clip["clip_id"]) | tracks["clip_id"].isna()]
        self.tracks = play_points(here if len(here) else tracks, play).sort_values("frame")
        cameras = season.frame("cameras")
        self.cameras = cameras[cameras["clip_id"] == clip["clip_id"]].set_index("frame")
        self.by_frame = dict(list(self.tracks.groupby("frame")))
        self.frames = np.array(sorted(self.by_frame))
        columns = ["t_s", "x_field_yd", "y_field_yd", "depth", "lateral"]
        have = self.tracks.reindex(columns=[*columns, "player_id", "team"])
        self.paths = {
            str(i): (str(p["team"].iloc[0]), p[columns].to_numpy(float)) for i, p in have.groupby("player_id")
        }
        players = season.table("players", ids).set_index("player_id")
        routes = season.table("routes", ids)
        self.labels = {i: _label(i, players, routes) for i in players.index}
        self.length_yd, self.width_yd = SIZE.get(str(play["standard"]), (100.0, 160 / 3))

    def second(self, moment: str) -> float:
        """A moment in seconds from the clip's first frame."""
        if moment in ("snap", "throw", "arrival", "end"):
            value = self.play[f"{moment}_s"]
            if value is None or value != value:
                raise QuestionTrouble(f"the {moment} of {self.play['play_id']} is not known", "give seconds")
            return float(value)
        try:
            return float(moment)
        except ValueError:
            raise QuestionTrouble(
                f"moment {moment!r} is not known", "snap, throw, arrival, end or seconds"
            ) from None

    def span(self) -> tuple[float, float]:
        """Seconds to show: 2.5 before the snap to 1 after the end; the whole clip when not known."""
        snap = self.play["snap_s"]
        if snap is None or snap != snap:
            return 0.0, float("inf")
        ends = [v for v in (self.play["end_s"], self.play["arrival_s"]) if v is not None and v == v]
        return float(snap) - 2.5, (float(ends[0]) if ends else float(snap) + 6.0) + 1.0

    def draw(self, frame: int, bgr: np.ndarray) -> np.ndarray:
        """The picture with everything over it, and the play from above at its right; bgr uint8."""
        height = round(bgr.shape[0] * WIDTH_PX / bgr.shape[1] / 2) * 2
        scale = WIDTH_PX / bgr.shape[1]
        image = Image.fromarray(fitted(bgr, WIDTH_PX, height)[..., ::-1])
        pen = ImageDraw.Draw(image, "RGBA")
        note = self._field(pen, frame, scale, (WIDTH_PX, height))
        self._people(pen, frame, scale)
        seconds = self._moment(frame)
        words = [f"{self.play['play_id']}   {seconds}", note]
        for i, text in enumerate(w for w in words if w):
            font = ImageFont.load_default(20)
            pen.rectangle((8, 8 + 30 * i, 20 + font.getlength(text), 34 + 30 * i), fill=(18, 33, 29, 190))
            pen.text((14, 9 + 30 * i), text, fill=WHITE, font=font)
        whole = Image.new("RGB", (WIDTH_PX + PANEL_PX, height), (18, 33, 29))
        whole.paste(image, (0, 0))
        whole.paste(self._above(frame, height), (WIDTH_PX, 0))
        return np.ascontiguousarray(np.asarray(whole)[..., ::-1])

    def _moment(self, frame: int) -> str:
        rows = self.by_frame.get(frame)
        return f"{float(rows['t_s'].iloc[0]):+.2f} s from the snap" if rows is not None else f"frame {frame}"

    def _field(self, pen: Any, frame: int, scale: float, size: tuple[int, int]) -> str:
        if frame not in self.cameras.index:
            return "no camera stored"
        camera = self.cameras.loc[frame]
        if camera["status"] == "lost" or camera["fx_px"] != camera["fx_px"]:
            return "camera lost: no yards here"
        along, across = np.linspace(0, self.length_yd, 111), np.linspace(0, self.width_yd, 41)
        lines = [
            np.column_stack([np.full_like(across, x), across]) for x in np.arange(0, self.length_yd + 1, 5)
        ]
        lines += [np.column_stack([along, np.full_like(along, y)]) for y in (0.0, self.width_yd)]
        for line in lines:
            px, fine = project(camera, line, self.width_yd)
            _polyline(pen, px * scale, fine, (*LINE, 130), 2, size)
        return ""

    def _people(self, pen: Any, frame: int, scale: float) -> None:
        rows = self.by_frame.get(self._known(frame))
        if rows is None:
            return
        camera = self.cameras.loc[frame] if frame in self.cameras.index else None
        taken: list[tuple[float, float, float, float]] = []
        for r in rows.itertuples():
            colour = {"offense": OFFENSE, "defense": DEFENSE}.get(str(r.team), OFFICIAL)
            box = np.array([r.x0_px, r.y0_px, r.x1_px, r.y1_px], float) * scale
            if np.isfinite(box).all():
                pen.rectangle(tuple(box), outline=(*colour, 255 if r.observed else 110), width=2)
                _write(pen, self.labels.get(str(r.player_id), ""), box, colour, taken)
            if camera is not None and camera["status"] != "lost" and str(r.team) != "official":
                path = self._trail(str(r.player_id), float(r.t_s))
                px, fine = project(camera, path, self.width_yd)
                _polyline(pen, px * scale, fine, (*colour, 220), 3, (10**5, 10**5))

    def _known(self, frame: int) -> int:
        """The nearest frame with tracks, at most two away."""
        if not len(self.frames):
            return -1
        near = int(self.frames[np.abs(self.frames - frame).argmin()])
        return near if abs(near - frame) <= 2 else -1

    def _trail(self, player_id: str, now_s: float) -> np.ndarray:
        path = self.paths[player_id][1]
        now = (path[:, 0] <= now_s) & (path[:, 0] >= max(now_s - TRAIL_S, 0.0))
        return path[now][:, 1:3]

    def _above(self, frame: int, height: int) -> Image.Image:
        """The play frame from above, the offense going up, paths since the snap."""
        panel = Image.new("RGB", (PANEL_PX, height), (34, 72, 60))
        pen = ImageDraw.Draw(panel, "RGBA")
        scale = PANEL_PX / 56.0
        middle = height * 0.68

        def at(depth: float, lateral: float) -> tuple[float, float]:
            return PANEL_PX / 2 + lateral * scale, middle - depth * scale

        for depth in range(-15, 60, 5):
            y = at(depth, 0)[1]
            pen.line(
                (0, y, PANEL_PX, y),
                fill=(255, 255, 255, 200 if depth == 0 else 60),
                width=2 if depth == 0 else 1,
            )
        rows = self.by_frame.get(self._known(frame))
        if rows is None or "depth" not in rows:
            return panel
        now = float(rows["t_s"].iloc[0])
        for team, path in self.paths.values():
            colour = OFFENSE if team == "offense" else DEFENSE
            since = path[(path[:, 0] >= 0) & (path[:, 0] <= now)]
            points = [at(d, x) for d, x in since[:, 3:5] if d == d]
            if len(points) > 1 and team != "official":
                pen.line(points, fill=(*colour, 200), width=2, joint="curve")
        for r in rows.itertuples():
            if r.depth != r.depth or str(r.team) == "official":
                continue
            x, y = at(r.depth, r.lateral)
            colour = OFFENSE if r.team == "offense" else DEFENSE
            if r.team == "offense":
                pen.ellipse((x - 5, y - 5, x + 5, y + 5), fill=colour)
            else:
                pen.polygon([(x - 6, y - 5), (x + 6, y - 5), (x, y + 6)], fill=colour)
        return panel


@functools.cache
def _label_font() -> Any:
    """Read once, not for every man of every frame."""
    return ImageFont.load_default(14)


def _write(
    pen: Any,
    text: str,
    box: np.ndarray,
    colour: tuple[int, int, int],
    taken: list[tuple[float, float, float, float]],
) -> None:
    """A label above its box, or where that is taken by another's, below it or higher; ``taken`` grows by its
    place (x0, y0, x1, y1 in px)."""
    if not text:
        return
    font = _label_font()
    wide = float(pen.textlength(text, font=font))
    places = [(box[0], box[1] - 17), (box[0], box[3] + 1), (box[0], box[1] - 33), (box[0], box[3] + 17)]
    free = (
        (x, y)
        for x, y in places
        if not any(x < b[2] and x + wide > b[0] and y < b[3] and y + 16 > b[1] for b in taken)
    )
    x, y = next(free, places[0])
    taken.append((x, y, x + wide, y + 16))
    pen.text((x, y), text, fill=(*colour, 255), font=font, stroke_width=2, stroke_fill=(10, 20, 16))


def _label(player_id: str, players: pd.DataFrame, routes: pd.DataFrame) -> str:
    """Number or role, and the route of a receiver."""
    man = players.loc[player_id]
    name = (
        str(int(man["jersey"]))
        if man["jersey"] == man["jersey"] and man["jersey"] is not None
        else man["role"] or ""
    )
    own = routes.loc[routes["player_id"] == player_id, "route"]
    return f"{name} {shown(own.iloc[0])}" if len(own) and isinstance(own.iloc[0], str) else str(name)


def project(camera: pd.Series, xy_field_yd: np.ndarray, width_yd: float) -> tuple[np.ndarray, np.ndarray]:
    """Places (N, 2) on the crowned ground into the picture: (px (N, 2), valid (N,)). Pinhole with one radial
    coefficient, from the columns of the cameras table; invalid behind the camera or beyond the point where
    the coefficient folds the picture back (r^2 > -1/(3 k1) for k1 < 0)."""
    xy = np.asarray(xy_field_yd, float).reshape(-1, 2)
    across = (xy[:, 1] - width_yd / 2) / (width_yd / 2)
    crown = camera["field_crown_yd"] if camera["field_crown_yd"] == camera["field_crown_yd"] else 0.0
    up = np.where(np.abs(across) <= 1, crown * (1 - across**2), 0.0)
    centre = np.array([camera["tx_yd"], camera["ty_yd"], camera["tz_yd"]], float)
    turn = np.array([[camera[f"r{i}{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)], float)
    seen = (np.column_stack([xy, up]) - centre) @ turn.T
    with np.errstate(divide="ignore", invalid="ignore"):
        flat = seen[:, :2] / seen[:, 2:]
    r2 = (flat**2).sum(axis=1)
    k1 = camera["k1"] if camera["k1"] == camera["k1"] else 0.0
    limit = 1 / (-3 * k1) if k1 < 0 else np.inf
    px = np.array([camera["cx_px"], camera["cy_px"]]) + camera["fx_px"] * flat * (1 + k1 * r2)[:, None]
    valid = (seen[:, 2] > 0.5) & (r2 < limit) & np.isfinite(px).all(axis=1)
    return px, valid


def _polyline(
    pen: Any, px: np.ndarray, fine: np.ndarray, colour: tuple[int, ...], width: int, size: tuple[int, int]
) -> None:
    """Joined stretches of a line whose ends lie near the picture."""
    inside = fine & (px > -400).all(axis=1) & (px[:, 0] < size[0] + 400) & (px[:, 1] < size[1] + 400)
    for i in range(len(px) - 1):
        if inside[i] and inside[i + 1]:
            pen.line((*px[i], *px[i + 1]), fill=colour, width=width)
