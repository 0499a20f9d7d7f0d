"""End-to-end figures: the tables that left the program against the tables of the film's truth.

Both sides are tables in the open export format (pandas frames by name: plays, players, tracks,
routes, matchups, clips). People are matched in yards, frame by frame (Hungarian, gate 1.5 yd), so
the program's own names for people do not matter. Counts are added over plays; ratios come last.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment

from models.evaluation.one_name import KEPT_SHARE, SEEN_SHARE, kept_by_mapping
from models.evaluation.play_figures import given, score_kind, score_names, score_passing, score_twelve
from models.evaluation.tally import Tally

Tables = Mapping[str, pd.DataFrame]
GATE_YD = 1.5
OFFICIAL_GATE_YD = 1.0
RECEIVERS, COVERERS = ("WR", "TE", "RB"), ("LB", "S", "CB")
UNDERNEATH_YD = 12.0
"""A linebacker, corner or safety less deep than this at the throw counts as an underneath defender."""


def match_people(
    found: pd.DataFrame,
    true: pd.DataFrame,
    gate_yd: float = GATE_YD,
    before: Mapping[str, str] | None = None,
) -> list[tuple[str, str, float]]:
    """Match one instant's people by place. Returns (true id, found id, distance yd) triples.

    before: {true id: found id} of the instant before; pairs still within the gate stay, as in the CLEAR MOT
    metrics (Bernardin and Stiefelhagen, EURASIP J. Image and Video Processing 2008, 246309; from memory), so
    that two men within a yard of each other do not seem to exchange names whenever their errors cross."""
    if not len(found) or not len(true):
        return []
    a = true[["x_field_yd", "y_field_yd"]].to_numpy(float)
    b = found[["x_field_yd", "y_field_yd"]].to_numpy(float)
    distance = np.linalg.norm(a[:, None] - b[None], axis=2)
    ids_true, ids_found = true["player_id"].to_numpy(), found["player_id"].to_numpy()
    cost = np.minimum(distance, gate_yd * 4)
    if before:
        same = np.array([[before.get(str(t)) == str(f) for f in ids_found] for t in ids_true])
        cost = np.where(same & (distance <= gate_yd), -gate_yd * 4 * len(cost), cost)
    rows, columns = linear_sum_assignment(cost)
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
    found: pd.DataFrame, true: pd.DataFrame, first: int, last: int, step: int, lasting: bool = False
) -> dict[str, list[tuple[int, str, float]]]:
    """True id -> list of (frame, found id, error yd) on sampled frames of one clip. lasting: pairs stay while
    they are within the gate (see `match_people`); else every frame is matched by itself."""
    by_found, by_true = _instants(found), _instants(true)
    out: dict[str, list[tuple[int, str, float]]] = {}
    before: dict[str, str] = {}
    for frame in range(first, last + 1, step):
        if frame not in by_true:
            continue
        here = by_found.get(frame, found.iloc[:0])
        here = here[here["team"] != "official"]
        for true_id, found_id, error in match_people(here, _in_view(by_true[frame]), before=before):
            out.setdefault(true_id, []).append((frame, found_id, error))
            if lasting:
                before[true_id] = found_id
    return out


def _value(row: pd.Series | None, name: str) -> float:
    if row is None or name not in row or pd.isna(row[name]):
        return float("nan")
    return float(row[name])


def score_moments(tally: Tally, found: pd.Series | None, true: pd.Series) -> None:
    """Snap, throw, line of scrimmage, direction and pass/run/kick of one play; a kick's snap, which starts no
    drop and no route, apart."""
    kick = " on kicks" if true.get("kind") == "kick" else ""
    for name, tolerances in (("snap_s", (0.1, 0.2)), ("throw_s", (0.2,))):
        truth = _value(true, name)
        if not np.isfinite(truth):
            continue
        error = abs(_value(found, name) - truth)
        for tolerance in tolerances:
            tally.hit(f"{name[:-2]} within {tolerance} s{kick}", bool(error <= tolerance))
        tally.add(f"{name[:-2]} error s{kick}", [error])
    if found is not None:
        tally.add(
            "line of scrimmage error yd", [abs(_value(found, "los_field_yd") - _value(true, "los_field_yd"))]
        )
    if pd.notna(true.get("direction")):
        right = found is not None and _value(found, "direction") == float(true["direction"])
        tally.hit("direction right", right)
    if "kind" in true and pd.notna(true["kind"]):
        tally.hit("pass, run or kick right", found is not None and found.get("kind") == true["kind"])
    score_kind(tally, found, true)


def score_people(
    tally: Tally, found: pd.DataFrame, true: pd.DataFrame, snap: int, throw: int, fps: float
) -> dict[str, str]:
    """People before the snap, places and speeds, one identity from snap to throw.

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
    for true_id, seen_at in matched.items():
        tally.add("position error yd", [e for _, _, e in seen_at])
        most = Counter(f for _, f, _ in seen_at).most_common(1)[0][0]
        at_snap[true_id] = seen_at[0][1] if seen_at[0][0] <= snap + step else most
    roles = _role_of(true)
    for true_id, kept in kept_identities(by_true, matched, snap, throw, step).items():
        if roles.get(true_id) in RECEIVERS:
            tally.hit("receivers with one identity, snap to throw", kept)
        elif roles.get(true_id) in COVERERS:
            tally.hit("defenders with one identity, snap to throw", kept)
    score_speeds(tally, found, true, matched)
    score_officials(tally, by_found, by_true, range(max(0, snap - round(fps)), throw + 1, step))
    return at_snap


