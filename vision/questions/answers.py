"""The standing questions of the week, each with its table, its clips and its caveats."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import pandas as pd

from vision.questions import defense, scouting, words
from vision.questions.filters import Asked
from vision.questions.found import completions, find, gained, leverage_words, summarise, thrown
from vision.questions.intervals import mean_of
from vision.store import Season


@dataclass(frozen=True)
class Answer:
    """title: the question as asked; headline: the answer in one line; tables: name -> table to show;
    plays: play ids whose clips show it, in order; notes: what was left out and how sure it is."""

    title: str
    headline: str
    tables: dict[str, pd.DataFrame]
    plays: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def answer(season: Season, name: str, ask: Asked | None = None) -> Answer:
    """Answer one of `QUESTIONS` with extra filters. Raises QuestionTrouble for an unknown question."""
    chosen = words.choose("question", [name], QUESTIONS)[0]
    return QUESTIONS[chosen][1](season, ask or Asked())


def _curls(season: Season, ask: Asked) -> Answer:
    """Which curls were completed, against whom, and by what leverage."""
    ask = replace(ask, route=ask.route or ("curl",))
    found = find(season, ask)
    targets = thrown(found)
    caught = targets[targets["result"].isin(words.CAUGHT)]
    missed = targets[targets["result"].isin(["incomplete", "intercepted"])]
    name = words.shown(ask.route[0]) if len(ask.route) == 1 else "routes asked for"
    share = completions(targets)
    headline = (
        f"{name}: run {len(found)}, thrown to {len(targets)}, completed {share}. "
        f"Defender at the {ask.moment}: completed {_lever(caught)}; not completed {_lever(missed)}."
    )
    by_leverage = summarise(targets, ["leverage"]) if len(targets) else pd.DataFrame()
    return Answer(
        f"Which {name}s were completed, and by what leverage?" if len(ask.route) == 1 else ask.said(),
        headline,
        {
            "completed": receiver_rows(caught),
            "not completed": receiver_rows(missed),
            "by leverage": by_leverage,
        },
        list(dict.fromkeys(caught["play_id"])),
        notes_on(season, found),
    )


def _lever(rows: pd.DataFrame) -> str:
    if not len(rows):
        return "none"
    inside, under = mean_of(rows["inside_yd"]), mean_of(rows["under_yd"])
    if not inside.n:
        return f"{len(rows)}, leverage not seen"
    both = leverage_words(words.across(inside.value), words.along(under.value))
    return f"{inside.value:+.1f} yd inside, {under.value:+.1f} yd underneath ({both}; n {inside.n})"


def _combinations(season: Season, ask: Asked) -> Answer:
    """Which route combinations hurt the defense."""
    found = find(season, ask)
    known = found[~found["combination"].isin([None, *scouting.NO_COMBINATION]) & found["combination"].notna()]
    columns = [
        "combination",
        "run",
        "thrown to",
        "completed",
        "yards a throw",
        "yards",
        "caught by",
        "inside",
        "underneath",
    ]
    table = pd.DataFrame(
        [_combination_row(name, group) for name, group in known.groupby("combination")], columns=columns
    )
    table = table.sort_values(["yards", "thrown to"], ascending=False, ignore_index=True)
    notes = notes_on(season, found)
    unnamed = found[~found.index.isin(known.index)].drop_duplicates(["play_id", "side"])
    if len(unnamed):
        notes.append(f"{len(unnamed)} sides with receivers ran no combination that has a name here.")
    headline, plays = "No completion out of a named combination.", []
    if len(table) and table["yards"][0] > 0:
        worst = table.iloc[0]
        headline = (
            f"{worst['combination']} cost most: {worst['yards']:.0f} yards on {worst['thrown to']} throws, "
            f"completed {worst['completed']}."
        )
        caught = thrown(known)
        caught = caught[(caught["combination"] == worst["combination"]) & caught["result"].isin(words.CAUGHT)]
        plays = list(dict.fromkeys(caught["play_id"]))
    return Answer("Which route combinations hurt us?", headline, {"combinations": table}, plays, notes)


def _combination_row(name: object, group: pd.DataFrame) -> dict[str, object]:
    """One combination: how often run and thrown, what was caught by which route, the defender's leverage."""
    targets = thrown(group)
    caught = targets[targets["result"].isin(words.CAUGHT)]["route"].value_counts()
    return {
        "combination": name,
        "run": len(group.drop_duplicates(["play_id", "side"])),
        "thrown to": len(targets),
        "completed": completions(targets),
        "yards a throw": mean_of(gained(targets)),
        "yards": float(sum(v for v in gained(targets) if v == v)),
        "caught by": ", ".join(f"{words.shown(k)} {v}" for k, v in caught.items()) or "–",
        "inside": mean_of(targets["inside_yd"]),
        "underneath": mean_of(targets["under_yd"]),
    }


