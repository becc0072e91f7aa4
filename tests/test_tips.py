"""Tip patterns: what leaves in each direction, and that all of it adds up to one."""

import math

import numpy as np
import pytest

from bayreach.errors import WandError
from bayreach.sampling import zone_directions
from bayreach.tips import Tip, TipTable, in_tip_frame, read_table, tip_frame

DEG = math.pi / 180


def sphere_integral(tip, count=400_000):
    """Mean over an even lattice of directions, turned away from the tip's own axes, times 4 pi."""
    rays = in_tip_frame(zone_directions(count, -1.0, 1.0), [0.3, 0.5, 0.8], [0.8, 0.0, -0.3])
    return tip.density(rays).mean() * 4 * np.pi


@pytest.mark.parametrize("pattern", ["radial", "side", "forward"])
@pytest.mark.parametrize("profile", ["uniform", "gaussian", "cosine"])
@pytest.mark.parametrize("spread", [15.0, 60.0, 140.0])
@pytest.mark.parametrize("angle", [90.0, 50.0])
def test_every_pattern_integrates_to_one_over_the_sphere(pattern, profile, spread, angle):
    tip = Tip(pattern=pattern, spread=spread * DEG, angle=angle * DEG, profile=profile, power=3.0)
    # A hard edge that cuts across the lattice is worth a few of its points.
    assert sphere_integral(tip) == pytest.approx(1.0, abs=4e-3)


def test_a_cone_of_uniform_density_holds_one_over_its_solid_angle():
    # check-values C6: a half-angle of 30 degrees spans 2 pi (1 - cos 30) = 0.8417872 sr.
    tip = Tip(pattern="forward", spread=60 * DEG)
    assert tip.density([1, 0, 0]) == pytest.approx(1 / 0.8417872, rel=1e-7)
    assert tip.density([math.cos(31 * DEG), 0, math.sin(31 * DEG)]) == 0.0


def test_a_ring_of_twenty_degrees_holds_one_over_its_band():
    # check-values C8: the band from 80 to 100 degrees spans 4 pi sin 10 = 2.1821274 sr.
    tip = Tip(pattern="radial", spread=20 * DEG)
    assert tip.density([0, 1, 0]) == pytest.approx(1 / 2.1821274, rel=1e-7)
    assert tip.density([math.cos(79 * DEG), math.sin(79 * DEG), 0]) == 0.0


def test_the_cosine_lobe_of_power_eight_peaks_at_its_published_value():
    # check-values C7: (n + 1) / 2 pi = 1.4323945 /sr at the peak, half of it 23.50805 degrees off.
    tip = Tip(pattern="forward", spread=math.pi, profile="cosine", power=8.0)
    assert tip.density([1, 0, 0]) == pytest.approx(1.4323945, rel=1e-7)
    off = 23.50805 * DEG
    assert tip.density([math.cos(off), math.sin(off), 0]) == pytest.approx(1.4323945 / 2, rel=1e-6)


@pytest.mark.parametrize(("power", "caught"), [(0, 0.2928932), (1, 0.5), (3, 0.75), (8, 0.9558058)])
def test_a_cut_lobe_is_the_whole_lobe_over_what_the_cut_holds(power, caught):
    # check-values B3: inside a half-angle of 45 degrees lies 1 - cos^(n+1) 45 of the whole lobe.
    whole = Tip(pattern="forward", spread=math.pi, profile="cosine", power=power)
    cut = Tip(pattern="forward", spread=math.pi / 2, profile="cosine", power=power)
    assert whole.density([1, 0, 0]) / cut.density([1, 0, 0]) == pytest.approx(caught, rel=1e-6)


def test_a_radial_sheet_over_the_whole_sphere_is_isotropic():
    tip = Tip(pattern="radial", spread=math.pi)
    rays = np.random.default_rng(1).normal(size=(50, 3))
    rays /= np.linalg.norm(rays, axis=1)[:, None]
    assert tip.density(rays) == pytest.approx(np.full(50, 1 / (4 * math.pi)))


def test_a_side_cone_points_where_the_clock_does():
    tip = Tip(pattern="side", spread=40 * DEG)
    assert tip.density([0, 0, 1]) > 0
    assert tip.density([0, 1, 0]) == tip.density([0, 0, -1]) == tip.density([1, 0, 0]) == 0


def test_a_side_cone_at_sixty_degrees_leans_forward():
    tip = Tip(pattern="side", spread=10 * DEG, angle=60 * DEG)
    assert tip.density([math.cos(60 * DEG), 0, math.sin(60 * DEG)]) > 0
    assert tip.density([0, 0, 1]) == 0


