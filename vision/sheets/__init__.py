"""What goes to the meeting room: sheets to print, and the season as a page."""

from vision.sheets.build import write_sheet

__all__ = ["write_sheet"]
