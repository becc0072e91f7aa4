"""Holes: drills and rivets of the tables, the rules and their reasons, sites on a box's skin."""

import numpy as np
import pytest
from specimens import box, moved, ribbed_box

from bayreach import holes
from bayreach.bays import find_bays
from bayreach.errors import PlanError
from bayreach.mesh import joined
from bayreach.rays import Scene
from bayreach.units import INCH


@pytest.mark.parametrize(
    ("name", "inches", "mm"),
    [
        ("No. 40", 0.0980, 2.4892),
        ("No. 30", 0.1285, 3.2639),
        ("No. 21", 0.1590, 4.0386),
        ("No. 20", 0.1610, 4.0894),
        ("No. 11", 0.1910, 4.8514),
        ("No. 10", 0.1935, 4.9149),
        ("No. 1", 0.2280, 5.7912),
        ("letter F", 0.2570, 6.5278),
    ],
    ids=lambda value: f"ASME B94.11M: {value}" if isinstance(value, str) else "",
)
def test_number_and_letter_drills_are_as_published(name, inches, mm):
    drill = next(drill for drill in holes.drills() if drill.name == name)
    assert drill.diameter == pytest.approx(inches * INCH, abs=1e-12)
    assert drill.diameter * 1e3 == pytest.approx(mm, abs=5e-5)


@pytest.mark.parametrize(
    ("rivet", "least", "greatest", "drill"),
    [
        ("3/32 in blind rivet", 0.096, 0.100, "No. 41"),
        ("1/8 in blind rivet", 0.128, 0.132, "No. 30"),
        ("5/32 in blind rivet", 0.160, 0.164, "No. 20"),
        ("1/4 in blind rivet", 0.257, 0.261, "letter F"),
    ],
    ids=lambda value: f"TM 10-5410-221-14/1 table 4-3: {value}" if isinstance(value, str) else "",
)
def test_blind_rivets_close_the_holes_of_the_published_range(rivet, least, greatest, drill):
    assert holes.closes_with(least * INCH) == holes.closes_with(greatest * INCH) == rivet
    assert holes.closes_with((greatest + 0.002) * INCH) != rivet
    own = next(one for one in holes.drills() if one.name == drill)
    assert least * INCH - 1e-9 <= own.diameter <= greatest * INCH + 1e-9


def test_drills_are_sixty_numbers_twenty_six_letters_and_sixty_one_fractions_in_falling_numbers():
    """Fractions from 4/64 to 64/64: 61; a higher number is a thinner drill."""
    by_system = {
        system: [d for d in holes.drills() if d.system == system]
        for system in ("number", "letter", "fraction")
    }
    assert [len(by_system[key]) for key in ("number", "letter", "fraction")] == [60, 26, 61]
    numbers = [int(drill.name[4:]) for drill in by_system["number"]]
    assert numbers == sorted(numbers, reverse=True)
    assert holes.drill_for(INCH / 4, "inch").name in ("1/4 in", "letter E")
    with pytest.raises(
        PlanError, match=r"30\.0 mm is more than the largest metric drill of the table, 25\.4 mm"
    ):
        holes.drill_for(0.030)


def skin_of_box(**given):
    bays = find_bays(given.pop("mesh", box((1.0, 0.4, 0.2))))
    scene = Scene(bays.mesh)
    return holes.skin_of(bays.mesh, bays.side_bay, scene, **given)


def sites_on(skin, **given):
    given = {"spacing": 0.1, "rng": np.random.default_rng(3)} | given
    return holes.hole_sites(skin, holes.drill_for(0.010), **given)


def test_the_skin_of_a_box_is_its_whole_outside_and_its_sites_look_inward():
    """Box 1 x 0.4 x 0.2 m: 2 (0.4 + 0.08 + 0.2) = 1.36 m²; 50 mm inward of a site lies inside the box."""
    skin = skin_of_box()
    assert skin.areas.sum() == pytest.approx(1.36)
    sites, _ = sites_on(skin)
    assert len(sites) > 60  # 1.36 m² at 0.1 m spacing, less the margins at edges
    inside = np.array([site.center + 0.05 * site.inward for site in sites])
    assert ((inside > 0) & (inside < [1.0, 0.4, 0.2])).all()
    assert all(site.bay == 0 for site in sites)


def test_sites_keep_their_spacing_and_2d_from_edges_and_ribs():
    """The drill is 10 mm, so 20 mm from each edge of the box and from the rib's line at x = 0.5 m."""
    sites, refused = sites_on(skin_of_box(mesh=ribbed_box(1)))
    centers = np.array([site.center for site in sites])
    normals = np.array([site.inward for site in sites])
    gaps = np.linalg.norm(centers[:, None] - centers[None], axis=2) + 9.0 * np.eye(len(sites))
    gaps[normals @ normals.T < 0.3] = 9.0
    assert gaps.min() >= 0.1
    along = np.abs(normals) < 0.5
    to_walls = np.where(along, np.minimum(centers, [1.0, 0.4, 0.2] - centers), np.inf)
    assert to_walls.min() >= 0.020
    beside = along[:, 0]
    assert np.abs(centers[beside, 0] - 0.5).min() >= 0.020
    assert {"edge distance"} <= set(refused.kinds)
    assert any("line where structure is joined" in reason for reason in refused.reasons)