def test_a_gaussian_falls_by_two_standard_deviations_at_its_edge():
    tip = Tip(pattern="forward", spread=80 * DEG, profile="gaussian")
    edge = 39.999999 * DEG
    ratio = tip.density([math.cos(edge), math.sin(edge), 0]) / tip.density([1, 0, 0])
    assert ratio == pytest.approx(math.exp(-2), rel=1e-5)


def test_the_tip_frame_has_y_as_clock_across_axis():
    # Axis +x, clock +z: y = z × x.
    assert tip_frame([1, 0, 0], [0, 0, 1]) == pytest.approx(np.eye(3))
    assert in_tip_frame([0, 0, 5.0], [0, 0, 2], [1, 0, 0]) == pytest.approx([5, 0, 0])


def test_half_the_volume_still_flies_at_the_throw_and_less_beyond():
    tip = Tip(pattern="forward", throw=0.4, droplet_spread=1.8)
    flying = tip.share_flying(np.array([0.0, 0.1, 0.4, 0.8, 5.0]))
    assert flying[0] == 1.0
    assert flying[2] == pytest.approx(0.5)
    assert (np.diff(flying) < 0).all()
    # Droplets 1.8 times the median fly 1.8² as far: one standard deviation of volume, 15.8655 % flies on.
    assert tip.share_flying(0.4 * 1.8**2) == pytest.approx(0.158655, abs=1e-6)
    assert Tip(pattern="forward").share_flying(1e6) == 1.0
    assert Tip(pattern="forward", throw=0.4, droplet_spread=1.0).share_flying([0.39, 0.41]).tolist() == [1, 0]


def test_a_measured_table_integrates_to_one_and_keeps_its_shares():
    table = TipTable(
        polar=np.array([0, 30, 60, 120]) * DEG,
        azimuth=np.array([-180, 0, 90, 180]) * DEG,
        shares=np.array([[1, 2, 3], [0, 4, 1], [2, 2, 5.0]]),
    )
    tip = Tip(pattern="table", table=table)
    assert sphere_integral(tip) == pytest.approx(1.0, abs=2e-3)
    assert table.shares.sum() == pytest.approx(1.0)
    # The bin 30 to 60 degrees, azimuth 0 (clock) to 90 (y) holds 4 of 20 over (cos 30 - cos 60) pi / 2 sr.
    inside = [math.cos(45 * DEG), math.sin(45 * DEG) * math.sin(0.5), math.sin(45 * DEG) * math.cos(0.5)]
    expected = 0.2 / ((math.cos(30 * DEG) - math.cos(60 * DEG)) * math.pi / 2)
    assert tip.density(inside) == pytest.approx(expected)
    assert tip.density([-1, 0, 0]) == 0.0


def test_a_table_is_read_from_csv(tmp_path):
    path = tmp_path / "tip.csv"
    path.write_text("polar / azimuth,0,180,360\n0,1,3\n45,2,2\n90,\n", encoding="utf-8")
    table = read_table(path)
    assert table.shares == pytest.approx(np.array([[1, 3], [2, 2]]) / 8)
    assert table.polar == pytest.approx(np.array([0, 45, 90]) * DEG)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,0,180,360\n0,1,3\n45,2\n90,\n", "line 3: 1 amounts found, 2"),
        ("a,0,180,360\n0,1,x\n45,2,2\n90,\n", '"x" is no number'),
        ("a,0,180,300\n0,1,3\n45,2,2\n90,\n", "one whole turn"),
        ("a,0,180,360\n0,1,-3\n45,2,2\n90,\n", "zero or more"),
        ("a,0,180,360\n45,1,3\n0,2,2\n90,\n", "rising bin edges"),
        ("a,0\n", "needs a row of azimuth edges"),
    ],
)
def test_a_bad_table_is_refused_with_file_and_reason(tmp_path, text, words):
    path = tmp_path / "tip.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WandError, match=words) as failure:
        read_table(path)
    assert "tip.csv" in str(failure.value)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"pattern": "radiall"}, 'Did you mean "radial"'),
        ({"pattern": "forward", "spread": 0.0}, "spread: 0"),
        ({"pattern": "forward", "profile": "flat"}, "profile"),
        ({"pattern": "forward", "flow": 0.0}, "flow: 0"),
        ({"pattern": "forward", "throw": -1.0}, "throw"),
        ({"pattern": "side", "angle": 4.0}, "angle"),
        ({"pattern": "forward", "droplet_spread": 0.5}, "1 or more"),
        ({"pattern": "table"}, "table"),
    ],
)
def test_a_tip_that_cannot_be_is_refused(values, words):
    with pytest.raises(WandError, match=words):
        Tip(**values)
