"""STEP files, cut into triangles by a CAD kernel in a process of its own; needs the extra "step"."""

import importlib.util
import re
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from bayreach.errors import MeshError
from bayreach.meshfile._libraries import read_gltf
from bayreach.meshfile._soup import Note, Soup
from bayreach.units import MESH_UNITS

SAG = 0.05e-3
"""How far a triangle may lie off a curved face, in m. Our choice, no source."""

TURN = 0.2
"""How far the normals of neighbouring triangles on a curved face may turn, in rad. Our choice."""

_SECONDS = 900.0

_CHILD = """
import sys, cascadio
data = sys.stdin.buffer.read()
glb = cascadio.load(data, file_type="step", tol_linear=float(sys.argv[2]), tol_angular=float(sys.argv[3]))
open(sys.argv[1], "wb").write(glb)
"""

_UNITS = (
    (re.compile(r"CONVERSION_BASED_UNIT\s*\(\s*'INCH'", re.IGNORECASE), "in"),
    (re.compile(r"CONVERSION_BASED_UNIT\s*\(\s*'(?:FOOT|FEET)'", re.IGNORECASE), "ft"),
    (re.compile(r"SI_UNIT\s*\(\s*\.MILLI\.\s*,\s*\.METRE\.\s*\)", re.IGNORECASE), "mm"),
    (re.compile(r"SI_UNIT\s*\(\s*\.CENTI\.\s*,\s*\.METRE\.\s*\)", re.IGNORECASE), "cm"),
    (re.compile(r"SI_UNIT\s*\(\s*\.MICRO\.\s*,\s*\.METRE\.\s*\)", re.IGNORECASE), "um"),
    (re.compile(r"SI_UNIT\s*\(\s*\$\s*,\s*\.METRE\.\s*\)", re.IGNORECASE), "m"),
)


def read_step(data: bytes, name: str, units: str) -> Soup:
    """Return the faces of a STEP file as triangles in the unit `units`, each product a part.

    The file tells its own unit, and that is used; where it is not the one stated, a note says so.

    Raises
    ------
    MeshError
        Without the extra "step", or when the kernel finds no face in the file.
    """
    if importlib.util.find_spec("cascadio") is None:
        message = (
            f"{name}: STEP files need a CAD kernel that is not installed; "
            "install it with: pip install 'bayreach[step]', or export STL."
        )
        raise MeshError(message)
    with tempfile.TemporaryDirectory(prefix="bayreach-") as folder:
        path = Path(folder) / (Path(name).stem[:60] + ".glb")
        try:
            # A kernel that a damaged file brings down takes only its own process along.
            done = subprocess.run(
                [sys.executable, "-c", _CHILD, str(path), repr(SAG * 1e3), repr(TURN)],
                input=data,
                capture_output=True,
                timeout=_SECONDS,
                check=False,
            )
        except subprocess.TimeoutExpired:
            message = f"{name}: the CAD kernel was not done after {_SECONDS:g} s; export STL instead."
            raise MeshError(message) from None
        if done.returncode or not path.is_file() or not path.stat().st_size:
            why = _complaint(done.stdout)
            message = f"{name}: it cannot be read as STEP ({why}); export it again, or as STL."
            raise MeshError(message)
        soup = read_gltf(path)
    return replace(
        soup,
        points=soup.points / MESH_UNITS[units],
        notes=(*soup.notes, _tessellated(soup), *_unit_notes(data, units)),
    )


def _complaint(printed: bytes) -> str:
    """Return what the kernel says, without its colours."""
    text = re.sub(r"\x1b\[[0-9;]*m", "", printed.decode("utf-8", errors="replace"))
    lines = [line.strip(" *") for line in text.splitlines() if line.strip(" *")]
    return lines[0][:120] if lines else "the kernel finds no face in it"


def _tessellated(soup: Soup) -> Note:
    detail = (
        f"The CAD kernel made {len(soup.faces)} triangles: no more than {SAG * 1e3:g} mm off a curved face, "
        f"turned by no more than {np.degrees(TURN):.3g} degrees from one to the next."
    )
    box = np.stack([soup.points.min(axis=0), soup.points.max(axis=0)])
    return Note(kind="tessellated", count=len(soup.faces), detail=detail, places=box)


def _unit_notes(data: bytes, units: str) -> tuple[Note, ...]:
    text = data.decode("latin-1")
    own = sorted({unit for pattern, unit in _UNITS if pattern.search(text)})
    # A file in inches also names the metre or millimetre that an inch is told in.
    imperial = [unit for unit in own if unit in {"in", "ft"}]
    own = imperial or own
    if not own or own == [units]:
        return ()
    listed = " and ".join(own)
    detail = f'The file tells its own unit, {listed}, and that was used; "{units}" was stated.'
    return (Note(kind="doubtful unit", count=1, detail=detail, places=np.zeros((1, 3))),)
