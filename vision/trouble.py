"""One kind of error for everything a person can put right.

A `Trouble` says what was wrong, with which file or play, and what to do next, in one plain line. Commands
print that line and exit with `exit_status`; anything else that escapes is a fault of ours.
"""

from __future__ import annotations


class Trouble(Exception):
    """A problem a person can act on. `remedy` is the next step, a sentence without full stop."""

    exit_status = 2

    def __init__(self, what: str, remedy: str = "") -> None:
        self.what = what.rstrip(".")
        self.remedy = remedy.rstrip(".")
        cure = f" {self.remedy[0].upper()}{self.remedy[1:]}." if self.remedy else ""
        stop = "" if self.what.endswith(("?", "!")) else "."
        super().__init__(f"{self.what}{stop}{cure}")


class FilmTrouble(Trouble):
    """A film file that cannot be read, or not to its end."""

    exit_status = 3


class StoreTrouble(Trouble):
    """A season file that is missing, foreign, newer, or held by another program."""

    exit_status = 4


class SheetTrouble(Trouble):
    """A charting sheet, roster or tracking table that does not fit."""

    exit_status = 5


class QuestionTrouble(Trouble):
    """A question with an unknown word or a filter that cannot be understood."""

    exit_status = 6
