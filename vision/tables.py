"""Tracking tables: positions of all men at 5-60 Hz without any film, in and out.

`read_tracking_table` takes CSV or Parquet as exports.md says (play_id, frame or t_s, entity_id, team,
x_field_yd, y_field_yd; optional role, jersey, route, events) and the usual relatives: other spellings,
x counted from the end line, metres or feet, team names, a ball among the rows, event words on rows.
What was assumed is said in each play's `notes`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calibration.standards import FieldStandard, get_standard
from vision.plays.ball import BallPath
from vision.plays.record import Play
from vision.plays.understand import understand_play
from vision.records import Tracks
from vision.table_units import to_field_yards
from vision.table_words import (
    OFFENSE_ROLES,
    event_of,
    find_columns,
    outcome_of,
    role_of,
    side_of,
)
from vision.trouble import SheetTrouble

TABLE_SD_YD = 0.12
"""error of one place in a professional table (about 4 inches by the makers' word; from memory)"""
DEFAULT_RATE_HZ = 10.0


@dataclass(frozen=True)
class TablePlay:
    """One play of a tracking table, ready for `understand_play`.

    tracks: the men; teams offense / defense where the table says so, else A / B. frames (T,): the table's
    frame numbers (or 0..). ball: its path or None. events: moments on the table's clock (snap, throw,
    arrival, end, line_set ...). roles, routes: by entity id, as the table gives them. notes: what was
    assumed or
    mended. game: the table's game, '' where it names none.
    """

    play_id: str
    tracks: Tracks
    frames: np.ndarray
    ball: BallPath | None = None
    events: Mapping[str, float] = field(default_factory=dict)
    roles: Mapping[str, str] = field(default_factory=dict)
    routes: Mapping[str, str] = field(default_factory=dict)
    result: str = ""
    notes: tuple[str, ...] = ()
    game: str = ""

    def understand(self, standard: str | FieldStandard, sheet_row: Mapping[str, Any] | None = None) -> Play:
        """The play, read from these tracks with what the table itself says laid over."""
        facts: dict[str, Any] = {"result": self.result} if self.result else {}
        if "kick" in self.events:
            facts["kind"] = "kick"
        elif "handoff" in self.events and "throw" not in self.events:
            facts["kind"] = "run"
        row = {**facts, **(sheet_row or {})}
        return understand_play(
            self.tracks, standard, row or None, self.events, self.ball, self.roles, play_id=self.play_id
        )


def read_tracking_table(
    path: str | Path,
    standard: str | FieldStandard = "nfl",
    *,
    columns: Mapping[str, str] | None = None,
    units: str = "auto",
    x_zero: str = "auto",
    rate_hz: float | None = None,
    events: str | Path | None = None,
) -> Iterator[TablePlay]:
    """The plays of a table file, in its order.

    columns: {our name: the table's} where the spelling is not found by itself. units: yd, m, ft or auto.
    x_zero: 'goal line', 'end line' (x counts from the back of the end zone) or auto. rate_hz: of the
    frames when there is no time (10 assumed otherwise, and said). events: a second table (play_id,
    event, t_s or frame).
    Raises SheetTrouble naming file, reason and remedy.
    """
    path = Path(path)
    table = _load(path)
    return plays_of_table(
        table, standard, columns=columns, units=units, x_zero=x_zero, rate_hz=rate_hz,
        events=None if events is None else _load(Path(events)), where=path.name,
    )  # fmt: skip


def plays_of_table(
    table: pd.DataFrame,
    standard: str | FieldStandard = "nfl",
    *,
    columns: Mapping[str, str] | None = None,
    units: str = "auto",
    x_zero: str = "auto",
    rate_hz: float | None = None,
    events: pd.DataFrame | None = None,
    where: str = "table",
) -> Iterator[TablePlay]:
    """`read_tracking_table` for a table already in memory."""
    ground = get_standard(standard)
    found = find_columns(table.columns, columns, where)
    clean, notes = _clean(table, found, ground, units, x_zero, where)
    clean, time_note = _with_time(clean, rate_hz, where)
    extra = _event_table(events, found, clean) if events is not None else {}
    common = notes + time_note
    return (
        _one_play(str(key), part, extra.get(str(key), []), common)
        for key, part in clean.groupby("play", sort=False)
    )


def _load(path: Path) -> pd.DataFrame:
    if not path.exists():
        raise SheetTrouble(f"{path.name}: no such file", "check the path")
    try:
        if path.suffix.lower() in (".parquet", ".pq"):
            return pd.read_parquet(path)
        return pd.read_csv(path, low_memory=False)
    except (ValueError, OSError, UnicodeDecodeError, pd.errors.ParserError) as error:
        raise SheetTrouble(
            f"{path.name}: not readable as a table ({error})", "give a CSV or Parquet file"
        ) from error


def _clean(
    table: pd.DataFrame, found: dict[str, str], ground: FieldStandard, units: str, x_zero: str, where: str
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Rows under our names, places in field yards; with what was assumed."""
    out = pd.DataFrame({ours: table[theirs] for ours, theirs in found.items()})
    if out.empty:
        raise SheetTrouble(f"{where}: the table has no rows", "export it again")
    for name in ("x_field_yd", "y_field_yd"):
        numbers = pd.to_numeric(out[name], errors="coerce")
        if numbers.notna().sum() < 0.5 * out[name].notna().sum() or not numbers.notna().any():
            raise SheetTrouble(
                f"{where}: column {found[name]!r} does not hold numbers", "give another column for it"
            )
        out[name] = numbers.astype(float)
    play = out["play_id"].map(_text)
    out["play"] = out["game_id"].map(_text) + "-" + play if "game_id" in out else play
    side = out["team"].map({w: side_of(w) for w in out["team"].unique()})
    name_side = out["name"].map({w: side_of(w) for w in out["name"].unique()}) if "name" in out else side
    ids = out["entity_id"].map({w: _text(w) for w in out["entity_id"].unique()})
    is_ball = (side == "ball") | (name_side == "ball") | ids.str.lower().isin(["ball", "football"])
    out["side"], out["entity"] = side.mask(is_ball, "ball"), ids.mask(is_ball, "ball")
    nameless = (out["entity"] == "") & ~is_ball
    out = out[~nameless & out["x_field_yd"].notna() & out["y_field_yd"].notna()].copy()
    notes = (f"{int(nameless.sum())} rows without an id left out",) if nameless.any() else ()
    return to_field_yards(out, found, ground, units, x_zero, where, notes)


def _text(value: Any) -> str:
    """An id as text: 38577.0 -> '38577', NaN -> ''."""
    if value is None or (isinstance(value, float) and np.isnan(value)) or value is pd.NA:
        return ""
    if isinstance(value, float | np.floating) and float(value).is_integer():
        return str(int(value))
    text = str(value).strip()
    return "" if text.lower() in ("nan", "na", "none", "<na>") else text


def _with_time(out: pd.DataFrame, rate_hz: float | None, where: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Column `clock` in s for every row: from t_s (numbers, clock words) or frames."""
    notes: tuple[str, ...] = ()
    if "t_s" in out and rate_hz is None:
        clock = pd.to_numeric(out["t_s"], errors="coerce")
        if clock.notna().mean() < 0.9:
            stamps = pd.to_datetime(out["t_s"], errors="coerce", format="mixed", utc=True)
            first = stamps.groupby(out["play"]).transform("min")
            clock = (stamps - first).dt.total_seconds()
        enough = clock.notna().mean() > 0.9
        if enough and "frame" in out:
            counts = (
                pd.DataFrame({"p": out["play"], "f": out["frame"], "c": clock})
                .groupby("p")[["f", "c"]]
                .nunique()
            )
            enough = bool((counts["c"] >= 0.9 * counts["f"]).mean() > 0.9)
        if enough:
            return out.assign(clock=clock)[clock.notna()], notes
        if "frame" not in out:
            raise SheetTrouble(
                f"{where}: the time column cannot be read as seconds", "give t_s in s, or a frame column"
            )
        notes = ("the time column is too coarse; frames were used",)
    frame = pd.to_numeric(out["frame"], errors="coerce") if "frame" in out else pd.Series(np.nan, out.index)
    if frame.notna().mean() < 0.9:
        raise SheetTrouble(
            f"{where}: neither times nor frame numbers can be read", "give t_s in s, or a frame column"
        )
    rate = rate_hz or DEFAULT_RATE_HZ
    if rate_hz is None:
        notes += (f"no times given: frames taken as {DEFAULT_RATE_HZ:.0f} a second",)
    return out.assign(clock=frame / rate)[frame.notna()], notes


def _event_table(
    events: pd.DataFrame, found: dict[str, str], clean: pd.DataFrame
) -> dict[str, list[tuple[str, float]]]:
    """{play: [(word, s)]} of a separate events table; frames are looked up in the tracking rows."""
    lower = {str(c).lower(): c for c in events.columns}
    if "event" not in lower or not {"t_s", "frame"} & set(lower):
        raise SheetTrouble(
            "the events table needs play_id, event and t_s (or frame); it has "
            + ", ".join(map(str, events.columns)),
            "rename its columns",
        )
    play_column = lower.get("play_id", events.columns[0])
    keys = events[play_column].map(_text)
    if "game_id" in found and found["game_id"] in events:
        keys = events[found["game_id"]].map(_text) + "-" + keys
    if "t_s" in lower:
        clock = pd.to_numeric(events[lower["t_s"]], errors="coerce")
    else:
        times = clean.drop_duplicates(["play", "frame"]).set_index(["play", "frame"])["clock"]
        clock = pd.Series(
            [times.get((k, f), np.nan) for k, f in zip(keys, events[lower["frame"]], strict=False)],
            events.index,
        )
    out: dict[str, list[tuple[str, float]]] = {}
    for key, word, t in zip(keys, events[lower["event"]], clock, strict=False):
        if np.isfinite(t):
            out.setdefault(key, []).append((str(word), float(t)))
    return out


def _one_play(
    key: str, part: pd.DataFrame, extra: list[tuple[str, float]], notes: tuple[str, ...]
) -> TablePlay:
    """Pivot one play's rows to identities x times."""
    said = list(notes)
    part = part.assign(clock=part["clock"].round(4))
    double = part.duplicated(["entity", "clock"], keep=False)
    if double.any():
        names = sorted(part.loc[double, "entity"].unique())
        apart = (
            part[double].groupby(["entity", "clock"])[["x_field_yd", "y_field_yd"]].agg(np.ptp).max(axis=1)
        )
        clash = apart[apart > 0.5].reset_index()[["entity", "clock"]]
        said.append(f"doubled rows for {', '.join(names[:5])}; {len(clash)} moments at two places left blank")
        bad = pd.MultiIndex.from_frame(part[["entity", "clock"]]).isin(pd.MultiIndex.from_frame(clash))
        part = part[~bad].drop_duplicates(["entity", "clock"])
    clock = np.sort(part["clock"].unique())
    column = np.searchsorted(clock, part["clock"].to_numpy())
    men = part[(part["side"] != "ball") & (part["side"] != "official")]
    ids = list(dict.fromkeys(men["entity"]))
    row = men["entity"].map({e: k for k, e in enumerate(ids)}).to_numpy()
    xy = np.full((len(ids), len(clock), 2), np.nan)
    xy[row, np.searchsorted(clock, men["clock"].to_numpy())] = men[["x_field_yd", "y_field_yd"]].to_numpy()
    first = men.drop_duplicates("entity").set_index("entity")
    roles = {e: role_of(first["role"][e]) for e in ids} if "role" in first else {}
    teams, team_note = _teams(first, ids, roles)
    said += team_note
    if len(ids) not in (22, 24):
        said.append(f"{len(ids)} men in the table")
    ball_rows = part[part["side"] == "ball"].sort_values("clock").drop_duplicates("clock")
    ball = (
        BallPath(ball_rows["clock"], ball_rows[["x_field_yd", "y_field_yd"]]) if len(ball_rows) > 5 else None
    )
    events, result = _events(part, extra)
    frames = np.arange(len(clock))
    if "frame" in part:
        frames = np.zeros(len(clock), int)
        frames[column] = pd.to_numeric(part["frame"], errors="coerce").fillna(-1).to_numpy(int)
    present = np.isfinite(xy[..., 0])
    tracks = Tracks(
        ids=tuple(ids),
        team=tuple(teams),
        xy_field_yd=xy,
        velocity_field_yd_per_s=_velocity(clock, xy),
        sd_yd=np.where(present, TABLE_SD_YD, np.nan),
        observed=present,
        uncertain=np.zeros(present.shape, bool),
        t_s=clock,
        jersey=tuple(_text(first["jersey"][e]) for e in ids) if "jersey" in first else (),
        clip_id="",
        message="; ".join(said),
    )
    routes = (
        {e: _text(first["route"][e]) for e in ids if _text(first["route"][e])} if "route" in first else {}
    )
    known = {e: r for e, r in roles.items() if r}
    game = _text(part["game_id"].iloc[0]) if "game_id" in part else ""
    return TablePlay(key, tracks, frames, ball, events, known, routes, result, tuple(said), game)


def _teams(first: pd.DataFrame, ids: list[str], roles: dict[str, str]) -> tuple[list[str], list[str]]:
    """offense / defense where words, a possession column or the roles say so; else A / B by team name."""
    sides = [str(first["side"][e]) for e in ids]
    if all(s in ("offense", "defense") for s in sides) and set(sides) == {"offense", "defense"}:
        return sides, []
    names = [_text(first["team"][e]) for e in ids]
    kinds = list(dict.fromkeys(n for n in names if n))
    if len(kinds) != 2:
        return ["unknown"] * len(ids), [f"team names {kinds[:5]}: expected two teams"]
    offense = ""
    if "offense" in first:
        offense = next((n for n in kinds if n == _text(first["offense"].iloc[0])), "")
    if not offense and "defense" in first:
        defense = _text(first["defense"].iloc[0])
        offense = next((n for n in kinds if n != defense), "") if defense in kinds else ""
    if not offense and roles:
        votes = {
            n: sum(roles[e] in OFFENSE_ROLES for e, m in zip(ids, names, strict=False) if m == n and roles[e])
            for n in kinds
        }
        total = {n: sum(bool(roles[e]) for e, m in zip(ids, names, strict=False) if m == n) for n in kinds}
        best = max(kinds, key=lambda n: votes[n] / max(total[n], 1))
        offense = best if votes[best] > 0.7 * max(total[best], 1) else ""
    if offense:
        return ["offense" if n == offense else "defense" for n in names], []
    return ["A" if n == kinds[0] else "B" for n in names], []


def _events(part: pd.DataFrame, extra: list[tuple[str, float]]) -> tuple[dict[str, float], str]:
    """First time of each event word on the rows or in the events table; and the pass's outcome."""
    words = list(extra)
    if "event" in part:
        tagged = part[part["event"].notna()].drop_duplicates(["event", "clock"])
        words += [(str(e), float(t)) for e, t in zip(tagged["event"], tagged["clock"], strict=False)]
    if "moment" in part:
        at = part[part["moment"].astype(str).str.upper().str.strip() == "SNAP"]
        words += [("snap", float(t)) for t in at["clock"].head(1)]
    out: dict[str, float] = {}
    result = ""
    for word, t in sorted(words, key=lambda w: w[1]):
        ours = event_of(word)
        if ours:
            out.setdefault(ours, t)
        result = result or outcome_of(word)
    return out, result


def _velocity(clock: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """Central differences (yd/s); NaN next to gaps and where a play has a single time."""
    if len(clock) < 2:
        return np.full(xy.shape, np.nan)
    return np.gradient(xy, clock, axis=1)


def tracking_rows(play: Play) -> pd.DataFrame:
    """The play's tracks as rows of the exported table `tracks` (t_s from the snap)."""
    tracks: Tracks = play.tracks
    team = {m.player_id: m.team for m in play.players}
    speed = tracks.speed_yd_per_s
    p, k = np.nonzero(tracks.present)
    box = np.asarray(tracks.xyxy_px)[p, k]
    snap = play.snap_s.value
    return pd.DataFrame(
        {
            "clip_id": tracks.clip_id, "play_id": play.play_id, "frame": k, "t_s": tracks.t_s[k] - snap,
            "player_id": np.array(tracks.ids, object)[p],
            "team": [team.get(tracks.ids[i], tracks.team[i]) for i in p],
            "x_field_yd": tracks.xy_field_yd[p, k, 0], "y_field_yd": tracks.xy_field_yd[p, k, 1],
            "sd_yd": tracks.sd_yd[p, k], "speed_yd_per_s": speed[p, k], "observed": tracks.observed[p, k],
            "x0_px": box[:, 0], "y0_px": box[:, 1], "x1_px": box[:, 2], "y1_px": box[:, 3],
        }
    )  # fmt: skip
