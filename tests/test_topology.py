"""Edges, shells and sides round an edge."""

import numpy as np
from specimens import X, Y, Z, box, mended, moved, panel, tube

from bayreach.mesh import joined
from bayreach.topology import closed_loops, edges_of, free_edges, groups, shells, side_links


def test_a_closed_box_has_two_faces_on_each_edge() -> None:
    edges = edges_of(box().faces)
    # Euler: 8 points - 18 edges + 12 faces = 2
    assert len(edges.ends) == 18
    assert set(edges.counts) == {2}


def test_a_tube_has_two_rims() -> None:
    edges, _ = free_edges(tube(0.1, 1.0, 24).faces)
    loops, rest = closed_loops(edges)
    assert sorted(len(loop) for loop in loops) == [24, 24]
    assert not len(rest)


def test_separate_boxes_are_separate_shells() -> None:
    assert len(np.unique(shells(joined([box(), moved(box(), [2, 0, 0])]).faces))) == 2


def test_three_sheets_on_an_edge_make_three_wedges_of_air() -> None:
    # Sheets along +y, +z and -y on the x axis: the air above left, above right and below.
    sheets = [panel(1, 1, (np.zeros(3), X, direction), "s") for direction in (Y, Z, -Y)]
    whole = mended(*sheets)
    links = side_links(whole.points, whole.faces)
    on_axis = [edge for edge in links.pairs.tolist() if edge[0] // 2 != edge[1] // 2]
    shared = [
        (a, b)
        for a, b in on_axis
        if _meets_axis(whole, a) and _meets_axis(whole, b) and _differs(whole, a, b)
    ]
    assert len(shared) == 3


def _meets_axis(mesh, side: int) -> bool:
    return bool((np.abs(mesh.corners[side // 2][:, 1:]).sum(axis=1) == 0).sum() == 2)


def _differs(mesh, a: int, b: int) -> bool:
    return bool(mesh.face_parts[a // 2] == mesh.face_parts[b // 2])


def test_groups_join_what_pairs_join() -> None:
    count, label = groups(4, np.array([[0, 1], [2, 3]]))
    assert count == 2
    assert label[0] == label[1] != label[2] == label[3]


def test_turning_a_face_over_swaps_its_sides_and_nothing_else() -> None:
    whole = box()
    faces = np.array(whole.faces)
    faces[3] = faces[3][::-1]
    first = {frozenset(pair) for pair in side_links(whole.points, whole.faces).pairs.tolist()}
    second = {
        frozenset(_turned(side) for side in pair) for pair in side_links(whole.points, faces).pairs.tolist()
    }
    assert first == second


def _turned(side: int) -> int:
    return side ^ 1 if side // 2 == 3 else side
