"""Which sides an eye, a mirror, a finger or a borescope can verify after the work."""

from collections.abc import Collection

import numpy as np

from bayreach import checkable
from bayreach.arrays import OUTSIDE, BoolArray
from bayreach.run._site import Site
from bayreach.sight import targets_of


def checkable_at(site: Site, entries: Collection[str]) -> BoolArray:
    """Return (2n,) bool: sides that a tool can judge through the openings named, which lead outside."""
    openings = [
        opening for opening in site.bays.openings if opening.name in entries and OUTSIDE in opening.links
    ]
    found = np.zeros(site.mesh.n_sides, dtype=np.bool_)
    if not openings:
        return found
    targets = targets_of(site.mesh, np.flatnonzero(site.inside), samples=1)
    looks = checkable.looks_at(site.space, site.scene, openings, down=site.job.down)
    seen = checkable.seen_from(site.scene, targets, looks)
    can, _ = checkable.checkable_sides(seen, looks, len(checkable.TOOLS))
    found[targets.sides] = can
    return found
