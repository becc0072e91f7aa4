"""What a mesh's air is made of: bays and openings."""

from dataclasses import dataclass, field

import numpy as np

from bayreach.arrays import BoolArray, FloatArray, IntArray, frozen_floats, frozen_ints
from bayreach.bays._grid import Grid
from bayreach.measure import side_areas
from bayreach.mesh import Mesh
from bayreach.repair import Finding


@dataclass(frozen=True, kw_only=True, eq=False)
class Given:
    """An opening that a user names.

    Parameters
    ----------
    name : str
        Its name.
    center : (3,) float
        In m.
    diameter : float, optional
        In m; where the mesh has no opening at `center`, a round hole of this size is cut there.
    normal : (3,) float, optional
        Direction of the hole; across the nearest sheet where None.
    """

    name: str
    center: FloatArray
    diameter: float | None = None
    normal: FloatArray | None = None
    kind: str = "given"

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "center", frozen_floats(self.center, shape=(3,), name=f"opening {self.name}: center")
        )
        if self.diameter is not None and not self.diameter > 0:
            message = f'opening "{self.name}": diameter {self.diameter} m given, it must be positive.'
            raise ValueError(message)


@dataclass(frozen=True, kw_only=True, eq=False)
class Opening:
    """A gap between two bays or a bay and the outside.

    Parameters
    ----------
    name : str
        By place, or as the user names it.
    kind : str
        "found" in the mesh, "given" by the user and cut, or "proposed".
    center : (3,) float
        Area centre of the cap, in m.
    normal : (3,) float
        Unit, from the first link to the second.
    diameter : float
        Of the largest round rod that passes, in m.
    equivalent_diameter : float
        Of the circle of equal area, in m.
    area : float
        In m².
    rim : (k, 3) float
        Its edge, in order, in m.
    links : (int, int)
        Bay indices, -1 outside.
    thickness : float
        Of the sheet, in m; 0 for a shell.
    large : bool
        True for an open end: too large to be a hole.
    diameter_error, area_error : float
        How far a grid's may be off, in m and m²; 0 where the mesh gives the rim.
    """

    name: str
    kind: str
    center: FloatArray
    normal: FloatArray
    diameter: float
    equivalent_diameter: float
    area: float
    rim: FloatArray
    links: tuple[int, int]
    thickness: float = 0.0
    large: bool = False
    diameter_error: float = 0.0
    area_error: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "center", frozen_floats(self.center, shape=(3,), name="center"))
        object.__setattr__(self, "normal", frozen_floats(self.normal, shape=(3,), name="normal"))
        object.__setattr__(self, "rim", frozen_floats(self.rim, shape=(-1, 3), name="rim"))
        if self.kind not in {"found", "given", "proposed"}:
            message = f'opening "{self.name}": kind "{self.kind}" is not one of found, given, proposed.'
            raise ValueError(message)


@dataclass(frozen=True, kw_only=True, eq=False)
class Bay:
    """An air space closed by structure once openings are imagined shut.

    Parameters
    ----------
    name : str
        "bay 1" and so on along the longest axis of the box, or as the user names it.
    index : int
        Place in `Bays.bays`.
    area : float
        Of its sides, in m²; caps are not counted.
    volume : float
        In m³, up to its caps.
    box : (2, 3) float
        In m.
    openings : tuple of str
        Names.
    sealed : bool
        True where no chain of openings leads outside.
    neighbours : tuple of int
        Bays that an opening links it to; -1 outside.
    """

    name: str
    index: int
    area: float
    volume: float
    box: FloatArray
    openings: tuple[str, ...]
    sealed: bool
    neighbours: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "box", frozen_floats(self.box, shape=(2, 3), name="box"))


@dataclass(frozen=True, kw_only=True, eq=False)
class Bays:
    """The bays of a mesh and the openings between them.

    Parameters
    ----------
    mesh : Mesh
        The mesh that the sides belong to: the one given, finer where something passes through an opening or a
        given hole was cut.
    source_faces : (n,) int
        Face of the mesh given that each face is (a piece of).
    side_bay : (2n,) int
        Bay of each side, -1 outside.
    bays : tuple of Bay
    openings : tuple of Opening
    method : str
        "cells" (exact) or "voxel".
    findings : tuple of Finding
        What is odd about the air.
    cap_points : (p, 3) float
        Points of the caps, in m.
    cap_faces : (c, 3) int
        Caps; fronts face the second link of their opening.
    cap_opening : (c,) int
        Opening of each cap face; -1 closes a sliver too thin to be an opening.
    outside_volume : float
        Signed volume that the outside's sides and caps close off: minus the sum of the bays and the material.
    material_sides : (k,) int
        Sides that look into the material of thick sheets; they belong to no air (-1 in `side_bay`).
    material_volume : float
        In m³.
    grid : Grid, optional
        The air on a grid, where `method` is "voxel".
    """

    mesh: Mesh
    source_faces: IntArray
    side_bay: IntArray
    bays: tuple[Bay, ...]
    openings: tuple[Opening, ...]
    method: str
    findings: tuple[Finding, ...]
    cap_points: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))
    cap_faces: IntArray = field(default_factory=lambda: np.zeros((0, 3), dtype=np.int64))
    cap_opening: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    cap_links: IntArray = field(default_factory=lambda: np.zeros((0, 2), dtype=np.int64))
    outside_volume: float = 0.0
    material_sides: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    material_volume: float = 0.0
    grid: Grid | None = None

    def __post_init__(self) -> None:
        n = self.mesh.n_faces
        object.__setattr__(
            self, "source_faces", frozen_ints(self.source_faces, shape=(n,), name="source_faces")
        )
        object.__setattr__(self, "side_bay", frozen_ints(self.side_bay, shape=(2 * n,), name="side_bay"))
        object.__setattr__(
            self, "cap_points", frozen_floats(self.cap_points, shape=(-1, 3), name="cap_points")
        )
        object.__setattr__(self, "cap_faces", frozen_ints(self.cap_faces, shape=(-1, 3), name="cap_faces"))
        material = frozen_ints(self.material_sides, shape=(-1,), name="material_sides")
        object.__setattr__(self, "material_sides", material)
        n_caps = len(self.cap_faces)
        object.__setattr__(
            self, "cap_opening", frozen_ints(self.cap_opening, shape=(n_caps,), name="cap_opening")
        )
        object.__setattr__(
            self, "cap_links", frozen_ints(self.cap_links, shape=(n_caps, 2), name="cap_links")
        )

    def sides_of(self, bay: int) -> IntArray:
        """Return the sides of a bay, as indices."""
        return np.flatnonzero(self.side_bay == bay)

    def opening(self, name: str) -> Opening | None:
        """Return the opening of that name, or None."""
        return next((opening for opening in self.openings if opening.name == name), None)

    @property
    def inside(self) -> BoolArray:
        """(2n,) bool: sides that look into a bay."""
        return np.asarray(self.side_bay >= 0)

    def areas(self) -> FloatArray:
        """Return the area of each bay, (b,) in m²."""
        mask = self.inside
        weights = side_areas(self.mesh)[mask]
        return np.bincount(self.side_bay[mask], weights, len(self.bays)).astype(np.float64)
