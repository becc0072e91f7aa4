"""Values to colours and legends: one scale for the window, the picture, the page and the printed sheets.

Film is drawn in bands of the cividis map (made so that readers with any colour vision see the same
order), with a jump and a heavy rule at the required film. Statuses keep a contrast of at least 2:1 between
any two of them in grey, and the ones that ask for work carry a hatch as well.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bayreach.arrays import FloatArray, IntArray
from bayreach.units import MICROMETRE, MIL

UM_PER_MIL = MIL / MICROMETRE

CIVIDIS_BELOW = ("#00224e", "#003070", "#2b406d", "#45506c", "#595e6e")
"""Cividis at 0, 0.08, 0.17, 0.26 and 0.34: no film, then the four quarters of the required film.

Cividis: Nunez, Anderton and Renslow, "Optimizing colormaps with consideration for color vision deficiency",
PLoS ONE 13(7), 2018; the values are those of the table in matplotlib.
"""

CIVIDIS_ABOVE = ("#999277", "#bcae6c", "#dfca57", "#fee838")
"""Cividis at 0.62, 0.75, 0.88 and 1: three bands from the required film to the most allowed, and above."""

CIVIDIS_PLACES = (0.0, 0.08, 0.17, 0.26, 0.34, 0.62, 0.75, 0.88, 1.0)
"""Where the bands' colours lie on the map; 0.34 to 0.62 is left out, so that the required film is a jump."""

HATCH_NONE = 0
HATCH_SLANTED = 1
HATCH_CROSSED = 2
HATCH_DOTTED = 3

NEUTRAL = "#d9d9d9"
"""Colour of what the question does not concern: other bays, sides outside."""

STATUS_COLOURS = {
    "covered": ("#004488", HATCH_NONE),
    "low": ("#DDAA33", HATCH_NONE),
    "dry": ("#BB5566", HATCH_SLANTED),
    "heavy": ("#0d0716", HATCH_DOTTED),
    "keep-out": ("#ffffff", HATCH_CROSSED),
}
"""Colour and hatch of each status."""


SET_COLOURS = (
    "#88CCEE",
    "#332288",
    "#DDCC77",
    "#117733",
    "#CC6677",
    "#44AA99",
    "#882255",
    "#999933",
    "#AA4499",
)
"""Colours of things without an order (bays, passes), repeated when there are more; numbers go with them.

The nine "muted" colours of P. Tol, "Colour Schemes", technical note SRON/EPS/TN/09-002 (values from memory).
"""


@dataclass(frozen=True, kw_only=True)
class Band:
    """One band of the film scale: `low_um` <= film < `high_um`, its colour, and whether it is enough."""

    low_um: float
    high_um: float
    colour: str
    enough: bool


@dataclass(frozen=True, kw_only=True)
class FilmScale:
    """The film scale: band edges in micrometres that follow from the required and the greatest allowed film.

    Parameters
    ----------
    required_um : float
        Film below which a side is low.
    most_um : float
        Film above which it is heavy; may be infinite.

    Raises
    ------
    ValueError
        When the required film is not above zero or the greatest allowed is not above the required.

    >>> scale = FilmScale(required_um=8.0, most_um=20.0)
    >>> scale.edges_um
    (0.0, 2.0, 4.0, 6.0, 8.0, 12.0, 16.0, 20.0)
    >>> scale.band_of([0.0, 7.9, 8.0, 25.0]).tolist()
    [0, 4, 5, 8]
    """

    required_um: float
    most_um: float

    def __post_init__(self) -> None:
        if not (0.0 < self.required_um < np.inf and self.most_um > self.required_um):
            message = (
                f"film scale: required {self.required_um:g} um and most {self.most_um:g} um found; "
                "the required film must be above zero and the most allowed above that."
            )
            raise ValueError(message)

    @property
    def edges_um(self) -> tuple[float, ...]:
        """Eight band edges in um: zero, quarters of the required film, then thirds up to the most allowed."""
        below = [self.required_um * quarter / 4 for quarter in range(5)]
        most = self.most_um if np.isfinite(self.most_um) else 4 * self.required_um
        above = [self.required_um + (most - self.required_um) * third / 3 for third in range(1, 4)]
        return (*below, *above)

    @property
    def bands(self) -> tuple[Band, ...]:
        """Nine bands, thinnest first; the first holds no film at all, the last all above the top edge."""
        edges = self.edges_um
        spans = [(0.0, 0.0), *pairwise(edges), (edges[-1], np.inf)]
        colours = (*CIVIDIS_BELOW, *CIVIDIS_ABOVE)
        return tuple(
            Band(low_um=low, high_um=high, colour=colour, enough=low >= self.required_um)
            for (low, high), colour in zip(spans, colours, strict=True)
        )

    def band_of(self, film_um: ArrayLike) -> IntArray:
        """Return the place in `bands` (...) of each film (...) in um; not a number counts as no film."""
        film = np.nan_to_num(np.asarray(film_um, dtype=np.float64), nan=0.0, posinf=np.inf)
        return np.where(film <= 0.0, 0, np.searchsorted(self.edges_um, film, side="right")).astype(np.int64)

    def colours(self, film_um: ArrayLike) -> NDArray[np.uint8]:
        """Return the red, green and blue (..., 3) of each film (...) in um."""
        return rgb_table([band.colour for band in self.bands])[self.band_of(film_um)]


