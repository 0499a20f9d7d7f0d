"""Read what people wrote down: the charting sheet and the roster (CSV, with the trade's many headings).

A sheet has one row per play. Needed: the play's number. Useful: its clip files, down, distance, hash, yard
line, result, yards, quarter, offense, defense. Anything unreadable in a cell becomes blank and is listed in
`Sheet.notes` with line and column; a file that is no sheet at all raises SheetTrouble.
"""

from __future__ import annotations

import csv
import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vision.trouble import SheetTrouble

HEADINGS: dict[str, tuple[str, ...]] = {
    "play_number": ("play", "play number", "play no", "no", "number", "play id", "snap number"),
    "sideline": ("sideline", "sideline clip", "sideline file", "side", "wide", "clip", "file", "clips",
                 "clip file", "clip files", "film", "video"),
    "endzone": ("endzone", "end zone", "endzone clip", "end zone clip", "endzone file", "end zone file"),
    "game_id": ("game", "game id", "opponent game", "session"),
    "quarter": ("quarter", "qtr", "period"),
    "down": ("down",),
    "distance": ("distance", "dist", "to go", "yards to go", "togo"),
    "hash": ("hash", "hash mark"),
    "yard_line": ("yard line", "yardline", "ball on", "field position", "spot", "yard"),
    "los_field_yd": ("los field yd",),
    "direction": ("direction", "going"),
    "kind": ("kind", "play type", "type", "run pass"),
    "result": ("result", "outcome"),
    "yards": ("yards", "gain", "yards gained"),
    "offense": ("offense", "offence", "team with the ball"),
    "defense": ("defense", "defence"),
    "standard": ("standard", "rules", "rule set"),
}  # fmt: skip
NUMBERS = ("quarter", "down", "distance", "yards", "los_field_yd", "direction")
RESULT_PATTERNS = (
    ("no play", r"no ?play|penalty|\bflag"), ("touchdown", r"touchdown|\btd\b"),
    ("incomplete", r"\binc|drop(ped)?\b|broken up|throw ?away|spike"),
    ("intercepted", r"\bint\b|intercept|pick"), ("sack", r"sack"),
    ("complete", r"\bcomp|\bcmp|catch|caught|complete"), ("scramble", r"scrambl"),
    ("kick", r"punt|kick|field goal|\bfg\b|\bpat\b|\bko\b"), ("run", r"\brun\b|rush|kneel"),
)  # fmt: skip
HASHES = {"l": "left", "left": "left", "m": "middle", "middle": "middle", "c": "middle", "center": "middle",
          "centre": "middle", "r": "right", "right": "right"}  # fmt: skip
ROSTER_HEADINGS = {
    "team": ("team", "school", "club"), "jersey": ("jersey", "number", "no", "num"),
    "name": ("name", "player", "player name"), "position": ("position", "pos", "role"),
}  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """rows: one dict per play, keys out of `HEADINGS` plus the sheet's other columns as they are named;
    numbers as float (down, quarter int), blank = None. notes: plain lines about cells left blank."""

    path: Path
    rows: tuple[dict[str, Any], ...]
    notes: tuple[str, ...]

    def row_of(self, clip: str | Path) -> dict[str, Any] | None:
        """The row that names this clip file (by file name, then by name without ending), else None."""
        name, stem = Path(clip).name.lower(), Path(clip).stem.lower()
        for test in (lambda n: Path(n).name.lower() == name, lambda n: Path(n).stem.lower() == stem):
            for row in self.rows:
                if any(test(n) for view in ("sideline", "endzone") for n in row.get(f"{view}_files", ())):
                    return row
        return None

    def view_of(self, clip: str | Path) -> str | None:
        """'sideline' or 'endzone' as the sheet lists the clip, else None."""
        row = self.row_of(clip)
        if row is None:
            return None
        stem = Path(clip).stem.lower()
        ends = [Path(n).stem.lower() for n in row.get("endzone_files", ())]
        return "endzone" if stem in ends else "sideline"


