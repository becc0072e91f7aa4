"""Published and exact values beside what this package gives for them.

Each `Check` is one row of the accuracy table and one test. Letters and numbers of the keys group them:
A view factors, B and D film over plates, C solid angles, E droplets, F fog in one bay, G exchange, H
drained film, I creep, J areas, K wands, N units, O amounts. "From memory" beside a source: seen in no
text, but the number recomputed. `python tests/published.py` prints the table.
"""

import functools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from oracles import enclosed_volume, tube
from view_factors import RAYS, rectangle, ring, seen_from_patch, seen_from_point, sphere, view_factor, wall

from bayreach import measure
from bayreach.deposit.creep import greatest_rise, slot_depth
from bayreach.deposit.direct import pull_film
from bayreach.deposit.run_off import retained_film
from bayreach.deposit.settled import Airways, decay
from bayreach.droplets import (
    Air,
    deposition_speed,
    fall_speed,
    relaxation_time,
    slip_factor,
    stokes_speed,
    stopping_distance,
    wall_integral,
    wall_speed,
)
from bayreach.insertion import max_tilt
from bayreach.liquids import Liquid
from bayreach.mesh import Mesh, mesh_of
from bayreach.poses import Stations, stations_of, straight_path
from bayreach.rays import Scene
from bayreach.sampling import zone_directions
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip
from bayreach.units import si


@dataclass(frozen=True, kw_only=True)
class Check:
    """One value: what it is, where it comes from, what it should be, what the package gives, and how near."""

    key: str
    what: str
    source: str
    expected: float | tuple[float, ...]
    ours: Callable[[], object]
    within: float
    relative: bool = True

    @property
    def label(self) -> str:
        return f"{self.key} | {self.what} | {self.source}"


OIL = Liquid(
    density=870.0,
    viscosity=0.05,
    surface_tension=0.03,
    volume_solids=0.5,
    contact_angle=math.radians(20.0),
)
WATER = Liquid(density=998.2, viscosity=1.002e-3, surface_tension=0.0728, volume_solids=1.0)
SMOOTH = Air(mean_free_path=1e-16)
STILL = Air(density=1.81e-5 / 1.5e-5)
"""Air whose kinematic viscosity is 1.5e-5 m²/s."""
ISOTROPIC = Tip(pattern="radial", spread=math.pi)
COSINE = Tip(pattern="forward", spread=math.pi, profile="cosine")


def ray_error(share: float) -> float:
    """Return four standard errors of a share counted on `RAYS` rays."""
    return 4 * math.sqrt(share * (1 - share) / RAYS)


def by_rays(key: str, what: str, source: str, expected: float, *shapes: Mesh) -> Check:
    emitter, receiver = shapes
    return Check(
        key=key,
        what=what,
        source=source,
        expected=expected,
        ours=lambda: view_factor(emitter, receiver),
        within=ray_error(expected),
        relative=False,
    )


