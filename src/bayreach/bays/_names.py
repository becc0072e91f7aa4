"""Names of openings by where they are, the same however the mesh is cut or whatever else is opened."""

import re

import numpy as np

from bayreach.arrays import FloatArray

_STEPS_A_DIAGONAL = 200.0
"""A name is told in whole millimetres unless the structure has a diagonal of fewer steps than this."""

_NUDGE = 0.0137
"""Share of a step by which places are moved before rounding, so that no round figure is on the border."""

_PLACE = re.compile(r"opening x(-?\d+(?:\.\d+)?) y(-?\d+(?:\.\d+)?) z(-?\d+(?:\.\d+)?)(?: \(\d+\))?")


def names_by_place(centers: FloatArray, diagonal: float) -> tuple[str, ...]:
    """Return the name of each opening from its centre (n, 3) in m: its place in mm, axis by axis.

    A place says the same whatever else is opened or however faces are divided, which a running number does
    not. Of several at one place the second is called "(2)", in the order given.

    >>> names_by_place(np.array([[0.5, 0.2, 0.1], [-0.0125, 0.2, 0.1]]), 1.1)
    ('opening x500 y200 z100', 'opening x-12 y200 z100')
    """
    digits = max(0, -int(np.floor(np.log10(max(diagonal, 1e-9) * 1e3 / _STEPS_A_DIAGONAL))))
    places = np.round(np.asarray(centers) * 1e3 * 10**digits + _NUDGE) / 10**digits + 0.0
    seen: dict[str, int] = {}
    names = []
    for x, y, z in places.tolist():
        name = f"opening x{x:.{digits}f} y{y:.{digits}f} z{z:.{digits}f}"
        seen[name] = seen.get(name, 0) + 1
        names.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return tuple(names)


def place_in_name(name: str) -> FloatArray | None:
    """Return the place (3,) in m that the name of an unnamed opening tells, None for any other name.

    >>> place_in_name("opening x500 y200 z100").tolist()
    [0.5, 0.2, 0.1]
    """
    found = _PLACE.fullmatch(name)
    return None if found is None else np.array([float(text) for text in found.groups()]) * 1e-3
