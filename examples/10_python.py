"""The rooms from Python: a ring spray pulled along a tube's axis lays Q / (2 pi R v) on its wall."""

import math

import numpy as np

from bayreach.deposit.direct import pull_film, stations_for
from bayreach.mesh import mesh_of
from bayreach.poses import straight_path
from bayreach.rays import Scene
from bayreach.sight import targets_of
from bayreach.tips import Tip

RADIUS, LENGTH, SPEED = 0.1, 1.0, 0.05


def main() -> tuple[float, float]:
    """Return the film in m half way along the tube, simulated and by the formula; print both."""
    around, along = np.meshgrid(np.arange(96), np.linspace(0.0, LENGTH, 81), indexing="ij")
    angle = 2.0 * np.pi * around / 96
    points = np.stack([along, RADIUS * np.cos(angle), RADIUS * np.sin(angle)], axis=-1).reshape(-1, 3)
    index = np.arange(len(points)).reshape(around.shape)
    a, b = index, np.roll(index, -1, axis=0)
    quads = np.stack([a[:, :-1], b[:, :-1], b[:, 1:], a[:, 1:]], axis=-1).reshape(-1, 4)
    tube = mesh_of(points, np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]]))

    tip = Tip(pattern="radial", spread=math.radians(20.0), flow=2e-6)
    path = straight_path(
        entry=[0, 0, 0], aim=[1, 0, 0], deepest=0.9, shallowest=0.1, clock=0.0, down=[0, 0, -1]
    )
    scene, targets = Scene(tube), targets_of(tube)
    column = pull_film(scene, targets, stations_for(scene, path, tip), tip)
    middle = np.abs(tube.corners.mean(axis=1)[column.sides // 2, 0] - 0.5 * LENGTH) < 0.1
    simulated = float(column.direct[middle].mean()) * tip.flow * path.length / SPEED
    formula = tip.flow / (2.0 * math.pi * RADIUS * SPEED)
    print(f"simulated {1e6 * simulated:.2f} µm, Q / (2 pi R v) = {1e6 * formula:.2f} µm")
    return simulated, formula


if __name__ == "__main__":
    main()
