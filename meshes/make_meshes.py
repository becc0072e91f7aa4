"""Writes the small copies of the demo's structures beside this file, and the table that tells what they are.

Run from the top of the project: `python meshes/make_meshes.py`. The same input gives the same bytes.
"""

from pathlib import Path

from bayreach import demo
from bayreach.bays import find_bays
from bayreach.measure import face_areas
from bayreach.meshfile import read_mesh, write_mesh

HERE = Path(__file__).parent

MESHES = {
    "wing_box": (
        demo.wing_box,
        32.0,
        "outboard wing box: 2 spars, curved skins, 7 ribs, 6 Z stringers, 1 port",
    ),
    "tail_boom": (
        demo.tail_boom,
        30.0,
        "tail boom: 7 flanged ring frames, 8 drains, cap removed, cable hole",
    ),
    "control_surface": (
        demo.control_surface,
        20.0,
        "control surface: closed trailing edge, 3 hinge cut-outs",
    ),
}

OPENINGS = {
    "wing_box": "root port, inspection port, 10 lightening holes, 30 stringer cut-outs",
    "tail_boom": "aft end, cable hole, 7 frames, 8 drains",
    "control_surface": "3 hinge cut-outs, 3 spar holes, 4 rib holes, 5 drains",
}

INTRODUCTION = """\
# Meshes

Invented structures: no real type. Sheets have no thickness and share points where they meet. Coarser than
what `bayreach demo` writes, which makes them anew from the same code. Made by `python meshes/make_meshes.py`,
which writes this table too; tests make both again and compare. Area is that of the sheets, one side; inside
is the area of the sides that face a bay; air is the sum of the bays' volumes.

| file | what | unit | faces | area, m² | bays | inside, m² | air, L | openings |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |
"""


def write_mesh_file(folder: Path, name: str) -> None:
    """Write one mesh, in mm, into `folder`."""
    build, edge, _ = MESHES[name]
    write_mesh(folder / f"{name}.obj", build(edge), units="mm")


def row(folder: Path, name: str) -> str:
    """Return the line of the table for one mesh, measured on the file."""
    mesh = read_mesh(folder / f"{name}.obj", "mm").mesh
    bays = find_bays(mesh)
    area, inside = face_areas(mesh).sum(), sum(bay.area for bay in bays.bays)
    air = 1e3 * sum(bay.volume for bay in bays.bays)
    openings = f"{len(bays.openings)}: {OPENINGS[name]}"
    cells = [f"{name}.obj", MESHES[name][2], "mm", mesh.n_faces, f"{area:.4f}", len(bays.bays)]
    return "| " + " | ".join(str(cell) for cell in [*cells, f"{inside:.4f}", f"{air:.2f}", openings]) + " |\n"


def table(folder: Path) -> str:
    """Return the text of README.md for the meshes in `folder`."""
    return INTRODUCTION + "".join(row(folder, name) for name in MESHES)


if __name__ == "__main__":
    for each in MESHES:
        write_mesh_file(HERE, each)
    (HERE / "README.md").write_text(table(HERE), encoding="utf-8")
