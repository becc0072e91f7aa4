"""Straight wands that pivot on their way in: the ladder round its corner, a wide tip through a thick hole."""

import math

import numpy as np
import pytest
from collisions import Collider
from punched import bays_of, opening, plate
from scipy.optimize import minimize_scalar

from bayreach.arrays import OUTSIDE
from bayreach.insertion import Space, gets_into, longest_round_corner, paths_through, replay, space_of
from bayreach.mesh import joined
from bayreach.tips import Tip
from bayreach.wands import Wand

TENTH = 1e-4
TIP = Tip(pattern="radial", spread=0.7, flow=3e-6)
AXIS = (1.0, 0, 0)


def rod(length, width, **more) -> Wand:
    sizes = {"clearance": 0.0, **more}
    return Wand(name="rod", shape="straight", length=length, diameter=width, tip=TIP, **sizes)


def corridors(first: float, second: float, height: float = 0.003, deep: float = 1.6) -> Space:
    """Return a channel `second` wide behind its mouth in a skin, a wall standing `first` before that skin.

    Floor and ceiling are `height` apart: so near, if nothing else is said, that a rod must be carried level.
    """
    sheets = [
        plate(center=(-first, 0, 0), normal=AXIS, size=(6.0, height), part="hangar wall"),
        plate(center=(deep, 0, 0), normal=AXIS, size=(second, height), part="end"),
    ]
    for side in (1, -1):
        sheets += [
            plate(center=(0, side * (second / 2 + 1.5), 0), normal=AXIS, size=(3.0, height), part="skin"),
            plate(
                center=(deep / 2, side * second / 2, 0), normal=(0, 1.0, 0), size=(deep, height), part="web"
            ),
            plate(
                center=(0, 0, side * height / 2), normal=(0, 0, 1.0), size=(6.0, 3.0), up=AXIS, part="floor"
            ),
        ]
    mesh = joined(sheets)
    circle = min(height, second)  # that fits in it
    mouth = opening("mouth", (0, 0, 0), AXIS, circle, (OUTSIDE, 0))
    corners = ((1, 1), (-1, 1), (-1, -1), (1, -1))
    mouth.rim = np.array([[0, y * second / 2, z * height / 2] for y, z in corners])
    return space_of(mesh, bays_of(mesh, ["channel"], [mouth], side_bay=np.zeros(mesh.n_sides, dtype=int)))


def ladder(first: float, second: float, width: float) -> float:
    """Return the longest round-ended rod of `width` carried round the corner of corridors.

    Its middle line keeps r = width / 2 off the walls and off the inner corner. Leaning at x, the line that
    just passes the corner runs (a sin x + b cos x - r (1 + sin x + cos x)) / (sin x cos x) from wall to wall.
    """
    r = width / 2

    def run(x: float) -> float:
        sine, cosine = math.sin(x), math.cos(x)
        return (first * sine + second * cosine - r * (1 + sine + cosine)) / (sine * cosine)

    return minimize_scalar(run, bounds=(0.05, 1.5), method="bounded", options={"xatol": 1e-10}).fun + width


def tipped(first: float, second: float, height: float, width: float) -> float:
    """Return the longest such rod under a ceiling: its middle line rises by `height` - `width` at most."""
    return math.hypot(ladder(first, second, width) - width, height - width) + width


def carried_in(first: float, second: float, wand: Wand, height: float = 0.003) -> bool:
    space = corridors(first, second, height)
    paths, _ = paths_through(space, wand, space.bays.openings[0], moves=True, count=16)
    return max((path.deepest for path in paths), default=0.0) > wand.length - 1e-6


def test_a_thin_ladder_s_length_is_that_of_the_texts():
    for first, second in ((0.3, 0.4), (0.5, 0.3), (0.1, 0.1)):
        assert ladder(first, second, 1e-9) == pytest.approx(longest_round_corner(first, second), abs=1e-7)


@pytest.mark.parametrize(("first", "second"), [(0.3, 0.4), (0.1, 0.1)], ids=["K2 a, tenths", "K2 d, tenths"])
def test_a_rod_is_planned_round_the_corner_if_it_is_a_tenth_of_a_millimetre_shorter(first, second):
    longest = ladder(first, second, 0.002)
    assert carried_in(first, second, rod(longest - TENTH, 0.002))
    assert not carried_in(first, second, rod(longest + TENTH, 0.002))


def test_a_rod_a_tenth_of_a_millimetre_too_fat_is_not_planned_round_the_corner():
    longest = ladder(0.3, 0.4, 0.002)
    assert carried_in(0.3, 0.4, rod(longest, 0.002 - TENTH))
    assert not carried_in(0.3, 0.4, rod(longest, 0.002 + TENTH))