def kept_identities(
    by_true: Mapping[int, pd.DataFrame],
    matched: Mapping[str, list[tuple[int, str, float]]],
    first: int,
    last: int,
    step: int,
) -> dict[str, bool]:
    """True id -> one and the same found id at both ends and on nine tenths of the instants in view. Every
    man matched at all is asked, and every man in view half of the time (never found: not kept)."""
    frames = [f for f in range(first, last + 1, step) if f in by_true]
    views: Counter[str] = Counter()
    for frame in frames:
        views.update(str(p) for p in _in_view(by_true[frame])["player_id"])
    out: dict[str, bool] = {}
    for true_id, count in views.items():
        seen_at = [s for s in matched.get(true_id, []) if first <= s[0] <= last]
        if not seen_at:
            if count >= SEEN_SHARE * len(frames):
                out[true_id] = False
            continue
        votes = Counter(f for _, f, _ in seen_at).most_common(1)[0][1]
        out[true_id] = votes >= KEPT_SHARE * count and seen_at[0][1] == seen_at[-1][1]
    return out


def score_to_arrival(
    tally: Tally, found: pd.DataFrame, true: pd.DataFrame, play: pd.Series, fps: float
) -> None:
    """One identity from the snap to the ball's arrival: receivers, and defenders underneath.

    Counted three ways: with every instant matched by itself, where two men within half a yard of each other
    seem to exchange names when their errors cross; with pairs that last, where men who exchange names in the
    last moment and do not part by a yard seem to keep them; and by the mapping of IDF1 (`one_name`)."""
    if pd.isna(play.get("arrival_s")) or pd.isna(play.get("throw_s")):
        return
    snap, throw, arrival = (round(float(play[f"{n}_s"]) * fps) for n in ("snap", "throw", "arrival"))
    step = max(1, round(fps / 10))
    by_true, roles = _instants(true), _role_of(true)
    at_throw = by_true.get(throw, true.iloc[:0])
    depth = float(play["direction"]) * (at_throw["x_field_yd"] - float(play["los_field_yd"]))
    under = {str(p) for p in at_throw.loc[depth < UNDERNEATH_YD, "player_id"]}
    counts = {}
    for lasting, name in ((False, "one identity"), (True, "one lasting pair")):
        matched = identity_map(found, true, snap, arrival, step, lasting)
        counts[name] = kept_identities(by_true, matched, snap, arrival, step)
    in_view = {f: _in_view(by_true[f]) for f in range(snap, arrival + 1, step) if f in by_true}
    players = _instants(found[found["team"] != "official"])
    counts["one name"] = kept_by_mapping(players, in_view, list(in_view))
    for name, men in counts.items():
        for true_id, kept in men.items():
            if roles.get(true_id) in RECEIVERS:
                tally.hit(f"receivers with {name}, snap to arrival", kept)
            elif roles.get(true_id) in COVERERS and true_id in under:
                tally.hit(f"underneath defenders with {name}, snap to arrival", kept)


