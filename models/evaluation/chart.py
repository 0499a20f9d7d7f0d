"""End-to-end figures: the tables that left the program against the tables of the film's truth.

Both sides are tables in the open export format (pandas frames by name: plays, players, tracks,
routes, matchups, clips). People are matched in yards, frame by frame (Hungarian, gate 1.5 yd), so
the program's own names for people do not matter. Counts are added over plays; ratios come last.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

Tables = Mapping[str, pd.DataFrame]
GATE_YD = 1.5


@dataclass
class Tally:
    """Counts and samples of one film; ``figures()`` turns them into named values with n."""

    counts: Counter[str] = field(default_factory=Counter)
    samples: dict[str, list[float]] = field(default_factory=dict)

    def hit(self, name: str, right: bool) -> None:
        """One trial of a share."""
        self.counts[f"{name}/n"] += 1
        self.counts[f"{name}/right"] += int(right)

    def add(self, name: str, values: np.ndarray | list[float]) -> None:
        """Samples of an error."""
        self.samples.setdefault(name, []).extend(float(v) for v in values if np.isfinite(v))

    def figures(self) -> dict[str, dict[str, float]]:
        """Shares as {value, n}; errors as {median, p95, mean, n}."""
        out: dict[str, dict[str, float]] = {}
        for key, n in self.counts.items():
            name, kind = key.rsplit("/", 1)
            if kind == "n":
                out[name] = {"value": self.counts[f"{name}/right"] / n, "n": n}
        for name, values in self.samples.items():
            v = np.asarray(values)
            if len(v):
                out[name] = {
                    "median": float(np.median(v)),
                    "p95": float(np.percentile(v, 95)),
                    "mean": float(v.mean()),
                    "n": len(v),
                }
        return out


def match_people(
    found: pd.DataFrame, true: pd.DataFrame, gate_yd: float = GATE_YD
) -> list[tuple[str, str, float]]:
    """Match one instant's people by place. Returns (true id, found id, distance yd) triples."""
    if not len(found) or not len(true):
        return []
    a = true[["x_field_yd", "y_field_yd"]].to_numpy(float)
    b = found[["x_field_yd", "y_field_yd"]].to_numpy(float)
    distance = np.linalg.norm(a[:, None] - b[None], axis=2)
    rows, columns = linear_sum_assignment(np.minimum(distance, gate_yd * 4))
    ids_true, ids_found = true["player_id"].to_numpy(), found["player_id"].to_numpy()
    return [
        (str(ids_true[r]), str(ids_found[c]), float(distance[r, c]))
        for r, c in zip(rows, columns, strict=True)
        if distance[r, c] <= gate_yd
    ]


def _instants(tracks: pd.DataFrame) -> dict[int, pd.DataFrame]:
    return {int(k): v for k, v in tracks.groupby("frame")}


def _in_view(true: pd.DataFrame) -> pd.DataFrame:
    seen = true[true["team"].isin(["offense", "defense"])]
    if "observed" in seen:
        seen = seen[seen["observed"].fillna(False).astype(bool)]
    return seen


def identity_map(
    found: pd.DataFrame, true: pd.DataFrame, first: int, last: int, step: int
) -> dict[str, list[tuple[int, str, float]]]:
    """True id -> list of (frame, found id, error yd) on sampled frames of one clip."""
    by_found, by_true = _instants(found), _instants(true)
    out: dict[str, list[tuple[int, str, float]]] = {}
    for frame in range(first, last + 1, step):
        if frame not in by_true:
            continue
        here = by_found.get(frame, found.iloc[:0])
        here = here[here["team"] != "official"]
        for true_id, found_id, error in match_people(here, _in_view(by_true[frame])):
            out.setdefault(true_id, []).append((frame, found_id, error))
    return out


def _value(row: pd.Series | None, name: str) -> float:
    if row is None or name not in row or pd.isna(row[name]):
        return float("nan")
    return float(row[name])