def rgb(colour: str) -> tuple[int, int, int]:
    """Return red, green and blue, 0 to 255, of a "#rrggbb" text.

    >>> rgb("#004488")
    (0, 68, 136)
    """
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def rgb_table(colours: Sequence[str]) -> NDArray[np.uint8]:
    """Return the (n, 3) uint8 table of "#rrggbb" texts."""
    return np.array([rgb(colour) for colour in colours], dtype=np.uint8).reshape(-1, 3)


def relative_luminance(colour: str) -> float:
    """Return the relative luminance Y of an sRGB colour, 0 (black) to 1 (white).

    Y = 0.2126 R + 0.7152 G + 0.0722 B of the linearised channels: WCAG 2.2, definition of relative luminance.
    """
    channels: FloatArray = np.array(rgb(colour)) / 255.0
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def grey_contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21: (Y1 + 0.05) / (Y2 + 0.05), WCAG 2.2.

    >>> round(grey_contrast("#ffffff", "#000000"), 3)
    21.0
    """
    dark, light = sorted((relative_luminance(one), relative_luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def film_text(film_um: float) -> str:
    """Return a film in both units, three digits, never rounded up to a limit it does not reach.

    >>> film_text(12.7)
    '12.7 µm (0.5 mil)'
    """
    return f"{film_um:.3g} µm ({film_um / UM_PER_MIL:.2g} mil)"


def legend(scale: FilmScale) -> tuple[tuple[str, str], ...]:
    """Return (colour, text) of each band, thinnest first, in um and mil."""
    rows = []
    for band in scale.bands:
        if band.high_um == 0.0:
            text = "no film"
        elif np.isinf(band.high_um):
            text = f"over {film_text(band.low_um)}"
        else:
            mils = f"{band.low_um / UM_PER_MIL:.2g} to {band.high_um / UM_PER_MIL:.2g} mil"
            text = f"{band.low_um:.3g} to {band.high_um:.3g} µm ({mils})"
        rows.append((band.colour, text))
    return tuple(rows)


def status_colour(name: str) -> tuple[str, int]:
    """Return colour and hatch of a status by name; a status that is not known is neutral."""
    return STATUS_COLOURS.get(name, (NEUTRAL, HATCH_NONE))


def check_colours() -> tuple[str, str, str]:
    """Return the colours of: not worked out, cannot be seen, can be checked."""
    return NEUTRAL, "#6a3d7c", "#88CCEE"


CHANCE_EDGES = (0.5, 0.8, 0.95)
"""Edges of the bands of a chance; 95 % is what counts as sure."""


def chance_colours() -> tuple[str, str, str, str, str]:
    """Return the colours of: nothing asked, then the four bands of a chance, least first."""
    return NEUTRAL, CIVIDIS_BELOW[0], CIVIDIS_BELOW[3], CIVIDIS_ABOVE[0], CIVIDIS_ABOVE[3]


def chance_row(chance: ArrayLike) -> IntArray:
    """Return the place in `chance_colours` (...) of chances (...) from 0 to 1; below 0 nothing is asked.

    >>> chance_row([-1.0, 0.0, 0.5, 0.949, 0.95]).tolist()
    [0, 1, 2, 3, 4]
    """
    values = np.asarray(chance, dtype=np.float64)
    return np.where(values < 0.0, 0, 1 + np.searchsorted(CHANCE_EDGES, values, side="right")).astype(np.int64)


def set_colour(place: int) -> str:
    """Return the colour of the thing at `place` in a list; nothing (-1) is neutral."""
    return NEUTRAL if place < 0 else SET_COLOURS[place % len(SET_COLOURS)]
