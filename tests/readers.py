"""Every reader of a file, by name; all it may say is a BayreachError of one sentence."""

import tempfile
from collections.abc import Callable
from pathlib import Path

from bayreach.errors import BayreachError

MOST_CHARACTERS = 1000
"""A message is a sentence or two, however long the file's names are."""


def _mesh(path: Path) -> None:
    from bayreach.meshfile import read_mesh

    read_mesh(path, "mm")


def _job(path: Path) -> None:
    from bayreach.job import load_job

    (path.parent / "m.stl").touch()
    load_job(path)


def _tip_table(path: Path) -> None:
    from bayreach.tips import read_table

    read_table(path)


def _coupons(path: Path) -> None:
    from bayreach.deposit.coupons import read_coupons

    read_coupons(path, 1e-3)


def _fasteners(path: Path) -> None:
    from bayreach.holes import read_fasteners

    read_fasteners(path, 1e-3)


def _films(path: Path) -> None:
    from bayreach.outcome import films_from

    films_from(path.read_bytes(), 4)


def _kept(path: Path) -> None:
    from bayreach.passes import kept_from

    kept_from(path)


def _proof(path: Path) -> None:
    from bayreach.prove import CERTIFICATE_FILE, COLUMNS_FILE, prove

    for name, data in ((COLUMNS_FILE, _columns_seed()), (CERTIFICATE_FILE, _certificate_seed())):
        if name != path.name:
            (path.parent / name).write_bytes(data)
    prove(path.parent)


def _result(path: Path) -> None:
    from bayreach.store import read_outcome

    read_outcome(path.parent)


def _film(path: Path) -> None:
    from bayreach.store._vtp import sides_from_vtp

    sides_from_vtp(path.read_bytes(), place=path.name)


READERS: dict[str, tuple[str, Callable[[Path], None]]] = {
    "stl": ("mesh.stl", _mesh),
    "obj": ("mesh.obj", _mesh),
    "ply": ("mesh.ply", _mesh),
    "nastran": ("mesh.bdf", _mesh),
    "vtk": ("mesh.vtk", _mesh),
    "vtu": ("mesh.vtu", _mesh),
    "glb": ("mesh.glb", _mesh),
    "job": ("job.toml", _job),
    "tip-table": ("tip.csv", _tip_table),
    "coupons": ("coupons.csv", _coupons),
    "fasteners": ("fasteners.csv", _fasteners),
    "result": ("result.json", _result),
    "films": ("film_passes.npz", _films),
    "kept": ("kept.npz", _kept),
    "columns": ("columns.npz", _proof),
    "certificate": ("certificate.json", _proof),
    "film": ("film.vtp", _film),
}
"""Reader to (file name, call)."""


def seeds(name: str) -> list[bytes]:
    """Return small files that the reader accepts, for a fuzzer to start from."""
    return _SEEDS[name]()


def survives(name: str, data: bytes) -> str | None:
    """Return None when the reader accepts `data`, or the sentence it refuses it with.

    Raises
    ------
    AssertionError
        When the sentence is none: empty, of several lines, or too long to read.
    """
    file_name, read = READERS[name]
    with tempfile.TemporaryDirectory(dir=_memory()) as folder:
        path = Path(folder) / file_name
        path.write_bytes(data)
        try:
            read(path)
        except BayreachError as error:
            sentence = str(error)
            assert 10 < len(sentence) <= MOST_CHARACTERS, f"{len(sentence)} characters: {sentence[:200]}"
            assert "\n" not in sentence, sentence
            return sentence
    return None


