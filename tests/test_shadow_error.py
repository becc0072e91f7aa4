"""Film on sides that a shadow's border crosses: the error stated for each is one that holds.

A half-plane stands between an isotropic source and a plate. What lies on a face of the plate is then the
solid angle of the part of it that the source sees, over 4 pi: a closed form for a pose, its mean for a pull.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from oracles import grid_plate

from bayreach.deposit.direct import path_film
from bayreach.measure import face_areas, solid_angles
from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.poses import straight_path
from bayreach.rays import Scene
from bayreach.sight import targets_of
from bayreach.tips import Tip

ISOTROPIC = Tip(pattern="radial", spread=math.pi)
FAR = 20.0
"""In m: half the size of what stands for a half-plane."""


@dataclass(frozen=True)
class Case:
    """A pull along x at `height` above a plate; at `level` what has normal . (x, y) > offset is free."""

    plate: Mesh
    height: float
    ends: tuple[float, float]
    level: float
    normal: np.ndarray
    offset: float

    @property
    def occluder(self) -> Mesh:
        along = np.array([-self.normal[1], self.normal[0], 0.0])
        away = np.array([*self.normal, 0.0])
        edge = self.offset * away + np.array([0.0, 0.0, self.level])
        corners = [edge - FAR * along, edge + FAR * along]
        return mesh_of([*corners, corners[1] - FAR * away, corners[0] - FAR * away], [[0, 1, 2], [0, 2, 3]])

    def exact(self, steps: int) -> np.ndarray:
        """Return the film (n,) in 1/m² on the front of each face of the plate, the mean of so many poses."""
        places = self.ends[0] + (np.arange(steps) + 0.5) / steps * (self.ends[1] - self.ends[0])
        seen = [lit_solid_angles(self.plate.corners - [x, 0, self.height], self.free(x)) for x in places]
        return np.mean(seen, axis=0) / (4 * math.pi) / face_areas(self.plate)

    def free(self, x: float) -> np.ndarray:
        """Return how far (n, 3) the way to each corner passes beyond the edge, in m at its level."""
        share = (self.height - self.level) / self.height
        flat = self.plate.corners[:, :, :2]
        return share * flat @ self.normal + (1.0 - share) * x * self.normal[0] - self.offset


def lit_solid_angles(corners: np.ndarray, free: np.ndarray) -> np.ndarray:
    """Return the solid angle (n,) from the origin of that part of triangles where `free` (n, 3) > 0."""
    count, n = (free > 0).sum(axis=1), np.arange(len(free))[:, None]
    odd = np.where(count == 1, (free > 0).argmax(axis=1), (free <= 0).argmax(axis=1))
    order = (odd[:, None] + np.arange(3)) % 3
    turned, height = corners[n, order], free[n, order]
    parted = (height[:, :1] > 0) != (height[:, 1:] > 0)
    share = np.zeros((len(free), 2))
    np.divide(height[:, :1], height[:, :1] - height[:, 1:], out=share, where=parted)
    ends = turned[:, :1] + share[:, :, None] * (turned[:, 1:] - turned[:, :1])
    tip = np.concatenate([turned[:, :1], ends], axis=1)
    whole, cut = (np.abs(solid_angles(np.zeros((1, 3)), part)[0]) for part in (corners, tip))
    return np.choose(count, [0.0 * whole, cut, whole - cut, whole])


def cases(count: int, seed: int, *, pulled: bool) -> Iterator[Case]:
    """Yield random cases; every third edge runs along the faces' own edges, where errors add up."""
    random = np.random.default_rng(seed)
    for number in range(count):
        height, cells = random.uniform(0.05, 0.2), int(random.integers(3, 9))
        level = height * random.uniform(0.1, 0.7)
        angle = random.uniform(0, 2 * math.pi) if number % 3 else random.integers(0, 4) * math.pi / 2
        normal = np.array([math.cos(angle), math.sin(angle)])
        length = random.uniform(0.05, 0.4) if pulled else 0.0
        middle = random.uniform(-0.05, 0.05)
        plate = grid_plate([0, random.uniform(-0.05, 0.05), 0], [0.4, 0, 0], [0, 0.3, 0], cells=cells)
        # The border of the middle of the pull's shadow passes within 0.1 m of the plate's middle.
        share = (height - level) / height
        offset = share * random.uniform(-0.1, 0.1) + (1 - share) * middle * normal[0]
        yield Case(plate, height, (middle - length / 2, middle + length / 2), level, normal, offset)


def laid(case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Return the film and its stated error (n,) in 1/m² on the plate's faces."""
    mesh = joined([case.plate, case.occluder])
    front = np.arange(0, case.plate.n_sides, 2)
    path = straight_path(
        entry=(case.ends[0], 0.0, case.height),
        aim=(1, 0, 0),
        deepest=case.ends[1] - case.ends[0],
        shallowest=0.0,
        clock=0.0,
        down=(0, 0, -1),
    )
    column = path_film(Scene(mesh), targets_of(mesh, front), path, ISOTROPIC, error=0.02)
    stated = np.zeros(mesh.n_sides)
    stated[column.sides] = column.errors
    return column.dense(mesh.n_sides)[front], stated[front]


def crossed(case: Case) -> np.ndarray:
    """Return the faces (n,) bool that the border of some shadow of the pull crosses."""
    free = np.concatenate([case.free(x) for x in np.linspace(*case.ends, 40)], axis=1) > 0
    return free.any(axis=1) & ~free.all(axis=1)


@pytest.mark.parametrize("pulled", [False, True], ids=["a dwell", "a pull"])
def test_the_error_stated_for_a_side_is_not_exceeded_on_95_of_100_sides_that_a_shadow_crosses(
    pulled: bool,
) -> None:
    # Counted apart: borders in any direction, borders along the faces' own edges, and sides that no border
    # crosses. A strip too narrow for any sample may be told as dry: a thousandth of the greatest film.
    held: dict[str, list[np.ndarray]] = {"askew": [], "along": [], "none": []}
    sizes = []
    for number, case in enumerate(cases(30, seed=101, pulled=pulled)):
        film, stated = laid(case)
        exact = case.exact(100 if pulled else 1)
        is_held = np.abs(film - exact) <= stated + 1e-3 * exact.max()
        at_border = crossed(case)
        held["askew" if number % 3 else "along"].append(is_held[at_border])
        held["none"].append(is_held[~at_border])
        sizes.append((stated / exact.max())[at_border])
    for kind, parts in held.items():
        assert np.concatenate(parts).size > 100
        assert np.concatenate(parts).mean() >= 0.95, kind
    # An error that says nothing would hold too: most are told to a few per cent of the greatest film.
    assert np.quantile(np.concatenate(sizes), 0.9) < 0.06
