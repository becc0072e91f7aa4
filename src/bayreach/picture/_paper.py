"""The sheet a picture is put together on: panels, text, labels that keep apart, legends. Pillow is here."""

from collections.abc import Sequence
from functools import lru_cache
from importlib.util import find_spec
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bayreach import heatmap
from bayreach.files import write_whole

if TYPE_CHECKING:
    from PIL.ImageFont import FreeTypeFont, ImageFont

INK = (25, 25, 25)
SOFT_INK = (90, 90, 90)
Box = tuple[float, float, float, float]


@lru_cache(maxsize=32)
def font(size: int, bold: bool = False) -> "FreeTypeFont | ImageFont":
    """Return the sans-serif font that comes with matplotlib, or Pillow's own where that is missing."""
    from PIL import ImageFont

    found = find_spec("matplotlib")
    if found and found.origin:
        name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
        path = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / name
        if path.is_file():
            return ImageFont.truetype(str(path), size)
    return ImageFont.load_default(size)


class Paper:
    """A white sheet of `width` by `height` pixels to put panels, text and legends on."""

    def __init__(self, width: int, height: int) -> None:
        from PIL import Image, ImageDraw

        self.image = Image.new("RGB", (width, height), "white")
        self.draw: ImageDraw.ImageDraw = ImageDraw.Draw(self.image)

    def png(self) -> bytes:
        """Return the sheet as PNG with a palette that keeps every colour of the scales exactly."""
        from PIL import Image

        kept = BytesIO()
        few = Image.fromarray(_places_in_palette(np.asarray(self.image)))
        few.putpalette(_palette().ravel().tolist())
        few.save(kept, format="PNG", optimize=True)
        return kept.getvalue()

    def cut_below(self, height: float) -> None:
        """Cut the sheet off at `height` pixels from its top."""
        self.image = self.image.crop((0, 0, self.image.width, round(height)))

    def save(self, path: Path) -> Path:
        """Write the sheet as PNG, whole or not at all, and return the path.

        Raises
        ------
        StoreError
            When the file cannot be written.
        """
        return write_whole(path, self.png())

    def panel(self, picture: NDArray[np.uint8], left: int, top: int, title: str) -> None:
        """Put `picture` (h, w, 3) at `left`, `top` with its title inside the upper left corner."""
        from PIL import Image

        height, width = picture.shape[:2]
        self.image.paste(Image.fromarray(picture), (left, top))
        self.draw.rectangle((left, top, left + width - 1, top + height - 1), outline=(200, 200, 200))
        self.text(left + 10, top + 8, title, size=17, bold=True, width=width - 20)

    def text(
        self,
        left: float,
        top: float,
        text: str,
        *,
        size: int = 15,
        bold: bool = False,
        colour: tuple[int, int, int] = INK,
        width: float = 1e9,
    ) -> float:
        """Write `text`, wrapped to `width` pixels, and return the place below it."""
        for line in self.wrapped(text, size=size, bold=bold, width=width):
            self.draw.text((left, top), line, fill=colour, font=font(size, bold))
            top += size * 1.32
        return top

    def wrapped(self, text: str, *, size: int, bold: bool = False, width: float = 1e9) -> list[str]:
        """Return `text` as lines of at most `width` pixels; a word that is longer is cut."""
        lines, line = [], ""
        for word in text.split():
            longer = f"{line} {word}".strip()
            if self.draw.textlength(longer, font=font(size, bold)) <= width:
                line = longer
                continue
            if line:
                lines.append(line)
            line = self._cut(word, size, bold, width)
        return [*lines, line] if line else lines

    def _cut(self, word: str, size: int, bold: bool, width: float) -> str:
        if self.draw.textlength(word, font=font(size, bold)) <= width:
            return word
        while len(word) > 1 and self.draw.textlength(word + "…", font=font(size, bold)) > width:
            word = word[:-1]
        return word + "…"

    def way(self, points: Sequence[NDArray[np.float64]]) -> None:
        """Draw a tip's way, deepest first: a heavy line with a ring at its deepest point."""
        pixels = [(float(x), float(y)) for x, y in points]
        self.draw.line(pixels, fill=INK, width=5)
        if pixels:
            x, y = pixels[0]
            self.draw.ellipse((x - 8, y - 8, x + 8, y + 8), fill=(255, 255, 255), outline=INK, width=4)

    def swatch(self, box: Box, colour: str, hatch: int) -> None:
        """Draw a legend's box in its colour and hatch."""
        left, top, right, bottom = box
        self.draw.rectangle(box, fill=heatmap.rgb(colour), outline=INK)
        light, dark = (255, 255, 255), (90, 90, 90)
        if hatch == heatmap.HATCH_DOTTED:
            for x in np.arange(left + 4, right - 2, 8):
                for y in np.arange(top + 4, bottom - 2, 8):
                    self.draw.rectangle((x, y, x + 1, y + 1), fill=light)
        if hatch in (heatmap.HATCH_SLANTED, heatmap.HATCH_CROSSED):
            for start in np.arange(left - (bottom - top), right, 8):
                self._slanted(box, start, light if hatch == heatmap.HATCH_SLANTED else dark, True)
                if hatch == heatmap.HATCH_CROSSED:
                    self._slanted(box, start, dark, False)

    def _slanted(self, box: Box, start: float, colour: tuple[int, int, int], rising: bool) -> None:
        left, top, right, bottom = box
        height = bottom - top
        low, high = max(left + 1, start), min(right - 1, start + height)
        if low >= high:
            return
        begin = (low, bottom - (low - start)) if rising else (low, top + (low - start))
        end = (high, bottom - (high - start)) if rising else (high, top + (high - start))
        self.draw.line((*begin, *end), fill=colour, width=2)

    def labels(self, anchors: Sequence[tuple[float, float, str, str]], within: Box) -> list[Box]:
        """Write labels (x, y, text, colour) beside their anchors without overlap; return where they stand.

        A label that finds no free place within the panel is left out, its dot stays.
        """
        taken: list[Box] = [(within[0], within[1], within[2], within[1] + 32)]
        placed = []
        for x, y, _, colour in anchors:
            fill = heatmap.rgb(colour)
            self.draw.ellipse((x - 5, y - 5, x + 5, y + 5), fill=fill, outline=INK, width=2)
            taken.append((x - 6, y - 6, x + 6, y + 6))
        for x, y, text, _ in anchors:
            box = self._free_box(x, y, text, within, taken)
            if box is None:
                continue
            taken.append(box)
            placed.append(box)
            near_x, near_y = min(max(x, box[0]), box[2]), min(max(y, box[1]), box[3])
            self.draw.line((x, y, near_x, near_y), fill=INK, width=2)
            self.draw.rectangle(box, fill=(255, 255, 255), outline=INK)
            self.draw.text((box[0] + 5, box[1] + 2), text, fill=INK, font=font(14))
        return placed

    def _free_box(self, x: float, y: float, text: str, within: Box, taken: Sequence[Box]) -> Box | None:
        wide, high = self.draw.textlength(text, font=font(14)) + 10, 22.0
        for reach in (18.0, 40.0, 70.0, 110.0, 160.0, 220.0):
            for turn in (0.9, 2.2, 4.1, 5.3, 0.0, 3.1416, 1.57, 4.71):
                middle_x = x + np.cos(turn) * (reach + wide / 2)
                middle_y = y - np.sin(turn) * (reach + high / 2)
                box = (middle_x - wide / 2, middle_y - high / 2, middle_x + wide / 2, middle_y + high / 2)
                if _holds(within, box) and not any(_overlap(box, other) for other in taken):
                    return box
        return None


