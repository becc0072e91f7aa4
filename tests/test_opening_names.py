"""Names of openings: by place, whatever happens to the mesh or to the rest of it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from specimens import X, Y, Z, box, mended, rectangle, rib, ring, sheet

from bayreach.bays import Given, find_bays, names_by_place, place_in_name
from bayreach.mesh import Mesh
from bayreach.repair import mend, subdivided, with_round_hole

SIZE = (1.0, 0.4, 0.2)


def structure() -> Mesh:
    """Three bays, a hole in each rib, a cut-out in the second, a port in the end."""
    end = sheet(rectangle(0.4, 0.2), [ring((0.2, 0.1), 0.1, 12)], (1.0 * X, Y, Z), "end port")
    ribs = [rib(0.3, SIZE, [ring((0.25, 0.1), 0.08)]), rib(0.7, SIZE, [ring((0.1, 0.1), 0.06)])]
    return mended(box(SIZE, open_end=True, xs=[0.3, 0.7]), end, *ribs)


WHOLE = structure()
NAMES = {"opening x300 y250 z100", "opening x700 y100 z100", "opening x1000 y200 z100"}


def names_of(mesh: Mesh) -> set[str]:
    return {opening.name for opening in find_bays(mesh).openings}


def test_an_opening_is_called_by_its_place_in_millimetres() -> None:
    assert names_of(WHOLE) == NAMES


@settings(max_examples=10, deadline=None, derandomize=True)
@given(st.integers(0, 10**6), st.floats(0.05, 0.5))
def test_neither_dividing_nor_reordering_nor_turning_faces_renames_one(seed: int, longest: float) -> None:
    rng = np.random.default_rng(seed)
    fine = subdivided(WHOLE, longest).mesh
    faces = fine.faces[rng.permutation(fine.n_faces)]
    turn = rng.integers(0, 3, len(faces))
    faces = np.take_along_axis(faces, (turn[:, None] + np.arange(3)) % 3, axis=1)
    flipped = rng.random(len(faces)) < 0.3
    faces[flipped] = faces[flipped][:, ::-1]
    again = replace(fine, faces=faces, face_parts=np.zeros(len(faces), dtype=np.int64), part_names=("mesh",))
    assert names_of(again) == NAMES


@pytest.mark.parametrize("center", [(0.05, 0.2, 0.0), (0.5, 0.2, 0.0), (0.95, 0.2, 0.0)])
def test_another_hole_renames_no_opening_wherever_it_is(center: tuple[float, float, float]) -> None:
    cut = with_round_hole(WHOLE, center, [0, 0, 1], 0.04).mesh
    assert names_of(cut) > NAMES
    assert len(names_of(cut)) == 4
    given = find_bays(WHOLE, given=[Given(name="mine", center=np.array(center), diameter=0.04)])
    assert {opening.name for opening in given.openings} == NAMES | {"mine"}


def test_a_mesh_with_a_rim_of_other_corners_still_answers_to_the_old_place() -> None:
    # The same port with 17 corners instead of 12, and 1 mm aside: its own name is another.
    end = sheet(rectangle(0.4, 0.2), [ring((0.201, 0.1), 0.1, 17)], (1.0 * X, Y, Z), "end port")
    other = mended(box(SIZE, open_end=True), end)
    assert names_of(other) == {"opening x1000 y201 z100"}
    called = "opening x1000 y200 z100"
    place = place_in_name(called)
    assert place is not None
    bays = find_bays(other, given=[Given(name=called, center=place)])
    assert [opening.name for opening in bays.openings] == [called]


def test_places_on_a_border_of_rounding_do_not_wander() -> None:
    # 12.5 mm is a figure that drawings have; a millionth of a millimetre to and fro must not rename it.
    centers = np.array([[0.0125, 0, 0]]) + np.array([[1e-9, 0, 0], [-1e-9, 0, 0], [0, 0, -1e-9]])
    assert set(names_by_place(centers[:1], 1.0)) == {"opening x13 y0 z0"}
    assert {names_by_place(centers[k : k + 1], 1.0) for k in range(3)} == {("opening x13 y0 z0",)}


def test_two_openings_at_one_place_are_told_apart() -> None:
    assert names_by_place(np.zeros((2, 3)), 1.0) == ("opening x0 y0 z0", "opening x0 y0 z0 (2)")


def test_small_parts_are_told_in_parts_of_a_millimetre() -> None:
    assert names_by_place(np.array([[1.23e-3, 0, 0]]), 0.02) == ("opening x1.2 y0.0 z0.0",)


def test_a_name_of_the_user_tells_no_place() -> None:
    assert place_in_name("root port") is None
    assert place_in_name("opening 1") is None


def test_the_ways_in_of_a_mended_mesh_keep_their_names() -> None:
    assert names_of(mend(WHOLE)[0]) == NAMES