def view_factors() -> Iterator[Check]:
    x, y, z = np.eye(3)
    floor, lid = rectangle([0, 0, 0], x, y), rectangle([0, 0, 1], y, x)
    c11 = "Howell C-11; Siegel & Howell 4th ed. p. 843"
    yield by_rays("A1", "parallel squares one apart", c11, 0.1998249, floor, lid)
    long, over = rectangle([0, 0, 0], x, 1.5 * y), rectangle([0, 0, 0.5], 1.5 * y, x)
    yield by_rays("A1", "parallel 1 x 1.5 rectangles 0.5 apart", c11, 0.4755764, long, over)
    wide, above = rectangle([0, 0, 0], x, 2 * y), rectangle([0, 0, 1], 2 * y, x)
    yield by_rays("A1", "parallel 1 x 2 rectangles one apart", c11, 0.2858754, wide, above)
    c14 = "Howell C-14; Siegel & Howell 4th ed. p. 844"
    yield by_rays("A2", "squares with one edge in common", c14, 0.2000438, floor, rectangle([0, 0, 0], y, z))
    narrow = rectangle([0, 0, 0], x, 0.5 * y)
    yield by_rays(
        "A2", "w = h = 1, common edge 0.5", c14, 0.1492998, narrow, rectangle([0, 0, 0], 0.5 * y, z)
    )
    box = "Howell C-11, C-14; box 3 x 1 x 0.4 m"
    bottom = rectangle([0, 0, 0], 3 * x, y)
    yield by_rays("A3", "floor to ceiling", box, 0.6102441, bottom, rectangle([0, 0, 0.4], y, 3 * x))
    yield by_rays("A3", "floor to a long wall", box, 0.1492904, bottom, rectangle([0, 0, 0], 3 * x, 0.4 * z))
    yield by_rays("A3", "floor to a short wall", box, 0.0455876, bottom, rectangle([0, 0, 0], y, 0.4 * z))
    c41 = "Howell C-41; Siegel & Howell 4th ed. p. 845"
    yield by_rays(
        "A4", "coaxial disks 0.1, 0.2, 0.5 apart", c41, 0.1339313, ring(0, 0.1, 0), ring(0, 0.2, 0.5)
    )
    yield by_rays("A4", "equal disks, apart by their radius", c41, 0.3819660, ring(0, 1, 0), ring(0, 1, 1))
    yield by_rays("A4", "equal disks, three radii apart", c41, 0.0916731, ring(0, 1, 0), ring(0, 1, 3))
    yield by_rays("A5", "tube wall to its base", "Howell B-53", 0.3903882, wall(1, 0.5), ring(0, 1, 0))
    yield by_rays("A5", "base ring to wall", "Howell C-83", 0.8805806, ring(0.1, 0.2, 0), wall(0.2, 0.5))
    chapman = "Chapman, Fundamentals of Heat Transfer, 1987, p. 734"
    strip = rectangle([0.2, 0, 0], 0.3 * x, 0.5 * y)
    upright = rectangle([0, 0, 0], 0.5 * y, 0.5 * z)
    yield by_rays("A6", "wall to a floor strip past a gap", chapman, 0.0723479, upright, strip)
    raised = rectangle([0, 0, 0.1], 0.5 * y, 0.5 * z)
    yield by_rays("A6", "raised wall to a floor strip", chapman, 0.0718177, raised, strip)
    yield Check(
        key="A7",
        what="isotropic point to a disk",
        source="Rohsenow, Handbook of Heat Transfer 3rd ed. p. 7.84",
        expected=0.2763932,
        ours=lambda: seen_from_point([0, 0, 0.5], ring(0, 1, 0)),
        within=ray_error(0.2763932),
        relative=False,
    )
    yield Check(
        key="A8",
        what="isotropic point opposite a rectangle's corner",
        source="Howell B-106",
        expected=0.0836041,
        ours=lambda: seen_from_point([0, 0, 0.5], rectangle([0, 0, 0], x, 2 * y)),
        within=ray_error(0.0836041),
        relative=False,
    )
    for tilt, share in ((0.0, 0.5), (30.0, 0.4330127)):
        yield Check(
            key="A9",
            what=f"patch tilted by {tilt:g} degrees to a coaxial disk as wide as it is far",
            source="Martinez, Radiative View Factors",
            expected=share,
            ours=lambda tilt=tilt: seen_from_patch(
                [0, 0, 1], [math.sin(math.radians(tilt)), 0, -math.cos(math.radians(tilt))], ring(0, 1, 0)
            ),
            within=2e-3,
        )
    for away, turn, share in ((2.0, 0.0, 0.25), (4.0, 60.0, 0.03125)):
        yield Check(
            key="A10",
            what=f"patch to a sphere {away:g} radii off, {turn:g} degrees aside",
            source="Martinez, patch to a sphere (from memory)",
            expected=share,
            ours=lambda away=away, turn=turn: seen_from_patch(
                [0, 0, away],
                [math.sin(math.radians(turn)), 0, -math.cos(math.radians(turn))],
                sphere(1, [0, 0, 0]),
            ),
            within=5e-3,
        )
    yield by_rays(
        "A11",
        "disk to a coaxial sphere of its radius",
        "Howell B-91; Feingold & Gupta 1970",
        0.5857864,
        ring(0, 1, 0),
        sphere(1, [0, 0, 1 + 1e-6]),
    )
    low, high = math.sqrt(0.25 - 0.0625), math.sqrt(0.25 - 0.0225)
    yield by_rays(
        "A12",
        "two disks inscribed in one sphere",
        "Feingold, J. Heat Transfer 100(4), 1978, 742-744",
        0.8666667,
        ring(0, low, 0),
        ring(0, high, 0.1),
    )


def dwell(point: object, axis: object = (0, 0, -1), clock: object = (1, 0, 0)) -> Stations:
    return Stations(points=[point], axes=[axis], clocks=[clock], depths=[0.0], lengths=[0.0])


FAR_OFF = Scene(rectangle([90, 90, 90], [1, 0, 0], [0, 1, 0]))


def film_on_plate(offsets: list[float], stations: Stations, tip: Tip, scene: Scene = FAR_OFF) -> np.ndarray:
    """Return the film per volume in 1/m² at points of the plane z = 0, at x = 0 and y = `offsets`."""
    n = len(offsets)
    targets = Targets(
        points=np.stack([np.zeros(n), offsets, np.zeros(n)], axis=1),
        normals=np.tile([0, 0, 1], (n, 1)),
        side=2 * np.arange(n),
        weight=np.ones(n),
        areas=np.ones(n),
    )
    return pull_film(scene, targets, stations, tip).dense(2 * n)[::2]


