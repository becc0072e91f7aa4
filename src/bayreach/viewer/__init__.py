"""The window and the pictures: what an engineer sees without opening a document."""

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.errors import DisplayError
from bayreach.mesh import Mesh
from bayreach.report import area_text, length_text, read_case, words
from bayreach.viewer._polydata import polydata

__all__ = ["draw", "draw_bays", "draw_mesh", "polydata", "show"]

WINDOW = (sys.executable, "-m", "bayreach.viewer._window")
"""Command of the window's process."""


def draw(folder: Path, png: Path) -> Path:
    """Write the picture of the result in `folder` to `png` and return its path.

    VTK draws in a process of its own; where that finds no OpenGL, the ray engine draws the same views.

    Raises
    ------
    StoreError
        When the folder holds no result that can be read, or the picture's file cannot be written.
    """
    from bayreach.picture import result_sheet

    return result_sheet(read_case(folder)).save(png)


def draw_bays(
    mesh: Mesh,
    side_bay: IntArray,
    png: Path,
    *,
    title: str,
    bays: Sequence[str],
    openings: Sequence[tuple[str, tuple[float, float, float]]],
) -> Path:
    """Write the picture of measured bays to `png`: each in its own colour, openings numbered.

    Parameters
    ----------
    mesh : Mesh
        The structure, in m.
    side_bay : (2n,) int
        Bay of each side, -1 outside.
    bays : sequence of str
        What the legend says of each bay.
    openings : sequence of (str, (3,) float)
        What the list says of each opening, and its middle in m.
    """
    from bayreach.picture import bays_sheet

    return bays_sheet(mesh, np.asarray(side_bay), title=title, bays=bays, openings=openings).save(png)


def draw_mesh(
    mesh_file: Path,
    units: str,
    png: Path,
    *,
    method: str = "auto",
    closed_up_to: float = 0.0,
    shut: Sequence[tuple[Sequence[float], Sequence[float] | None]] = (),
    encloses: str | None = None,
) -> Path:
    """Measure a mesh file and write the picture of its bays and openings to `png`; return its path.

    `method`, `closed_up_to` (m), `shut` (points in the unit of the file) and `encloses` are as in `measure`.

    Raises
    ------
    MeshError, UnitError
        When the file cannot be read or the unit is unknown.
    StoreError
        When the picture's file cannot be written.
    """
    from bayreach.bays import find_bays
    from bayreach.meshfile import read_mesh
    from bayreach.units import MESH_UNITS

    read = read_mesh(mesh_file, units)
    walls = [(np.asarray(place) * MESH_UNITS[units], normal) for place, normal in shut]
    bays = find_bays(read.mesh, method=method, closed_up_to=closed_up_to, shut=walls, encloses=encloses)
    names = [
        words("bay_row", name=bay.name, area=area_text(bay.area), volume=litres(bay.volume))
        for bay in bays.bays
    ]
    openings = [
        (
            words("opening_label", name=opening.name, diameter=length_text(opening.diameter)),
            triple(opening.center),
        )
        for opening in bays.openings
    ]
    return draw_bays(bays.mesh, bays.side_bay, png, title=mesh_file.name, bays=names, openings=openings)


def triple(point: FloatArray) -> tuple[float, float, float]:
    """Return a place (3,) as three floats."""
    x, y, z = (float(value) for value in point)
    return x, y, z


def litres(volume: float) -> str:
    """Return an air volume in m³ as litres.

    >>> litres(0.0327)
    '32.7 L'
    """
    return f"{volume * 1e3:.3g} L"


def show(folder: Path, png: Path | None = None) -> None:
    """Open the heat-map of `folder` in a window and wait until it is closed, or write it to `png`.

    Raises
    ------
    StoreError
        When the folder holds no result that can be read.
    DisplayError
        When there is no display, or the window's process ends by itself; the message says what to do instead.
    """
    if png is not None:
        draw(folder, png)
        return
    read_case(folder)  # a bad folder is told here, not by a window that dies
    if not _has_display():
        message = (
            "No display was found (neither DISPLAY nor WAYLAND_DISPLAY is set), so no window can open; "
            "write a picture with --png FILE, or a page for any browser with `bayreach sheets`."
        )
        raise DisplayError(message)
    done = subprocess.run([*WINDOW, str(folder)], stderr=subprocess.PIPE, check=False)
    if done.returncode != 0:
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or ["no message"]
        message = (
            f"The window's process ended with code {done.returncode} ({last[0][:200]}): OpenGL is missing or "
            "does not draw here; write a picture with --png FILE, or a page with `bayreach sheets`."
        )
        raise DisplayError(message)


def _has_display() -> bool:
    told = bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))
    return told or not sys.platform.startswith("linux")
