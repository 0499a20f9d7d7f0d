"""What is asked for: filters in trade words, checked once, applied to receivers or to defenders."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import pandas as pd

from vision.questions import words
from vision.trouble import QuestionTrouble

SIDES = ("left", "right", "field", "boundary", "strong", "weak")


@dataclass(frozen=True)
class Asked:
    """One question's filters; an empty tuple or text asks for nothing. Build it with `asked(...)`.

    Ranges (down, distance, yards, depth, quarter) are texts such as '3', '7-10', '10+'. `by` says which
    defender is set beside each receiver, `moment` when his leverage is taken.
    """

    route: tuple[str, ...] = ()
    combination: tuple[str, ...] = ()
    side: tuple[str, ...] = ()
    formation: tuple[str, ...] = ()
    strength: tuple[str, ...] = ()
    result: tuple[str, ...] = ()
    drop: tuple[str, ...] = ()
    hash: tuple[str, ...] = ()
    role: tuple[str, ...] = ()
    receiver: str = ""
    number: str = ""
    defender: str = ""
    leverage: tuple[str, ...] = ()
    down: str = ""
    distance: str = ""
    quarter: str = ""
    yards: str = ""
    depth: str = ""
    game: tuple[str, ...] = ()
    offense: tuple[str, ...] = ()
    defense: tuple[str, ...] = ()
    play: tuple[str, ...] = ()
    target: bool = False
    play_action: bool | None = None
    sure: float = 0.0
    by: str = "nearest"
    moment: str = "throw"

    def said(self) -> str:
        """The question in words, for titles and sheets."""
        parts = []
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name in ("by", "moment") or value == item.default or value == ():
                continue
            if item.name == "target":
                parts.append("thrown to")
            elif item.name == "play_action":
                parts.append("play action" if value else "no play action")
            else:
                text = ", ".join(map(words.shown, value)) if isinstance(value, tuple) else str(value)
                parts.append(f"{item.name.replace('_', ' ')} {text}")
        return "; ".join(parts) or "every receiver"


def asked(**given: Any) -> Asked:
    """Check the words and build an `Asked`. Values may be one word, 'a,b' or a list; None asks for nothing.
    Raises QuestionTrouble for a filter or word that is not known, naming the nearest."""
    clean: dict[str, Any] = {}
    known = {item.name for item in fields(Asked)}
    for name, value in given.items():
        if name not in known:
            raise words.unknown("filter", name, sorted(known))
        if value is None or value == () or value == "" or value == []:
            continue
        clean[name] = _cleaned(name, value)
    return Asked(**clean)


def _cleaned(name: str, value: Any) -> Any:
    many = [value] if isinstance(value, str) else list(value) if isinstance(value, list | tuple) else value
    if name == "route":
        return words.routes(many)
    choices: dict[str, tuple[tuple[str, ...], dict[str, str]]] = {
        "result": (words.RESULTS, words.RESULT_WORDS),
        "side": (SIDES, {"f": "field", "b": "boundary"}),
        "strength": (("left", "right", "field", "boundary"), {"f": "field", "b": "boundary"}),
        "drop": (words.DROPS, {"3-step": "three-step", "5-step": "five-step", "7-step": "seven-step"}),
        "hash": (("left", "middle", "right"), {"l": "left", "m": "middle", "r": "right"}),
        "role": (words.ROLES, {}),
        "by": (words.KINDS, {}),
        "moment": (words.MOMENTS, {}),
        "leverage": (
            (*words.ACROSS, *words.ALONG),
            {"under": "underneath", "over": "over the top", "on top": "over the top"},
        ),
    }
    if name in choices:
        found = words.choose(name, many, *choices[name])
        if name == "result" and "complete" in found:
            found = tuple(dict.fromkeys((*found, *words.CAUGHT)))
        return found[0] if name in ("by", "moment") else found
    if name in ("down", "distance", "quarter", "yards", "depth", "number"):
        words.spans(str(value))
        return str(value)
    if name in ("combination", "formation", "game", "offense", "defense", "play"):
        return tuple(part.strip() for item in many for part in str(item).split(",") if part.strip())
    if name == "sure" and not 0 <= float(value) <= 1:
        raise QuestionTrouble(f"sure {value} is not a probability", "give a number from 0 to 1")
    return value


def keep(data: pd.DataFrame, ask: Asked) -> pd.DataFrame:
    """Rows of `receivers` or `defenders` that fit the filters they have columns for."""
    mask = pd.Series(True, index=data.index)
    for column, wanted in (
        ("route", ask.route),
        ("result", ask.result),
        ("qb_drop", ask.drop),
        ("hash", ask.hash),
        ("role", ask.role),
    ):
        if wanted and column in data:
            mask &= data[column].isin(wanted)
    for column, wanted in (
        ("combination", ask.combination),
        ("formation", ask.formation),
        ("game_id", ask.game),
        ("offense", ask.offense),
        ("defense", ask.defense),
        ("play_id", ask.play),
    ):
        if wanted and column in data:
            mask &= data[column].map(lambda v, w=wanted: _matches(v, w))
    for column, span in (
        ("down", ask.down),
        ("distance", ask.distance),
        ("quarter", ask.quarter),
        ("yards", ask.yards),
        ("max_depth_play_yd", ask.depth),
        ("receiver_number", ask.number),
    ):
        if span and column in data:
            mask &= in_spans(data[column], span)
    if ask.side and "side" in data:
        mask &= data.apply(lambda row: _on_side(row, ask.side), axis=1) if len(data) else mask
    if ask.strength and len(data):
        mask &= data.apply(lambda row: _strength_is(row, ask.strength), axis=1)
    if ask.target and "target" in data:
        mask &= data["target"].fillna(False).astype(bool)
    if ask.play_action is not None:
        mask &= data["play_action"].map(lambda v: v is not None and v == v and bool(v) == ask.play_action)
    if ask.sure and "probability" in data:
        mask &= (data["probability"] >= ask.sure) | (data["route_source"] == "corrected")
    if ask.receiver and "receiver_id" in data:
        mask &= (
            data.apply(lambda row: is_player(row["receiver_id"], row["jersey"], ask.receiver), axis=1)
            if len(data)
            else mask
        )
    return data[mask]


def in_spans(column: pd.Series, text: str) -> pd.Series:
    """True where a number lies in one of the ranges; blank never does."""
    numbers = pd.to_numeric(column, errors="coerce")
    mask = pd.Series(False, index=column.index)
    for low, high in words.spans(text):
        mask |= (numbers >= low) & (numbers <= high)
    return mask


def is_player(player_id: Any, jersey: Any, wanted: str) -> bool:
    """A man named by jersey number ('54', '#54') or by his id in the play."""
    wanted = wanted.strip().lstrip("#")
    if wanted in (str(player_id), str(player_id).rsplit("|", 1)[-1]):
        return True
    return wanted.isdigit() and jersey is not None and jersey == jersey and int(jersey) == int(wanted)


def _matches(value: Any, wanted: tuple[str, ...]) -> bool:
    if value is None or value != value:
        return False
    have = {words.tidy(part) for part in str(value).replace("+", ",").split(",")} | {words.tidy(str(value))}
    names = {"trips": "3x1", "empty": "empty"}
    return any(
        words.tidy(names.get(w.lower(), w)) in have or _starts(str(value), names.get(w.lower(), w))
        for w in wanted
    )


def _starts(value: str, wanted: str) -> bool:
    return words.tidy(value).startswith(words.tidy(wanted) + "_")


def _on_side(row: pd.Series, sides: tuple[str, ...]) -> bool:
    side = row["side"]
    if side not in ("left", "right"):
        return False
    field_side, strength = row.get("field_side"), row.get("strength")
    facts = {side}
    if field_side in ("left", "right"):
        facts.add("field" if field_side == side else "boundary")
    if strength in ("left", "right"):
        facts.add("strong" if strength == side else "weak")
    return bool(facts & set(sides))


def _strength_is(row: pd.Series, wanted: tuple[str, ...]) -> bool:
    """Whether the side with more receivers is one of left, right, field, boundary."""
    strong, field_side = row.get("strength"), row.get("field_side")
    if strong not in ("left", "right"):
        return False
    facts = {strong}
    if field_side in ("left", "right"):
        facts.add("field" if field_side == strong else "boundary")
    return bool(facts & set(wanted))