def long_pull(tip_axis: object, reach: float = 40.0, height: float = 0.1) -> Stations:
    """Return stations along x at `height`, close together near x = 0 and far apart where they give little."""
    steps = np.sinh(np.linspace(-math.asinh(reach / height), math.asinh(reach / height), 4001)) * height
    middles, lengths = 0.5 * (steps[1:] + steps[:-1]), np.diff(steps)
    n = len(middles)
    return Stations(
        points=np.stack([middles, np.zeros(n), np.full(n, height)], axis=1),
        axes=np.tile(tip_axis, (n, 1)),
        clocks=np.tile([0.0, 1.0, 0.0], (n, 1)),
        depths=-middles,
        lengths=lengths,
    )


def moving(offsets: list[float], tip: Tip, axis: object, reach: float = 40.0) -> np.ndarray:
    """Return the film in um on a plate 0.1 m below a source of 5 mL/s that goes by at 50 mm/s."""
    stations = long_pull(axis, reach)
    return film_on_plate(offsets, stations, tip) * 1e6 * (5e-6 / 0.05) * stations.lengths.sum()


def on_a_sphere() -> np.ndarray:
    """Return the least and greatest film in um of 1 mL from a cosine source on the wall of a 0.1 m sphere."""
    outward = zone_directions(200, -1.0, 1.0)
    place = np.array([0.36, 0.48, 0.8])
    points = Targets(
        points=0.1 * outward,
        normals=-outward,
        side=2 * np.arange(200),
        weight=np.ones(200),
        areas=np.ones(200),
    )
    source = dwell(0.1 * place, axis=-place, clock=np.cross(place, [0.0, 1.0, 0.0]))
    film = pull_film(FAR_OFF, points, source, COSINE).dense(400)[::2]
    return np.array([film.min(), film.max()])


def in_a_tube() -> float:
    """Return the mean film in um of 5 mL/s at 50 mm/s in the middle of a tube of 0.1 m, by a ring spray."""
    inside = tube(0.1, 1.2, around=96, pieces=24)
    middle = np.flatnonzero(np.abs(inside.corners.mean(axis=1)[:, 0] - 0.6) < 0.1)
    path = straight_path(
        entry=[0, 0, 0], aim=[1, 0, 0], deepest=1.0, shallowest=0.2, clock=0.0, down=[0, 0, -1]
    )
    tip = Tip(pattern="radial", spread=math.radians(20))
    column = pull_film(Scene(inside), targets_of(inside, 2 * middle + 1), stations_of(path, 0.005), tip)
    return float(column.direct.mean()) * 1e6 * 5e-6 * 0.8 / 0.05


def plates() -> Iterator[Check]:
    steck = "Holland & Steckelmacher, Vacuum 2(4), 1952, 346-364 (from memory)"
    yield Check(
        key="B1",
        what="isotropic point, film at l/h = 0, 0.5, 1, 2 (um of 1 mL at 0.1 m)",
        source=steck,
        expected=(7.957747, 7.957747 * 0.7155418, 7.957747 * 0.3535534, 7.957747 * 0.0894427),
        ours=lambda: film_on_plate([0, 0.05, 0.1, 0.2], dwell([0, 0, 0.1]), ISOTROPIC),
        within=1e-6,
    )
    yield Check(
        key="B2",
        what="cosine source, film at l/h = 0, 0.5, 1, 2 (um of 1 mL at 0.1 m)",
        source=steck,
        expected=(31.830989, 31.830989 * 0.64, 31.830989 * 0.25, 31.830989 * 0.04),
        ours=lambda: film_on_plate([0, 0.05, 0.1, 0.2], dwell([0, 0, 0.1]), COSINE),
        within=1e-6,
    )
    yield Check(
        key="B3",
        what="lobe of power 3 facing a plane, film at l/h = 0, 1 (um of 1 mL at 0.1 m)",
        source=steck,
        # (n + 1) V / (2 pi h²), and (1 + (l/h)²)^(-(n + 3) / 2) of it.
        expected=(63.661977, 63.661977 / 8),
        ours=lambda: film_on_plate(
            [0, 0.1],
            dwell([0, 0, 0.1]),
            Tip(pattern="forward", spread=math.pi, profile="cosine", power=3.0),
        ),
        within=1e-6,
    )
    yield Check(
        key="B4",
        what="cosine source on the wall of a sphere of 0.1 m, least and greatest film (um of 1 mL)",
        source="Knudsen's sphere",
        expected=(7.957747, 7.957747),
        ours=on_a_sphere,
        within=1e-6,
    )
    yield Check(
        key="D1",
        what="ring spray along a tube of 0.1 m, 5 mL/s at 50 mm/s, a prism of 96 sides (um)",
        source="mass balance, Q / (2 pi R v)",
        expected=159.154943,
        ours=in_a_tube,
        within=3e-3,
    )
    yield Check(
        key="D2",
        what="isotropic point going by, 0, 40, 100 mm beside it (um)",
        source="cosine and inverse square law integrated along a line; Lorentz shape",
        expected=(159.154943, 137.202537, 79.577472),
        ours=lambda: moving([0, 0.04, 0.1], ISOTROPIC, (1, 0, 0)),
        within=1e-3,
    )
    yield Check(
        key="D3",
        what="narrow ring spray going by, at the same places (um)",
        source="as D2, point for point",
        expected=(159.154943, 137.202537, 79.577472),
        ours=lambda: moving([0, 0.04, 0.1], Tip(pattern="radial", spread=math.radians(4)), (1, 0, 0), 0.03),
        within=1e-2,
    )
    yield Check(
        key="D4",
        what="cosine source going by, aimed at the plate, 0 and 100 mm beside it (um)",
        source="cosine and inverse square law integrated along a line",
        expected=(500.0, 176.776695),
        ours=lambda: moving([0, 0.1], COSINE, (0, 0, -1)),
        within=1e-3,
    )
    yield Check(
        key="D5",
        what="lobe of power 8 going by, aimed at the plate (um)",
        source="cosine and inverse square law integrated along a line",
        expected=(1164.104727, 36.378273),
        ours=lambda: moving(
            [0, 0.1],
            Tip(pattern="forward", spread=math.pi, profile="cosine", power=8.0),
            (0, 0, -1),
        ),
        within=1e-3,
    )


