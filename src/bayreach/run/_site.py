"""A job's structure made ready once: mesh, air, rays, and what is asked of every side."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray
from bayreach.bays import Bays, Given, check_by_voxels, find_bays, place_in_name
from bayreach.deposit.direct import Air, air_of
from bayreach.deposit.laid import Ground, ground_of
from bayreach.errors import JobError, MeshError, nearest_hint
from bayreach.insertion import Space, obstacle_boxes, space_of
from bayreach.job import Job
from bayreach.measure import face_areas
from bayreach.mesh import Mesh
from bayreach.meshfile import MeshRead, read_mesh
from bayreach.rays import Scene
from bayreach.repair import subdivided
from bayreach.sight import Targets, targets_of

WORKING_FACES = 30_000
"""About how many faces the working mesh has where the job states no edge length."""
MOST_FACES = 5_000_000
"""Most faces of a working mesh: more would fill the memory of a large machine before any film is laid."""
CHECK_CENTRES = 40_000
"""Centres of the grid that checks the exact bays: a fraction of a second, and a leak shows on any."""
FACE_SHARE = 0.16
"""Mean area of a bisected face over the square of the longest edge allowed, as measured on the demo."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Site:
    """A structure ready to be worked in. Arrays of (2n,) hold one value a side of `mesh`.

    Parameters
    ----------
    job : Job
        What is asked.
    read : MeshRead
        The mesh as read, with its findings.
    bays : Bays
        Bays of the working mesh, which is `bays.mesh`.
    edge : float
        Longest edge of the working mesh in m.
    """

    job: Job
    read: MeshRead
    bays: Bays
    edge: float

    @property
    def mesh(self) -> Mesh:
        """The working mesh: subdivided, with given openings cut."""
        return self.bays.mesh

    @cached_property
    def scene(self) -> Scene:
        """The working mesh as rays meet it."""
        return Scene(self.mesh)

    @cached_property
    def air(self) -> Air:
        """The bays as rays meet them."""
        return air_of(self.mesh, self.bays)

    @cached_property
    def targets(self) -> Targets:
        """Sample points of every side that looks into a bay."""
        return targets_of(self.mesh, np.flatnonzero(self.inside))

    @cached_property
    def ground(self) -> Ground:
        """The structure as film, fog and run-off meet it."""
        return ground_of(self.bays, self.job.down, run_off="run_off" in self.job.film.mechanisms)

    @cached_property
    def blocked(self) -> BoolArray:
        """(o,) bool: openings that liquid cannot run out of."""
        names = [opening.name for opening in self.bays.openings]
        for name in self.job.film.blocked:
            if name not in names:
                hint = nearest_hint(name, names)
                message = f'{self.job.path.name}, film.blocked: no opening is called "{name}".{hint}'
                raise JobError(message)
        return np.array([name in self.job.film.blocked for name in names], dtype=np.bool_)

    @cached_property
    def space(self) -> Space:
        """The structure, and the obstacles the job declares, as a wand meets them."""
        boxes = {obstacle.name: obstacle.box for obstacle in self.job.obstacles}
        return space_of(self.mesh, self.bays, obstacle_boxes(boxes) if boxes else None)

    @cached_property
    def side_areas(self) -> FloatArray:
        """(2n,) float in m²."""
        return np.repeat(face_areas(self.mesh), 2)

    @cached_property
    def side_centers(self) -> FloatArray:
        """(2n, 3) float in m."""
        return np.repeat(self.mesh.corners.mean(axis=1), 2, axis=0)

    @cached_property
    def inside(self) -> BoolArray:
        """(2n,) bool: sides that look into a bay."""
        return np.asarray(self.bays.side_bay != OUTSIDE)

    @cached_property
    def keep_out(self) -> BoolArray:
        """(2n,) bool: sides that must not be wet."""
        masked = np.zeros(self.mesh.n_sides, dtype=np.bool_)
        for entry in self.job.keep_outs:
            if entry.no in ("spray", "both"):
                masked |= self._sides_in(entry.box, entry.part)
        return masked

    @cached_property
    def priority(self) -> FloatArray:
        """(2n,) float: weight of each side in the plan; zero where no film is asked for."""
        weight = np.ones(self.mesh.n_sides)
        for surface in self.job.surfaces:
            weight[self._sides_in(None, surface.part)] = surface.priority
        weight[self.keep_out | ~self.inside] = 0.0
        return weight

    @cached_property
    def uptake(self) -> FloatArray:
        """(2n,) float: wet film in m soaked up before any stays."""
        soaked = np.zeros(self.mesh.n_sides)
        for surface in self.job.surfaces:
            soaked[self._sides_in(None, surface.part)] = surface.uptake
        return soaked

    @cached_property
    def needed(self) -> FloatArray:
        """(2n,) float: wet film in m that must come so that the least film stays after uptake and run-off.

        Infinite where run-off leaves less than is asked, however much comes.
        """
        least = np.full(self.mesh.n_sides, self.job.target.film_min / self.wet_share)
        if self.ground.slopes is not None:
            every = np.arange(self.mesh.n_sides)
            least = self.ground.slopes.needed(least, every, self.job.liquid, self.job.film.drain_time)
        return least + self.uptake

    @cached_property
    def required(self) -> BoolArray:
        """(2n,) bool: sides that must get their least film."""
        return np.asarray(self.priority > 0.0)

    @property
    def wet_share(self) -> float:
        """Film in the target's terms (wet or dry) over wet film."""
        return self.job.liquid.volume_solids if self.job.target.film_is == "dry" else 1.0

    def sides_in(self, index: int) -> BoolArray:
        """Return (2n,) bool: sides in keep-out `index` of the job."""
        entry = self.job.keep_outs[index]
        return self._sides_in(entry.box, entry.part)

    def _sides_in(self, box: FloatArray | None, part: str | None) -> BoolArray:
        if box is not None:
            within = (self.side_centers >= box[0]) & (self.side_centers <= box[1])
            return np.asarray(within.all(axis=1))
        return np.repeat(self.mesh.face_parts == self.part_index(part or ""), 2)

    def part_index(self, part: str) -> int:
        """Return the place of the part of that name.

        Raises
        ------
        JobError
            When the mesh has no such part.
        """
        names = self.mesh.part_names
        if part not in names:
            message = (
                f'{self.job.path.name}: part "{part}" is not in {self.job.mesh_path.name}, which has '
                f"{', '.join(names[:12])}{'...' if len(names) > 12 else ''}.{nearest_hint(part, names)}"
            )
            raise JobError(message)
        return names.index(part)