def score_moments(tally: Tally, found: pd.Series | None, true: pd.Series) -> None:
    """Snap, throw, line of scrimmage, direction and pass/run/kick of one play."""
    for name, tolerances in (("snap_s", (0.1, 0.2)), ("throw_s", (0.2,))):
        truth = _value(true, name)
        if not np.isfinite(truth):
            continue
        error = abs(_value(found, name) - truth)
        for tolerance in tolerances:
            tally.hit(f"{name[:-2]} within {tolerance} s", bool(error <= tolerance))
        tally.add(f"{name[:-2]} error s", [error])
    if found is not None:
        tally.add(
            "line of scrimmage error yd", [abs(_value(found, "los_field_yd") - _value(true, "los_field_yd"))]
        )
    if pd.notna(true.get("direction")):
        right = found is not None and _value(found, "direction") == float(true["direction"])
        tally.hit("direction right", right)
    if "kind" in true and pd.notna(true["kind"]):
        tally.hit("pass, run or kick right", found is not None and found.get("kind") == true["kind"])


def score_people(
    tally: Tally, found: pd.DataFrame, true: pd.DataFrame, snap: int, throw: int, fps: float
) -> dict[str, str]:
    """People before the snap, position error, one identity from snap to throw.

    Returns true id -> found id at the snap."""
    by_found, by_true = _instants(found), _instants(true)
    step = max(1, round(fps / 10))
    for frame in range(max(0, snap - round(fps)), snap + 1, step):
        if frame not in by_true:
            continue
        seen = _in_view(by_true[frame])
        pairs = match_people(by_found.get(frame, found.iloc[:0]), seen, 1.0)
        tally.counts["players found before the snap/n"] += len(seen)
        tally.counts["players found before the snap/right"] += len(pairs)
    matched = identity_map(found, true, snap, throw, step)
    at_snap: dict[str, str] = {}
    roles = true.drop_duplicates("player_id").set_index("player_id")
    for true_id, seen_at in matched.items():
        tally.add("position error yd", [e for _, _, e in seen_at])
        most, votes = Counter(f for _, f, _ in seen_at).most_common(1)[0]
        at_snap[true_id] = seen_at[0][1] if seen_at[0][0] <= snap + step else most
        frames_in_view = _view_count(by_true, true_id, snap, throw, step)
        share = votes / max(1, frames_in_view)
        kept = share >= 0.9 and seen_at[0][1] == seen_at[-1][1]
        role = str(roles.loc[true_id].get("role", "")) if true_id in roles.index else ""
        if role in ("WR", "TE", "RB"):
            tally.hit("receivers with one identity, snap to throw", kept)
        elif role in ("LB", "S", "CB"):
            tally.hit("defenders with one identity, snap to throw", kept)
    return at_snap


def _view_count(by_true: dict[int, pd.DataFrame], true_id: str, first: int, last: int, step: int) -> int:
    count = 0
    for frame in range(first, last + 1, step):
        if frame in by_true:
            seen = _in_view(by_true[frame])
            count += int((seen["player_id"] == true_id).any())
    return count


def score_routes(tally: Tally, found: pd.DataFrame, true: pd.DataFrame, names: Mapping[str, str]) -> None:
    """Route right of the true receivers (a receiver not found counts as wrong), and when it answers.

    Where the truth says which routes were `finished` (the break was run before the throw), those also
    apart: the others are named by what was called, not by what could be seen.
    """
    answers = found.set_index("player_id")["route"].to_dict() if len(found) else {}
    for row in true.itertuples():
        answer = answers.get(names.get(str(row.player_id), ""), None)
        tally.hit("route right", answer == row.route)
        if answer not in (None, "unknown"):
            tally.hit("route right when answered", answer == row.route)
        if getattr(row, "finished", None) is True or getattr(row, "finished", None) == 1:
            tally.hit("route right (break run before the throw)", answer == row.route)