def score_speeds(
    tally: Tally,
    found: pd.DataFrame,
    true: pd.DataFrame,
    matched: Mapping[str, list[tuple[int, str, float]]],
) -> None:
    """Speed over the ground of matched men against the truth's."""
    if "speed_yd_per_s" not in found or "speed_yd_per_s" not in true:
        return
    ours, theirs = (
        dict(zip(zip(t["frame"], t["player_id"], strict=True), t["speed_yd_per_s"], strict=True))
        for t in (found, true)
    )
    nothing = float("nan")
    tally.add(
        "speed error yd/s",
        [
            abs(float(ours.get((frame, f), nothing)) - float(theirs.get((frame, true_id), nothing)))
            for true_id, seen_at in matched.items()
            for frame, f, _ in seen_at
        ],
    )


def score_officials(
    tally: Tally, by_found: Mapping[int, pd.DataFrame], by_true: Mapping[int, pd.DataFrame], frames: range
) -> None:
    """Share of the officials in view at whose place one of our players stands and no true player does."""
    for frame in frames:
        if frame not in by_true:
            continue
        everyone = by_true[frame]
        if "observed" in everyone:
            everyone = everyone[everyone["observed"].fillna(False).astype(bool)]
        officials = set(everyone.loc[everyone["team"] == "official", "player_id"].astype(str))
        if not officials or frame not in by_found:
            continue
        players = by_found[frame][by_found[frame]["team"] != "official"]
        taken = {t for t, _, _ in match_people(players, everyone, OFFICIAL_GATE_YD)}
        for official in officials:
            tally.hit("official taken for player", official in taken)


def _role_of(true: pd.DataFrame) -> dict[str, str]:
    rows = true.drop_duplicates("player_id")
    if "role" not in rows:
        return {}
    return {str(p): str(r) for p, r in zip(rows["player_id"], rows["role"], strict=True)}


def score_routes(tally: Tally, found: pd.DataFrame, true: pd.DataFrame, names: Mapping[str, str]) -> None:
    """Route right of the true receivers (a receiver not found counts as wrong), and when it answers.

    Where the truth says which routes were `finished` (the break was run before the throw), those also
    apart: the others are named by what was called, not by what could be seen. What was run until the ball
    came (`route_twelve`) is counted by itself.
    """

    def said(column: str) -> dict[str, object]:
        return found.set_index("player_id")[column].to_dict() if column in found else {}

    answers, coarse, by_run = said("route"), said("route_called_twelve"), said("route_twelve")
    for row in true.itertuples():
        name = names.get(str(row.player_id), "")
        answer, called = answers.get(name), coarse.get(name)
        tally.hit("route right", answer == row.route)
        if answer not in (None, "unknown"):
            tally.hit("route right when answered", answer == row.route)
        finished = getattr(row, "finished", None)
        done = finished is not None and finished == 1
        if done:
            tally.hit("route right (break run before the throw)", answer == row.route)
        score_twelve(tally, called if given(called) else answer, str(row.route), done)
        run = getattr(row, "route_twelve", None)
        if given(run):
            tally.hit("route right, 12 classes by what was run", by_run.get(name) == run)


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
        if "inside_yd" in ours and pd.notna(row.get("inside_yd")):
            inside = abs(float(ours.loc[name, "inside_yd"]) - float(row["inside_yd"]))
            tally.add("inside at snap error yd", [inside])
        tally.hit(
            "nearest defender at snap right",
            str(ours.loc[name, "defender_id"]) == names.get(str(row["defender_id"]), ""),
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
        score_roles(tally, found, true, play_id, names, str(truth_play.get("kind", "pass")) == "kick")
        score_names(tally, _of(found, "players", play_id), _of(true, "players", play_id), names)
        if truth_play.get("kind", "pass") != "pass":
            continue
        score_passing(tally, our_play, truth_play)
        score_to_arrival(tally, our_tracks, tracks, truth_play, fps)
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


def score_roles(
    tally: Tally, found: Tables, true: Tables, play_id: str, names: Mapping[str, str], kick: bool = False
) -> None:
    """Role of the people matched at the snap; kicks, whose men have jobs that no pass play has, apart."""
    ours = (
        _of(found, "players", play_id).drop_duplicates("player_id").set_index("player_id")["role"].to_dict()
    )
    theirs = (
        _of(true, "players", play_id).drop_duplicates("player_id").set_index("player_id")["role"].to_dict()
    )
    for true_id, found_id in names.items():
        if isinstance(theirs.get(true_id), str):
            tally.hit("role right on kicks" if kick else "role right", ours.get(found_id) == theirs[true_id])