def angles() -> Iterator[Check]:
    strackee = "Van Oosterom & Strackee, IEEE Trans. Biomed. Eng. 30(2), 1983, 125-126"
    octant = np.eye(3)[None]
    yield Check(
        key="C1",
        what="octant of the sphere (sr)",
        source=strackee,
        expected=math.pi / 2,
        ours=lambda: abs(measure.solid_angles(np.zeros((1, 3)), octant)),
        within=1e-12,
    )
    # Three unit vectors an angle of 1 rad apart.
    height = math.sqrt((1 + 2 * math.cos(1.0)) / 3)
    turn = 2 * np.pi * np.arange(3) / 3
    base = math.sqrt(1 - height**2)
    corners = np.stack([base * np.cos(turn), base * np.sin(turn), np.full(3, height)], axis=1)[None]
    yield Check(
        key="C2",
        what="spherical triangle, all sides 1 rad (sr)",
        source="OEIS A243710",
        expected=0.49559489573396475,
        ours=lambda: abs(measure.solid_angles(np.zeros((1, 3)), corners)),
        within=1e-12,
    )
    yield Check(
        key="C4",
        what="face of a cube from its centre, as two triangles (sr)",
        source="symmetry, 4 pi / 6",
        expected=2.0943951023931953,
        ours=lambda: abs(
            measure.solid_angles(np.zeros((1, 3)), rectangle([-1, -1, 1], [2, 0, 0], [0, 2, 0]).corners).sum()
        ),
        within=1e-12,
    )
    yield Check(
        key="C5",
        what="turns of a closed mesh round a point inside, and outside",
        source="Gauss",
        expected=(1.0, 0.0),
        ours=lambda: measure.winding_numbers([[0.1, 0.2, 0.3], [2, 0, 0]], sphere(1, [0, 0, 0], 3).corners),
        within=1e-9,
        relative=False,
    )
    yield Check(
        key="C7",
        what="lobe of power 8 ahead (1/sr)",
        source="sibaku, sampling notes, power-cosine hemisphere",
        expected=1.4323945,
        ours=lambda: Tip(pattern="forward", spread=math.pi, profile="cosine", power=8.0).density([1, 0, 0]),
        within=1e-7,
    )
    yield Check(
        key="C8",
        what="ring spray of 20 degrees, solid angle (sr)",
        source="Archimedes, zone 4 pi sin 10",
        expected=2.1821274,
        ours=lambda: 1 / Tip(pattern="radial", spread=math.radians(20)).density([0, 1, 0]),
        within=1e-7,
    )


def um(*sizes: float) -> np.ndarray:
    return np.array(sizes) / 1e6


