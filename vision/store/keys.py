"""Content keys: work is reused only when film, settings, code and weights are all the same."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def film_key(path: str | Path, settings: Mapping[str, Any] | None = None) -> str:
    """Hex key of a file's content together with `settings` (anything JSON can hold: standard, weights'
    hashes, code version, sheet row). A renamed file keeps its key; a changed setting changes it."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    digest.update(json.dumps(settings or {}, sort_keys=True, default=str).encode())
    return digest.hexdigest()[:32]
