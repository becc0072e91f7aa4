"""Holes: drills and rivets of the tables, the rules and their reasons, sites on a box's skin."""

import numpy as np
import pytest
from specimens import box, mended, moved, ribbed_box

from bayreach import holes, plan
from bayreach.bays import Given, find_bays
from bayreach.errors import PlanError
from bayreach.holes._spread import Surface, thinned
from bayreach.mesh import joined
from bayreach.rays import Scene
from bayreach.repair import subdivided
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


def test_spacing_goes_along_the_surface_and_round_a_bend():
    """On two walls of a box at a right angle no two sites are within 0.1 m along the walls, unfolded.

    A point (x, h) on the top at height h from the edge and one (x', d) on the side at depth d below it are
    sqrt((x - x')² + (h + d)²) apart. Straight through the air they are nearer: the test must tell the two.
    """
    skin = skin_of_box(mesh=subdivided(box((1.0, 0.4, 0.2)), 0.05).mesh)
    sites, _ = sites_on(skin, rules=holes.Rules(edge=0.0))
    centers = np.array([site.center for site in sites])
    top, side = centers[centers[:, 2] > 0.2 - 1e-9], centers[centers[:, 1] < 1e-9]
    unfolded = np.hypot(top[:, None, 0] - side[None, :, 0], top[:, None, 1] + 0.2 - side[None, :, 2])
    # The net is at most a tenth longer than the surface here; blue noise comes that near.
    assert 0.1 / 1.1 <= unfolded.min() < 0.115
    straight = np.linalg.norm(top[:, None] - side[None], axis=2)
    assert straight.min() < 0.1


def test_sheets_that_lap_without_touching_are_one_skin():
    """A plate 1 mm above the skin faces the same way: what lies on one is near to what lies on the other."""
    plate = box((0.4, 0.4, 0.05))
    plate = plate.of_faces(plate.corners[:, :, 2].mean(axis=1) > 0.049)
    both = joined([box((1.0, 0.4, 0.2)), moved(plate, [0.3, 0.0, 0.151])])
    corners = both.corners
    upper = np.flatnonzero((corners[:, :, 2] > 0.199).all(axis=1))
    rng = np.random.default_rng(1)
    on = rng.integers(0, len(upper), 3000)
    weights = rng.dirichlet([1, 1, 1], 3000)
    places = np.einsum("ki,kij->kj", weights, corners[upper[on]])
    surface = Surface(both, upper, places, on, within=0.1)
    kept = thinned(surface, np.tile([0.0, 0.0, -1.0], (3000, 1)), np.arange(3000), 0.1)
    flat = places[kept, :2]
    gaps = np.linalg.norm(flat[:, None] - flat[None], axis=2) + 9.0 * np.eye(len(kept))
    assert len(np.unique(places[kept, 2].round(4))) == 2
    assert gaps.min() > 0.0999


def doubled():
    """Return a box with a doubler 2 mm under half of its top: a plate of 0.4 x 0.3 m at z = 0.198 m."""
    plate = box((0.4, 0.3, 0.1))
    plate = plate.of_faces(plate.corners[:, :, 2].mean(axis=1) > 0.0999)
    return mended(box((1.0, 0.4, 0.2)), moved(plate, [0.1, 0.05, 0.098]))


def test_a_hole_through_skin_and_doubler_goes_through_both_sheets():
    """2 mm lie between the sheets and 198 mm behind: at 20 mm from the doubler's edge it is drilled too.

    Nearer to that edge than 2D the drill would run out of the second sheet: refused, structure behind.
    """
    sites, refused = sites_on(skin_of_box(mesh=doubled()), spacing=0.05)
    top = [site for site in sites if site.center[2] > 0.199]
    over = [s for s in top if 0.12 < s.center[0] < 0.48 and 0.07 < s.center[1] < 0.33]
    assert len(over) > 10
    assert all(site.doubler == pytest.approx(0.002, abs=1e-6) for site in over)
    assert all(site.behind == pytest.approx(0.015) for site in over)
    clear = [s for s in top if s.center[0] > 0.53]
    assert clear
    assert all(site.doubler == 0.0 for site in clear)
    behind = refused.points[[kind == "behind" for kind in refused.kinds]]
    assert len(behind)
    for x, y, _ in behind:
        within = max(abs(x - 0.3) - 0.2, abs(y - 0.2) - 0.15)
        assert -0.0201 < within < 0.0051  # the doubler's edge: 2D inside it, and the drill's radius outside
    assert all("structure 2.0 mm behind the skin" in r for r in refused.reasons if "structure" in r)
    opening = plan.opening_of(over[0], 0.0012)
    assert opening.thickness == pytest.approx(0.0032)
    cut = find_bays(doubled(), given=[Given(name="h", center=over[0].center, diameter=0.01, kind="proposed")])
    assert [one.name for one in cut.openings if -1 in one.links] == ["h"]
    assert not cut.bays[0].sealed


def test_fasteners_of_a_list_keep_their_pitch_by_the_larger_of_the_two(tmp_path):
    """A 12 mm bolt keeps 48 mm from a 10 mm hole, a 3 mm rivet 40 mm: four diameters of the larger."""
    path = tmp_path / "fasteners.csv"
    path.write_text("X, y ,z,diameter\n200,200,200,12\n800,200,200,3.2\n")
    found = holes.read_fasteners(path, 1e-3)
    zone = holes.Zone(name="rivets", points=found.centers, sizes=found.diameters)
    sites, refused = sites_on(skin_of_box(), spacing=0.01, zones=(zone,))
    gaps = np.linalg.norm(np.array([s.center for s in sites])[:, None] - found.centers[None], axis=2)
    assert gaps.min(axis=0) == pytest.approx([0.048, 0.040], abs=4e-3)
    assert (gaps.min(axis=0) >= [0.048, 0.040]).all()
    assert any("48.0 mm are kept" in reason for reason in refused.reasons)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("x,y,z\n1,2,3\n", r"rows.csv: the column diameter is missing; needed are x, y, z, diameter"),
        ("x,y,z,diameter\n", r"rows.csv: 0 rows found below the names of the columns, 1 to 200000 allowed"),
        ("x,y,z,diameter\n1,2,oh,4\n", r'rows.csv, line 2: z is "oh"; a number is needed'),
        ("x,y,z,diameter\n1,2,3,4\n1,2,3,nan\n", r'rows.csv, line 3: diameter is "nan"; a number is'),
        ("x,y,z,diameter\n1,2,3,0\n", r"rows.csv, line 2: diameter 0 must be above zero"),
    ],
)
def test_a_list_of_fasteners_that_cannot_be_is_refused_in_a_sentence(tmp_path, text, said):
    path = tmp_path / "rows.csv"
    path.write_text(text)
    with pytest.raises(PlanError, match=said):
        holes.read_fasteners(path, 1.0)
    with pytest.raises(PlanError, match=r"none.csv: cannot be read as a list of fasteners"):
        holes.read_fasteners(tmp_path / "none.csv", 1.0)
