"""How long the page takes to open, and how large it is: 60,000 and 250,000 faces, three runs each.

Run: python tests/benchmarks/bench_page.py (needs Chromium and its driver; drawing by software).
"""

import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from browser import opened
from sample_case import sample_mesh, sample_record, sample_sides

from bayreach.mesh import Mesh
from bayreach.report import Case, case_of
from bayreach.sheets._page import page

RUNS = 3


def noisy_case(step: float) -> Case:
    """Return the made-up box with squares of `step` m, shaken, and films without a pattern: hard to pack."""
    mesh = sample_mesh(step)
    generator = np.random.default_rng(3)
    rough = Mesh(
        points=mesh.points + generator.normal(0, 0.1 * step, mesh.points.shape),
        faces=mesh.faces,
        face_parts=mesh.face_parts,
        part_names=mesh.part_names,
    )
    sides = sample_sides(mesh)
    film = np.where(sides.bay >= 0, np.exp(generator.normal(2, 1, len(sides.bay))), 0.0)
    direct = film * generator.uniform(0.5, 1.0, len(film))
    return case_of(sample_record(), rough, replace(sides, film_um=film, direct_um=direct))


def main() -> None:
    """Print faces, size and the seconds from asking for the page to its first picture."""
    print("faces  size MB  bytes a face over 800 kB  seconds to the first picture")
    for step in (0.0078, 0.0038):
        case = noisy_case(step)
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sheet.html"
            path.write_text(page(case), encoding="utf-8")
            size = path.stat().st_size
            times = []
            for _ in range(RUNS):
                with opened() as browser:
                    browser.visit(path)
                    times.append(float(browser.ask("return window.bayreachPage.ready")) / 1e3)
        faces = case.mesh.n_faces
        over = (size - 800_000) / faces
        print(f"{faces}  {size / 1e6:.2f}  {over:.1f}  {', '.join(f'{time:.2f}' for time in sorted(times))}")


if __name__ == "__main__":
    main()