def site_of(job: Job, *, read: MeshRead | None = None, proposed: tuple[Given, ...] = ()) -> Site:
    """Return the site of a job, with the openings it gives, and `proposed` holes cut as well.

    Raises
    ------
    MeshError
        When the mesh cannot be read or an opening lies on no sheet.
    JobError
        When the structure has no bay, or a part that the job names is missing.
    """
    read = read_mesh(job.mesh_path, job.units) if read is None else read
    edge = job.film.edge or _working_edge(read.mesh)
    given = tuple(
        Given(name=entry.name, center=entry.center, diameter=entry.diameter, normal=entry.normal)
        for entry in job.openings
    )
    known = (*given, *_called_by_place(job), *proposed)
    try:
        coarse = find_bays(read.mesh, given=known, encloses=job.encloses)
    except MeshError as error:  # of what the job states: an opening, or what the mesh encloses
        message = f"{job.path.name}: {error}"
        raise MeshError(message) from None
    if not coarse.bays:
        reasons = " ".join(finding.detail for finding in coarse.findings if finding.detail)
        message = f"{job.mesh_path.name}: the structure closes no bay, so nothing can be treated. {reasons}"
        raise JobError(message)
    if not proposed:
        findings = check_by_voxels(coarse, centres=CHECK_CENTRES)
        coarse = replace(coarse, findings=(*coarse.findings, *findings))
    return Site(job=job, read=read, bays=_refined(coarse, edge, str(job.path)), edge=edge)


def _called_by_place(job: Job) -> tuple[Given, ...]:
    """Return the openings that the job calls by their place: a mesh made anew may have them a step aside."""
    own = {entry.name for entry in job.openings}
    called = dict.fromkeys((*(entry.opening for entry in job.passes), *job.film.blocked))
    places = {name: place_in_name(name) for name in called if name not in own}
    return tuple(Given(name=name, center=place) for name, place in places.items() if place is not None)


def _refined(coarse: Bays, edge: float, place: str) -> Bays:
    """Return the bays on a mesh with edges no longer than `edge`; air and openings stay what they are."""
    area = float(face_areas(coarse.mesh).sum())
    count = coarse.mesh.n_faces + area / (FACE_SHARE * edge**2)
    if count > MOST_FACES:
        least = 1e3 * np.sqrt(area / (FACE_SHARE * MOST_FACES))
        message = (
            f'{place}: [film], key "edge": {1e3 * edge:.4g} mm would cut the structure into some {count:.2g}'
            f" faces, at most {MOST_FACES:,} are taken; {least:.2g} mm or more does it."
        )
        raise JobError(message)
    fine = subdivided(coarse.mesh, edge)
    sides = 2 * np.repeat(fine.source_faces, 2) + np.tile([0, 1], fine.mesh.n_faces)
    return replace(
        coarse,
        mesh=fine.mesh,
        source_faces=coarse.source_faces[fine.source_faces],
        side_bay=coarse.side_bay[sides],
    )


def _working_edge(mesh: Mesh) -> float:
    """Return the edge length in m at which bisecting leaves about WORKING_FACES faces."""
    return float(np.sqrt(face_areas(mesh).sum() / (FACE_SHARE * WORKING_FACES)))
