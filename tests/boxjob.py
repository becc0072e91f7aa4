"""A small box with a port and a job for it: answers within a second or two."""

from pathlib import Path

import numpy as np

from bayreach.demo._sheets import grid_sheet, welded
from bayreach.mesh import Mesh
from bayreach.meshfile import write_mesh

BOX_JOB = """
title = "Box"
mesh = "box.obj"
units = "mm"
[target]
film_min = "8 um"
film_max = "60 um"
[liquid]
density = "870 kg/m^3"
viscosity = "12 mPa s"
surface_tension = "28 mN/m"
volume_solids = 0.5
[[wand]]
name = "ring"
shape = "straight"
length = "0.5 m"
diameter = "6 mm"
pull_speed = "50 mm/s"
[wand.tip]
pattern = "radial"
spread = "60 deg"
flow = "150 mL/min"
throw = "0.4 m"
droplet = "60 um"
droplet_spread = 1.8
[[opening]]
name = "port"
center = [0, 100, 75]
[[pass]]
wand = "ring"
opening = "port"
aim = [1, 0, 0]
from = "0.25 m"
to = "0.05 m"
[film]
edge = "60 mm"
"""


def box_with_port(edge: float) -> Mesh:
    """Return a box of 300 x 200 x 150 mm whose end x = 0 has a square port of 50 mm in its middle."""
    size = np.array([300.0, 200.0, 150.0])
    sheets = []
    for axis in range(3):
        others = [k for k in range(3) if k != axis]
        steps = [np.linspace(0, size[k], round(size[k] / edge) + 1) for k in others]
        for end in (0, 1):
            points = np.zeros((len(steps[0]), len(steps[1]), 3))
            points[..., others[0]], points[..., others[1]] = np.meshgrid(*steps, indexing="ij")
            points[..., axis] = end * size[axis]
            middles = [0.5 * (step[1:] + step[:-1]) for step in steps]
            near = [np.abs(middle - 0.5 * size[k]) < 25.0 for middle, k in zip(middles, others, strict=True)]
            port = near[0][:, None] & near[1][None]
            keep = ~port if axis == 0 and end == 0 else None
            sheets.append(grid_sheet(f"side_{axis}_{end}", points, keep))
    return welded(sheets)


def write_box_job(folder: Path, text: str = BOX_JOB, name: str = "job") -> Path:
    """Write the box and its job into `folder`; return the job's path."""
    folder.mkdir(parents=True, exist_ok=True)
    write_mesh(folder / "box.obj", box_with_port(25.0), units="mm")
    (folder / f"{name}.toml").write_text(text)
    return folder / f"{name}.toml"
