"""What-if: a new pose of a tip on a mesh of 60,000 faces, from the path to the film; wall and core seconds.

Last what a second process takes from its start to its first film, the kernels compiled by the first one.

python tests/benchmarks/bench_what_if.py [--faces 60000]
"""

import argparse
import math
import platform
import resource
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
from bench_rays import best_of, box_of

from bayreach.bays import find_bays
from bayreach.deposit.direct import air_of, path_film
from bayreach.deposit.what_if import WhatIf
from bayreach.mesh import Mesh
from bayreach.poses import straight_path
from bayreach.rays import Scene, cores
from bayreach.sight import targets_of
from bayreach.tips import Tip

# All that a second process does: a mesh from a folder, made ready, and the film of one station.
FIRST_FILM = """
import sys
import numpy as np
from bayreach.deposit.direct import Pull, columns
from bayreach.mesh import mesh_of
from bayreach.poses import Stations
from bayreach.rays import Scene
from bayreach.sight import targets_of
from bayreach.tips import Tip

mesh = mesh_of(np.load(sys.argv[1] + "/points.npy"), np.load(sys.argv[1] + "/faces.npy"))
at = {"axes": [[1, 0, 0]], "clocks": [[0, 0, 1]], "depths": [0], "lengths": [0]}
station = Stations(points=[mesh.box.mean(axis=0)], **at)
pull = Pull(stations=station, tip=Tip(pattern="radial", spread=2.4))
columns(Scene(mesh), targets_of(mesh, samples=1), [pull])
"""


def second_start(mesh: Mesh):
    """Return wall and core seconds of a process that starts, makes the mesh ready and lays a film."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        np.save(folder / "points.npy", mesh.points)
        np.save(folder / "faces.npy", mesh.faces)
        told = []
        for _ in range(3):
            before, wall = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            subprocess.run([sys.executable, "-c", FIRST_FILM, name], check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            core = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            told.append((time.perf_counter() - wall, core))
        return min(told[1:])


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--faces", type=int, default=60_000)
    bays = find_bays(box_of(parser.parse_args().faces))
    mesh = bays.mesh
    ready = WhatIf(
        scene=Scene(mesh), targets=targets_of(mesh, np.asarray(bays.side_bay) >= 0), air=air_of(mesh, bays)
    )
    low, high = mesh.box
    path = straight_path(
        entry=[low[0], *(0.5 * (low + high))[1:]],
        aim=[1, 0, 0],
        deepest=0.8 * (high - low)[0],
        shallowest=0.0,
        clock=0.0,
        down=(0, 0, -1),
    )
    print(date.today(), platform.machine(), f"{cores()} cores, {mesh.n_faces} faces, {ready.scene.engine}")
    for name, tip in (
        ("sheet of 40 degrees", Tip(pattern="radial", spread=math.radians(40), throw=0.5)),
        ("ball of 140 degrees", Tip(pattern="radial", spread=math.radians(140), throw=0.5)),
    ):
        ready.at_once(path, tip)
        wall, core, column = best_of(lambda tip=tip: ready.at_once(path, tip))
        whole = path_film(ready.scene, ready.targets, path, tip, air=ready.air)
        first, last = column.dense(mesh.n_sides) > 0, whole.dense(mesh.n_sides) > 0
        areas = np.repeat(
            np.linalg.norm(np.cross(*np.diff(mesh.corners, axis=1).transpose(1, 0, 2)), axis=1), 2
        )
        wrong = areas[first != last].sum() / areas[last].sum()
        print(f"{name}: at once {wall:.3f} s ({core:.3f} core s); lit area misjudged {100 * wrong:.1f} %")
    wall, core = second_start(mesh)
    print(f"a second process, from its start to its first film: {wall:.2f} s ({core:.2f} core s)")


if __name__ == "__main__":
    sys.exit(main())
