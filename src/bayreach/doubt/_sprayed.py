"""Passes of a site, sprayed as an unsteady hand sprays them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.direct import Flying, flow_course, wet_part
from bayreach.deposit.fog_sizes import FogSizes
from bayreach.deposit.varied import varied_films, varied_fog
from bayreach.doubt._after import seeping_of
from bayreach.doubt._chance import PassVariants, Variants, WandState
from bayreach.doubt._doubt import MakeVariants, SidesAsked
from bayreach.doubt._factors import POSE_FACTORS, TIP_FACTORS, seed_of, twin_draws
from bayreach.doubt._moved import Passable
from bayreach.job import Tolerances
from bayreach.poses import TipPath, stations_of
from bayreach.run import Pull, Site, conditions_of, flying_of
from bayreach.sight import Targets, targets_of
from bayreach.tips import Tip

STATES = 8
"""States of a tip in one replicate, in two halves: spread, throw and droplet, shared by a wand's passes."""
POSES = 8
"""Poses of a pass in one replicate, in two halves; each is sprayed in every state of the tip."""
STEP, FEWEST = 20e-3, 10
"""Greatest distance in m between stations, and fewest stations of a pull: see `_step`."""
FLOOR = 1e-5
"""Film in 1/m² of one station below which no ray is asked: 0.01 µm needs a litre."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _Tips:
    """The tip of one wand as it may happen to be, and what its fog leaves on the sides asked about."""

    tips: tuple[tuple[Tip, Flying | None], ...]
    state: WandState


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """The sides asked about, gathered by side of the mesh as it was read.

    Parameters
    ----------
    ids : (k,) int
        Required sides of the working mesh, rising.
    group : (k,) int
        The side of the mesh as read that each is a piece of: a place in the arrays of `sides`.
    sides : SidesAsked
        What is asked of each side of the mesh as read; its area is that of its required pieces. Its need is
        that before run-off, which differs from piece to piece (`Site.needed`).
    piece_areas : (k,) float
        Areas of the pieces in m².
    """

    ids: IntArray
    group: IntArray
    sides: SidesAsked
    piece_areas: FloatArray

    def chosen(self, rng: np.random.Generator) -> IntArray:
        """Return one piece (n,) of each side, a place in `ids`, chosen at random by area."""
        order = np.argsort(self.group, kind="stable")
        ends = np.cumsum(self.piece_areas[order])
        last = np.flatnonzero(np.diff(self.group[order], append=-1))
        firsts = np.concatenate([[0.0], ends[last][:-1]])
        wanted = firsts + rng.random(len(last)) * (ends[last] - firsts)
        return np.asarray(order[np.minimum(np.searchsorted(ends, wanted), last)])


def asked_of(site: Site) -> Asked:
    """Return the required sides, gathered by side of the mesh as read."""
    ids = np.flatnonzero(site.required)
    source = 2 * site.bays.source_faces[ids // 2] + ids % 2
    # A side of the mesh as read may have pieces in two bays, or pieces with different needs.
    needed = site.job.target.film_min / site.wet_share + site.uptake[ids]
    keys = np.stack([source, site.bays.side_bay[ids], np.round(needed * 1e9).astype(np.int64)], axis=1)
    _, first, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    areas = site.side_areas[ids]
    group = group.reshape(-1)
    sides = SidesAsked(
        areas=np.bincount(group, weights=areas).astype(np.float64),
        needed=needed[first],
        bays=site.bays.side_bay[ids[first]],
    )
    return Asked(ids=ids, group=group, sides=sides, piece_areas=areas)


def site_variants(
    site: Site, asked: Asked, pulls: Sequence[Pull], tolerances: Tolerances, *, seed: int = 0
) -> MakeVariants:
    """Return what sprays `pulls` with fresh errors for every replicate.

    Direct film is sprayed for every pose in every state of the tip, on the middle of one piece of each side,
    chosen anew by area for each replicate; fog is that of the pass as planned, in every state of the tip.
    A moved wand is drawn in to where it passes (`Passable`). With creep, the sides that share a seam with a
    piece are sprayed beside it.
    """
    passable, seams = Passable(site=site, tolerances=tolerances), seeping_of(site)
    fogs = FogSizes(ground=site.ground, liquid=site.job.liquid, conditions=conditions_of(site))

    def spray(replicate: int) -> Variants:
        chosen = asked.ids[asked.chosen(np.random.default_rng((seed, replicate, 3)))]
        every = chosen if seams is None else np.concatenate([chosen, seams.beside(chosen)])
        order = np.argsort(every)
        ids = every[order]
        targets = targets_of(site.mesh, ids, samples=1)
        wands = {pull.wand.name: pull.wand.tip for pull in pulls}
        tips = {
            name: _tips_of(
                site, tip, tolerances, fogs, (ids, order), seed=(seed, replicate, 1, seed_of(name))
            )
            for name, tip in wands.items()
        }
        met: dict[str, int] = {}
        made = []
        for pull in pulls:
            words = pull_words(pull)
            met[words] = met.get(words, 0) + 1
            key = (seed, replicate, 2, seed_of(f"{met[words]} of {words}"))
            made.append(_sprayed(passable, pull, (targets, order), tips[pull.wand.name], seed=key))
        return Variants(
            passes=tuple(made),
            wands={name: one.state for name, one in tips.items()},
            needed=site.needed[chosen],
            seeping=None if seams is None else seams.among(every),
        )

    return spray


def pull_words(pull: Pull) -> str:
    """Return what a pull is: passes with the same words share their errors, whatever plan they stand in.

    Speed and count are left out: a pass that is only pulled slower is still the same pass.
    """
    depths = pull.path.depths
    aim = ", ".join(f"{value + 0.0:.4f}" for value in pull.aim)
    span = f"{1e3 * depths[0]:.0f} to {1e3 * depths[-1]:.0f} mm"
    return f"{pull.wand.name} through {pull.opening} along {aim} at {np.degrees(pull.clock):.1f} deg, {span}"


def _tips_of(
    site: Site,
    tip: Tip,
    tolerances: Tolerances,
    fogs: FogSizes,
    targets: tuple[IntArray, IntArray],
    *,
    seed: tuple[int, ...],
) -> _Tips:
    """Return a tip's states, and what fog leaves on `targets`: sides (n,), and the place (n,) of each."""
    ids, order = targets
    twins = twin_draws(STATES // 2, TIP_FACTORS, seed=seed)
    tips: list[tuple[Tip, Flying | None]] = []
    for spread, throw, droplet in np.exp(
        twins.errors * [tolerances.spread, tolerances.throw, tolerances.droplet]
    ):
        state = replace(
            tip,
            spread=float(min(tip.spread * spread, np.pi)),
            throw=tip.throw * float(throw),
            droplet=tip.droplet * float(droplet),
        )
        tips.append((state, flying_of(site, state)))
    settled = np.zeros((STATES, len(site.bays.bays), len(ids)), dtype=np.float32)
    if "settled" in site.job.film.mechanisms and tips[0][1] is not None:
        settled[:, :, order] = fogs.film(tips, ids)
    return _Tips(tips=tuple(tips), state=WandState(settled=settled, twin=twins.twin))


def _step(wet: TipPath) -> float:
    """Return the distance in m between the stations of a pull: coarser than a spray's, as errors blur it.

    On the demo's 90 % plan the covered share of a sample is within 0.05 % of that at 5 mm (root mean square),
    where samples differ by 0.4 % among each other.
    """
    return min(STEP, wet.length / FEWEST) if wet.length else STEP


def _sprayed(
    passable: Passable,
    pull: Pull,
    asked: tuple[Targets, IntArray],
    tips: _Tips,
    *,
    seed: tuple[int, ...],
) -> PassVariants:
    """Return the variants of one pull on the target sides; `asked` has their order among the sides."""
    site, (targets, order) = passable.site, asked
    lag = pull.wand.lag if pull.path.length else 0.0
    wet = wet_part(pull.path, speed=pull.speed, lag=lag)
    twins = twin_draws(POSES // 2, POSE_FACTORS, seed=seed)
    sides = np.zeros(0, dtype=np.int64)
    films = np.zeros((STATES, POSES, 0), dtype=np.float32)
    fog = np.zeros((STATES, len(site.bays.bays)))
    if wet is not None:
        stations = stations_of(wet, _step(wet))
        poses = passable.poses(pull, stations, twins.errors)
        flow = flow_course(stations, speed=pull.speed, rise=pull.wand.rise, fall=pull.wand.fall)
        varied = varied_films(site.scene, targets, poses, tips.tips, air=site.air, flow=flow, floor=FLOOR)
        sides, films = order[varied.rows], varied.film
        rising = np.argsort(sides)
        sides, films = sides[rising], np.ascontiguousarray(films[:, :, rising])
        fog = varied_fog(site.scene, stations, tips.tips, air=site.air, flow=flow)
    return PassVariants(
        sides=sides,
        films=films,
        wand=pull.wand.name,
        volume=pull.volume,
        pulls=pull.count,
        words=pull_words(pull),
        fog=fog,
        twin=twins.twin,
    )