def test_a_thin_tipped_ladder_s_length_is_that_of_the_texts():
    for first, second, height in ((0.3, 0.4, 0.8), (0.5, 0.3, 0.1)):
        longest = longest_round_corner(first, second, height)
        assert tipped(first, second, height, 1e-9) == pytest.approx(longest, abs=1e-7)


def test_a_rod_is_planned_round_the_corner_under_a_ceiling_if_it_is_a_tenth_of_a_millimetre_shorter():
    # K4 in tenths: corridors 0.3 and 0.4 m wide, 0.8 m high: 1.27016 m for a thin rod. It goes round at one
    # tilt alone, from floor to ceiling all the way.
    longest = tipped(0.3, 0.4, 0.8, 0.002)
    assert carried_in(0.3, 0.4, rod(longest - TENTH, 0.002), 0.8)
    assert not carried_in(0.3, 0.4, rod(longest + TENTH, 0.002), 0.8)


def test_the_way_round_the_corner_replayed_is_clear_by_the_library():
    space = corridors(0.3, 0.4, 0.06)
    wand = rod(ladder(0.3, 0.4, 0.002) - 0.002, 0.002)
    mouth = space.bays.openings[0]
    lines, _ = paths_through(space, wand, mouth, count=16)
    assert max((path.deepest for path in lines), default=0.0) < 0.9 * wand.length
    paths, refusals = paths_through(space, wand, mouth, moves=True, count=16, clocks=[0.3])
    assert refusals == ()
    path = max(paths, key=lambda path: path.deepest)
    assert path.limit.endswith("at its own length, tilted in the opening on the way")
    assert path.clock == 0.3
    film = replay(path, mouth, step=0.02, space=space)
    assert film.is_clear
    assert film.depths[0] == 0.0
    assert film.depths[-1] == pytest.approx(wand.length)
    assert Collider(space.mesh).first_hit(film) == ""
    # What is sprayed is the pull straight back, as far as the wall outside allows, 0.3 m before the mouth.
    assert path.shallowest == pytest.approx(wand.length - 0.3 / path.aim[0], abs=2e-3)


def test_a_wide_tip_is_put_in_straight_and_the_thin_body_then_tilted():
    # A 9 mm tip in a 10 mm hole through 6 mm tilts by 25.8 - 31 < 0 + ... degrees: hardly; the 4 mm body much
    # more (K1: acos(d / sqrt(D² + t²)) - atan(t / D) = 8.5 and 39 degrees). A shelf 40 mm off the axis hides
    # the bay beyond; a window in it at 30 degrees lets the tilted wand through.
    skin = plate(center=(0, 0, 0), normal=AXIS, holes=[(0, 0, 0.010)], thickness=0.006, part="skin")
    lean = math.radians(30)
    at = 0.25 * np.array([math.cos(lean), 0, math.sin(lean)])
    shelf = plate(center=at, normal=(0, 0, 1.0), up=AXIS, size=(0.4, 0.4), holes=[(0, 0, 0.03)], part="shelf")
    mesh = joined([skin, shelf])
    holes = [
        opening("hole", (0, 0, 0), AXIS, 0.010, (OUTSIDE, 0), thickness=0.006),
        opening("window", at, (0, 0, 1.0), 0.03, (0, 1), up=AXIS),
    ]
    sides = np.zeros(mesh.n_sides, dtype=int)
    on_shelf = np.flatnonzero(mesh.face_parts == mesh.part_names.index("shelf"))
    normals = np.cross(*(mesh.corners[on_shelf, k] - mesh.corners[on_shelf, 0] for k in (1, 2)))[:, 2] > 0
    sides[2 * on_shelf], sides[2 * on_shelf + 1] = normals, ~normals
    space = space_of(mesh, bays_of(mesh, ["near", "far"], holes, side_bay=sides))
    wand = rod(0.4, 0.004, tip_diameter=0.009, tip_length=0.015)
    straight, _ = paths_through(space, wand, holes[0])
    assert 1 not in {bay for path in straight for bay in path.bays_reached}
    assert gets_into(space, wand, holes[0], 1)
    paths, _ = paths_through(space, wand, holes[0], moves=True)
    (tilted,) = (path for path in paths if 1 in path.bays_reached)
    assert tilted.through == ("hole", "window")
    assert Collider(space.mesh).first_hit(replay(tilted, holes[0], step=0.02, space=space)) == ""
    # Without the wide tip one line would do.
    thin, _ = paths_through(space, rod(0.4, 0.004), holes[0])
    assert 1 in {bay for path in thin for bay in path.bays_reached}
