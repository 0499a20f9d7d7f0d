"""Single pictures, read as the frames of film are: upright as stored, BGR."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from vision.trouble import FilmTrouble

PICTURES = (".png", ".jpg", ".jpeg", ".bmp", ".tif", ".tiff", ".webp")


def read_picture(path: Path) -> Any:
    """One picture file as bgr uint8. Raises FilmTrouble."""
    import numpy as np
    from PIL import Image, UnidentifiedImageError

    if not path.is_file():
        raise FilmTrouble(f"{path}: no such file", "check the name and the folder")
    try:
        with Image.open(path) as image:
            return np.ascontiguousarray(np.asarray(image.convert("RGB"))[..., ::-1])
    except (UnidentifiedImageError, OSError) as error:
        raise FilmTrouble(f"{path} is not a picture ({error})", "give PNG, JPEG or film") from None
