"""Where a tip's liquid ends, by rays along its pattern: landed, fog in a bay, or escaped."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, FloatArray, IntArray, unit_vectors
from bayreach.deposit._air import Air, crossings, sides_hit
from bayreach.poses import Stations
from bayreach.rays import Scene
from bayreach.sampling import GOLDEN_ANGLE
from bayreach.tips import Tip, tip_frame

_TURN = 0.618 * 2.0 * np.pi / 1e-4
"""Turn in rad a metre of depth: whatever the step, neighbours are turned well against each other."""

Flying = Callable[[FloatArray], FloatArray]
"""Share of the spray still flying at distances (...) in m."""

LEAST_RAYS, MOST_RAYS = 16, 512
"""Rays a station, however many stations share the rays of a pull."""
RAYS_A_METRE = 50e3
"""Rays a metre of pull, and no less than 32 nor more than 256 a station, where the film is what counts."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Fate:
    """Shares of a pull's liquid; they sum to one.

    `landed` on sides inside, `fog` (n_bays + 1,) by bay (the last place, the outside, is zero) and `escaped`.
    `sides` (h,) are the sides that a ray met and `landed_on` (h,) their shares.
    """

    landed: float
    fog: FloatArray
    escaped: float
    sides: IntArray
    landed_on: FloatArray


def fate_of(
    scene: Scene,
    stations: Stations,
    tip: Tip,
    *,
    shares: FloatArray,
    flies: Flying,
    air: Air | None,
    rays: int | None = None,
) -> Fate:
    """Return where the liquid of a pull ends: of each ray, what still flies where it hits has landed.

    The rest of a ray is fog in the bays it passed. About `rays` rays in all, spread evenly over the stations;
    None: as many for each station as its own length asks for, so that the fate of a pull is the sum of the
    fates of its parts.
    """
    starts, ways, amounts = _all_rays(stations, tip, shares, rays)
    faces, distances = scene.first_hit(starts, ways)
    hit = faces != NO_FACE
    bay = np.where(hit, 0, OUTSIDE)
    fog = np.zeros(2 if air is None else air.n_bays + 1)
    crossed = []
    side = sides_hit(scene.mesh, faces[hit], ways[hit])
    if air is not None:
        bay[hit] = air.side_bay[side]
        crossed = crossings(air, starts, ways, distances)
    at_end = np.zeros(len(starts))
    at_end[hit] = flies(distances[hit])
    stays = np.where(bay != OUTSIDE, amounts * at_end, 0.0)
    landed = float(stays.sum())
    sides, place = np.unique(side, return_inverse=True)
    landed_on = np.bincount(place, weights=stays[hit], minlength=len(sides)).astype(np.float64)
    # From the far end back to the tip: each opening crossed leads into the bay on its other side.
    for where, links, cap_distances in reversed(crossed):
        at_cap = flies(cap_distances)
        np.add.at(fog, bay[where], amounts[where] * (at_cap - at_end[where]))
        bay[where] = np.where(links[:, 0] == bay[where], links[:, 1], links[:, 0])
        at_end[where] = at_cap
    np.add.at(fog, bay, amounts * (1.0 - at_end))
    fog[OUTSIDE] = 0.0
    escaped = float(amounts.sum() - landed - fog.sum())
    return Fate(landed=landed, fog=fog, escaped=escaped, sides=sides, landed_on=landed_on)


def _all_rays(
    stations: Stations, tip: Tip, shares: FloatArray, rays: int | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the rays of a pull as `pattern_rays` does, `rays` in all or by the length of each station."""
    if rays is not None:
        return pattern_rays(stations, tip, shares, int(np.clip(rays // len(shares), LEAST_RAYS, MOST_RAYS)))
    lengths = np.asarray(stations.lengths)
    wanted = np.where(lengths > 0.0, RAYS_A_METRE * lengths, MOST_RAYS)
    each = 2 ** np.clip(np.ceil(np.log2(wanted)), 5, 8 if lengths.any() else 9).astype(np.int64)
    parts = []
    for count in np.unique(each):  # four at most
        own = np.flatnonzero(each == count)
        parts.append(pattern_rays(_some(stations, own), tip, shares[own], int(count)))
    starts, ways, amounts = (np.concatenate(arrays) for arrays in zip(*parts, strict=True))
    return starts, ways, amounts


def _some(stations: Stations, own: IntArray) -> Stations:
    """Return the stations at the places `own`."""
    names = ("points", "axes", "clocks", "depths", "lengths")
    return Stations(**{name: getattr(stations, name)[own] for name in names})


def pattern_rays(
    stations: Stations, tip: Tip, shares: FloatArray, each: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return starts (m, 3), unit directions (m, 3) and the share (m,) of the pull's liquid of each ray.

    `each` rays a station on a golden spiral over the pattern; each station's spiral is turned by its depth,
    so that together they fill the pattern more evenly.
    """
    low, high = tip.cosine_range
    line = tip.center_line
    place = np.arange(each)
    along = low + (high - low) * (place + 0.5) / each
    turn = place * GOLDEN_ANGLE + _TURN * np.asarray(stations.depths)[:, None]
    radius = np.sqrt(np.maximum(0.0, 1.0 - along**2))
    spiral = np.stack(
        [np.broadcast_to(along, turn.shape), radius * np.cos(turn), radius * np.sin(turn)], axis=-1
    )
    local = spiral @ tip_frame(line, _across(line))
    weight = tip.density(local)
    total = weight.sum(axis=1, keepdims=True)
    amounts = shares[:, None] * np.divide(
        weight, total, out=np.full_like(weight, 1.0 / each), where=total > 0.0
    )
    axes, clocks = unit_vectors(stations.axes), unit_vectors(stations.clocks)
    frames = np.stack([axes, np.cross(clocks, axes), clocks], axis=1)
    ways = np.einsum("snk,skx->snx", local, frames)
    return np.repeat(stations.points, each, axis=0), ways.reshape(-1, 3), amounts.ravel()


def _across(vector: FloatArray) -> FloatArray:
    """Return a unit vector (3,) at right angles to a unit `vector` (3,)."""
    least = np.eye(3)[np.abs(vector).argmin()]
    return unit_vectors(least - (least @ vector) * vector)
