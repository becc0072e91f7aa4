"""Mending, refining and cutting."""

import numpy as np
import pytest
from oracles import enclosed_volume
from specimens import X, Y, Z, box, icosphere, mended, moved, panel, polygon_area, ribbed_box

from bayreach.errors import MeshError
from bayreach.measure import face_areas
from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.repair import mend, subdivided, with_round_hole
from bayreach.topology import edges_of


def test_a_mesh_that_needs_no_mending_comes_back_unchanged() -> None:
    whole = box()
    again, findings = mend(whole)
    assert np.array_equal(again.points, whole.points)
    assert np.array_equal(again.faces, whole.faces)
    assert not [finding for finding in findings if finding.is_repair]


def test_an_edge_with_points_on_it_is_split_there() -> None:
    one = panel(1, 1, (np.zeros(3), X, Y), "one")
    three = panel(1, 1, (np.zeros(3), X, Z), "three", us=[0.25, 0.5])
    whole, findings = mend(joined([one, three]))
    assert (
        edges_of(whole.faces)
        .counts[(whole.points[edges_of(whole.faces).ends][:, :, 1:] == 0).all(axis=(1, 2))]
        .tolist()
        == [2] * 3
    )
    assert face_areas(whole).sum() == pytest.approx(2.0, rel=1e-14)
    assert [finding.count for finding in findings if finding.kind == "split edges"] == [2]


def test_points_within_the_weld_tolerance_become_one() -> None:
    near = moved(panel(1, 1, (X, X, Y), "b"), [1e-7, 0, 0])
    whole, findings = mend(joined([panel(1, 1, (np.zeros(3), X, Y), "a"), near]), weld=1e-6)
    assert len(whole.points) == 6
    assert [(finding.kind, finding.count) for finding in findings if finding.is_repair] == [
        ("welded points", 2)
    ]


def test_refining_keeps_shape_parts_and_fit() -> None:
    whole = ribbed_box(1)
    fine = subdivided(whole, 0.05)
    edges = edges_of(fine.mesh.faces)
    length = np.linalg.norm(np.diff(fine.mesh.points[edges.ends], axis=1)[:, 0], axis=1)
    assert length.max() <= 0.05 * (1 + 1e-12)
    assert set(edges.counts) == {2, 3}
    area = np.bincount(fine.source_faces, weights=face_areas(fine.mesh))
    assert area == pytest.approx(face_areas(whole), rel=1e-12)
    assert np.array_equal(fine.mesh.face_parts, whole.face_parts[fine.source_faces])


def test_a_round_hole_takes_its_polygon_out_of_one_sheet_only() -> None:
    whole = ribbed_box(1)
    hole = with_round_hole(whole, [0.25, 0.2, 0.0], [0, 0, 1], 0.08)
    assert hole.removed_area == pytest.approx(polygon_area(0.08), rel=1e-12)
    assert face_areas(whole).sum() - face_areas(hole.mesh).sum() == pytest.approx(
        polygon_area(0.08), rel=1e-9
    )
    edges = edges_of(hole.mesh.faces)
    # Nothing but the rim is free: 32 edges, two of them split where the face's diagonal meets them.
    assert int(edges.free.sum()) == 34
    rim = hole.mesh.points[edges.ends[edges.free]].reshape(-1, 3) - [0.25, 0.2, 0]
    assert np.linalg.norm(rim, axis=1) == pytest.approx(0.04, rel=5e-3)
    top = hole.mesh.face_parts == hole.mesh.part_names.index("top")
    assert face_areas(hole.mesh)[top].sum() == pytest.approx(0.4, rel=1e-12)


def test_a_hole_across_a_fold_cuts_both_sheets() -> None:
    fold = mended(panel(1, 1, (np.zeros(3), X, Y), "a"), panel(1, 1, (X, [1, 0, 0.2], Y), "b"))
    hole = with_round_hole(fold, [1, 0.5, 0], [0, 0, 1], 0.1)
    assert set(hole.mesh.part_names) == {"a", "b"}
    # Half on the flat, half on a sheet that rises 0.2 in 1: its half is longer by sqrt(1.04).
    assert hole.removed_area == pytest.approx(polygon_area(0.1) * (1 + np.sqrt(1.04)) / 2, rel=1e-9)


def test_a_hole_in_the_air_is_refused_with_the_distance() -> None:
    with pytest.raises(
        MeshError, match=r"no sheet within 40 mm of the hole .* the nearest face is 100 mm away"
    ):
        with_round_hole(box(), [0.5, 0.2, 0.1], [0, 0, 1], 0.08)


def test_a_hole_in_a_sphere_closes_to_the_same_volume_with_its_cap() -> None:
    ball = icosphere(0.5, 3)
    hole = with_round_hole(ball, [0.5, 0, 0], [1, 0, 0], 0.1)
    assert enclosed_volume(ball) == pytest.approx(0.5236, rel=2e-2)
    assert int(edges_of(hole.mesh.faces).free.sum()) >= 32


