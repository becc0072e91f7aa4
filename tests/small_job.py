"""A job small enough to run in a test: a closed box of 600 x 400 x 300 mm, one wand, one port, one pass."""

from pathlib import Path

JOB = """
title = "Small box"
mesh = "meshes/box.stl"
units = "mm"

[target]
film_min = "2 um"
film_max = "80 um"
coverage = {coverage}

[liquid]
density = "870 kg/m^3"
viscosity = "12 mPa s"
surface_tension = "28 mN/m"
volume_solids = 0.5

[[wand]]
name = "{wand}"
length = "0.7 m"
diameter = "6 mm"
pull_speed = "50 mm/s"
tip = {{ pattern = "radial", spread = "60 deg", flow = "200 mL/min" }}

[[opening]]
name = "port"
center = [0, 200, 150]
diameter = "60 mm"

[[pass]]
wand = "{wand}"
opening = "port"
aim = [1, 0, 0]
from = "0.55 m"
to = "0.05 m"

[film]
mechanisms = ["direct"]
error = 0.1
edge = "80 mm"
"""

CORNERS = [(x, y, z) for x in (0, 600) for y in (0, 400) for z in (0, 300)]
QUADS = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]


def box_stl() -> str:
    """Return the box as ASCII STL: 12 faces, normals left for the reader to work out."""
    lines = ["solid box"]
    for a, b, c, d in QUADS:
        for face in ((a, b, c), (a, c, d)):
            lines += ["facet normal 0 0 0", "outer loop"]
            lines += ["vertex {} {} {}".format(*CORNERS[corner]) for corner in face]
            lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid box", ""])


def small_job(folder: Path, *, coverage: float = 0.01, wand: str = "long") -> Path:
    """Write the job and its mesh into `folder`; return the job's path."""
    (folder / "meshes").mkdir(parents=True, exist_ok=True)
    (folder / "meshes" / "box.stl").write_text(box_stl())
    path = folder / "job.toml"
    path.write_text(JOB.format(coverage=coverage, wand=wand))
    return path
