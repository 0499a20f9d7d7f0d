"""How well plays were understood: pure counting of found against true, no simulation and no reading here.

`found` is anything with the fields of a play record (direction, los_field_yd.value, snap_s.value, players
with player_id, team, role, receiver_number, side ...), `true` the script of a simulated play or a
hand-made truth
with the same fields. Counts are added, ratios computed last.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np


@dataclass
class Score:
    """Hits (right, asked) and errors by name; an abstention counts as asked, not as an error value."""

    hits: dict[str, list[int]] = field(default_factory=dict)
    errors: dict[str, list[float]] = field(default_factory=dict)
    confusion: dict[str, dict[tuple[str, str], int]] = field(default_factory=dict)

    def hit(self, name: str, right: bool) -> None:
        entry = self.hits.setdefault(name, [0, 0])
        entry[0] += bool(right)
        entry[1] += 1

    def error(self, name: str, value: float, limit: float | None = None) -> None:
        """A signed error; with a limit also a hit '<name> within limit' (NaN = not within)."""
        if math.isfinite(value):
            self.errors.setdefault(name, []).append(float(value))
        if limit is not None:
            self.hit(f"{name} within {limit:g}", math.isfinite(value) and abs(value) <= limit + 1e-9)

    def mix(self, name: str, true: str, found: str) -> None:
        table = self.confusion.setdefault(name, {})
        table[(true, found)] = table.get((true, found), 0) + 1

    def lines(self) -> list[str]:
        """Readable figures with n, and the confusions that are not on the diagonal."""
        out = [f"{n:46s} {100 * a / max(b, 1):6.1f} %  ({a}/{b})" for n, (a, b) in sorted(self.hits.items())]
        for name, values in sorted(self.errors.items()):
            v = np.array(values)
            out.append(
                f"{name:46s} bias {np.median(v):+6.2f}  median |e| {np.median(np.abs(v)):5.2f}  "
                f"mean |e| {np.mean(np.abs(v)):5.2f}  95 % {np.percentile(np.abs(v), 95):5.2f}  n {len(v)}"
            )
        for name, table in sorted(self.confusion.items()):
            wrong = sorted(((k, v) for k, v in table.items() if k[0] != k[1]), key=lambda kv: -kv[1])
            if wrong:
                out.append(f"{name}: " + ", ".join(f"{a or '-'}>{b or '-'} {v}" for (a, b), v in wrong[:14]))
        return out


def score_play(
    score: Score, found: Any, true: Any, offset_s: float, names: Mapping[str, str] | None = None
) -> None:
    """Add one play. offset_s: the snap on the found play's clock; names: true id -> found id (same by
    default).

    true: standard fields of a script: direction, los_field_yd, spot_y_field_yd, kind, events, people,
    to_play,
    t_s; kicks are scored for their kind only.
    """
    score.hit("kind", found.kind == true.kind)
    score.mix("kind", true.kind, found.kind)
    if true.kind == "kick":
        return
    score.error("snap s", found.snap_s.value - offset_s, 0.1)
    score.error("snap s", found.snap_s.value - offset_s, 0.2)
    score.hit("direction", found.direction == true.direction)
    los = found.los_field_yd.value - true.los_field_yd
    score.error("line of scrimmage yd", los * true.direction, 0.5)
    score.error("ball spot yd", found.spot_y_field_yd.value - true.spot_y_field_yd, 0.5)
    _people(score, found, true, names or {})
    if true.kind == "pass":
        _passing(score, found, true, offset_s, names or {})


def receiver_numbers(places: Mapping[str, tuple[float, str]], behind_yd: float = 0.6) -> dict[str, int]:
    """{id: number} from {id: (lateral, role)} of the eligible men: counted from each sideline inward."""
    out: dict[str, int] = {}
    for sign in (-1, 1):
        side = [
            (-sign * lat, i)
            for i, (lat, role) in places.items()
            if sign * lat > (behind_yd if role == "RB" else 0)
        ]
        for number, (_, player) in enumerate(sorted(side), start=1):
            out[player] = number
    return {i: out.get(i, 0) for i in places}


def _people(score: Score, found: Any, true: Any, names: Mapping[str, str]) -> None:
    ours = {m.player_id: m for m in found.players}
    k = int(np.argmin(np.abs(true.t_s)))
    places = {
        p.id: (float(true.to_play(p.xy_field_yd[k])[1]), p.role)
        for p in true.people
        if p.role in ("RB", "TE", "WR")
    }
    numbers = receiver_numbers(places)
    for p in true.people:
        if p.team == "official" or (names and p.id not in names):
            continue
        man = ours.get(names.get(p.id, p.id))
        score.hit("team", man is not None and man.team == p.team)
        role = man.role if man is not None else ""
        score.hit(f"role {p.team}", role == p.role)
        score.hit("role", role == p.role)
        score.mix("role", p.role, role)
        if p.id in numbers and abs(places[p.id][0]) > 1.0:
            score.hit("receiver number", man is not None and man.receiver_number == numbers[p.id])


def _passing(score: Score, found: Any, true: Any, offset_s: float, names: Mapping[str, str]) -> None:
    events = true.events
    throw = events.get("throw_s")
    if throw is None:
        score.hit("no throw said (sack, scramble)", not math.isfinite(found.throw_s.value))
    if throw is not None:
        score.hit("throw answered", math.isfinite(found.throw_s.value))
        score.error("throw s", found.throw_s.value - offset_s - throw, 0.2)
        if events.get("arrival_s") is not None:
            score.error("arrival s", found.arrival_s.value - offset_s - events["arrival_s"], 0.3)
        if events.get("target") and found.target_player_id:
            score.hit(
                "target (answered)", found.target_player_id == names.get(events["target"], events["target"])
            )
    if events.get("qb_drop"):
        score.hit("drop (answered)" if found.qb_drop else "drop blank", found.qb_drop == events["qb_drop"])
        score.mix("drop", events["qb_drop"], found.qb_drop)
    if found.play_action is not None:
        score.hit("play action", found.play_action == events["play_action"])
        score.mix("play action", str(events["play_action"]), str(found.play_action))
    if found.boot is not None:
        score.hit("boot", found.boot == events["boot"])
        score.mix("boot", str(events["boot"]), str(found.boot))
    if events.get("set_s") is not None and not events.get("boot"):
        score.error("quarterback set s", found.qb_set_s.value - offset_s - events["set_s"])


def snap_cushions(true: Any, apart_yd: float = 8.0) -> dict[str, tuple[str, float, float]]:
    """{receiver id: (nearest defender's id, cushion, inside)} at the true snap for men split over apart_yd.

    Defensive linemen do not count: they cover nobody."""
    k = int(np.argmin(np.abs(true.t_s)))
    place = {p.id: true.to_play(p.xy_field_yd[k]) for p in true.people if p.team != "official"}
    defenders = [p.id for p in true.people if p.team == "defense" and p.role != "DL"]
    out = {}
    for p in true.people:
        if p.role in ("WR", "TE") and abs(place[p.id][1]) > apart_yd:
            near = min(defenders, key=lambda d: float(np.hypot(*(place[d] - place[p.id]))))
            gap = place[near] - place[p.id]
            out[p.id] = (near, float(gap[0]), float(-np.sign(place[p.id][1]) * gap[1]))
    return out


def score_cushions(
    score: Score, matchups: Iterable[Any], true: Any, names: Mapping[str, str] | None = None
) -> None:
    """Nearest defender, cushion and inside leverage at the snap of wide receivers."""
    names = names or {}
    found = {m.receiver_id: m for m in matchups if m.kind == "nearest" and m.moment == "snap"}
    for receiver, (defender, cushion, inside) in snap_cushions(true).items():
        if names and not {receiver, defender} <= set(names):
            continue
        row = found.get(names.get(receiver, receiver))
        score.hit(
            "nearest defender at snap", row is not None and row.defender_id == names.get(defender, defender)
        )
        if row is not None:
            score.error("cushion at snap yd", row.cushion_yd - cushion, 0.7)
            score.error("inside at snap yd", row.inside_yd - inside, 0.7)