@lru_cache(maxsize=1)
def _palette() -> NDArray[np.uint8]:
    """Return 256 colours (256, 3): those of the scales exactly, and mixes with lines and hatches."""
    keys = [band.colour for band in heatmap.FilmScale(required_um=1.0, most_um=2.0).bands]
    keys += [colour for colour, _ in heatmap.STATUS_COLOURS.values()]
    keys += [heatmap.NEUTRAL, *heatmap.check_colours()[1:], *heatmap.SET_COLOURS]
    table = np.unique(heatmap.rgb_table(keys), axis=0).astype(np.float64)
    lines = np.array([INK, (38, 38, 38), (205, 205, 205), (255, 255, 255)], dtype=np.float64)
    greys = np.repeat(np.arange(0, 256, 17.0)[:, None], 3, axis=1)
    mixes = [table * (1 - share) + line * share for share in (0.5, 0.25, 0.75) for line in lines[1:]]
    colours = np.concatenate([table, lines, greys, *mixes])[:256]
    return np.resize(np.rint(colours), (256, 3)).astype(np.uint8)


def _places_in_palette(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return the nearest colour's place in the palette (h, w); a colour that the palette holds keeps itself.

    Pillow's own way to a given palette looks at coarse boxes of colours and mixes neighbours up.
    """
    packed = (pixels.astype(np.int64) * [65536, 256, 1]).sum(axis=2, dtype=np.int64)
    colours, back = np.unique(packed, return_inverse=True)
    parts = np.stack([colours >> 16, (colours >> 8) & 255, colours & 255], axis=1).astype(np.float64)
    palette = _palette().astype(np.float64)
    away = (parts**2).sum(axis=1)[:, None] - 2 * parts @ palette.T + (palette**2).sum(axis=1)
    nearest: NDArray[np.uint8] = away.argmin(axis=1).astype(np.uint8)[back].reshape(packed.shape)
    return nearest


def _holds(outer: Box, inner: Box) -> bool:
    return inner[0] > outer[0] and inner[1] > outer[1] and inner[2] < outer[2] and inner[3] < outer[3]


def _overlap(one: Box, two: Box) -> bool:
    return one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]
