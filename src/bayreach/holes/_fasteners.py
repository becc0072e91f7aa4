"""Fasteners from a list, that a new hole keeps its pitch from."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bayreach.arrays import FloatArray, frozen_floats
from bayreach.csvfile import csv_table
from bayreach.errors import PlanError

MOST_FASTENERS = 200_000
COLUMNS = ("x", "y", "z", "diameter")


@dataclass(frozen=True, kw_only=True, eq=False)
class Fasteners:
    """Centres (k, 3) m and diameters (k,) m of fasteners."""

    centers: FloatArray
    diameters: FloatArray

    def __post_init__(self) -> None:
        centers = frozen_floats(self.centers, shape=(-1, 3), name="fasteners: centers")
        object.__setattr__(self, "centers", centers)
        diameters = frozen_floats(self.diameters, shape=(len(centers),), name="fasteners: diameters")
        object.__setattr__(self, "diameters", diameters)


def read_fasteners(path: Path, metres: float) -> Fasteners:
    """Return the fasteners in a CSV file with the columns x, y, z and diameter, in units of `metres` m.

    Raises
    ------
    PlanError
        When it cannot be read, lacks a column, or holds no number where one belongs.
    """
    rows = csv_table(path, what="a list of fasteners", needed=COLUMNS, most=MOST_FASTENERS, refuse=PlanError)
    for row in rows:
        if row.number("diameter") <= 0.0:
            message = f"{row.place}: diameter {row.number('diameter'):g} must be above zero."
            raise PlanError(message)
    values = metres * np.array([[row.number(column) for column in COLUMNS] for row in rows])
    return Fasteners(centers=values[:, :3], diameters=values[:, 3])
