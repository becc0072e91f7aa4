"""Direct film against closed forms of random pulls: the promised order, and an error estimate that holds."""

import math

import numpy as np
import pytest
from oracles import grid_plate

from bayreach.deposit.direct import path_film, pull_film
from bayreach.mesh import Mesh
from bayreach.poses import stations_of, straight_path
from bayreach.rays import Scene
from bayreach.sampling import points_on_faces
from bayreach.sight import targets_of
from bayreach.tips import Tip

ISOTROPIC = Tip(pattern="radial", spread=math.pi)
COSINE = Tip(pattern="side", spread=math.pi, profile="cosine")
DOWN = (0, 0, -1)


def by_formula(points: np.ndarray, height: float, ends: tuple[float, float], tip: Tip) -> np.ndarray:
    """Return the film per volume in 1/m² at points of z = 0 below a pull along x at `height` between `ends`.

    With rho² = h² + y² and s = x - x0: an isotropic source gives h / (4 pi rho²) [s / sqrt(rho² + s²)]
    over the length of the pull, a cosine source aimed at the plate h² / (2 pi rho³) [rho s / (rho² + s²)
    + atan(s / rho)].
    """
    rho = np.sqrt(height**2 + points[..., 1] ** 2)
    length = abs(ends[1] - ends[0])

    def upto(end: float) -> np.ndarray:
        s = end - points[..., 0]
        if tip is ISOTROPIC:
            return height / (4 * math.pi * rho**2) * s / np.sqrt(rho**2 + s**2)
        whole = rho * s / (rho**2 + s**2) + np.arctan(s / rho)
        return height**2 / (2 * math.pi * rho**3) * whole

    return (upto(max(ends)) - upto(min(ends))) / length


def exact_film(plate: Mesh, height: float, ends: tuple[float, float], tip: Tip) -> np.ndarray:
    """Return the film (n,) on the front of each face of a plate: the closed form averaged over 256 points."""
    points = points_on_faces(plate.corners, 256)
    return by_formula(points, height, ends, tip).mean(axis=1)


def pulled(height: float, ends: tuple[float, float]):
    return straight_path(
        entry=(min(ends), 0.0, height),
        aim=(1, 0, 0),
        deepest=abs(ends[1] - ends[0]),
        shallowest=0.0,
        clock=math.pi,  # clock nought is up; the plate is below
        down=DOWN,
    )


def cases(count: int, seed: int):
    """Yield random plates and pulls: height 15 to 150 mm, 50 to 500 mm long, faces of 10 to 50 mm."""
    random = np.random.default_rng(seed)
    for _ in range(count):
        height, length = random.uniform(0.015, 0.15), random.uniform(0.05, 0.5)
        cells = int(random.integers(6, 16))
        middle = random.uniform(-0.1, 0.1)
        plate = grid_plate([0, random.uniform(-0.1, 0.1), 0], [0.4, 0, 0], [0, 0.3, 0], cells=cells)
        yield plate, height, (middle - length / 2, middle + length / 2)


@pytest.mark.parametrize("tip", [ISOTROPIC, COSINE], ids=["isotropic", "cosine"])
def test_the_reported_error_is_not_exceeded_in_95_of_100_random_pulls(tip: Tip) -> None:
    held, errors = [], []
    for plate, height, ends in cases(40, seed=21):
        front = np.arange(0, plate.n_sides, 2)
        column = path_film(Scene(plate), targets_of(plate, front), pulled(height, ends), tip, error=0.02)
        exact = exact_film(plate, height, ends, tip)
        off = np.abs(column.dense(plate.n_sides)[front] - exact) @ column.areas / (exact @ column.areas)
        held.append(off <= column.error)
        errors.append(off)
    assert np.mean(held) >= 0.95
    assert np.quantile(errors, 0.95) < 0.02


@pytest.mark.parametrize("tip", [ISOTROPIC, COSINE], ids=["isotropic", "cosine"])
def test_halving_the_step_quarters_the_error_of_a_pull(tip: Tip) -> None:
    plate = grid_plate([0, 0, 0], [0.2, 0, 0], [0, 0.2, 0], cells=4)
    front, ends = np.arange(0, plate.n_sides, 2), (-0.2, 0.2)
    exact = exact_film(plate, 0.05, ends, tip)
    off = []
    # Steps of height and less: with finer ones the error of the samples would show.
    for step in (0.1, 0.05):
        stations = stations_of(pulled(0.05, ends), step)
        targets = targets_of(plate, front, samples=64)
        film = pull_film(Scene(plate), targets, stations, tip).dense(plate.n_sides)[front]
        off.append(np.abs(film - exact).max() / exact.max())
    assert off[1] < off[0] / 3.5


def test_four_times_the_samples_quarter_the_error_of_a_side() -> None:
    plate = grid_plate([0, 0, 0], [0.2, 0, 0], [0, 0.2, 0], cells=2)
    front, ends = np.arange(0, plate.n_sides, 2), (-0.3, 0.3)
    exact = exact_film(plate, 0.1, ends, ISOTROPIC)
    off = []
    for samples in (1, 4, 16):
        targets = targets_of(plate, front, samples=samples)
        stations = stations_of(pulled(0.1, ends), 0.002)
        film = pull_film(Scene(plate), targets, stations, ISOTROPIC).dense(plate.n_sides)[front]
        off.append(np.abs(film - exact).max() / exact.max())
    # The centroid rule on pieces half as long: second order in the edge, first in the count.
    assert off[1] < off[0] / 3
    assert off[2] < off[1] / 3