def droplets() -> Iterator[Check]:
    seinfeld = "Seinfeld & Pandis 2006, Eq. 9.34, Table 9.3"
    yield Check(
        key="E1",
        what="slip factor at 0.01, 0.1, 1, 10 um",
        source=seinfeld,
        expected=(22.2, 2.85, 1.164, 1.016),
        ours=lambda: slip_factor(um(0.01, 0.1, 1, 10), Air(mean_free_path=0.0651e-6)),
        within=0.005,
    )
    yield Check(
        key="E2",
        what="slip factor at 0.1, 1, 10 um by another fit",
        source="Hinds 2nd ed. ch. 3 (from memory)",
        expected=(2.9282, 1.1546, 1.0154),
        ours=lambda: slip_factor(um(0.1, 1, 10)),
        within=0.015,
    )
    yield Check(
        key="E3",
        what="fall speed of unit density at 1, 10 um (m/s)",
        source="Hinds, settling-velocity table ch. 3 (from memory)",
        expected=(3.48e-5, 3.06e-3),
        ours=lambda: fall_speed(um(1, 10), 1000.0),
        within=0.015,
    )
    yield Check(
        key="E3",
        what="fall speed of unit density at 100 um (m/s)",
        source="Hinds, settling-velocity table ch. 3 (from memory)",
        expected=0.25,
        ours=lambda: fall_speed(100e-6, 1000.0),
        within=0.04,
    )
    yield Check(
        key="E3",
        what="Stokes fall of 10 um at 1.72e-4 P (cm/h)",
        source="worked case after Seinfeld & Pandis",
        expected=1158.594,
        ours=lambda: stokes_speed(10e-6, 1000.0, Air(viscosity=1.72e-5, mean_free_path=0.0651e-6)) * 360_000,
        within=1e-3,
    )
    yield Check(
        key="E4",
        what="stopping distance by Stokes from 10 m/s at 1, 0.1, 0.01 um (mm)",
        source="Hinds Table 5.2, Eq. 5-19",
        expected=(0.036, 8.8e-4, 6.8e-5),
        ours=lambda: relaxation_time(um(1, 0.1, 0.01), 1000.0) * 10.0 * 1e3,
        within=0.02,
    )
    yield Check(
        key="E5",
        what="stopping distance from 10 m/s at 10, 100 um (mm), without slip",
        source="Mercer 1973 via Hinds ch. 5, Table 5.2",
        expected=(2.3, 127.0),
        ours=lambda: stopping_distance(10.0, um(10, 100), 1000.0, SMOOTH) * 1e3,
        within=0.01,
    )
    yield Check(
        key="E6",
        what="fall speed at 20, 50, 75, 100, 200 um of water (m/s), without slip",
        source="Schiller-Naumann drag, solved apart",
        expected=(0.011926, 0.071212, 0.150596, 0.248180, 0.707508),
        ours=lambda: fall_speed(um(20, 50, 75, 100, 200), 1000.0, SMOOTH),
        within=1e-4,
    )
    yield Check(
        key="E8",
        what="Stokes fall of 850 kg/m³ at 10, 20 um (m/s)",
        source="definition of aerodynamic diameter",
        expected=(2.5989e-3, 1.03166e-2),
        ours=lambda: stokes_speed(um(10, 20), 850.0),
        within=2e-3,
    )
    yield Check(
        key="E9",
        what="time to fall 5 ft at 1, 3, 10, 100 um (s)",
        source="Baron, NIOSH aerosol lecture (from memory)",
        expected=(12 * 3600, 1.5 * 3600, 8.2 * 60, 5.8),
        ours=lambda: 1.524 / fall_speed(um(1, 3, 10, 100), 1000.0),
        within=0.07,
    )


def lai(diameter: float) -> np.ndarray:
    """Return I and the deposition speeds on floor, wall and ceiling for u* = 0.03 m/s."""
    fall, upright = stokes_speed(diameter, 1000.0, STILL), wall_speed(diameter, 0.03, STILL)
    speeds = deposition_speed(fall, upright, np.array([1.0, 0.0, -1.0]))
    return np.array([float(wall_integral(diameter, 0.03, STILL)), *speeds])


def box_loss(size: tuple[float, float, float], fall: float, stirring: float) -> float:
    """Return the loss rate in 1/s of a box by its sides' deposition speeds; `stirring` is sqrt(k_e D)."""
    length, width, height = size
    rise = np.array([1.0, -1.0, 0.0, 0.0])
    sides = [length * width, length * width, 2 * length * height, 2 * width * height]
    speeds = deposition_speed(fall, 2 * stirring / math.pi, rise)
    return float(speeds @ sides / (length * width * height))


def sphere_loss(radius: float, fall: float, stirring: float) -> float:
    """Return the loss rate in 1/s of a spherical vessel, summed over the faces of a mesh of it."""
    mesh = sphere(radius, [0, 0, 0])
    rise = -measure.face_normals(mesh)[:, 2]
    speeds = deposition_speed(fall, 2 * stirring / math.pi, rise)
    return float(speeds @ measure.face_areas(mesh) / enclosed_volume(mesh))


def stirred(time: float) -> np.ndarray:
    """Return the share in the air after `time` of 10 um fog over a floor, 0.3 m high, by the bay model."""
    air = Airways(volumes=np.array([0.3]), flows=np.zeros((1, 1)), vents=np.zeros(1))
    return decay(air, np.array([3.0576e-3])).airborne(np.ones(1), time)


def two_boxes(k: tuple[float, float] = (1e-3, 3e-3)) -> "object":
    """Return the decay of two volumes of 0.2 and 0.05 m³ with an exchange of 2e-4 m³/s."""
    volumes = np.array([0.2, 0.05])
    air = Airways(volumes=volumes, flows=2e-4 * np.array([[0, 1.0], [1.0, 0]]), vents=np.zeros(2))
    return decay(air, np.array(k) * volumes)


