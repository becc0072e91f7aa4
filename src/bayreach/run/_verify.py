"""A draft of a plan sprayed for real: its holes cut, all mechanisms, every side; and what falls short."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.bays import Given
from bayreach.film import Column
from bayreach.measure import side_normals
from bayreach.outcome import CoverageRecord
from bayreach.plan import Draft
from bayreach.run._answer import Shares, coverage_record, shares_of
from bayreach.run._pulls import Pull
from bayreach.run._site import Site, site_of
from bayreach.run._wetting import Progress, Wetting, column_of, pull_progress, summed


@dataclass(frozen=True, kw_only=True, eq=False)
class Verified:
    """A draft, the site it was made on, that site with its holes cut, and what is really left there."""

    draft: Draft
    planned_on: Site
    site: Site
    pulls: tuple[Pull, ...]
    wet: Wetting
    shares: Shares
    coverage: CoverageRecord

    @property
    def share(self) -> float:
        """Share of the required area that really gets its least film; 0 where none is required."""
        return self.coverage.fraction or 0.0

    def is_better_than(self, other: "Verified | None") -> bool:
        """Say whether this one meets the target and the other does not, or covers more where neither does."""
        if other is None or self.coverage.met != other.coverage.met:
            return other is None or self.coverage.met
        return not self.coverage.met and self.share > other.share

    def part_of(self, face: int) -> str:
        """Return the part that a face of the mesh planned on belongs to."""
        mesh = self.planned_on.mesh
        return mesh.part_names[int(mesh.face_parts[face])]


def verified(site: Site, draft: Draft, last: Verified | None, progress: Progress) -> Verified:
    """Return what the draft's passes really leave once its holes are cut into the mesh.

    What the `last` draft shares with this one, holes and pulls, is not worked out again.
    """
    progress("verifying", 0.0)
    cut = _cut(site, draft, last)
    pulls = tuple(
        Pull(
            wand=chosen.candidate.wand,
            opening=chosen.candidate.opening,
            aim=chosen.candidate.aim,
            clock=chosen.candidate.clock,
            path=chosen.candidate.triggered_at(chosen.pull_speed),
            speed=chosen.pull_speed,
            count=chosen.count,
            through=chosen.candidate.through,
            entry=chosen.candidate.entry,
        )
        for chosen in draft.passes
    )
    known: dict[bytes, Column] = {}
    if last is not None and last.site is cut:
        known = dict(zip((_mark(pull) for pull in last.pulls), last.wet.columns, strict=True))
    columns = []
    for number, pull in enumerate(pulls):
        progress("spraying", number / len(pulls))
        told = pull_progress(progress, number, len(pulls))
        columns.append(known.get(_mark(pull)) or column_of(cut, pull, told))
    progress("settling", 1.0)
    wet = summed(cut, pulls, columns)
    shares = shares_of(cut, wet)
    return Verified(
        draft=draft,
        planned_on=site,
        site=cut,
        pulls=pulls,
        wet=wet,
        shares=shares,
        coverage=coverage_record(cut, shares),
    )


def _cut(site: Site, draft: Draft, last: Verified | None) -> Site:
    """Return the site with the draft's holes cut; the last one where the holes are the same."""
    if not draft.holes:
        return site
    holes = tuple(
        Given(
            name=hole.opening.name,
            center=hole.site.center,
            diameter=hole.site.drill.diameter,
            normal=hole.site.inward,
            kind="proposed",
        )
        for hole in draft.holes
    )
    if last is not None:
        before = [(hole.opening.name, hole.site.drill.diameter) for hole in last.draft.holes]
        if before == [(hole.opening.name, hole.site.drill.diameter) for hole in draft.holes]:
            return last.site
    return site_of(site.job, read=site.read, proposed=holes)


def _mark(pull: Pull) -> bytes:
    """Return what a pull's column depends on: wand, path, where it stays dry and the flow's course."""
    wand, path = pull.wand, pull.path
    late = [pull.speed * time for time in (wand.lag, wand.rise, wand.fall)]
    arrays = (path.points, path.axes, path.clocks, path.depths)
    return b"|".join([pull.wand.name.encode(), repr(late).encode(), *(array.tobytes() for array in arrays)])


def short_sides(done: Verified) -> IntArray:
    """Return the sides (ids of the mesh planned on) where the film that was asked for did not come about.

    Left out are those that cannot hold it: no pass helps there.
    Holes cut change the mesh round them, so each side short there is told by the nearest that faces its way.
    """
    short = np.flatnonzero(done.site.required & ~done.shares.covered & np.isfinite(done.site.needed))
    if done.site is done.planned_on or not len(short):
        return short
    wanted = np.flatnonzero(done.planned_on.required)
    return np.unique(wanted[_nearest(done.planned_on, wanted, done.site, short)])


def real_film(done: Verified) -> FloatArray:
    """Return the wet film (2n,) m, uptake counted, that came about on the sides of the mesh planned on.

    Where run-off counts, it is what came before any ran off, as a plan asks for it.
    """
    stays = done.wet.film.stays
    film = stays + np.where(stays > 0, done.site.uptake, 0.0)
    if done.site.ground.slopes is not None:
        film = done.wet.film.total
    if done.site is done.planned_on:
        return film
    here, there = np.flatnonzero(done.planned_on.inside), np.flatnonzero(done.site.inside)
    told = np.zeros(done.planned_on.mesh.n_sides)
    told[here] = film[there[_nearest(done.site, there, done.planned_on, here)]]
    return told


def _nearest(site: Site, among: IntArray, other: Site, sides: IntArray) -> IntArray:
    """Return the place (k,) in `among` of the side of `site` that each of `sides` of the other is nearest to.

    Middles in m and normals are compared together, so that a side that faces another way is a metre away.
    """
    from scipy.spatial import cKDTree

    def places(of: Site, ids: IntArray) -> FloatArray:
        return np.concatenate([of.side_centers[ids], side_normals(of.mesh)[ids]], axis=1)

    _, place = cKDTree(places(site, among)).query(places(other, sides))
    return np.asarray(place, dtype=np.int64)
