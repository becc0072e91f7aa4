"""Air on a grid, part by part: links that walls cut, closings, regions, and what a grid may miss."""

import numpy as np
import pytest
from specimens import X, Y, box, moved, panel, polygon_area, ribbed_box

from bayreach.arrays import OUTSIDE
from bayreach.bays import bay_at, check_by_voxels, find_bays
from bayreach.bays._grid import Links
from bayreach.bays._voxel import _cap_areas, _closings, grid_error
from bayreach.mesh import joined

SIZE = (1.0, 0.4, 0.2)


def places_of(links: Links) -> np.ndarray:
    """Return the centres (i, j, k, 3) of a grid."""
    shape = links.free[0].shape
    return links.origin + links.step * np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), axis=3)


@pytest.mark.parametrize("shift", [0.0, 0.0137, -3.21])
def test_a_link_is_cut_where_it_leaves_or_enters_a_closed_box_and_nowhere_else(shift: float) -> None:
    """Walls keep a fifth of a step off every centre; steps are the root of the box over the centres asked."""
    links = Links(moved(box(SIZE), [shift, 0.1 * shift, -shift]), centres=4000)
    assert links.step == pytest.approx((0.08 / 4000) ** (1 / 3))
    places = places_of(links) - [shift, 0.1 * shift, -shift]
    assert (places[0, 0, 0] < -1.5 * links.step).all()
    assert (places[-1, -1, -1] > np.array(SIZE) + links.step).all()
    for wall in (np.zeros(3), np.array(SIZE)):
        for axis in range(3):
            away = np.abs(np.moveaxis(places, axis, 0)[:, 0, 0, axis] - wall[axis]).min()
            assert away > 0.2 * links.step
    inside = ((places > 0) & (places < SIZE)).all(axis=3)
    for axis, free in enumerate(links.free):
        within, link = np.moveaxis(inside, axis, 0), np.moveaxis(free, axis, 0)
        assert (link[:-1] == (within[:-1] == within[1:])).all()
        assert not link[-1].any()
    region = links.grid().region
    assert (region[inside] == 0).all()
    assert (region[~inside] == OUTSIDE).all()


def test_a_flat_mesh_has_a_grid_of_a_fiftieth_of_its_diagonal_across() -> None:
    links = Links(panel(1.0, 1.0, (np.zeros(3), X, Y), "sheet"), centres=1000)
    assert links.step == pytest.approx((0.02 * np.sqrt(2) / 1000) ** (1 / 3))
    assert (links.grid().region == OUTSIDE).all()


def test_regions_are_numbered_from_the_largest_and_told_at_each_place() -> None:
    boxes = joined(
        [moved(box((0.2, 0.2, 0.2)), [-0.5, 0, 0]), box(SIZE), moved(box((0.3, 0.2, 0.2)), [0, 0.6, 0])]
    )
    grid = Links(boxes, centres=20_000).grid()
    assert grid.volumes == pytest.approx([0.08, 0.012, 0.008], rel=0.15)
    assert grid.volumes.sum() == pytest.approx((grid.region >= 0).sum() * grid.step**3)
    spots = [[0.5, 0.2, 0.1], [0.1, 0.7, 0.1], [-0.4, 0.1, 0.1], [-0.1, 0.1, 0.1]]
    assert grid.region_at(spots).tolist() == [0, 1, 2, OUTSIDE]
    far = grid.origin + grid.step * np.array(grid.region.shape)
    assert (
        grid.region_at(np.concatenate([np.diag(far + grid.step), [grid.origin - grid.step]])).tolist()
        == [OUTSIDE] * 4
    )
    assert grid.centers(np.array([[0, 0, 0], [1, 2, 3]])) == pytest.approx(
        np.stack([grid.origin, grid.origin + grid.step * np.array([1, 2, 3])])
    )


@pytest.mark.parametrize(("closed", "spaces"), [(0.0, 1), (0.045, 1), (0.08, 2)])
def test_openings_are_closed_up_to_the_diameter_asked_and_air_grows_back_to_the_walls(
    closed: float, spaces: int
) -> None:
    """A hole of 60 mm in a rib, steps of 11 mm: open at 45 mm, closed at 80, and no air lost by it."""
    links = Links(ribbed_box(1, SIZE, hole=0.06), centres=60_000, closed_up_to=closed)
    grid = links.grid(closed)
    volumes = grid.volumes[grid.volumes > 1e-3]
    assert len(volumes) == spaces
    assert volumes == pytest.approx([0.08 / spaces] * spaces, rel=0.06)
    inside = ((places_of(links) > 0) & (places_of(links) < SIZE)).all(axis=3)
    assert ((grid.region > OUTSIDE) == inside).all()


def test_points_off_a_grid_are_outside_on_every_hand() -> None:
    bays = find_bays(ribbed_box(1, SIZE), method="voxel")
    assert bays.method == "voxel"
    around = [0.5, 0.2, 0.1] + 3.0 * np.concatenate([np.eye(3), -np.eye(3)])
    assert bay_at(bays, around).tolist() == [OUTSIDE] * 6
    assert check_by_voxels(bays) == ()
    assert check_by_voxels(find_bays(panel(1.0, 1.0, (np.zeros(3), X, Y), "sheet"), method="cells")) == ()


def test_what_a_grid_may_miss_is_a_twentieth_of_a_step_of_wall_and_half_a_step_of_opening() -> None:
    """1 mm of step: 0.05 x 0.76 m² and 0.5 x 0.3 m²; caps count for both bays that they part."""
    bays = find_bays(ribbed_box(1, SIZE, hole=0.1))
    first = bays.bays[0]
    assert grid_error(1e-3, first) == pytest.approx(0.05e-3 * (0.76 - polygon_area(0.1)))
    assert grid_error(1e-3, first, 0.3) == pytest.approx(grid_error(1e-3, first) + 0.15e-3)
    assert _cap_areas(bays) == pytest.approx([polygon_area(0.1)] * 2)
    end = find_bays(box(SIZE, open_end=True))
    assert _cap_areas(end) == pytest.approx([0.08])


def test_closings_are_tried_from_wide_to_narrow_as_far_as_a_grid_tells_them() -> None:
    """Shares of the shortest side of 0.2 m, none of them below two steps of 11 mm."""
    assert _closings(box(SIZE)) == pytest.approx([0.12, 0.09, 0.066, 0.048, 0.034, 0.024])
    assert _closings(box((1.0, 0.4, 0.1))) == pytest.approx([0.06, 0.045, 0.033, 0.024])
