"""Accepted pictures: a found one must look the same in blocks of eight pixels."""

import io
import os
from pathlib import Path

import numpy as np
from PIL import Image

GOLD = Path(__file__).parent / "gold"


def looks_as_accepted(name: str, png: bytes, tolerance: float = 6.0) -> bool:
    """Return whether a PNG looks like gold/NAME.png: mean difference of grey blocks under `tolerance` of 255.

    Fonts and drawing differ from machine to machine by a pixel or two; blocks of eight pixels hardly do. With
    ACCEPT_GOLD set, the found picture becomes the accepted one.
    """
    found = Image.open(io.BytesIO(png)).convert("RGB")
    path = GOLD / f"{name}.png"
    if os.environ.get("ACCEPT_GOLD"):
        found.save(path, optimize=True)
    wanted = Image.open(path).convert("RGB")
    if found.size != wanted.size:
        return False
    small = (max(1, found.width // 8), max(1, found.height // 8))
    one, two = (
        np.asarray(picture.resize(small, Image.Resampling.BOX), dtype=np.float64)
        for picture in (found, wanted)
    )
    return bool(np.abs(one - two).mean() < tolerance)
