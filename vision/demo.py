"""`make demo`: the invented game from pixels to the chart, the cut-up, the overlay, the sheet and the page.

Every step is one of the program's own commands, printed before it runs; only the clips, the charting
sheet and the roster are read (the truth beside them is for `underneath score`).

    python -m vision.demo demo_media demo_out
"""

from __future__ import annotations

import argparse
import shlex
import sys
import time
from pathlib import Path

from vision.commands import main as underneath


def run(words: list[str]) -> int:
    """Print a command and run it; returns its exit status."""
    print(f"\n$ underneath {shlex.join(words)}", flush=True)
    began = time.monotonic()
    status = underneath(words)
    print(f"  ({time.monotonic() - began:.0f} s, status {status})", flush=True)
    return status


def steps(media: Path, out: Path, workers: int) -> list[list[str]]:
    """The demo's command lines in order."""
    season = ["--season", str(out / "demo.season")]
    process = ["process", str(media / "clips"), *season, "--standard", "ncaa", "--workers", str(workers)]
    return [
        [*process, "--sheet", str(media / "sheet.csv"), "--roster", str(media / "roster.csv")],
        ["find", *season, "--most", "60", "--csv", str(out / "chart.csv")],
        ["ask", "curls", *season],
        ["ask", "combinations", *season],
        ["export", str(out / "export"), *season],
        ["cutup", str(out / "cutup.mp4"), *season, "--target"],
        ["show", "demo_p001_side", *season, "--out", str(out / "overlay.mp4")],
        ["show", "demo_p001_side", *season, "--out", str(out / "overlay.png"), "--at", "4"],
        ["sheet", "curls", str(out / "sheet_curls.html"), *season],
        ["sheet", "defenders", str(out / "sheet_drops.html"), *season],
        ["page", str(out / "page"), *season],
    ]


def main(argv: list[str] | None = None) -> int:
    """Run the demo; returns 0 when every step did."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("media", type=Path, nargs="?", default=Path("demo_media"))
    parser.add_argument("out", type=Path, nargs="?", default=Path("demo_out"))
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args(argv)
    args.out.mkdir(parents=True, exist_ok=True)
    (args.out / "demo.season").unlink(missing_ok=True)
    began = time.monotonic()
    failed = [words[0] for words in steps(args.media, args.out, args.workers) if run(words) != 0]
    print(f"\nDemo done in {(time.monotonic() - began) / 60:.1f} minutes. What it made:")
    for path in sorted(args.out.iterdir()):
        print(f"  {path}")
    if failed:
        print(f"steps that did not end well: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
