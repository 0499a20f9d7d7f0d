"""Which column of a tracking table is which, and what its words mean.

Tables of positions come with many spellings. Names are compared without case, blanks and underscores;
what cannot be told is asked for (`columns={'x_field_yd': 'their name'}`), never guessed in silence.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from vision.trouble import SheetTrouble

NEEDED = ("play_id", "entity_id", "team", "x_field_yd", "y_field_yd")

_SPELLINGS: dict[str, tuple[str, ...]] = {
    "play_id": ("playid", "play", "playnumber", "playno", "playkey"),
    "game_id": ("gameid", "game", "gamekey", "match", "matchid"),
    "frame": ("frame", "frameid", "framenumber", "frameno", "frameindex"),
    "t_s": ("ts", "t", "timesecond", "timeseconds", "times", "seconds", "time", "timestamp"),
    "entity_id": ("entityid", "playerid", "entity", "trackid", "personid", "objectid", "player", "id"),
    "name": ("displayname", "playername", "name"),
    "team": ("team", "club", "side", "teamabbr", "teamname", "teamid", "squad"),
    "x_field_yd": ("xfieldyd", "xyd", "xyards", "xyard", "x", "xpos", "xposition", "xm", "xmeters", "xmetres",
                   "xft", "xfeet"),
    "y_field_yd": ("yfieldyd", "yyd", "yyards", "yyard", "y", "ypos", "yposition", "ym", "ymeters", "ymetres",
                   "yft", "yfeet"),
    "jersey": ("jersey", "jerseynumber", "jerseyno", "uniformnumber", "number"),
    "role": ("role", "position", "pos", "playerposition", "rosterposition", "officialposition"),
    "route": ("route", "routelabel", "routerun", "routeofreceiver"),
    "event": ("event", "events", "eventname", "tag"),
    "moment": ("frametype", "phase"),
    "offense": ("possessionteam", "offense", "offensiveteam", "offenseteam", "possession"),
    "defense": ("defensiveteam", "defense", "defenseteam"),
}  # fmt: skip

_FEET, _METRES = ("ft", "feet", "foot"), ("m", "meters", "metres", "meter", "metre")


def plain(name: object) -> str:
    """A name without case, blanks and signs."""
    return re.sub(r"[^a-z0-9]", "", str(name).lower())


def find_columns(names: Iterable[str], given: Mapping[str, str] | None, where: str) -> dict[str, str]:
    """{our name: the table's name}; `given` wins. Raises SheetTrouble naming what is missing and what is
    there."""
    names = [str(n) for n in names]
    out: dict[str, str] = {}
    for ours, theirs in (given or {}).items():
        if ours not in _SPELLINGS:
            raise SheetTrouble(
                f"{where}: the column mapping names {ours!r}, which is not one of {', '.join(_SPELLINGS)}",
                "write our name on the left, the table's on the right",
            )
        if theirs not in names:
            raise SheetTrouble(
                f"{where}: no column {theirs!r}; there are {', '.join(names)}", "correct the mapping"
            )
        out[ours] = theirs
    by_plain = {plain(n): n for n in reversed(names)}
    for ours, spellings in _SPELLINGS.items():
        for spelling in spellings:
            if ours not in out and spelling in by_plain and by_plain[spelling] not in out.values():
                out[ours] = by_plain[spelling]
    if "entity_id" not in out:
        ids = [n for n in names if plain(n).endswith("id") and n not in out.values()]
        if len(ids) == 1:
            out["entity_id"] = ids[0]
        elif "name" in out:
            out["entity_id"] = out["name"]
    missing = [n for n in NEEDED if n not in out]
    if "frame" not in out and "t_s" not in out:
        missing.append("frame or t_s")
    if missing:
        raise SheetTrouble(
            f"{where}: no column found for {', '.join(missing)}; the table has {', '.join(names)}",
            "rename the columns, or give a mapping such as x_field_yd=their_name",
        )
    return out


def unit_in_name(name: str) -> str:
    """'yd', 'm', 'ft' when the column's name ends with a unit, '' otherwise."""
    tail = re.split(r"[^a-z]+", name.lower())[-1]
    if tail in ("yd", "yds", "yards", "yard"):
        return "yd"
    if len(re.split(r"[^a-z]+", name.lower())) > 1:
        return "ft" if tail in _FEET else ("m" if tail in _METRES else "")
    return {"xm": "m", "ym": "m", "xft": "ft", "yft": "ft", "xfeet": "ft", "yfeet": "ft"}.get(plain(name), "")


_ROLE_WORDS = {
    "QB": "qb quarterback", "RB": "rb fb hb tb runningback fullback halfback tailback back",
    "TE": "te tightend", "WR": "wr widereceiver receiver slot se fl",
    "OL": "ol t g c ot og lt rt lg rg oc tackle guard center centre offensivelineman offensiveline",
    "DL": "dl de dt nt dg le re edge defensiveend defensivetackle nosetackle defensivelineman",
    "LB": "lb ilb olb mlb wlb slb rolb lolb linebacker insidelinebacker outsidelinebacker middlelinebacker",
    "CB": "cb db nb nickel cornerback defensiveback corner",
    "S": "s fs ss saf safety freesafety strongsafety",
}  # fmt: skip
_ROLES = {word: role for role, words in _ROLE_WORDS.items() for word in words.split()}
OFFENSE_ROLES = ("QB", "RB", "TE", "WR", "OL")


def role_of(word: object) -> str:
    """Our role of a position word, '' when it says nothing (kickers, officials, blanks)."""
    return _ROLES.get(plain(word), "")


def side_of(word: object) -> str:
    """offense, defense, ball, official for team words that say it; '' for a team's own name."""
    text = plain(word)
    if text in ("ball", "football"):
        return "ball"
    if text in ("offense", "offence", "off", "o"):
        return "offense"
    if text in ("defense", "defence", "def", "d"):
        return "defense"
    return "official" if text in ("official", "officials", "referee", "ref", "umpire") else ""


_EVENTS: tuple[tuple[str, str], ...] = (
    ("snap", r"^(auto)?(event)?(ball|direct)?snap(direct)?$"),
    ("line_set", r"^(auto)?(event)?(line|offense)set$|^set$"),
    ("play_action", r"^(auto)?(event)?(play|run)(action|fake)$"),
    ("throw", r"^(auto)?(event)?(pass(forward|shovel|thrown|release)?|throw|release|ballreleased?)$"),
    ("arrival", r"^(auto)?(event)?((pass|ball)?arriv\w*|passoutcome\w+|catch|caught|incomplete"
                r"|interception)$"),
    ("handoff", r"^(auto)?(event)?(handoff|run|pitch|rush|toss)$"),
    ("kick", r"^(auto)?(event)?(punt|kickoff|fieldgoal|extrapoint|kick)\w*$"),
    ("end", r"^(auto)?(event)?(tackle|outofbounds|touchdown|qbsack|sack|qbkneel|whistle|end|playend"
            r"|endofplay|safety|touchback|qbslide|fumble|playover|dead)$"),
)  # fmt: skip


def event_of(word: object) -> str:
    """snap, line_set, throw, arrival, end, play_action, handoff, kick or '' of an event word."""
    text = plain(word)
    return next((ours for ours, pattern in _EVENTS if re.match(pattern, text)), "")


def outcome_of(word: object) -> str:
    """complete, incomplete, intercepted, sack or '' of an event word."""
    text = plain(word)
    if "incomplete" in text:
        return "incomplete"
    if "intercept" in text:
        return "intercepted"
    if "sack" in text:
        return "sack"
    return "complete" if re.search(r"outcome(caught|touchdown|complete)|^catch$|^caught$", text) else ""
