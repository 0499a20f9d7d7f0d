"""From tracks in yards to an understood play, without any film: the whole way on one page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.standards import FieldStandard, get_standard
from vision.plays.ball import BallPath
from vision.plays.defense import defense_jobs, defense_roles, given_ground, two_seconds_on
from vision.plays.kickoff import find_kickoff, kickoff_play
from vision.plays.kind import kick_formation, run_evidence
from vision.plays.late import unseen_outside, with_late
from vision.plays.lineup import Lineup
from vision.plays.motion import F64, RATE_HZ, Motion, motion_of, nan_median
from vision.plays.passing import (
    Drop,
    caught_s,
    common_bite,
    fake_probability,
    play_fake,
    quarterback_drop,
)
from vision.plays.record import ELIGIBLE, UNKNOWN, Play, PlayerInPlay, Value, to_play
from vision.plays.roles import (
    RoleGuess,
    RoleLogs,
    formation_words,
    hash_words,
    in_play_frame,
    landmark,
    number_receivers,
    offense_roles,
)
from vision.plays.sheet import Charted, charted
from vision.plays.sightings import Sightings
from vision.plays.start import SURE_ODDS, Start, find_start, set_places
from vision.plays.stripes import recalled
from vision.plays.throwing import Men, find_pass, flight_of
from vision.plays.under_centre import passer_behind
from vision.records import Tracks


def understand_play(
    tracks: Tracks,
    standard: str | FieldStandard,
    sheet_row: Mapping[str, Any] | None = None,
    events: Mapping[str, float] | None = None,
    ball: BallPath | Sightings | None = None,
    roles: Mapping[str, str] | None = None,
    play_id: str = "",
    lean: float = 0.0,
    says: RoleLogs | None = None,
) -> Play:
    """Find the snap, the line, the offense, the roles, the quarterback's drop, the throw and its target.

    tracks: players in field yards (officials are left out). standard: nfl, ncaa, nfhs, canadian.
    sheet_row: the charting sheet's row (down, distance, hash, yard_line or los_field_yd, result, yards).
    events: known moments on the tracks' clock in s: snap, set, throw, arrival, end (any of them).
    ball: its path where it is known, or looks at what may be it. roles: known roles by player id (a
    table's own).
    lean: log-odds that side A of the tracks is the offense, from the game's other plays.
    says: what else than his place speaks of each man's role (`vision.number_roles.roster_says`).
    Returns a Play; what cannot be told stays blank (NaN, '', None) and `warnings` says why.
    """
    field = get_standard(standard)
    motion = motion_of(tracks)
    row = charted(sheet_row, field)
    known = {k: float(v) for k, v in (events or {}).items() if v is not None and math.isfinite(float(v))}
    play_id = play_id or str(row.play_id or tracks.clip_id)
    kickoff = find_kickoff(motion) if row.kind in ("", "kick") else None
    if kickoff is not None:
        return row.onto(kickoff_play(play_id, field.name, motion, tracks, kickoff))
    own_path = ball if isinstance(ball, BallPath) else None
    start_of = partial(find_start, known=known, ball=own_path, spot=row.spot(field), kind=row.kind, lean=lean)
    start = start_of(motion)
    if start.lineup is not None and not roles:
        again = recalled(tracks, start.lineup, start.snap.value)
        if again is not None:
            tracks, motion = again, motion_of(again)
            start = start_of(motion)
    if start.lineup is not None and start.snap.known:
        again = passer_behind(tracks, motion, start.lineup, start.snap.value)
        if again is not None:
            tracks, motion = again, motion_of(again)
            start = start_of(motion)
    if start.lineup is None or not start.snap.known:
        play = Play(
            play_id, field.name, 0, UNKNOWN, UNKNOWN, start.snap, warnings=start.warnings, tracks=tracks
        )
    else:
        play = _describe(
            play_id, field, motion, tracks, start, dict(roles or {}), known, ball, row, says or {}
        )
    return row.onto(replace(play, side_evidence=start.side_evidence))


def _describe(
    play_id: str,
    field: FieldStandard,
    motion: Motion,
    tracks: Tracks,
    start: Start,
    roles: dict[str, str],
    known: Mapping[str, float],
    ball: BallPath | Sightings | None,
    row: Charted,
    says: RoleLogs,
) -> Play:
    """Everything after the start: people, kind, quarterback, throw."""
    lineup, snap = start.lineup, start.snap
    assert lineup is not None
    xy = set_places(motion, snap.value)
    play_yd = in_play_frame(xy, lineup)
    t = motion.t_s - snap.value
    path = to_play(motion.xy_yd, lineup.direction, lineup.los_yd, lineup.spot_y_yd)
    jersey = tuple(tracks.jersey[tracks.index(i)] for i in motion.ids)
    later = two_seconds_on(path, t)
    own = {r: says[i] for r, i in enumerate(motion.ids) if i in says}
    guesses = offense_roles(lineup, play_yd, jersey, field.players_per_side - 6, later, own)
    offense = _with_known(guesses, roles, motion.ids, lineup.offense)
    spots = with_late(offense, motion, lineup, path, t, play_yd, 0 if roles else field.players_per_side - 6)
    guesses = defense_roles(lineup, play_yd, offense, jersey, given_ground(path, t), later, own)
    defense = _with_known(guesses, roles, motion.ids, lineup.defense)
    jobs = defense_jobs(lineup, defense, path, t)
    formation, backs, strength = formation_words(offense, spots)
    hash_name, wide = hash_words(lineup.spot_y_yd, lineup.direction, field)
    warnings = list(start.warnings)
    if start.odds < SURE_ODDS:
        warnings.append("which team is the offense is not certain")
    if row.kind != "kick" and not any(g.role == "QB" for g in offense.values()):
        warnings.append("nobody is seen in the quarterback's place")
    surplus = sum(g.role in ELIGIBLE for g in offense.values()) - (field.players_per_side - 6)
    if surplus > 1 and not roles:
        warnings.append(
            f"{surplus} men too many are seen to line up as receivers or backs: roles are doubtful"
        )
        formation, backs, strength = "", -1, ""
        offense = {r: replace(g, probability=0.5 * g.probability) for r, g in offense.items()}
    unseen = {} if roles else unseen_outside(offense, defense, spots, -surplus)
    numbers = number_receivers(offense, spots, unseen)
    spotted = "measured" if isinstance(ball, BallPath) else "estimated"
    base = Play(
        play_id=play_id,
        standard=field.name,
        direction=lineup.direction,
        los_field_yd=Value(lineup.los_yd, lineup.los_sd_yd, spotted),
        spot_y_field_yd=Value(lineup.spot_y_yd, 0.35, spotted),
        snap_s=snap,
        line_set_s=_set_time(motion, lineup, snap.value),
        players=_people(
            field, motion, tracks, lineup, offense | defense, numbers, jobs, play_yd, xy, roles, snap.value
        ),
        formation=formation,
        backs=backs,
        strength=strength,
        hash=hash_name,
        field_side=wide,
        warnings=tuple(warnings),
        tracks=tracks,
    )
    return _passing(base, motion, lineup, {**offense, **defense}, jobs, t, path, known, ball, row)


def _with_known(
    guesses: dict[int, RoleGuess], roles: Mapping[str, str], ids: tuple[str, ...], rows: NDArray[np.intp]
) -> dict[int, RoleGuess]:
    """The guesses with a table's own roles laid over them."""
    return {
        r: RoleGuess(roles[ids[r]], 1.0) if ids[r] in roles else g for r, g in guesses.items() if r in rows
    }


def _set_time(motion: Motion, lineup: Lineup, snap_s: float) -> Value:
    """When the line came to rest: the last time before the snap that its median speed was over 0.8 yd/s."""
    line = motion.speed[list(lineup.line)]
    level = nan_median(line)
    before = np.flatnonzero((motion.t_s < snap_s - 0.2) & (level > 0.8))
    if not len(before):
        return UNKNOWN
    return Value(float(motion.t_s[before[-1]]) + 0.5 / RATE_HZ, 0.3, "estimated")


def _people(
    field: FieldStandard,
    motion: Motion,
    tracks: Tracks,
    lineup: Lineup,
    guesses: dict[int, RoleGuess],
    numbers: dict[int, tuple[int, str]],
    jobs: dict[int, str],
    play_yd: F64,
    xy: F64,
    roles: Mapping[str, str],
    snap_s: float,
) -> tuple[PlayerInPlay, ...]:
    """One PlayerInPlay per man; men absent at the snap have no place there and, but for receivers who come
    into the picture soon after it, a blank role."""
    tackle = float(np.max(np.abs(play_yd[list(lineup.line), 1])))
    late = motion.span(snap_s - 0.4, snap_s)
    offense_name = motion.team_of(lineup.offense)
    out = []
    for row, player_id in enumerate(motion.ids):
        guess = guesses.get(row)
        named = "offense" if motion.team[row] == offense_name else "defense"
        team = "offense" if row in lineup.offense else ("defense" if row in lineup.defense else named)
        number, side = numbers.get(row, (0, ""))
        depth, lateral = (float(v) for v in play_yd[row])
        seen = math.isfinite(lateral)
        moving = np.nanmax(motion.speed[row, late]) if np.isfinite(motion.speed[row, late]).any() else 0.0
        number_text = tracks.jersey[tracks.index(player_id)]
        out.append(
            PlayerInPlay(
                player_id=player_id,
                team=team,
                role=guess.role if guess else "",
                role_probability=guess.probability if guess else math.nan,
                jersey=number_text,
                jersey_probability=float(tracks.jersey_probability[tracks.index(player_id)]),
                receiver_number=number,
                side=side or ("" if not seen or team == "offense" else ("right" if lateral > 0 else "left")),
                split_yd=min(xy[row, 1], field.width_yd - xy[row, 1]) if seen else math.nan,
                landmark=landmark(xy[row, 1], lateral, tackle, field) if seen and number else "",
                depth_play_yd=depth,
                lateral_play_yd=lateral,
                job=jobs.get(row, ""),
                in_motion=bool(guess and guess.role in ("WR", "TE", "RB") and moving > 1.3),
                source="charted" if player_id in roles else "estimated",
            )
        )
    return tuple(out)


def _passing(
    play: Play,
    motion: Motion,
    lineup: Lineup,
    guesses: dict[int, RoleGuess],
    jobs: dict[int, str],
    t: F64,
    path: F64,
    known: Mapping[str, float],
    ball: BallPath | Sightings | None,
    row: Charted,
) -> Play:
    """Kind of play, quarterback, throw, arrival, target, end. A charted kind goes before the men's."""
    snap = play.snap_s.value
    offense = [r for r, g in guesses.items() if r in lineup.offense]
    qb = next((r for r in offense if guesses[r].role == "QB"), -1)
    backs = [r for r in offense if guesses[r].role == "RB"]
    receivers = np.array([r for r in offense if guesses[r].role in ELIGIBLE], dtype=np.intp)
    backers = np.array([r for r, g in guesses.items() if g.role == "LB"], dtype=np.intp)
    # a line-up read only half does not show who stands to kick
    clear = len(lineup.line) == 5 and lineup.cost < 5.0
    kick = kick_formation(lineup, path[:, motion.at(snap - 0.1)]) if clear else 0.02
    drop = quarterback_drop(t, path[qb], motion.speed[qb], 4.5) if qb >= 0 else None
    flight = flight_of(ball, motion, qb, snap)
    kind, sure = _kind(
        kick, run_evidence(t, path, np.array(lineup.line), backers, qb), flight is not None, known
    )
    changes: dict[str, Any] = {"kind": kind, "kind_probability": sure, "end_s": _end(motion, snap, known)}
    if (row.kind or kind) in ("run", "kick"):
        return replace(play, **changes)
    rushers = np.array([r for r, j in jobs.items() if j == "line"], dtype=np.intp)
    dropping = np.array([r for r, j in jobs.items() if j in ("underneath", "deep")], dtype=np.intp)
    men = Men(receivers, dropping, rushers, qb, drop.set_after_snap_s if drop else math.nan)
    found = find_pass(play, motion, path, men, known, ball, flight, row.thrown)
    throw, arrival, place = found.throw, found.arrival, found.place_play_yd
    end = _end(motion, snap, known, arrival)
    if not throw.known and not end.known and row.thrown is not True:
        end = Value(snap + caught_s(t, path, rushers, qb), 0.4, "estimated")
    changes |= {"throw_s": throw, "arrival_s": arrival, "end_s": end if end.known else UNKNOWN}
    if np.isfinite(place).all():
        sd = 0.5 if arrival.source == "measured" else 3.0
        changes["arrival_depth_play_yd"] = Value(float(place[0]), sd, arrival.source or "estimated")
        changes["arrival_lateral_play_yd"] = Value(float(place[1]), sd, arrival.source or "estimated")
    if found.target >= 0 and found.chance >= 0.5:
        changes |= {"target_player_id": motion.ids[found.target], "target_probability": found.chance}
    if qb >= 0 and drop is not None:
        reading = np.array([r for r in backers if jobs.get(int(r)) == "underneath"], dtype=np.intp)
        bite = common_bite(t, path, reading)
        changes |= _quarterback(
            motion, lineup, path, t, qb, [path[b] for b in backs], bite, drop, throw, snap
        )
    return replace(play, **changes)


def _quarterback(
    motion: Motion,
    lineup: Lineup,
    path: F64,
    t: F64,
    qb: int,
    backs: list[F64],
    bite: float,
    drop: Drop,
    throw: Value,
    snap: float,
) -> dict[str, Any]:
    """Drop, fake, boot and launch point as fields of Play."""
    out: dict[str, Any] = {}
    if drop.kind and drop.probability >= 0.4:
        out |= {"qb_drop": drop.kind, "qb_drop_probability": drop.probability}
    if math.isfinite(drop.set_depth_play_yd):
        out["qb_set_depth_play_yd"] = Value(drop.set_depth_play_yd, 0.4, "estimated")
        out["qb_set_s"] = Value(snap + drop.set_after_snap_s, drop.set_sd_s, "estimated")
    last = throw.value - snap if throw.known else 3.0
    fake = fake_probability(play_fake(t, path[qb], backs, last), bite, drop.paused, drop.late_s)
    if math.isfinite(fake):
        out |= {"play_action": fake >= 0.5, "play_action_probability": max(fake, 1 - fake)}
    if throw.known:
        k = motion.at(throw.value)
        launch = path[qb, k]
        if np.isfinite(launch).all():
            sd_t = throw.sd if math.isfinite(throw.sd) else 0.2
            sd = float(np.hypot(motion.sd_yd[qb, k], motion.speed[qb, k] * sd_t))
            source = "measured" if throw.source == "measured" else "estimated"
            tackle = float(np.max(np.abs(path[list(lineup.line), motion.at(snap), 1])))
            out["launch_depth_play_yd"] = Value(float(launch[0]), sd, source)
            out["launch_lateral_play_yd"] = Value(float(launch[1]), sd, source)
            out["boot"] = bool(abs(launch[1]) > tackle + 0.5)
    return out


def _kind(kick: float, run: float, flown: bool, known: Mapping[str, float]) -> tuple[str, float]:
    """(kind, probability): below 0.65 the kind stays unknown."""
    if kick > 0.5:
        return "kick", kick
    if flown or "throw" in known:
        return "pass", 0.98
    if not math.isfinite(run):
        return "unknown", math.nan
    p = 1 / (1 + math.exp(-run))
    if max(p, 1 - p) < 0.65:
        return "unknown", max(p, 1 - p)
    return ("run", p) if p > 0.5 else ("pass", 1 - p)


def _end(motion: Motion, snap_s: float, known: Mapping[str, float], arrival: Value = UNKNOWN) -> Value:
    """The whistle: given, or when the fastest third of the men in view have slowed under 2.5 yd/s for good;
    not before the ball has arrived."""
    if "end" in known:
        return Value(known["end"], 0.1, "measured")
    first = max(snap_s + 1.5, arrival.value if arrival.known else -math.inf)
    after = motion.t_s > first
    if not after.any():
        return UNKNOWN
    seen = np.isfinite(motion.speed)
    order = -np.sort(-np.where(seen, motion.speed, 0.0), axis=0)
    third = np.maximum(seen.sum(0) // 3, 1) - 1
    fast = np.take_along_axis(order, third[None], axis=0)[0] if len(order) else np.zeros(len(motion.t_s))
    moving = np.flatnonzero(after & (fast > 2.5))
    if not len(moving):
        return Value(arrival.value, 0.6, "estimated") if arrival.known else UNKNOWN
    k = int(moving[-1])
    if motion.t_s[-1] - motion.t_s[k] < 0.3:
        return UNKNOWN
    return Value(float(motion.t_s[k]), 0.6, "estimated")
