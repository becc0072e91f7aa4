"""Fasteners from a list, that a new hole keeps its pitch from."""

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bayreach.arrays import FloatArray, frozen_floats
from bayreach.errors import PlanError

MOST_FASTENERS = 200_000
MOST_BYTES = 32 * 2**20
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
    try:
        if path.stat().st_size > MOST_BYTES:
            message = f"{path.name}: is larger than {MOST_BYTES // 2**20} MB; split it or leave rows out."
            raise PlanError(message)
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            rows = [row for row, _ in zip(reader, range(MOST_FASTENERS + 1), strict=False)]
            names = [name.strip().lower() for name in reader.fieldnames or ()]
            reader.fieldnames = names
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = getattr(error, "strerror", None) or error
        message = f"{path.name}: cannot be read as a list of fasteners ({reason})."
        raise PlanError(message) from None
    missing = [name for name in COLUMNS if name not in names]
    if missing:
        message = f"{path.name}: the column {missing[0]} is missing; needed are {', '.join(COLUMNS)}."
        raise PlanError(message)
    if not 0 < len(rows) <= MOST_FASTENERS:
        message = f"{path.name}: {len(rows)} fasteners found, 1 to {MOST_FASTENERS} allowed."
        raise PlanError(message)
    table = [[_number(row, key, path, line) for key in COLUMNS] for line, row in enumerate(rows, start=2)]
    values = metres * np.array(table)
    if (values[:, 3] <= 0).any():
        line = int(np.argmin(values[:, 3])) + 2
        message = f"{path.name}, line {line}: diameter {values[line - 2, 3] / metres:g} must be above zero."
        raise PlanError(message)
    return Fasteners(centers=values[:, :3], diameters=values[:, 3])


def _number(row: dict[str, str], key: str, path: Path, line: int) -> float:
    text = next((value for name, value in row.items() if name and name.strip().lower() == key), "") or ""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        message = f'{path.name}, line {line}: {key} is "{text[:40]}"; a number is needed.'
        raise PlanError(message)
    return value
