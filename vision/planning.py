"""Which clips are one play: by the charting sheet's rows, else one clip is one play."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from calibration.clip import ClipCameras
from vision.charting import Sheet


@dataclass
class PlayWork:
    """One play of the batch: its clips (sideline first), its sheet row, what is still missing."""

    play_id: str
    clips: list[tuple[Path, str]]
    row: Mapping[str, Any] | None
    number: Any
    game_id: str
    keys: dict[Path, str] = field(default_factory=dict)
    passes: dict[Path, Path] = field(default_factory=dict)
    found_share: float = 1.0  # of its worst clip's frames with a camera, when it was stored
    asks: int = 0  # clips whose camera was lost or not numbered when it was stored
    early: bool = False  # stored before its game knew the camera of each of its clips
    cameras: list[ClipCameras] = field(default_factory=list)  # of its clips as stored; none after a kill


def plan_plays(files: Sequence[Path], sheet: Sheet | None, standard: str) -> list[PlayWork]:
    """Group clips into plays: by the sheet's rows, else one clip is one play."""
    plays: dict[str, PlayWork] = {}
    for path in files:
        row = sheet.row_of(path) if sheet else None
        view = (sheet.view_of(path) if sheet else None) or ""
        game = str((row or {}).get("game_id") or _game_of(path))
        number = row["play_number"] if row else None
        play_id = f"{game}-{number}" if row else path.stem
        work = plays.setdefault(play_id, PlayWork(play_id, [], row, number, game))
        work.clips.append((path, view))
    for work in plays.values():
        work.clips.sort(key=lambda item: item[1] == "endzone")
    return list(plays.values())


def _game_of(path: Path) -> str:
    """A game's name from its folder; a folder that is merely called clips or film lends its parent's."""
    folder = path.resolve().parent
    return (folder.parent if folder.name.lower() in ("clips", "film", "video", "videos") else folder).name
