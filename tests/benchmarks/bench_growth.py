"""Growth with the size of the mesh: reading, bays, one pull of 100 stations; time of cores and peak memory.

python tests/benchmarks/bench_growth.py [--faces 10000 30000 100000 300000 1000000]
"""

import argparse
import json
import math
import os
import platform
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

import numpy as np
from bench_rays import box_of, stations_in


def measured(work):
    """Return the answer, wall and core seconds of a call."""
    wall, core = time.perf_counter(), time.process_time()
    answer = work()
    return answer, time.perf_counter() - wall, time.process_time() - core


def one_size(path):
    """Print, as JSON, what one mesh costs in this process."""
    import resource

    from bayreach.bays import find_bays
    from bayreach.deposit.direct import air_of, pull_film
    from bayreach.meshfile import read_mesh
    from bayreach.rays import Scene
    from bayreach.sight import targets_of
    from bayreach.tips import Tip

    read, read_wall, read_core = measured(lambda: read_mesh(path, "m"))
    bays, bays_wall, bays_core = measured(lambda: find_bays(read.mesh))
    mesh = bays.mesh

    def ready():
        targets = targets_of(mesh, np.asarray(bays.side_bay) >= 0)
        air = air_of(mesh, bays)
        assert targets.blocks_by(air.side_bay).n_blocks
        return Scene(mesh), targets, air

    (scene, targets, air), ready_wall, ready_core = measured(ready)
    tip = Tip(pattern="radial", spread=math.radians(40))
    stations = stations_in(mesh, 100)
    # The first call compiles or loads the kernel; the second is what every further pull costs.
    pull_film(scene, targets, stations, tip, air=air)
    column, pull_wall, pull_core = measured(lambda: pull_film(scene, targets, stations, tip, air=air))
    told = {
        "faces": mesh.n_faces,
        "bays": len(bays.bays),
        "read": (read_wall, read_core),
        "bays_s": (bays_wall, bays_core),
        "ready": (ready_wall, ready_core),
        "pull": (pull_wall, pull_core),
        "closure": column.closure,
        "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        "engine": scene.engine,
    }
    print(json.dumps(told))


def exponent(sizes, seconds):
    """Return the slope of the logarithms, by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(np.maximum(seconds, 1e-6)), 1)[0])


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--faces", type=int, nargs="+", default=[10_000, 30_000, 100_000, 300_000, 1_000_000])
    parser.add_argument("--one", type=Path)
    chosen = parser.parse_args()
    if chosen.one:
        return one_size(chosen.one)
    from bayreach.meshfile import write_mesh

    print(date.today(), platform.machine(), f"{os.cpu_count()} cores", f"Python {platform.python_version()}")
    print("   faces bays | read   bays  ready   pull | core s: read bays ready pull | peak GB")
    rows = []
    for n_faces in chosen.faces:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "box.stl"
            write_mesh(path, box_of(n_faces), "m")
            command = [sys.executable, __file__, "--one", str(path)]
            told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        row = json.loads(told.splitlines()[-1])
        rows.append(row)
        steps = [row[name] for name in ("read", "bays_s", "ready", "pull")]
        walls = " ".join(f"{wall:6.2f}" for wall, _ in steps)
        work = " ".join(f"{core:6.2f}" for _, core in steps)
        print(f"{row['faces']:8d} {row['bays']:4d} | {walls} | {work} | {row['peak_gb']:.2f}")
    if len(rows) > 2:
        sizes = [row["faces"] for row in rows]
        total = [sum(row[name][1] for name in ("read", "bays_s", "ready", "pull")) for row in rows]
        each = {
            name: exponent(sizes, [row[name][1] for row in rows])
            for name in ("read", "bays_s", "ready", "pull")
        }
        print(f"exponent of core time: all {exponent(sizes, total):.2f};", each, rows[0]["engine"])
    return None


if __name__ == "__main__":
    sys.exit(main())
