"""The coach's words: what is understood, what stands for what, and what to say about a word nobody knows."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from vision.trouble import QuestionTrouble

ROUTES = (
    "hitch", "hook", "curl", "comeback", "out", "in", "slant", "flat", "shallow_cross", "deep_cross", "post",
    "corner", "go", "wheel", "angle", "swing", "screen", "checkdown", "block", "unknown",
)  # fmt: skip
ROUTE_WORDS = {
    "dig": ("in",), "fade": ("go",), "seam": ("go",), "streak": ("go",), "stop": ("hitch",),
    "crosser": ("shallow_cross", "deep_cross"), "cross": ("shallow_cross", "deep_cross"),
    "crossing": ("shallow_cross", "deep_cross"), "shallow": ("shallow_cross",),
    "shallow_crosser": ("shallow_cross",), "deep_crosser": ("deep_cross",), "drag": ("shallow_cross",),
    "over": ("deep_cross",), "check_down": ("checkdown",), "arrow": ("flat",), "flag": ("corner",),
    "in_breaking": ("in", "slant", "post", "curl", "hook", "shallow_cross", "deep_cross", "angle"),
    "out_breaking": ("out", "corner", "comeback", "flat", "swing", "wheel"),
    "turn_back": ("hitch", "hook", "curl", "comeback"),
}  # fmt: skip
RESULTS = ("complete", "incomplete", "intercepted", "touchdown", "sack", "scramble", "run", "kick", "no play")
CAUGHT = ("complete", "touchdown")
"""Results of a throw that was caught by its target (a touchdown on a pass play with a target was)."""
RESULT_WORDS = {
    "completed": "complete",
    "caught": "complete",
    "interception": "intercepted",
    "picked": "intercepted",
}
DROPS = ("quick", "three-step", "five-step", "seven-step")
ROLES = ("QB", "RB", "TE", "WR", "OL", "DL", "LB", "CB", "S")
ACROSS = ("inside", "head-up", "outside")
ALONG = ("underneath", "level", "over the top")
KINDS = ("nearest", "underneath", "responsible")
MOMENTS = ("snap", "break", "throw", "arrival")
HEAD_UP_YD, LEVEL_YD = 0.75, 1.0
"""Within these a defender counts as head-up (across) or level (along), the same as in `vision.coverage`:
common practice, no source; the yards are always given beside the word."""


def tidy(word: str) -> str:
    """Lower case, one spelling: 'Shallow Cross' and 'shallow-cross' are shallow_cross."""
    return "_".join(word.strip().lower().replace("-", " ").replace("_", " ").split())


def shown(word: object) -> str:
    """A stored word as people read it; blank as a dash."""
    if word is None or word != word or word == "":
        return "–"
    return str(word).replace("_", " ")


def routes(words: Iterable[str]) -> tuple[str, ...]:
    """Route labels meant by words such as curl, dig, crosser, in-breaking. Raises QuestionTrouble."""
    found: list[str] = []
    for word in _split(words):
        plain = tidy(word)
        singular = plain.removesuffix("es") if plain.endswith("es") else plain
        for form in (plain, plain.removesuffix("s"), singular):
            if form in ROUTES or form in ROUTE_WORDS:
                found += [form] if form in ROUTES else ROUTE_WORDS[form]
                break
        else:
            raise unknown("route", word, [*ROUTES, *ROUTE_WORDS])
    return tuple(dict.fromkeys(found))


def choose(
    kind: str, words: Iterable[str], allowed: Iterable[str], also: dict[str, str] | None = None
) -> tuple[str, ...]:
    """The allowed spelling of each word. Raises QuestionTrouble naming the nearest words."""
    table = {tidy(a): a for a in allowed}
    table.update({tidy(a): b for a, b in (also or {}).items()})
    found = []
    for word in _split(words):
        if tidy(word) not in table:
            raise unknown(kind, word, list(dict.fromkeys(table.values())))
        found.append(table[tidy(word)])
    return tuple(dict.fromkeys(found))


def unknown(kind: str, word: str, allowed: list[str]) -> QuestionTrouble:
    """The trouble for a word that is not known, with the nearest known ones."""
    near = difflib.get_close_matches(tidy(word), [tidy(a) for a in allowed], 3, 0.5)
    spelled = {tidy(a): a for a in allowed}
    hint = ", ".join(shown(spelled[n]) if kind == "route" else spelled[n] for n in near or list(spelled)[:12])
    return QuestionTrouble(f"{kind} {word!r} is not known", f"{'nearest' if near else 'known'}: {hint}")


def _split(words: Iterable[str]) -> list[str]:
    return [part for word in words for part in str(word).split(",") if part.strip()]


def spans(text: str) -> list[tuple[float, float]]:
    """Number ranges: '3', '7-10', '10+', '-2', '1,3'. Raises QuestionTrouble."""
    out = []
    for part in text.split(","):
        part = part.strip()
        try:
            if part.endswith("+"):
                out.append((float(part[:-1]), float("inf")))
            elif "-" in part[1:]:
                low, high = part[0] + part[1:].split("-", 1)[0], part[1:].split("-", 1)[1]
                out.append((float(low), float(high)))
            else:
                out.append((float(part), float(part)))
        except ValueError:
            raise QuestionTrouble(
                f"{text!r} is not a number or a range", "write 3, 7-10, 10+ or 1,3"
            ) from None
    return out


def across(inside_yd: float) -> str:
    """inside, head-up or outside, from yards (+ = defender inside)."""
    if inside_yd != inside_yd:
        return "–"
    return "head-up" if abs(inside_yd) <= HEAD_UP_YD else "inside" if inside_yd > 0 else "outside"


def along(under_yd: float) -> str:
    """underneath, level or over the top, from yards (+ = defender underneath)."""
    if under_yd != under_yd:
        return "–"
    return "level" if abs(under_yd) <= LEVEL_YD else "underneath" if under_yd > 0 else "over the top"
