"""The direction of the arrows: calibration <- models <- vision; the reading half never loads torch."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
OWN = ("calibration", "models", "vision")
READING = (
    "vision/questions",
    "vision/clips",
    "vision/sheets",
    "vision/export",
    "vision/store",
    "vision/page",
)
HEAVY = ("torch", "cv2", "ultralytics", "openvino", "torchvision")


def own_imports(path: Path) -> set[str]:
    """Dotted names of our own modules imported anywhere in a file."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            names |= {a.name for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module)
    return {n for n in names if n.split(".")[0] in OWN}


def files_of(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


@pytest.mark.parametrize("path", files_of("calibration"), ids=str)
def test_calibration_imports_only_itself(path: Path) -> None:
    assert {n.split(".")[0] for n in own_imports(path)} <= {"calibration"}


@pytest.mark.parametrize("path", files_of("models"), ids=str)
def test_models_never_import_vision_and_only_some_import_calibration(path: Path) -> None:
    roots = {n.split(".")[0] for n in own_imports(path)}
    assert "vision" not in roots, f"{path} imports vision"
    inside = path.relative_to(ROOT / "models").parts
    allowed = inside[0] in ("synthetic", "marks", "training", "evaluation")
    assert allowed or "calibration" not in roots, f"{path} imports calibration"


def test_only_the_store_holds_sql() -> None:
    for path in files_of("vision"):
        if "store" in path.relative_to(ROOT).parts:
            continue
        assert "import duckdb" not in path.read_text(), f"{path}: SQL belongs into vision/store"


def test_the_reading_half_never_loads_torch() -> None:
    modules = []
    for path in files_of("vision"):
        name = path.relative_to(ROOT).with_suffix("").as_posix()
        if name.startswith(READING) and not name.endswith("__init__"):
            modules.append(name.replace("/", "."))
    assert modules
    code = (
        f"import sys\nfor m in {modules!r}: __import__(m)\nprint([h for h in {HEAVY!r} if h in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


def test_the_top_level_is_as_agreed() -> None:
    done = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT)
    if done.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in done.stdout.splitlines()}
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "vision", "models", "calibration", "tests"}
    agreed |= {"demo_media", "LICENSE", "Makefile", "constraints.txt"}
    assert {t for t in top if not t.startswith(".")} <= agreed


def test_tracked_files_stay_small() -> None:
    done = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT)
    if done.returncode:
        pytest.skip("not a git checkout")
    total = sum((ROOT / line).stat().st_size for line in done.stdout.splitlines() if (ROOT / line).exists())
    assert total < 40e6, f"tracked files take {total / 1e6:.1f} MB; the limit is 40"