def concentrations(time: float) -> np.ndarray:
    return two_boxes().airborne(np.array([0.2, 0.0]), time) / np.array([0.2, 0.05])


def fogs() -> Iterator[Check]:
    yield Check(
        key="F1",
        what="stirred settling, share in the air after 60 s",
        source="Hinds ch. 3 (from memory); mass balance",
        expected=0.5425308,
        ours=lambda: stirred(60.0),
        within=2e-5,
    )
    yield Check(
        key="F1",
        what="share in the air at 4.60517 H/V",
        source="Hinds ch. 3 (from memory); mass balance",
        expected=0.01,
        ours=lambda: stirred(4.60517 * 0.3 / 3.0576e-3),
        within=1e-5,
    )
    nazaroff = "Lai & Nazaroff, J. Aerosol Sci. 31(4), 2000, 463-476"
    for size, expected in (
        (0.1e-6, (10336.8, 3.35885e-6, 2.90226e-6, 2.48905e-6)),
        (1e-6, (87297.1, 3.51069e-5, 3.43654e-7)),
        (10e-6, (384594.0, 3.06101e-3, 7.80e-8)),
    ):
        yield Check(
            key="F2",
            what=f"I and speeds on floor, wall{', ceiling' * (size < 1e-6)} at {size * 1e6:g} um (m/s)",
            source=nazaroff,
            expected=expected,
            ours=lambda size=size: lai(size)[: 4 if size < 1e-6 else 3],
            within=1e-5 if size < 5e-6 else 1e-4,
        )
    yield Check(
        key="F3",
        what="wall integral at 10 nm, u* = 0.01 m/s",
        source=f"{nazaroff}, Table 3",
        expected=579.3,
        ours=lambda: wall_integral(10e-9, 0.01, STILL),
        within=0.04,
    )
    crump = "Crump & Seinfeld, J. Aerosol Sci. 12(5), 1981"
    yield Check(
        key="F4",
        what="loss rate of a box 1 x 0.5 x 0.5 m (1/s)",
        source=crump,
        expected=8.181044e-4,
        ours=lambda: box_loss((1, 0.5, 0.5), 2e-4, math.sqrt(1e-3 * 1e-5)),
        within=1e-6,
    )
    yield Check(
        key="F5",
        what="loss rate of a sphere of 0.5 m (1/s)",
        source="Crump, Flagan & Seinfeld, AS&T 2(3), 1982, 303-309",
        expected=8.657658e-4,
        ours=lambda: sphere_loss(0.5, 1e-4, math.sqrt(1e-2 * 5e-6)),
        within=1e-3,
    )
    yield Check(
        key="F6",
        what="one law for any tilt: the box of F4 and the sphere of F5 (1/s)",
        source=f"{crump}; Crump, Flagan & Seinfeld, AS&T 2(3), 1982, 303-309",
        expected=(8.181044e-4, 8.657658e-4),
        ours=lambda: np.array(
            [box_loss((1, 0.5, 0.5), 2e-4, math.sqrt(1e-8)), sphere_loss(0.5, 1e-4, math.sqrt(5e-8))]
        ),
        within=1e-3,
    )
    yield Check(
        key="F7",
        what="loss rate without gravity, box 1 x 0.5 x 0.3 m (1/s)",
        source=f"limit of {crump}",
        expected=1.856438e-4,
        ours=lambda: box_loss((1, 0.5, 0.3), 1e-15, math.sqrt(0.1 * 5.3e-9)),
        within=1e-6,
    )
    boxes = "two well-mixed volumes, matrix exponential"
    yield Check(
        key="G1",
        what="rates of two boxes (1/s)",
        source=boxes,
        expected=(1.29843788e-3, 7.70156212e-3),
        ours=lambda: np.sort(two_boxes().rates),
        within=1e-8,
    )
    for time, expected_pair in (
        (60.0, (0.89271965, 0.18433991)),
        (300.0, (0.61402785, 0.36117337)),
        (600.0, (0.40964176, 0.28048326)),
    ):
        yield Check(
            key="G1",
            what=f"levels of two boxes after {time:g} s",
            source=boxes,
            expected=expected_pair,
            ours=lambda time=time: concentrations(time),
            within=1e-7,
        )
    yield Check(
        key="G2",
        what="exposures of two boxes (s), and the share that ends in the first",
        source="mass balance",
        expected=(700.0, 400.0, 0.7),
        ours=lambda: (
            *(two_boxes().exposures()[:, 0] * 0.2),
            two_boxes().exposures()[0, 0] * 1e-3 * 0.2,
        ),
        within=1e-9,
    )
    yield Check(
        key="G3",
        what="two boxes with next to no loss: level at last, and rate of approach (1/s)",
        source="two-reservoir cycle theory",
        expected=(0.8, 0.005),
        ours=lambda: (
            two_boxes((1e-14, 1e-14)).airborne(np.array([0.2, 0.0]), 1e5)[0] / 0.2,
            two_boxes((1e-14, 1e-14)).rates.max(),
        ),
        within=1e-7,
    )


