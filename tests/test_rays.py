"""The ray engine against brute force, at edges, far from the origin and at its own offsets."""

import numpy as np
import pytest
from oracles import agreement, ball, closed_box, grid_plate, nearest_edge_distance, soup

from bayreach.arrays import NO_FACE
from bayreach.mesh import joined, mesh_of
from bayreach.rays import BruteForce, Scene, stop_short

RANDOM = 20261124


@pytest.fixture(scope="module", params=["embree", "tree", "binding", "arrays"])
def engine(request):
    return request.param


def _segments(count, seed=RANDOM):
    random = np.random.default_rng(seed)
    return random.uniform(0, 1, (count, 3)), random.uniform(0, 1, (count, 3))


def test_visibility_agrees_with_brute_force_in_double_precision(engine):
    mesh = soup(400, 0.05, seed=3)
    starts, ends = _segments(3000)
    fast = Scene(mesh, engine=engine).is_blocked(starts, ends)
    slow = BruteForce(mesh).is_blocked(starts, ends)
    assert 0.2 < slow.mean() < 0.9  # the instance is worth asking about
    # Single precision may differ within about 1e-7 of an edge or of the stop: a handful in a million.
    assert agreement(fast, slow) >= 1 - 1e-3


def test_first_hits_agree_with_brute_force_in_double_precision(engine):
    mesh = soup(400, 0.05, seed=4)
    starts, ends = _segments(3000)
    faces, distances = Scene(mesh, engine=engine).first_hit(starts, ends - starts)
    slow_faces, slow_distances = BruteForce(mesh).first_hit(starts, ends - starts)
    same = faces == slow_faces
    assert same.mean() >= 1 - 1e-3
    both = same & (faces != NO_FACE)
    assert distances[both] == pytest.approx(slow_distances[both], rel=1e-9)
    assert np.isinf(distances[faces == NO_FACE]).all()


def test_no_light_leaks_through_the_shared_edges_of_a_closed_box(engine):
    # From inside, every ray meets the wall; rays through corners and edge points are where packets leak.
    mesh = ball(0.5, halvings=3)
    corners = mesh.corners
    edges = np.concatenate([(corners + np.roll(corners, -1, axis=1)) / 2, corners]).reshape(-1, 3)
    starts = np.array([[0.01, 0.02, 0.03], [-0.2, 0.1, 0.05]])
    scene = Scene(mesh, engine=engine)
    for start in starts:
        faces, _ = scene.first_hit(start, edges - start)
        assert (faces != NO_FACE).all()
        assert scene.is_blocked(start, start + 3 * (edges - start)).all()


def test_a_face_never_blocks_its_own_sample_points(engine):
    mesh = closed_box((1.0, 0.4, 0.2))
    scene = Scene(mesh, engine=engine)
    random = np.random.default_rng(RANDOM)
    weights = random.dirichlet([1, 1, 1], size=2000)
    faces = random.integers(0, mesh.n_faces, 2000)
    points = np.einsum("nk,nkx->nx", weights, mesh.corners[faces])
    assert not scene.is_blocked([0.5, 0.2, 0.1], points).any()


def test_a_structure_far_from_its_origin_loses_nothing(engine):
    mesh = soup(300, 0.05, seed=5)
    away = np.array([4000.0, -7000.0, 100.0])  # float32 alone would see steps of 0.5 mm here
    starts, ends = _segments(2000)
    moved = mesh_of(mesh.points + away, mesh.faces)
    near = Scene(mesh, engine=engine).is_blocked(starts, ends)
    far = Scene(moved, engine=engine).is_blocked(starts + away, ends + away)
    assert agreement(near, far) >= 1 - 2e-3


def test_a_plate_between_hides_and_a_plate_beside_does_not(engine):
    plate = grid_plate([0.5, 0, 0], [0, 0.2, 0], [0, 0, 0.2])
    scene = Scene(plate, engine=engine)
    assert scene.is_blocked([0, 0, 0], [1, 0, 0]).tolist() == [True]
    assert scene.is_blocked([0, 0.5, 0], [1, 0.5, 0]).tolist() == [False]
    assert scene.is_blocked([0, 0, 0], [0.5, 0, 0]).tolist() == [False]  # ends on it
    assert scene.is_blocked([0.5, 0, 0], [1, 0, 0]).tolist() == [False]  # begins on it
    faces, distances = scene.first_hit([0, 0.01, 0], [2, 0, 0])
    assert faces[0] != NO_FACE
    assert distances[0] == pytest.approx(0.5, abs=1e-12)


def test_both_ends_stop_a_tenth_of_a_millimetre_short_in_a_metre_box():
    assert stop_short(closed_box((0.6, 0.6, 0.5))) == pytest.approx(0.9849e-4, rel=1e-3)  # 1e-4 of 0.985 m
    assert stop_short(closed_box((1.0, 2.0, 2.0))) == 1e-4
    assert stop_short(closed_box((30.0, 40.0, 0.0))) == pytest.approx(2e-4)  # 4e-6 of 50 m


def test_a_mesh_without_faces_blocks_nothing():
    scene = Scene(mesh_of(np.zeros((0, 3)), np.zeros((0, 3), dtype=int)))
    assert scene.is_blocked([[0, 0, 0]], [[1, 0, 0]]).tolist() == [False]
    assert scene.first_hit([[0, 0, 0]], [[1, 0, 0]])[0].tolist() == [NO_FACE]


def test_no_rays_give_no_answers(engine):
    scene = Scene(closed_box((1, 1, 1)), engine=engine)
    assert scene.is_blocked(np.zeros((0, 3)), np.zeros((0, 3))).shape == (0,)
    assert scene.first_hit(np.zeros((0, 3)), np.zeros((0, 3)))[0].shape == (0,)


def test_more_faces_never_open_a_view():
    mesh = soup(200, 0.05, seed=6)
    starts, ends = _segments(1000)
    fewer = Scene(mesh.of_faces(np.arange(100))).is_blocked(starts, ends)
    more = Scene(mesh).is_blocked(starts, ends)
    assert not (fewer & ~more).any()


def test_a_wrong_shape_is_refused_with_both_shapes():
    scene = Scene(closed_box((1, 1, 1)))
    with pytest.raises(ValueError, match="3 starts and 2 ends"):
        scene.is_blocked(np.zeros((3, 3)), np.zeros((2, 3)))
    with pytest.raises(ValueError, match=r"\(n, 3\) needed"):
        scene.first_hit(np.zeros((3, 2)), np.zeros((3, 2)))


def test_an_unknown_engine_is_refused():
    with pytest.raises(ValueError, match='"fastest" is unknown'):
        Scene(closed_box((1, 1, 1)), engine="fastest")


def test_the_engine_names_itself():
    assert "embree" in Scene(closed_box((1, 1, 1))).engine.lower()


def test_hits_at_a_metre_are_as_exact_as_double_precision_allows(engine):
    mesh = joined([ball(1.0, halvings=2), grid_plate([3, 0, 0], [0, 1, 0], [0, 0, 1], cells=3)])
    random = np.random.default_rng(RANDOM)
    rays = random.normal(size=(500, 3))
    rays /= np.linalg.norm(rays, axis=1)[:, None]
    start = np.array([0.1, 0.0, -0.1])
    faces, distances = Scene(mesh, engine=engine).first_hit(start, rays)
    slow_faces, slow = BruteForce(mesh).first_hit(start, rays)
    clear = nearest_edge_distance(mesh, slow_faces, np.tile(start, (500, 1)), rays) > 1e-6
    assert (faces == slow_faces)[clear].all()
    assert distances[clear] == pytest.approx(slow[clear], abs=1e-12)