def _memory() -> str | None:
    """Return a folder in memory where there is one: a fuzzer writes millions of files."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


_ASCII_STL = b"""solid a
facet normal 0 0 1
outer loop
vertex 0 0 0
vertex 1 0 0
vertex 0 1 0
endloop
endfacet
endsolid a
"""
_OBJ = b"g skin\nv 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 1\nf 1 2 3\ng web\nf 1//1 2//1 4//1 -1\n"
_PLY = b"""ply
format ascii 1.0
element vertex 3
property float x
property float y
property float z
element face 1
property list uchar int vertex_indices
end_header
0 0 0
1 0 0
0 1 0
3 0 1 2
"""
_BDF = b"""BEGIN BULK
GRID,1,,0.,0.,0.
GRID,2,,1.,0.,0.
GRID,3,,0.,1.,0.
GRID,4,,1.,1.,0.
CTRIA3,1,1,1,2,3
CQUAD4  2       1       1       2       4       3
ENDDATA
"""


def _binary_stl() -> bytes:
    import struct

    face = struct.pack("<12fH", 0, 0, 1, 0, 0, 0, 1, 0, 0, 0, 1, 0, 0)
    return b" " * 80 + struct.pack("<I", 2) + face + face


def _job_seed() -> bytes:
    from small_job import JOB

    return JOB.format(coverage=0.9, wand="w").replace("meshes/box.stl", "m.stl").encode()


def _result_seed() -> bytes:
    from results import small_plan

    from bayreach.outcome import to_json

    return to_json(small_plan()).encode()


def _film_seed() -> bytes:
    from results import small_sides

    from bayreach.store._vtp import vtp_bytes

    return vtp_bytes(small_sides(), bay_names=("bay 1",))


def _columns_seed() -> bytes:
    import io

    import numpy as np

    # Two sides: a pass through a given opening covers the first, one through a new hole the other.
    stream = io.BytesIO()
    np.savez(
        stream,
        areas_m2=np.array([1.0, 1.0]),
        need_m=np.array([1e-6, 1e-6]),
        amounts=np.array([1.0, 1.0]),
        most=np.array([2.0, 2.0]),
        film_starts=np.array([0, 1, 2]),
        film_rows=np.array([0, 1], dtype=np.int32),
        film_m=np.array([2e-6, 2e-6], dtype=np.float32),
        entry_of_pass=np.array([[0, 1], [0, 1]]),
        new_entry=np.array([False, True]),
    )
    return stream.getvalue()


def _certificate_seed() -> bytes:
    import json

    said = {"coverage": 1.0, "new_holes": 1, "bound": 0.0, "scope": "the columns", "share_asked": 1.0}
    return json.dumps({**said, "price_per_m2": 0.0, "witness_rows": [1], "weights": [1.0]}).encode()


def _films_seed() -> bytes:
    import numpy as np

    from bayreach.outcome import PassFilm, films_bytes

    sides = np.array([0, 2])
    film = PassFilm(
        direct_sides=sides, direct=np.array([1e-6, 2e-6]), settled_sides=sides[:1], settled=np.array([1e-7])
    )
    return films_bytes([film])


def _kept_seed() -> bytes:
    import numpy as np

    from bayreach.passes import Kept, kept_bytes
    from bayreach.passes._kept import Fates, Lit

    kept = Kept()
    lit = Lit(sides=np.array([2]), direct=np.array([1.5], dtype=np.float32))
    kept.add("a" * 64, np.array([0, 2]), lit, Fates(fog=np.array([0.25, 0.0]), escaped=0.5))
    kept.used.add("a" * 64)
    return kept_bytes(kept)


def _binary_ply() -> bytes:
    import struct

    head = _PLY.split(b"0 0 0\n")[0].replace(b"ascii", b"binary_little_endian")
    return head + struct.pack("<9fB3i", 0, 0, 0, 1, 0, 0, 0, 1, 0, 3, 0, 1, 2)


def _through_meshio(ending: str, **choices: object) -> bytes:
    import meshio
    import numpy as np

    points = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 1, 0]], dtype=np.float64)
    mesh = meshio.Mesh(points, [("triangle", np.array([[0, 1, 2], [1, 3, 2]]))])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"a.{ending}"
        mesh.write(path, **choices)
        return path.read_bytes()


def _glb() -> bytes:
    import trimesh

    data = trimesh.creation.box().export(file_type="glb")
    assert isinstance(data, bytes)
    return data


_SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "stl": lambda: [_ASCII_STL, _binary_stl()],
    "obj": lambda: [_OBJ],
    "ply": lambda: [_PLY, _binary_ply()],
    "nastran": lambda: [_BDF],
    "vtk": lambda: [_through_meshio("vtk", binary=False), _through_meshio("vtk", binary=True)],
    "vtu": lambda: [_through_meshio("vtu", binary=False), _through_meshio("vtu", binary=True)],
    "glb": lambda: [_glb()],
    "job": lambda: [_job_seed()],
    "tip-table": lambda: [b"polar,0,90,180,270,360\n0,1,1,1,1\n30,2,2,2,2\n60\n"],
    "coupons": lambda: [b"name,x,y,z,film_um\na,0,0,0,12\nb,10,0,0,3\n"],
    "fasteners": lambda: [b"x,y,z,diameter\n0,0,0,4.8\n10,0,0,3.2\n"],
    "result": lambda: [_result_seed()],
    "films": lambda: [_films_seed()],
    "kept": lambda: [_kept_seed()],
    "columns": lambda: [_columns_seed()],
    "certificate": lambda: [_certificate_seed()],
    "film": lambda: [_film_seed()],
}