def _defenders(season: Season, ask: Asked) -> Answer:
    """Each defender's drop, read and break."""
    data = defense.drops(season, ask)
    data = data[data["role"].isin(ask.role or ("LB", "S", "CB"))]
    table = defense.lines(data)
    headline = f"{len(table)} defenders, {len(data)} drops on {data['play_id'].nunique()} pass plays."
    return Answer(
        "How did each defender drop, read and break?",
        headline,
        {"defenders": table},
        list(dict.fromkeys(data["play_id"])),
        notes_on(season, None),
    )


def _late(season: Season, ask: Asked) -> Answer:
    """Who reacts late to the throw."""
    data = defense.drops(season, ask).dropna(subset=["reaction_s"])
    data = data[data["arrival_distance_yd"] <= defense.NEAR_BALL_YD]
    table = defense.lines(data)[
        [
            "defender",
            "drops",
            "reaction to the throw",
            "break speed",
            "path efficiency",
            "distance at arrival",
        ]
    ]
    table = (
        table.assign(_key=[m.value if m.n >= 3 else -1.0 for m in table["reaction to the throw"]])
        .sort_values("_key", ascending=False, ignore_index=True)
        .drop(columns="_key")
    )
    unit = mean_of(data["reaction_s"], 2)
    slow = data.sort_values("reaction_s", ascending=False).head(10)
    headline = (
        f"Unit mean {unit.value:.2f} s (n {unit.n}); slowest by mean: {table['defender'][0]}, "
        f"{table['reaction to the throw'][0].value:.2f} s."
        if len(table)
        else "No reaction was measured."
    )
    each = slow[
        ["play_id", "defender", "reaction_s", "break_speed_yd_per_s", "arrival_distance_yd", "result"]
    ]
    return Answer(
        "Who reacts late to the throw?",
        headline,
        {"defenders": table, "slowest plays": each},
        list(dict.fromkeys(slow["play_id"])),
        [
            f"Counted are men within {defense.NEAR_BALL_YD:g} yd of the ball when it arrived.",
            *notes_on(season, None),
        ],
    )


def _deep(season: Season, ask: Asked) -> Answer:
    """Who drops too deep and concedes the check-down."""
    data = defense.drops(season, replace(ask, route=()))
    rows = defense.deep_and_short(data, find(season, replace(ask, defender="")))
    table = rows[
        [
            "play_id",
            "defender",
            "throw_depth_play_yd",
            "deepest_play_yd",
            "route",
            "caught_yards",
            "reaction_s",
        ]
    ]
    counts = rows["defender"].value_counts()
    headline = (
        f"{len(rows)} drops deeper than {defense.DEEP_DROP_YD:g} yd at the throw with a short completion "
        f"in front; most: {counts.index[0]} ({counts.iloc[0]})."
        if len(rows)
        else "No linebacker beyond 10 yd on a short completion."
    )
    return Answer(
        "Who drops too deep and concedes the short throw?",
        headline,
        {"plays": table},
        list(dict.fromkeys(rows["play_id"])),
        notes_on(season, None),
    )


def _tips(season: Season, ask: Asked) -> Answer:
    """Which splits tip which routes."""
    found = find(season, ask)
    table = scouting.tips(found)
    headline = (
        f"Strongest tip: {table['number'][0]} split {table['split'][0]} ran "
        f"{words.shown(table['most run'][0])} {table['share'][0]}."
        if len(table)
        else "Too few routes from any split to call a tip."
    )
    return Answer("Which splits tip which routes?", headline, {"splits": table}, [], notes_on(season, found))


def _trips(season: Season, ask: Asked) -> Answer:
    """What beat us out of trips into the boundary."""
    ask = replace(ask, formation=ask.formation or ("3x1",), strength=ask.strength or ("boundary",))
    found = find(season, ask)
    targets = thrown(found)
    caught = targets[targets["result"].isin(words.CAUGHT)]
    where = " or ".join(ask.strength)
    headline = (
        f"Trips into the {where}: {found['play_id'].nunique()} pass plays, {len(targets)} throws, "
        f"completed {completions(targets)}."
    )
    return Answer(
        f"What beat us out of trips into the {where}?",
        headline,
        {"completed": receiver_rows(caught), "by route": summarise(found, ["route"])},
        list(dict.fromkeys(caught["play_id"])),
        notes_on(season, found),
    )


def _scout(season: Season, ask: Asked) -> Answer:
    """What this offense runs: by situation, formation, combination, hash, split."""
    found = find(season, ask)
    tables = {
        "by situation": scouting.situations(found),
        "by formation": scouting.formations(found),
        "routes by hash": scouting.tendency(found, "hash", "route"),
        "routes by receiver number": scouting.tendency(found, "receiver_number", "route"),
        "routes by quarterback drop": scouting.tendency(found, "qb_drop", "route"),
        "splits that tip": scouting.tips(found),
    }
    who = ", ".join(ask.offense) or "The offense"
    headline = (
        f"{who}: {found['play_id'].nunique()} pass plays, {len(found)} routes, "
        f"completed {completions(thrown(found))}."
    )
    return Answer(
        "What does this offense run?",
        headline,
        tables,
        list(dict.fromkeys(found["play_id"])),
        notes_on(season, found),
    )