def score_cushions(tally: Tally, found: pd.DataFrame, true: pd.DataFrame, names: Mapping[str, str]) -> None:
    """Cushion of the nearest defender at the snap, receiver by receiver; leverage words alike."""

    def nearest(table: pd.DataFrame) -> pd.DataFrame:
        if not len(table):
            return table
        here = table[(table["moment"] == "snap") & (table["kind"] == "nearest")]
        return here.drop_duplicates("receiver_id").set_index("receiver_id")

    ours, truth = nearest(found), nearest(true)
    for receiver_id, row in truth.iterrows():
        name = names.get(str(receiver_id))
        if name is None or not len(ours) or name not in ours.index:
            tally.hit("cushion answered", False)
            continue
        tally.hit("cushion answered", True)
        tally.add(
            "cushion at snap error yd", [abs(float(ours.loc[name, "cushion_yd"]) - float(row["cushion_yd"]))]
        )
        if isinstance(row.get("leverage"), str):
            tally.hit("leverage at snap right", ours.loc[name, "leverage"] == row["leverage"])


def score_tables(found: Tables, true: Tables, view: str = "sideline") -> Tally:
    """All figures over the plays of ``true`` (a play or clip the program left out counts as missed)."""
    tally = Tally()
    clips = true["clips"]
    clips = clips[clips["view"] == view]
    for clip in clips.itertuples():
        play_id = clip.play_id
        truth_play = true["plays"][true["plays"]["play_id"] == play_id].iloc[0]
        ours = found["plays"][found["plays"]["play_id"] == play_id]
        our_play = ours.iloc[0] if len(ours) else None
        score_moments(tally, our_play, truth_play)
        fps = clip.fps_num / clip.fps_den
        snap = round(float(truth_play["snap_s"]) * fps)
        throw_s = truth_play.get("throw_s")
        end_s = truth_play.get("end_s")
        last = throw_s if pd.notna(throw_s) else (end_s if pd.notna(end_s) else truth_play["snap_s"] + 2.5)
        tracks = true["tracks"][true["tracks"]["clip_id"] == clip.clip_id]
        tracks = tracks.merge(_roles(true, play_id), on="player_id", how="left")
        our_tracks = found["tracks"][found["tracks"]["clip_id"] == clip.clip_id]
        our_tracks = our_tracks.dropna(subset=["x_field_yd", "y_field_yd"])
        names = score_people(tally, our_tracks, tracks, snap, round(float(last) * fps), fps)
        score_teams(tally, our_tracks, tracks, names)
        score_roles(tally, found, true, play_id, names)
        if truth_play.get("kind", "pass") != "pass":
            continue
        score_routes(tally, _of(found, "routes", play_id), _of(true, "routes", play_id), names)
        score_cushions(tally, _of(found, "matchups", play_id), _of(true, "matchups", play_id), names)
    return tally


def _of(tables: Tables, name: str, play_id: str) -> pd.DataFrame:
    table = tables[name]
    return table[table["play_id"] == play_id]


def _roles(tables: Tables, play_id: str) -> pd.DataFrame:
    players = _of(tables, "players", play_id)
    return players[["player_id", "role"]].drop_duplicates("player_id")


def score_teams(tally: Tally, found: pd.DataFrame, true: pd.DataFrame, names: Mapping[str, str]) -> None:
    """Side (offense or defense) of the people matched at the snap."""
    ours = found.drop_duplicates("player_id").set_index("player_id")["team"].to_dict()
    theirs = true.drop_duplicates("player_id").set_index("player_id")["team"].to_dict()
    for true_id, found_id in names.items():
        tally.hit("team right", ours.get(found_id) == theirs.get(true_id))


def score_roles(tally: Tally, found: Tables, true: Tables, play_id: str, names: Mapping[str, str]) -> None:
    """Role of the people matched at the snap."""
    ours = (
        _of(found, "players", play_id).drop_duplicates("player_id").set_index("player_id")["role"].to_dict()
    )
    theirs = (
        _of(true, "players", play_id).drop_duplicates("player_id").set_index("player_id")["role"].to_dict()
    )
    for true_id, found_id in names.items():
        if isinstance(theirs.get(true_id), str):
            tally.hit("role right", ours.get(found_id) == theirs[true_id])
