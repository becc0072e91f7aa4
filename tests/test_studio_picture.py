"""What the studio's page draws: wands in their true sizes, large meshes coarser."""

import math
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from specimens import ribbed_box
from studio_server import request_of, table_of

from bayreach.measure import face_areas
from bayreach.repair import subdivided
from bayreach.studio._bench import Bench
from bayreach.studio._pack import framed
from bayreach.studio._picture import picture_of

aiohttp = pytest.importorskip("aiohttp")


def test_a_wand_is_drawn_where_it_stands_in_its_true_sizes(bench: Bench, start: dict[str, Any]) -> None:
    # a quarter turn of 0.1 m radius in front of a straight: the tip lies 0.1 m aside and 0.1 m ahead of it
    pieces = [{"arc": math.pi / 2, "radius": 0.1}]
    for table in (start, {**start, "shape": "bent", "pieces": pieces, "from": 0.35, "aim": [1.0, 0.0, 0.0]}):
        state = request_of("try", table).state
        wand = state.wand_of(bench.job)
        drawn = bench.tried(state, look="coarse").table["wand"]
        points = np.array(drawn["points"])
        length = np.linalg.norm(np.diff(points, axis=0), axis=1).sum()
        assert length == pytest.approx(wand.length, abs=2e-3)
        assert set(np.round(drawn["radii"], 6)) == {
            round(section.diameter / 2, 6) for section in wand.sections
        }
    entry = np.array(bench.openings[start["opening"]].center) - bench.middle
    tip = points[-1] - entry
    ahead = 0.35 - 0.1 * math.pi / 2 + 0.1
    assert tip[0] == pytest.approx(ahead, abs=5e-3)
    assert np.linalg.norm(tip[1:]) == pytest.approx(0.1, abs=5e-3)


def test_a_frame_holds_arrays_at_multiples_of_four() -> None:
    frame = framed({"kind": "x"}, {"a": np.arange(3, dtype=np.uint8), "b": np.array([1.5], dtype=np.float32)})
    size = int.from_bytes(frame[:4], "little")
    places = table_of(frame)["arrays"]
    assert size % 4 == 0
    assert places["b"] == {"type": "float32", "start": 4, "length": 1}
    assert np.frombuffer(frame[4 + size + 4 :], dtype="<f4") == [1.5]


def test_a_large_mesh_is_drawn_with_fewer_faces_that_show_the_values_of_its_own() -> None:
    # A box of 0.9 x 0.3 x 0.2 m, every face cut small: 1.02 m² of skin, drawn with at most 2,000 faces.
    mesh = subdivided(ribbed_box(3, (0.9, 0.3, 0.2), hole=0.1), 0.012).mesh
    assert mesh.n_faces > 20_000
    picture = picture_of(mesh, most=2_000)
    assert not picture.is_whole
    assert 500 < len(picture.corners) <= 2_000
    assert len(picture.sides) == 2 * len(picture.corners)
    # The drawn skin is where the mesh is: the same box, and about the same area.
    np.testing.assert_allclose(picture.corners.min(axis=(0, 1)), mesh.box[0], atol=0.02)
    np.testing.assert_allclose(picture.corners.max(axis=(0, 1)), mesh.box[1], atol=0.02)
    drawn = np.cross(
        picture.corners[:, 1] - picture.corners[:, 0], picture.corners[:, 2] - picture.corners[:, 0]
    )
    assert 0.5 * np.linalg.norm(drawn, axis=1).sum() == pytest.approx(float(face_areas(mesh).sum()), rel=0.1)
    # Each drawn side shows the value of a side of the mesh that lies there and looks the same way.
    values = np.arange(mesh.n_sides)
    np.testing.assert_array_equal(picture.shown({"film": values})["film"], picture.sides)
    own = mesh.corners[picture.sides[::2] // 2]
    gaps = np.linalg.norm(own.mean(axis=1) - picture.corners.mean(axis=1), axis=1)
    assert gaps.max() < 0.06
    turned = np.where(picture.sides[::2] % 2, -1.0, 1.0)
    normals = turned[:, None] * np.cross(own[:, 1] - own[:, 0], own[:, 2] - own[:, 0])
    assert (np.einsum("ij,ij->i", normals, drawn) > 0.0).all()
    assert picture.edge_faces.max() < len(picture.corners)


def test_a_mesh_of_usual_size_is_drawn_as_it_is(bench: Bench) -> None:
    assert bench.picture.is_whole
    np.testing.assert_array_equal(bench.picture.corners, bench.site.mesh.corners)


def test_the_script_is_what_its_sources_build() -> None:
    sources = Path(__file__).parents[1] / ".page"
    npm = shutil.which("npm")
    if not npm or not (sources / "node_modules" / "vite").is_dir():
        pytest.skip("npm or its packages are not installed (npm ci --prefix .page)")
    words = [npm, "run", "check-studio"]
    done = subprocess.run(words, cwd=sources, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()