def test_a_flat_face_is_dropped() -> None:
    mesh = mesh_of([[0, 0, 0], [1, 0, 0], [0, 1, 0], [2, 0, 0]], [[0, 1, 2], [0, 1, 3]])
    whole, findings = mend(mesh)
    assert whole.n_faces == 1
    assert findings[0].kind == "dropped flat faces"


def two_blocks_that_touch(longest: float) -> Mesh:
    """Build two closed boxes whose meshes share the place x = 1 and no triangle there."""
    second = box((0.5, 0.4, 0.2))
    turn = Mesh(
        points=second.points * [1, 1, 1] + [1, 0.1, 0.05],
        faces=second.faces,
        face_parts=second.face_parts,
        part_names=second.part_names,
    )
    return joined([subdivided(box(), longest).mesh, subdivided(turn, 0.83 * longest).mesh])


@pytest.mark.parametrize("longest", [0.5, 0.1])
def test_closed_parts_that_only_touch_share_their_edges_once_mended(longest: float) -> None:
    # No edge of either is free and none passes through a face, so neither shows that anything is odd.
    whole, findings = mend(two_blocks_that_touch(longest))
    apart = face_areas(two_blocks_that_touch(longest)).sum()
    # They share 0.3 x 0.15 m, which is there once afterwards.
    assert apart - face_areas(whole).sum() == pytest.approx(0.3 * 0.15, rel=1e-6)
    assert any(finding.kind == "dropped repeated faces" and len(finding.places) for finding in findings)
    assert not edges_of(whole.faces).free.any()


def test_a_search_that_is_not_whole_says_what_it_left_out(monkeypatch: pytest.MonkeyPatch) -> None:
    from bayreach.repair import _imprint

    monkeypatch.setattr(_imprint, "WHOLE_SEARCH", 10)
    _, findings = mend(two_blocks_that_touch(0.5))
    (said,) = [finding for finding in findings if finding.kind == "not searched"]
    assert "closed parts that only touch elsewhere were not looked for" in said.detail
    assert len(said.places) == 2
    # What crosses is found all the same.
    crossing, found = mend(joined([box(), panel(0.2, 0.2, ([0.9, 0.1, 0.1], X, Y), "flag")]))
    assert any(finding.kind == "crossing faces" for finding in found)
    assert edges_of(crossing.faces).counts.max() == 4


def test_more_faces_than_are_cut_are_told_with_places(monkeypatch: pytest.MonkeyPatch) -> None:
    from bayreach.repair import _imprint

    monkeypatch.setattr(_imprint, "CUT_AT_MOST", 1)
    _, findings = mend(two_blocks_that_touch(0.5))
    (said,) = [finding for finding in findings if finding.kind == "uncut faces"]
    assert len(said.places)
    assert "faces that others touch or cross stay whole" in said.detail


def test_a_foot_that_ends_inside_a_face_is_an_edge_of_it() -> None:
    # The blade stands on the middle of the floor and reaches no edge of its two triangles: its line used
    # to be dropped, and the blade stood on nothing.
    blade = panel(0.11, 0.05, ([0.33, 0.21, 0.0], X, Z), "blade")
    whole, _ = mend(joined([box(), blade]))
    edges = edges_of(whole.faces)
    foot = whole.points[edges.ends[edges.counts == 3]]
    assert np.linalg.norm(np.diff(foot, axis=1)[:, 0], axis=1).sum() == pytest.approx(0.11, rel=1e-9)
    assert foot[:, :, 1:] == pytest.approx(np.tile([0.21, 0.0], (len(foot), 2, 1)), abs=1e-12)
    assert face_areas(whole).sum() == pytest.approx(1.36 + 0.11 * 0.05, rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_neighbours_at_a_corner_are_left_out_only_where_they_meet_nowhere_else(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bayreach.repair import _imprint

    # Triangles at random on few points, half of them in one plane, share corners in every way.
    rng = np.random.default_rng(seed)
    points = rng.random((24, 3))
    points[:12, 2] = 0.5
    faces = np.array([rng.choice(24 if k % 2 else 12, 3, replace=False) for k in range(60)])
    quick = _imprint.met_lines(points, faces, 1e-9)
    monkeypatch.setattr(_imprint, "_beyond_a_corner", lambda points, faces, pairs, slack: pairs)
    slow = _imprint.met_lines(points, faces, 1e-9)
    assert len(slow.face) > 200
    assert sorted(zip(quick.face, quick.other, strict=True)) == sorted(
        zip(slow.face, slow.other, strict=True)
    )
    assert len(quick.crossing) == len(slow.crossing)
