"""PLY is read as another library writes it, and refused in one sentence where it lies."""

import re
import struct
from pathlib import Path

import numpy as np
import pytest

from bayreach.errors import MeshError
from bayreach.meshfile._ply import read_ply

POINTS = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0], [0.5, 0.5, 1]], dtype=np.float64)
TRIANGLES = np.array([[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [0, 2, 1], [0, 3, 2]])


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
def test_faces_come_back_as_trimesh_writes_them(encoding: str) -> None:
    import trimesh

    data = trimesh.Trimesh(POINTS, TRIANGLES, process=False).export(file_type="ply", encoding=encoding)
    soup = read_ply(data, "a.ply")
    assert soup.points.tolist() == POINTS.tolist()
    assert soup.faces.tolist() == TRIANGLES.tolist()


@pytest.mark.parametrize("binary", [True, False])
def test_faces_come_back_as_meshio_writes_them(tmp_path: Path, binary: bool) -> None:
    import meshio

    path = tmp_path / "a.ply"
    meshio.Mesh(POINTS, [("triangle", TRIANGLES[:4]), ("quad", np.array([[0, 3, 2, 1]]))]).write(
        path, binary=binary
    )
    soup = read_ply(path.read_bytes(), path.name)
    # Four triangles and a quad of two halves, whose areas must add up to the unit square.
    assert len(soup.faces) == 6
    a, b, c = (soup.points[soup.faces[4:, k]] for k in range(3))
    assert 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() == pytest.approx(1.0)


def test_big_endian_and_other_elements_are_read() -> None:
    header = (
        "ply\nformat binary_big_endian 1.0\ncomment made by hand\nelement camera 2\nproperty uchar a\n"
        "property list uchar short b\nelement vertex 3\n"
        "property double x\nproperty double y\nproperty double z\n"
        "property uchar red\nelement face 1\nproperty list uchar uint vertex_index\n"
        "property float q\nend_header\n"
    )
    cameras = struct.pack(">BBhBBhh", 7, 1, 5, 7, 2, 5, 6)
    points = b"".join(struct.pack(">dddB", *point, 9) for point in POINTS[:3])
    soup = read_ply(header.encode() + cameras + points + struct.pack(">BIIIf", 3, 0, 1, 2, 0.5), "a.ply")
    assert soup.points.tolist() == POINTS[:3].tolist()
    assert soup.faces.tolist() == [[0, 1, 2]]


HEAD = "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
FACE = "element face {}\nproperty list uchar int vertex_indices\nend_header\n0 0 0\n1 0 0\n0 1 0\n"
WRONG = {
    "no end of header": (HEAD, "its header is missing or has no end"),
    "no format": (HEAD.replace("format ascii 1.0\n", "") + FACE.format(1) + "3 0 1 2\n", "names no format"),
    "unknown type": (
        HEAD.replace("float z", "flt z") + FACE.format(1),
        'line 6: "property flt z" is no line',
    ),
    "no faces": (HEAD + FACE.format(0), "no face was found"),
    "more faces than rows": (
        HEAD + FACE.format(2**32) + "3 0 1 2\n",
        "promises more rows than the file holds",
    ),
    "a face of an unknown point": (HEAD + FACE.format(1) + "3 0 1 7\n", "a face names point 7, there are 3"),
    "a negative length": (HEAD + FACE.format(1) + "-1 0 1 2\n", "a list of -1 items is named"),
    "a long list": (HEAD + FACE.format(1) + "1e300 0 1 2\n", "items is named; the file is damaged"),
    "a corner that is no number": (HEAD + FACE.format(1) + "3 0 1 nan\n", "names a point that is no number"),
    "a point that is not finite": (
        HEAD + FACE.format(1).replace("1 0 0", "1 inf 0") + "3 0 1 2",
        "not a finite",
    ),
    "a word": (HEAD + FACE.format(1) + "3 0 one 2\n", "a word that is not a number"),
    "two corners only": (HEAD + FACE.format(1) + "2 0 1\n", "no face of three corners or more"),
    "no z": (HEAD.replace("float z", "float w") + FACE.format(1) + "3 0 1 2\n", "no x, y and z"),
}


@pytest.mark.parametrize("defect", WRONG)
def test_a_defect_is_told(defect: str) -> None:
    text, words = WRONG[defect]
    with pytest.raises(MeshError, match=re.escape(words)):
        read_ply(text.encode(), "a.ply")


def test_a_binary_file_that_promises_four_billion_faces_is_refused_before_anything_is_made() -> None:
    head = (
        HEAD.replace("ascii", "binary_little_endian")
        + FACE.split("end_header", maxsplit=1)[0].format(2**32)
        + "end_header\n"
    )
    points = POINTS[:3].astype("<f4").tobytes()
    with pytest.raises(MeshError, match="promises more rows than the file holds"):
        read_ply(head.encode() + points + b"\3" + np.arange(3, dtype="<i4").tobytes(), "a.ply")
