"""Charting sheets and rosters as people write them."""

from __future__ import annotations

from pathlib import Path

import pytest

from vision.charting import line_of_scrimmage, read_roster, read_sheet, unknown_clips, yards_to_goal
from vision.trouble import SheetTrouble


def write(tmp_path: Path, text: str, name: str = "sheet.csv", coding: str = "utf-8") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode(coding))
    return path


def test_usual_sheet(tmp_path: Path) -> None:
    sheet = read_sheet(
        write(
            tmp_path,
            (
                "Play,Sideline,End Zone,Down,Dist,Hash,Yard Line,Result,Gain,Coach\n"
                "1,p1_s.mp4,p1_e.mp4,1st,10,L,own 35,Comp,7,x\n"
                "2,p2_s.mp4,,3,inches,R,+4,INC.,,\n"
            ),
        )
    )
    one, two = sheet.rows
    assert (one["down"], one["distance"], one["hash"], one["result"], one["yards"]) == (
        1,
        10,
        "left",
        "complete",
        7,
    )
    assert (
        one["Coach"] == "x"
        and two["result"] == "incomplete"
        and two["distance"] == 1
        and two["yards"] is None
    )
    assert sheet.row_of("/film/P1_E.mov") is one and sheet.view_of("p1_e.mp4") == "endzone"
    assert sheet.view_of("p2_s.mp4") == "sideline" and sheet.row_of("other.mp4") is None
    assert sheet.notes == ()


@pytest.mark.parametrize("mark,coding", [(";", "utf-8-sig"), ("\t", "utf-16"), (",", "cp1252")])
def test_delimiters_and_codings(tmp_path: Path, mark: str, coding: str) -> None:
    text = (
        mark.join(["play", "clip files", "offense"]) + "\n" + mark.join(["7", "a.mp4|b.mp4", "Évreux"]) + "\n"
    )
    row = read_sheet(write(tmp_path, text, coding=coding)).rows[0]
    assert row["play_number"] == "7" and row["offense"] == "Évreux"
    assert row["sideline_files"] == ("a.mp4",) and row["endzone_files"] == ("b.mp4",)


def test_bad_cells_are_blank_and_said(tmp_path: Path) -> None:
    sheet = read_sheet(write(tmp_path, "play,down,hash\n1,many,upside\n1,2,L\n"))
    assert sheet.rows[0]["down"] is None and sheet.rows[0]["hash"] is None and len(sheet.rows) == 1
    assert "line 2: down 'many'" in sheet.notes[0] and "stands twice" in sheet.notes[-1]


@pytest.mark.parametrize(
    "text,words",
    [
        ("", "is empty"),
        ("a,b\n1,2\n", "no column for the play"),
        ("play,down\n", "no plays"),
    ],
)
def test_no_sheet(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(SheetTrouble, match=words):
        read_sheet(write(tmp_path, text))


def test_missing_and_binary(tmp_path: Path) -> None:
    with pytest.raises(SheetTrouble, match="no such charting sheet"):
        read_sheet(tmp_path / "none.csv")
    (tmp_path / "x.csv").write_bytes(b"PK\0\0" * 10)
    with pytest.raises(SheetTrouble, match="not a text file"):
        read_sheet(tmp_path / "x.csv")


@pytest.mark.parametrize(
    "text,word",
    [("TD", "touchdown"), ("Comp.", "complete"), ("INC", "incomplete"), ("dropped", "incomplete"),
     ("INT", "intercepted"), ("no play", "no play"), ("Rush", "run"), ("punt", "kick"), ("sack", "sack")],
)  # fmt: skip
def test_result_words(tmp_path: Path, text: str, word: str) -> None:
    assert read_sheet(write(tmp_path, f"play,result\n1,{text}\n")).rows[0]["result"] == word


def test_unknown_clip_names_the_nearest(tmp_path: Path) -> None:
    sheet = read_sheet(write(tmp_path, "play,sideline\n1,play_01_sde.mp4\n2,play_02.mp4\n"))
    lines = unknown_clips(sheet, ["/f/play_01_side.mp4", "/f/play_02.mkv"])
    assert len(lines) == 1 and "nearest there is play_01_side.mp4" in lines[0]


@pytest.mark.parametrize(
    "text,length,expected",
    [
        ("own 35", 100, 65),
        ("-35", 100, 65),
        ("opp 40", 100, 40),
        ("+4", 100, 4),
        ("50", 100, 50),
        ("35", 100, None),
        ("own 54", 110, 56),
        ("55", 110, 55),
        ("own 61", 100, None),
        ("", 100, None),
    ],
)
def test_yard_line(text: str, length: float, expected: float | None) -> None:
    assert yards_to_goal(text, length) == expected


def test_line_of_scrimmage_for_both_directions() -> None:
    assert line_of_scrimmage({"yard_line": "own 35"}) == {1: 35, -1: 65}
    assert line_of_scrimmage({"yard_line": "opp 20", "direction": -1}) == {-1: 20}
    assert line_of_scrimmage({"los_field_yd": 42.5}) == {1: 42.5, -1: 42.5}
    assert line_of_scrimmage({"yard_line": "20"}) == {}


def test_roster(tmp_path: Path) -> None:
    rows = read_roster(
        write(tmp_path, "No,Player,Pos\n#7,A. Birch,WR\n,B. None,LB\n54,C. Cove,LB\n"), "Alder"
    )
    assert [(r["team"], r["jersey"], r["name"]) for r in rows] == [
        ("Alder", 7, "A. Birch"),
        ("Alder", 54, "C. Cove"),
    ]
    with pytest.raises(SheetTrouble, match="jersey and name"):
        read_roster(write(tmp_path, "a,b\n1,2\n"))