def receiver_rows(found: pd.DataFrame) -> pd.DataFrame:
    """The columns a coach reads first, one row per receiver."""
    out = pd.DataFrame(
        {
            "play": found["play_id"],
            "down": [situation(a, b) for a, b in zip(found["down"], found["distance"], strict=True)],
            "formation": found["formation"],
            "receiver": [
                receiver_name(*v)
                for v in zip(
                    found["jersey"], found["role"], found["side"], found["receiver_number"], strict=True
                )
            ],
            "route": [
                route_name(*v)
                for v in zip(found["route"], found["probability"], found["route_source"], strict=True)
            ],
            "combination": found["combination"],
            "result": [outcome(t, r) for t, r in zip(found["target"], found["result"], strict=True)],
            "yards": found["yards"].where(found["target"].map(lambda t: t is None or bool(t))),
            "defender": found["defender"],
            "inside": found["inside_yd"],
            "underneath": found["under_yd"],
            "leverage": found["leverage"],
            "spread": found["sd_yd"],
            "cushion at snap": found["cushion_snap_yd"],
            "distance": found["distance_yd"],
            "at arrival": found["separation_arrival_yd"],
            "lane": found["under_lane_yd"],
        }
    )
    return out.reset_index(drop=True)


def outcome(target: object, result: object) -> object:
    """What became of the throw to this man: the play's result when he was the target or nobody is known
    to be, 'elsewhere' when the ball went to another."""
    return "elsewhere" if target is not None and target == target and not target else result


def situation(down: object, distance: object) -> str:
    """'3rd & 7'; a dash when not charted."""
    if down is None or down != down:
        return "–"
    order = {1: "1st", 2: "2nd", 3: "3rd", 4: "4th"}.get(int(down), str(down))  # type: ignore[call-overload]
    return order if distance is None or distance != distance else f"{order} & {float(distance):g}"  # type: ignore[arg-type]


def receiver_name(jersey: object, role: object, side: object, number: object) -> str:
    """'#11 WR, right 1'."""
    parts = [
        f"#{int(jersey)}" if jersey is not None and jersey == jersey else "",  # type: ignore[call-overload]
        str(role) if role is not None and role == role else "",
    ]
    place = f"{side} {int(number)}" if side in ("left", "right") and number == number and number else ""  # type: ignore[call-overload]
    return ", ".join(p for p in (" ".join(p for p in parts if p), place) if p) or "–"


def route_name(route: object, probability: object, source: object) -> str:
    """'curl 84 %'; a route a person set is followed by a check mark."""
    if source == "corrected":
        return f"{words.shown(route)} ✓"
    if probability is None or probability != probability:
        return words.shown(route)
    return f"{words.shown(route)} {float(probability):.0%}".replace("%", " %")  # type: ignore[arg-type]


def notes_on(season: Season, found: pd.DataFrame | None) -> list[str]:
    """What the reader must know: unknown routes, completions without a target, plays to look at."""
    plays = season.table("plays")
    notes = []
    passes = plays[plays["kind"].fillna("pass").isin(["pass", "unknown"])]
    no_target = passes[passes["result"].isin(words.CAUGHT) & passes["target_player_id"].isna()]
    if len(no_target):
        notes.append(f"{len(no_target)} completions are left out: the target could not be told.")
    if found is not None and len(found):
        unknown = int((found["route"] == "unknown").sum())
        if unknown:
            notes.append(f"{unknown} of {len(found)} routes are unknown: too short, hidden, or between two.")
    look = int(passes["look"].map(lambda v: v is not None and v == v and bool(v)).sum())
    if look:
        notes.append(
            f"{look} {'play is' if look == 1 else 'plays are'} marked for a look; see `underneath todo`."
        )
    left_out = len(plays) - len(passes)
    if left_out:
        notes.append(f"{left_out} runs and kicks are kept out of pass tables.")
    notes.append("Measured from film: a guide to the look at the film, not a replacement for it.")
    return notes


QUESTIONS: dict[str, tuple[str, Callable[[Season, Asked], Answer]]] = {
    "curls": ("Which curls were completed, against whom, by what leverage?", _curls),
    "combinations": ("Which route combinations hurt us?", _combinations),
    "defenders": ("How did each defender drop, read and break?", _defenders),
    "late": ("Who reacts late to the throw?", _late),
    "deep": ("Who drops too deep and concedes the short throw?", _deep),
    "tips": ("Which splits tip which routes?", _tips),
    "trips": ("What beat us out of trips into the boundary?", _trips),
    "scout": ("What does this offense run?", _scout),
}
