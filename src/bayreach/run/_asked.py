"""What a plan is asked for by a job: film and share, and where holes may be proposed."""

import numpy as np

from bayreach.arrays import FloatArray
from bayreach.errors import JobError, nearest_hint
from bayreach.holes import Zone
from bayreach.job import KeepOut
from bayreach.plan import Asked, Drilling
from bayreach.run._site import Site
from bayreach.run._wetting import settling_of
from bayreach.tips import Tip


def asked_of(site: Site) -> Asked:
    """Return what the plan is asked for: wet film needed and allowed on every side, weights and the share."""
    target = site.job.target
    settled = None
    if "settled" in site.job.film.mechanisms:
        settled = {wand.name: settled_per_fog(site, wand.tip) for wand in site.job.wands}
    need = site.needed
    return Asked(
        required=site.required,
        need=need,
        limit=np.maximum(target.film_max / site.wet_share + site.uptake, need),
        priority=site.priority,
        share=target.coverage,
        settled_per_fog=settled,
    )


def settled_per_fog(site: Site, tip: Tip) -> FloatArray:
    """Return the film (2n, n_bays) in m on each side per m³ of a tip's fog put into each bay."""
    return settling_of(site, tip).film(np.eye(len(site.bays.bays)))


def closed_of(site: Site) -> tuple[str, ...]:
    """Return the openings that the job says must not be used.

    Raises
    ------
    JobError
        When the structure has no opening of such a name.
    """
    names = [opening.name for opening in site.bays.openings]
    for name in site.job.work.not_through:
        if name not in names:
            hint = nearest_hint(name, names)
            message = f'{site.job.path.name}, [work] not_through: no opening is called "{name}".{hint}'
            raise JobError(message)
    return site.job.work.not_through


def drilling_of(site: Site) -> Drilling:
    """Return where holes may be proposed, by the job's [drilling] table and its keep-outs."""
    asked = site.job.drilling
    allowed = None
    if asked.part is not None:
        allowed = site.mesh.face_parts == site.part_index(asked.part)
    elif asked.box is not None or asked.plane is not None:
        centers = site.mesh.corners.mean(axis=1)
        allowed = np.ones(len(centers), dtype=np.bool_)
        if asked.box is not None:
            allowed &= ((centers >= asked.box[0]) & (centers <= asked.box[1])).all(axis=1)
        if asked.plane is not None:
            place, normal, within = asked.plane
            allowed &= np.abs((centers - place) @ normal) <= within
    listed = asked.fasteners
    fasteners = (
        () if listed is None else (Zone(name="fasteners", points=listed.centers, sizes=listed.diameters),)
    )
    return Drilling(
        allowed=allowed,
        system=asked.drills,
        skin=asked.skin,
        zones=(*_zones(site), *fasteners),
        most=asked.most,
        most_sites=asked.sites,
    )


def _zones(site: Site) -> tuple[Zone, ...]:
    return tuple(_zone(site, entry) for entry in site.job.keep_outs if entry.no in ("drill", "both"))


def _zone(site: Site, entry: KeepOut) -> Zone:
    if entry.part is None:
        return Zone(name=entry.name, box=entry.box)
    mesh = site.mesh
    return Zone(name=entry.name, corners=mesh.corners[mesh.face_parts == site.part_index(entry.part)])