def read_sheet(path: str | Path) -> Sheet:
    """Read a charting sheet. Raises SheetTrouble when it is missing, empty, or no column holds the play."""
    path = Path(path)
    header, lines = _read(path, "charting sheet")
    columns, spare = _map(header, HEADINGS)
    if "play_number" not in columns:
        guess = [n for h in header for n in difflib.get_close_matches(h.lower(), HEADINGS["play_number"], 1)]
        hint = f" (is it {guess[0]!r}?)" if guess else ""
        raise SheetTrouble(
            f"{path}: no column for the play's number{hint}; its headings are {', '.join(header)}",
            "name one column 'play', and for the film 'sideline' and 'endzone'",
        )
    notes: list[str] = []
    rows = [_row(path, i + 2, line, header, columns, spare, notes) for i, line in enumerate(lines)]
    rows = [row for row in rows if row["play_number"] is not None]
    seen: dict[tuple[Any, Any], int] = {}
    for i, row in enumerate(rows):
        key = (row.get("game_id"), row["play_number"])
        if key in seen:
            notes.append(f"{path.name}: play {row['play_number']} stands twice; the first row counts")
        seen.setdefault(key, i)
    if not rows:
        raise SheetTrouble(f"{path} has headings but no plays", "fill in one row per play")
    return Sheet(path, tuple(rows[i] for i in sorted(seen.values())), tuple(notes))


def unknown_clips(sheet: Sheet, files: Iterable[str | Path]) -> list[str]:
    """One line per clip the sheet names that is not among `files`, with the nearest name there is."""
    stems = {Path(f).stem.lower(): Path(f).name for f in files}
    out = []
    for row in sheet.rows:
        for view in ("sideline", "endzone"):
            for name in row.get(f"{view}_files", ()):
                if Path(name).stem.lower() in stems:
                    continue
                near = difflib.get_close_matches(Path(name).stem.lower(), list(stems), 1)
                hint = f"; the nearest there is {stems[near[0]]}" if near else ""
                out.append(f"{sheet.path.name}: play {row['play_number']} names {name}, which is not in the "
                           f"folder{hint}. Correct the sheet or copy the clip.")  # fmt: skip
    return out


def read_roster(path: str | Path, team: str | None = None) -> list[dict[str, Any]]:
    """Rows of team, jersey (int), name, position. Raises SheetTrouble without jersey and name columns."""
    path = Path(path)
    header, lines = _read(path, "roster")
    columns, _ = _map(header, ROSTER_HEADINGS)
    if not {"jersey", "name"} <= set(columns):
        raise SheetTrouble(
            f"{path}: a roster needs the columns jersey and name; its headings are {', '.join(header)}",
            "add team and position where there are two teams",
        )
    rows = []
    for line in lines:
        row: dict[str, Any] = {"team": team, "position": None}
        row |= {key: line[i].strip() or None for key, i in columns.items() if i < len(line)}
        digits = re.sub(r"\D", "", str(row.get("jersey") or ""))
        if digits:
            rows.append({**row, "jersey": int(digits), "team": row.get("team") or team})
    if not rows:
        raise SheetTrouble(f"{path}: no row with a jersey number", "fill in one row per player")
    return rows


def line_of_scrimmage(row: dict[str, Any], length_yd: float = 100.0) -> dict[int, float]:
    """Line of scrimmage in field yards for each direction the offense may go: {+1: x, -1: x}; {} when the
    sheet does not say. 'own 35' or -35: 35 yd from the goal behind the offense; 'opp 40' or +40: 40 yd from
    the goal it attacks; the middle of the field needs no side. `direction` in the row leaves one."""
    direct = row.get("los_field_yd")
    if direct is not None:
        out = {1: float(direct), -1: float(direct)}
    else:
        to_goal = yards_to_goal(row.get("yard_line"), length_yd)
        if to_goal is None:
            return {}
        out = {1: length_yd - to_goal, -1: to_goal}
    going = row.get("direction")
    return {int(going): out[int(going)]} if going in (1, -1) else out