def films() -> Iterator[Check]:
    jeffreys = "Jeffreys, Proc. Camb. Phil. Soc. 26, 1930"
    yield Check(
        key="H1",
        what="draining plate: 0.3 m at 600 s, 3600 s; 1 m at 60 s (um)",
        source=jeffreys,
        expected=(54.12225, 22.09532, 312.47498),
        ours=lambda: (
            1e6
            * np.array(
                [
                    float(retained_film(fetch, 1.0, OIL, time))
                    for fetch, time in ((0.3, 600), (0.3, 3600), (1.0, 60))
                ]
            )
        ),
        within=5e-7,
    )
    yield Check(
        key="H2",
        what="draining plate: mean over 0.3 m at 600 s (um)",
        source=f"{jeffreys}; Benilov & Zubkov, JFM 617, 2008, 283-299",
        expected=36.08150,
        ours=lambda: 1e6 * retained_film(0.3 * (np.arange(4000) + 0.5) / 4000, 1.0, OIL, 600.0).mean(),
        within=1e-5,
    )
    yield Check(
        key="H3",
        what="draining plate: flux at the foot of 0.3 m at 600 s (m²/s)",
        source=f"mass balance of {jeffreys}",
        expected=9.020376e-9,
        ours=lambda: (
            OIL.density * 9.81 * float(retained_film(0.3, 1.0, OIL, 600.0)) ** 3 / (3 * OIL.viscosity)
        ),
        within=1e-6,
    )
    yield Check(
        key="H5",
        what="panel at 30 degrees, 0.3 m at 600 s (um)",
        source=f"{jeffreys}, resolved gravity",
        expected=76.54043,
        ours=lambda: retained_film(0.3, 0.5, OIL, 600.0) * 1e6,
        within=1e-7,
    )
    yield Check(
        key="H8",
        what="oil on a plate drawn out at 10 mm/s: drained for the time its fetch took (um)",
        source="Derjaguin 1943, sqrt(mu U / rho g)",
        expected=242.0421,
        ours=lambda: retained_film(0.01 * 60.0, 1.0, OIL, 60.0) * 1e6,
        within=5e-7,
    )
    yield Check(
        key="I2",
        what="creep into a slot of 50 um after 60 s, 3600 s (mm)",
        source="Washburn 1921, Lucas 1918, for a slot",
        expected=(23.74480, 183.92644),
        ours=lambda: np.array([float(slot_depth(50e-6, t, OIL)) for t in (60, 3600)]) * 1e3,
        within=1e-6,
    )
    yield Check(
        key="I3",
        what="rise between plates 0.1 mm apart, water; 50 um, oil (mm)",
        source="Jurin, for plates",
        expected=(148.68762, 132.12311),
        ours=lambda: (
            1e3 * float(greatest_rise(0.1e-3, WATER)),
            1e3 * float(greatest_rise(50e-6, OIL)),
        ),
        within=1e-3,
    )
    tube_oil = Liquid(
        density=917.0,
        viscosity=0.05,
        surface_tension=0.032,
        volume_solids=1.0,
        contact_angle=math.radians(60),
    )
    yield Check(
        key="I4",
        what="rise in a tube of 1.5 mm: a gap as wide as its radius (mm)",
        source="Jurin; kbruning, openfoam-captube",
        expected=4.74,
        ours=lambda: greatest_rise(0.75e-3, tube_oil) * 1e3,
        within=1e-3,
    )


