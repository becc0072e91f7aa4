"""What a job file says, as frozen objects in SI units: nothing here knows TOML."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Literal

import numpy as np

from bayreach.arrays import FloatArray, frozen_floats
from bayreach.errors import JobError
from bayreach.holes import Fasteners
from bayreach.liquids import Liquid
from bayreach.wands import Wand

MECHANISMS = ("direct", "settled", "creep", "run_off")
"""The layers of film that a job can ask for, in the order they are laid."""


@dataclass(frozen=True, kw_only=True)
class Target:
    """The film asked for: least and greatest thickness in m, wet or dry, and the share of area."""

    film_min: float
    film_max: float
    film_is: Literal["dry", "wet"] = "dry"
    coverage: float = 0.95


@dataclass(frozen=True, kw_only=True, eq=False)
class GivenOpening:
    """An opening the job names: `center` (3,) m, `diameter` m or None (as found), `normal` (3,) or None."""

    name: str
    center: FloatArray
    diameter: float | None = None
    normal: FloatArray | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class WrittenPass:
    """A pass as the job writes it.

    Parameters
    ----------
    aim : (3,) float
        Unit vector along the wand as it is pushed in.
    deepest, shallowest : float
        Insertion depths in m where the pull begins and ends ("from" and "to"); equal for a dwell.
    clock : float
        In rad, clockwise as the hand behind the wand sees it.
    pull_speed : float or None
        In m/s; None takes the wand's.
    dwell : float or None
        Seconds the trigger is held where `deepest` equals `shallowest`.
    entry : (3,) float or None
        Where the wand's axis passes the opening, in m; None takes where it fits.
    """

    wand: str
    opening: str
    aim: FloatArray
    deepest: float
    shallowest: float
    clock: float = 0.0
    count: int = 1
    pull_speed: float | None = None
    dwell: float | None = None
    entry: FloatArray | None = None


@dataclass(frozen=True, kw_only=True)
class FilmSettings:
    """How the film is worked out: SI units throughout.

    Parameters
    ----------
    mechanisms : tuple of str
        Layers of film that are laid, of `MECHANISMS`.
    error : float
        Relative error of the direct film.
    edge : float or None
        Longest edge in m of the mesh the film is worked out on; None: chosen from the mesh.
    fog, fog_classes, friction_speed, exchange_speed, settle_time
        Settled film: whether bays are all well mixed, number of drop classes, friction speed of the stirred
        air and speed of the air through openings (m/s), and how long fog is waited for (s).
    throw_law : {"tip", "jet"}
        Direct film: how far drops fly, by each tip's throw, or by drop size, jet speed and entrainment.
    jet_speed, entrainment : float
        Direct film: speed of drops at the tip (m/s), length over which the jet carries air along (m).
    drain_time : float
        Run-off: how long the film runs down, in s.
    laps, lap_reach
        Creep: pairs of parts that lap without sharing edges, and how near (m) they must lie.
    seam_gap, seam_lap, seam_time : float
        Creep: gap and depth of seams in m, and how long they drink in s.
    blocked : tuple of str
        Names of openings that liquid cannot run out of.
    """

    mechanisms: tuple[str, ...] = ("direct", "settled")
    error: float = 0.02
    edge: float | None = None
    seed: int = 0
    fog: Literal["auto", "mixed"] = "auto"
    fog_classes: int = 12
    friction_speed: float = 0.03
    exchange_speed: float = 0.01
    settle_time: float = math.inf
    throw_law: str = "tip"
    jet_speed: float = 20.0
    entrainment: float = 0.0
    drain_time: float = 3600.0
    laps: tuple[tuple[str, str], ...] = ()
    lap_reach: float = 1e-3
    seam_gap: float = 50e-6
    seam_lap: float = 20e-3
    seam_time: float = 3600.0
    blocked: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class KeepOut:
    """A box ((2, 3) m) or a part that must not be drilled, not be wet, or neither."""

    name: str
    no: Literal["drill", "spray", "both"]
    box: FloatArray | None = None
    part: str | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Hinge:
    """A line through `point` (3,) m along the unit vector `axis` (3,), about which moments are told."""

    name: str
    point: FloatArray
    axis: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Obstacle:
    """Something outside the mesh that a wand must pass by: a box ((2, 3) m)."""

    name: str
    box: FloatArray


@dataclass(frozen=True, kw_only=True)
class Surface:
    """A part that differs: its weight in the plan (0: no film asked), and the film (m, wet) it soaks up."""

    part: str
    priority: float = 1.0
    uptake: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Supply:
    """What the liquid comes from: tank volume in m³ and pressure in Pa, where known."""

    tank: float | None = None
    pressure: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Drilling:
    """Whether and where a hole may be proposed.

    `part`, `box` ((2, 3) m) or `plane` (point, normal, within m) bound it; with none of the three, any skin
    that can be reached from outside. `fasteners` are what a hole keeps its pitch from, `sites` the most
    places looked at for one size of hole.
    """

    allowed: bool = False
    part: str | None = None
    box: FloatArray | None = None
    plane: tuple[FloatArray, FloatArray, float] | None = None
    skin: float = 0.0
    most: int | None = None
    drills: Literal["metric", "inch"] = "metric"
    sites: int = 60
    fasteners: Fasteners | None = None


@dataclass(frozen=True, kw_only=True)
class Tolerances:
    """Standard deviations of what a hand, a pump and a workshop vary.

    The defaults are common practice, no source: a hand holds a long rod to a degree or two, reads a mark on
    the wand to 5 mm, and keeps a pull speed to about one part in seven.

    Parameters
    ----------
    aim : float
        Of the wand's direction in rad, about each of two axes through the opening.
    place : float
        Of the wand's line in m, along each of two axes across it: tolerances of hole and wand.
    depth : float
        Of the insertion depth in m.
    clock : float
        Of the clock angle in rad.
    pull_speed, flow, spread, throw, droplet : float
        Relative: standard deviation of the natural logarithm.
    """

    aim: float = math.radians(1.5)
    place: float = 1e-3
    depth: float = 5e-3
    clock: float = math.radians(10.0)
    pull_speed: float = 0.15
    flow: float = 0.05
    spread: float = 0.05
    throw: float = 0.2
    droplet: float = 0.15

    def __post_init__(self) -> None:
        for name, value in self.deviations.items():
            if not (math.isfinite(value) and value >= 0.0):
                message = f"doubt, {name}: {value:g} found; a standard deviation is 0 or more."
                raise JobError(message)

    @property
    def deviations(self) -> dict[str, float]:
        """The standard deviations by name."""
        return {one.name: getattr(self, one.name) for one in fields(Tolerances)}

    def only(self, *names: str) -> "Tolerances":
        """Return tolerances in which all but the named factors are exact."""
        return Tolerances(**{name: value * (name in names) for name, value in self.deviations.items()})


@dataclass(frozen=True, kw_only=True)
class DoubtSettings(Tolerances):
    """What varies, the most samples drawn, the error to stop at, and the seed."""

    samples: int = 2048
    error: float = 0.01
    seed: int = 0


@dataclass(frozen=True, kw_only=True)
class Work:
    """What hands and the shop allow a plan: wands on hand (none named: all), openings shut, most passes."""

    wands: tuple[str, ...] = ()
    not_through: tuple[str, ...] = ()
    passes_per_opening: int | None = None
    passes: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Job:
    """One job file, checked: lengths in m, `down` (3,) a unit vector, `sha256` of the file's bytes."""

    path: Path
    sha256: str
    title: str
    mesh_path: Path
    units: str
    target: Target
    liquid: Liquid
    down: FloatArray = field(default_factory=lambda: frozen_floats([0, 0, -1], shape=(3,), name="down"))
    wands: tuple[Wand, ...] = ()
    openings: tuple[GivenOpening, ...] = ()
    passes: tuple[WrittenPass, ...] = ()
    film: FilmSettings = field(default_factory=FilmSettings)
    keep_outs: tuple[KeepOut, ...] = ()
    hinges: tuple[Hinge, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    surfaces: tuple[Surface, ...] = ()
    supply: Supply = field(default_factory=Supply)
    drilling: Drilling = field(default_factory=Drilling)
    work: Work = field(default_factory=Work)
    doubt: DoubtSettings = field(default_factory=DoubtSettings)
    vary: Mapping[str, tuple[object, ...]] = field(default_factory=dict)
    assumed: tuple[str, ...] = ()
    encloses: Literal["air", "material"] | None = None

    @property
    def folder(self) -> Path:
        """The folder the job file lies in."""
        return self.path.parent

    def wand_named(self, name: str) -> Wand:
        """Return the wand called `name`."""
        return next(wand for wand in self.wands if wand.name == name)

    def is_inside(self, keep_out: KeepOut, points: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Return (n,) bool: whether `points` (n, 3) m lie in the keep-out's box; False for a part."""
        if keep_out.box is None:
            return np.zeros(len(points), dtype=np.bool_)
        within = (points >= keep_out.box[0]) & (points <= keep_out.box[1])
        return np.asarray(within.all(axis=1))