def yards_to_goal(text: Any, length_yd: float = 100.0) -> float | None:
    """Yards from the goal the offense attacks; None when the side of the field is not given."""
    found = re.fullmatch(
        r"\s*(own|o|-|opp(?:onent)?|their|\+|)\s*\.?\s*(\d{1,2}(?:\.\d+)?)\s*", str(text).lower()
    )
    if not found:
        return None
    side, yard = found.group(1), float(found.group(2))
    if yard > length_yd / 2:
        return None
    if yard == length_yd / 2:
        return yard
    if side in ("own", "o", "-"):
        return length_yd - yard
    return yard if side else None


def _read(path: Path, what: str) -> tuple[list[str], list[list[str]]]:
    if not path.is_file():
        raise SheetTrouble(f"{path}: no such {what}", "check the name and the folder")
    data = path.read_bytes()
    if b"\0" in data[:4096] and data[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        raise SheetTrouble(f"{path} is not a text file", f"save the {what} as CSV")
    for coding in ("utf-8-sig", "utf-16", "cp1252"):
        try:
            text = data.decode(coding)
            break
        except UnicodeError:
            continue
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise SheetTrouble(f"{path} is empty", f"save the {what} as CSV with a line of headings")
    mark = max(",;\t", key=lines[0].count)
    table = list(csv.reader(lines, delimiter=mark))
    return [cell.strip() for cell in table[0]], table[1:]


def _map(header: list[str], known: dict[str, tuple[str, ...]]) -> tuple[dict[str, int], list[int]]:
    """Column number of each known heading; the first heading that fits wins; and the columns left over."""
    tidy = [re.sub(r"[^a-z]+", " ", h.lower()).strip() for h in header]
    found: dict[str, int] = {}
    for key, words in known.items():
        for word in (key.replace("_", " "), *words):
            if word in tidy and tidy.index(word) not in found.values():
                found[key] = tidy.index(word)
                break
    return found, [i for i in range(len(header)) if i not in found.values() and header[i]]


def _row(path: Path, number: int, line: list[str], header: list[str], columns: dict[str, int],
         spare: list[int], notes: list[str]) -> dict[str, Any]:  # fmt: skip
    row: dict[str, Any] = {header[i]: line[i].strip() or None for i in spare if i < len(line)}
    for key, i in columns.items():
        text = line[i].strip() if i < len(line) else ""
        row[key] = _cell(key, text) if text else None
        if text and row[key] is None:
            notes.append(f"{path.name} line {number}: {header[i]} {text!r} cannot be read and is left blank")
    row.setdefault("play_number", None)
    for view in ("sideline", "endzone"):
        row[f"{view}_files"] = tuple(p.strip() for p in re.split(r"[;|]", row.get(view) or "") if p.strip())
    if len(row["sideline_files"]) == 2 and not row["endzone_files"]:  # one column "clip files": both views
        row["endzone_files"] = row["sideline_files"][1:]
        row["sideline_files"] = row["sideline_files"][:1]
    return row


def _cell(key: str, text: str) -> Any:
    if key in NUMBERS:
        try:
            value = float(text.replace(",", ".").replace("−", "-"))
        except ValueError:
            return 1.0 if key == "distance" and text.lower() in ("inches", "in") else _first_digit(key, text)
        whole = key in ("quarter", "down", "direction")
        return int(value) if whole and value == int(value) else None if whole else value
    if key == "hash":
        return HASHES.get(text.lower())
    if key == "result":
        return next((word for word, pattern in RESULT_PATTERNS if re.search(pattern, text.lower())), None)
    if key == "kind":
        return next((k for k in ("pass", "run", "kick") if k in text.lower() or text.lower() == k[0]), None)
    return text


def _first_digit(key: str, text: str) -> int | None:
    """'1st' and 'Q2' as 1 and 2."""
    found = re.search(r"\d", text)
    return int(found.group()) if found and key in ("down", "quarter") else None