def amounts() -> Iterator[Check]:
    yield Check(
        key="J1",
        what="area of an ellipsoid 1.1, 1.2, 4.7 from 20,480 faces",
        source="Dieckmann, Bonn 2003 (elliptic integrals)",
        expected=54.6901240998,
        ours=lambda: measure.face_areas(
            mesh_of(sphere(1, [0, 0, 0], 5).points * [1.1, 1.2, 4.7], sphere(1, [0, 0, 0], 5).faces)
        ).sum(),
        within=1e-3,
    )
    yield Check(
        key="J3",
        what="torus R = 3, r = 1 of 80,000 faces: area, volume",
        source="Spiegel, Mathematical Handbook",
        expected=(118.4352528, 59.2176264),
        ours=torus,
        within=5e-4,
    )
    yield Check(
        key="J6",
        what="prism of 96 sides, r = 0.1, h = 1: area with ends, volume",
        source="(n / pi) sin(pi / n), (n / 2 pi) sin(2 pi / n)",
        expected=(0.6909933942, 0.0313935020),
        ours=prism,
        within=1e-9,
    )
    yield Check(
        key="K1",
        what="greatest tilt of a rod 8 in a hole 10 through 2; 9.525 in 12.7 through 1.6 (deg)",
        source="tube through a board, mathcentral.uregina.ca",
        expected=(27.01889, 34.73607),
        ours=lambda: np.degrees(
            [float(max_tilt(0.010, 0.008, 0.002)), float(max_tilt(0.0127, 0.009525, 0.0016))]
        ),
        within=1e-6,
    )
    yield Check(
        key="N4",
        what="1 psi (Pa), 1 gallon, 1 quart, 1 fluid ounce (L), 1 mil (um)",
        source="definitions",
        expected=(6894.757293168, 3.785411784, 0.946352946, 0.0295735295625, 25.4),
        ours=lambda: (
            si("1 psi", "pressure"),
            si("1 gal", "volume") * 1e3,
            si("1 qt", "volume") * 1e3,
            si("1 floz", "volume") * 1e3,
            si("1 mil", "length") * 1e6,
        ),
        within=1e-12,
    )
    yield Check(
        key="O1",
        what="10 um over 1 m² (mL)",
        source="exact",
        expected=10.0,
        ours=lambda: 10e-6 * measure.face_areas(rectangle([0, 0, 0], [1, 0, 0], [0, 1, 0])).sum() * 1e6,
        within=1e-12,
    )
    yield Check(
        key="O2",
        what="spread of 1 US gallon at 1 mil (ft²)",
        source="231 / 0.001 / 144",
        expected=1604.1666667,
        ours=lambda: si("1 gal", "volume") / si("1 mil", "length") / 0.3048**2,
        within=1e-9,
    )
    yield Check(
        key="O4",
        what="wet film for 25 um dry at 40 % solids (um)",
        source="exact",
        expected=62.5,
        ours=lambda: (
            Liquid(density=870, viscosity=0.01, surface_tension=0.03, volume_solids=0.4).wet_film(25e-6) * 1e6
        ),
        within=1e-12,
    )


def torus() -> tuple[float, float]:
    n = 200
    u, v = (grid.ravel() for grid in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
    a, b = 2 * np.pi * u / n, 2 * np.pi * v / n
    points = np.stack([(3 + np.cos(b)) * np.cos(a), (3 + np.cos(b)) * np.sin(a), np.sin(b)], axis=1)
    here, right = u * n + v, (u + 1) % n * n + v
    up, across = u * n + (v + 1) % n, (u + 1) % n * n + (v + 1) % n
    mesh = mesh_of(points, np.concatenate([np.c_[here, right, across], np.c_[here, across, up]]))
    return float(measure.face_areas(mesh).sum()), enclosed_volume(mesh)


def prism() -> tuple[float, float]:
    n = 96
    turn = 2 * np.pi * np.arange(n) / n
    circle = 0.1 * np.stack([np.cos(turn), np.sin(turn), np.zeros(n)], axis=1)
    k, ahead = np.arange(n), (np.arange(n) + 1) % n
    sides = np.concatenate([np.c_[k, ahead, ahead + n], np.c_[k, ahead + n, k + n]])
    ends = np.concatenate(
        [np.c_[np.full(n, 2 * n), ahead, k], np.c_[np.full(n, 2 * n + 1), k + n, ahead + n]]
    )
    points = np.concatenate([circle, circle + np.array([0, 0, 1]), [[0, 0, 0], [0, 0, 1]]])
    whole = mesh_of(points, np.concatenate([sides, ends]))
    return float(measure.face_areas(whole).sum()), enclosed_volume(whole)


CHECKS = tuple(
    check for family in (view_factors, plates, angles, droplets, fogs, films, amounts) for check in family()
)


@functools.cache
def found(check: Check) -> np.ndarray:
    """Return what the package gives for `check`, reckoned once."""
    return np.atleast_1d(np.asarray(check.ours(), dtype=float)).ravel()


TITLE = """# Published and exact values beside those of this package

Made by `python tests/published.py`; every row is a test. View factors (A) are counted on 100,000 rays each.

"""


def rows() -> list[dict[str, str]]:
    """Return the accuracy table, a row a check: key, value, published, here, off_by, source."""
    made = []
    for check in CHECKS:
        expected = np.atleast_1d(np.asarray(check.expected, dtype=float))
        ours = found(check)
        off = np.abs(ours - expected)
        share = np.divide(off, np.abs(expected), out=np.zeros_like(off), where=expected != 0)
        told = (", ".join(f"{value:.6g}" for value in values) for values in (expected, ours))
        published, here = told
        made.append(
            {
                "key": check.key,
                "value": check.what,
                "published": published,
                "here": here,
                "off_by": f"{100 * share.max():.2g} %",
                "source": check.source,
            }
        )
    return made


def table() -> str:
    """Return the accuracy table as Markdown."""
    head = ["| | value | published | here | off by | source |", "| --- | --- | --- | --- | --- | --- |"]
    return TITLE + "\n".join(head + [f"| {' | '.join(row.values())} |" for row in rows()]) + "\n"


if __name__ == "__main__":
    import sys

    sys.stdout.write(table())
