"""Load and measure at 10 thousand, 100 thousand and a million faces: time, peak memory, exponent of growth.

    python tests/benchmarks/bench_measure.py [faces ...]

Each size runs in a process of its own, so that its peak memory is its own.
"""

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

SIZES = (10_000, 100_000, 1_000_000)


def structure_of(n_faces: int) -> object:
    """Return a box of eight bays, a lightening hole in each rib and a port, of about `n_faces`."""
    from specimens import ribbed_box

    from bayreach.measure import face_areas
    from bayreach.repair import subdivided, with_round_hole

    whole = ribbed_box(7, (4.0, 0.6, 0.3), 0.15)
    whole = with_round_hole(whole, [0.25, 0.3, 0.0], [0, 0, 1], 0.12).mesh
    # Halving the longest edge of each face leaves faces of about 0.115 of its square.
    longest = float(np.sqrt(face_areas(whole).sum() / n_faces / 0.115))
    return subdivided(whole, longest).mesh


def measured(n_faces: int) -> dict[str, float]:
    """Return time and memory of one size."""
    from bayreach.bays import find_bays
    from bayreach.meshfile import read_mesh, write_mesh

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "box.stl"
        write_mesh(path, structure_of(n_faces), "mm")
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start, used = time.perf_counter(), time.process_time()
        read = read_mesh(path, "mm")
        middle = time.perf_counter()
        bays = find_bays(read.mesh)
        end, used = time.perf_counter(), time.process_time() - used
    assert len(bays.bays) == 8
    assert len(bays.openings) == 8
    return {
        "faces": read.mesh.n_faces,
        "read_s": middle - start,
        "bays_s": end - middle,
        "cpu_s": used,
        "peak_gb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20,
        "before_gb": before / 2**20,
    }


def main() -> None:
    """Run every size in a process of its own and print a table."""
    if len(sys.argv) > 2 and sys.argv[1] == "--one":
        print(json.dumps(measured(int(sys.argv[2]))))
        return
    sizes = [int(word) for word in sys.argv[1:]] or SIZES
    rows = []
    for size in sizes:
        out = subprocess.run(
            [sys.executable, __file__, "--one", str(size)], check=True, capture_output=True, text=True
        )
        rows.append(json.loads(out.stdout.splitlines()[-1]))
        row = rows[-1]
        print(
            f"{row['faces']:9d} faces: read and mend {row['read_s']:7.2f} s, bays {row['bays_s']:6.2f} s, "
            f"CPU {row['cpu_s']:6.2f} s, "
            f"peak {row['peak_gb']:.2f} GB"
        )
    if len(rows) > 1:
        faces = np.log([row["faces"] for row in rows])
        seconds = np.log([row["cpu_s"] for row in rows])
        print(f"CPU time grows as faces^{np.polyfit(faces, seconds, 1)[0]:.2f}")


if __name__ == "__main__":
    main()
