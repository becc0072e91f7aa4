"""The designer's curve: how reach moves when one or two figures of a wand are varied."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

from bayreach.errors import UnitError, WandError, nearest_hint
from bayreach.reach._change import with_figure
from bayreach.reach._ground import Ground
from bayreach.reach._reach import reach_through
from bayreach.reach._records import Reach
from bayreach.units import si
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

FIGURES = {
    "length": "length", "diameter": "length", "tip_diameter": "length", "bend_radius": "length",
    "bend_angle": "angle", "clearance": "length", "room_outside": "length", "handle_diameter": "length",
}  # fmt: skip
"""Figures of a wand that may be varied, and the kind of quantity of each."""
MOST = 200
"""Most cases of one sweep."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One case of a sweep: the figures (SI) and what the wand then reaches through one opening."""

    figures: Mapping[str, float]
    reach: Reach


def read_vary(text: str) -> tuple[str, tuple[float, ...]]:
    """Return the figure and its values (SI) of a range written "length=0.6m:2.4m:0.2m", both ends included.

    >>> read_vary("length=0.6m:1.0m:0.2m")
    ('length', (0.6, 0.8, 1.0))

    Raises
    ------
    WandError
        When the figure is unknown, or the range is not "from:to:step" and upwards.
    """
    name, _, span = text.partition("=")
    name = name.strip()
    if name not in FIGURES:
        message = f'"{name}" cannot be varied.{nearest_hint(name, FIGURES)} It may be {", ".join(FIGURES)}.'
        raise WandError(message)
    parts = span.split(":")
    if len(parts) != 3:
        message = f'"{text}": a range is written {name}=from:to:step, each with its unit.'
        raise WandError(message)
    try:
        start, stop, step = (si(part, FIGURES[name]) for part in parts)
    except UnitError as error:
        message = f'"{text}": {error}'
        raise WandError(message) from None
    if not (step > 0.0 and start <= stop and math.isfinite(stop)):
        message = f'"{text}": the range must rise from the first value to the second by steps above 0.'
        raise WandError(message)
    count = math.floor((stop - start) / step + 1e-6) + 1
    if count > MOST:
        message = f'"{text}": {count} values asked, {MOST} allowed; use a larger step.'
        raise WandError(message)
    return name, tuple(round(start + step * k, 12) for k in range(count))


def sweep(
    ground: Ground, wand: Wand, openings: "Sequence[Opening]", vary: Mapping[str, Sequence[float]]
) -> tuple[Case, ...]:
    """Return what a wand reaches through each opening at each value, or pair of values, of its figures.

    A case that no wand can have (a tip wider than a bend's diameter, say) is left out.

    Raises
    ------
    WandError
        When a figure is unknown, more than two are varied, or the wand has no such figure.
    """
    if not 1 <= len(vary) <= 2:
        message = f"{len(vary)} figures varied, one or two can be."
        raise WandError(message)
    names = list(vary)
    cases = []
    for values in product(*vary.values()):
        changed = wand
        for name, value in zip(names, values, strict=True):
            changed = with_figure(changed, name, float(value))
        for opening in openings:
            row = reach_through(ground, changed, opening)
            cases.append(Case(figures=dict(zip(names, values, strict=True)), reach=row))
    return tuple(cases)


def sweep_rows(cases: Sequence[Case]) -> list[dict[str, Any]]:
    """Return one plain row a case: the figures, their unit in the name, then those of `reach --json`."""
    rows = []
    for case in cases:
        figures = {column_of(name): value for name, value in case.figures.items()}
        reach = case.reach
        rows.append(
            {
                **figures,
                "opening": reach.opening,
                "fits": reach.fits,
                "depth_m": round(reach.depth, 6),
                "bays_reached": len(reach.bays_reached),
                "tip_volume_m3": round(sum(bay.tip_volume for bay in reach.bays), 9),
                "visible_m2": round(reach.visible_area, 6),
                "in_pattern_m2": round(reach.in_pattern_area, 6),
                "limit": reach.limit,
            }
        )
    return rows


def column_of(name: str) -> str:
    """Return the name of a figure's column, with its SI unit."""
    return f"{name}_{'rad' if FIGURES[name] == 'angle' else 'm'}"


def sweep_csv(cases: Sequence[Case]) -> str:
    """Return the sweep as comma-separated text with a line of names."""
    rows = sweep_rows(cases)
    if not rows:
        return ""
    text = io.StringIO()
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