def test_a_hard_keep_out_behind_the_skin_is_not_drilled_into_and_says_so():
    """A line 10 mm behind the bottom, 25 mm kept: nothing within 5 + 25 mm of it, seen through the skin."""
    zone = holes.Zone(name="oxygen line", box=[[0.3, 0.0, 0.010], [0.7, 0.4, 0.020]])
    skin = skin_of_box()
    sites, refused = sites_on(skin, zones=(zone,), spacing=0.05)
    bottom = np.array([site.center for site in sites if site.inward[2] > 0.5])
    assert len(bottom) > 20
    assert not ((bottom[:, 0] > 0.275) & (bottom[:, 0] < 0.725)).any()
    assert any("oxygen line is" in words and "30.0 mm are kept" in words for words in refused.reasons)


def test_a_part_named_as_keep_out_is_not_drilled_into_from_the_other_face():
    """A plate 10 mm above the bottom, x 0.3 to 0.7: as the box above, told by its faces and not by a box."""
    plate = np.array([[0.3, 0.0, 0.01], [0.7, 0.0, 0.01], [0.7, 0.4, 0.01], [0.3, 0.4, 0.01]])
    zone = holes.Zone(name="line", corners=plate[[[0, 1, 2], [0, 2, 3]]])
    np.testing.assert_allclose(zone.distances(np.array([[0.5, 0.2, 0.05], [0.8, 0.2, 0.01]])), [0.04, 0.1])
    sites, refused = sites_on(skin_of_box(), zones=(zone,), spacing=0.05)
    bottom = np.array([site.center for site in sites if site.inward[2] > 0.5])
    assert len(bottom) > 20
    assert not ((bottom[:, 0] > 0.275) & (bottom[:, 0] < 0.725)).any()
    assert any("line is" in words and "30.0 mm are kept" in words for words in refused.reasons)


def test_a_keep_out_over_the_only_skin_leaves_no_site_and_every_place_has_its_reason():
    """With the whole box as a keep-out there is nowhere to drill: the honest answer is none, with reasons."""
    zone = holes.Zone(name="tank", box=[[-1, -1, -1], [2, 1, 1]])
    sites, refused = sites_on(skin_of_box(), zones=(zone,))
    assert sites == ()
    assert set(refused.kinds) == {"keep-out"}
    assert len(refused.points) == len(refused.reasons) > 20


def test_cylinders_and_fastener_lists_are_kept_clear_of():
    """A tube of 20 mm radius along x: 20 + 5 + 25 mm; fasteners: 4 D = 40 mm between centres."""
    tube = holes.Zone(name="duct", axis=[[0, 0.2, 0], [1, 0.2, 0]], radius=0.020)
    row = holes.Zone(name="rivets", points=[[0.5, y, 0.2] for y in np.linspace(0, 0.4, 41)])
    sites, _ = sites_on(skin_of_box(), zones=(tube, row), spacing=0.03)
    bottom = np.array([site.center for site in sites if site.inward[2] > 0.5])
    top = np.array([site.center for site in sites if site.inward[2] < -0.5])
    assert np.abs(bottom[:, 1] - 0.2).min() >= 0.050 - 1e-9
    assert np.abs(top[:, 0] - 0.5).min() >= 0.039  # the row's points are 10 mm apart: 40 mm less a sagitta
    with pytest.raises(PlanError, match='keep-out "x": 0 of corners, box, axis and points given, 1 needed'):
        holes.Zone(name="x")


def test_a_skin_faced_by_another_body_has_no_room_for_a_drill():
    """A second box 50 mm above the first: no site on the top of the lower one, 150 mm are asked."""
    lower = box((1.0, 0.4, 0.2))
    both = joined([lower, moved(lower, [0, 0, 0.25])])
    sites, refused = sites_on(skin_of_box(mesh=both))
    heights = np.array([site.center[2] for site in sites])
    assert not np.isclose(heights, 0.2).any()
    assert any("mm free outside, a drill needs 150 mm" in reason for reason in refused.reasons)


def test_holes_nearer_than_the_pitch_exclude_each_other():
    """10 mm drill, 4 D = 40 mm: sites 30 mm apart clash, 50 mm apart do not."""
    sites, _ = sites_on(skin_of_box(), spacing=0.025)
    centers = np.array([site.center for site in sites])
    pairs = holes.pitch_conflicts(sites)
    gaps = np.linalg.norm(centers[pairs[:, 0]] - centers[pairs[:, 1]], axis=1)
    assert len(pairs)
    assert gaps.max() < 0.040
    all_gaps = np.linalg.norm(centers[:, None] - centers[None], axis=2)
    assert len(pairs) == (np.triu(all_gaps < 0.040, k=1)).sum()
