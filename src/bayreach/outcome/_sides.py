"""The film of every side as arrays, and the whole result."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray, frozen_floats, frozen_ints
from bayreach.mesh import Mesh
from bayreach.outcome._outcome import Outcome


@dataclass(frozen=True, kw_only=True, eq=False)
class Sides:
    """The film of every side: what film.vtp holds.

    Parameters
    ----------
    mesh : Mesh
        The mesh the film was worked out on, in m: n faces.
    source_faces : (n,) int
        For each face, the face of the input mesh it is a part of.
    side_bay : (2n,) int
        Place in the outcome's bays of each side, -1 outside.
    film, direct, settled : (2n,) float
        Film in m, all of it, what flew straight and what settled; dry or wet as the target is.
    status : (2n,) int
        Place in `status_names`.
    extra : mapping of str to (2n,) array
        More values a side; names that end in `_um` are micrometres.
    names : mapping of str to tuple of str
        Names that whole-number values in `extra` point into, as "reason_names".
    """

    mesh: Mesh
    source_faces: IntArray
    side_bay: IntArray
    film: FloatArray
    direct: FloatArray
    settled: FloatArray
    status: IntArray
    status_names: tuple[str, ...]
    film_is: str = "dry"
    extra: Mapping[str, NDArray[Any]] = field(default_factory=dict)
    names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        n_sides = self.mesh.n_sides
        for name in ("film", "direct", "settled"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=(n_sides,), name=name))
        for name in ("side_bay", "status"):
            object.__setattr__(self, name, frozen_ints(getattr(self, name), shape=(n_sides,), name=name))
        source = frozen_ints(self.source_faces, shape=(self.mesh.n_faces,), name="source_faces")
        object.__setattr__(self, "source_faces", source)
        for name, values in self.extra.items():
            if np.shape(values) != (n_sides,):
                message = (
                    f'extra "{name}": shape {np.shape(values)} found, one value for {n_sides} sides needed.'
                )
                raise ValueError(message)


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """An outcome, the film of every side, and more files to lie beside them (name to bytes)."""

    outcome: Outcome
    sides: Sides
    files: Mapping[str, bytes] = field(default_factory=dict)
