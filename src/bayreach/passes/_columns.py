"""What each candidate pass lays: sparse columns of film per volume, made once and kept by content."""

import hashlib
from collections.abc import Callable, Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.direct import Air, Flying, Pull
from bayreach.deposit.direct import columns as direct_columns
from bayreach.film import Column
from bayreach.passes._candidates import Candidate
from bayreach.poses import Stations, stations_of

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix

    from bayreach.rays import Scene
    from bayreach.sight import Targets
    from bayreach.tips import Tip

Progress = Callable[[str, int, int], None]
PLAN_STEP = 0.02
"""Distance in m between stations when candidates are compared; the plan is verified with finer ones."""


FATE_RAYS = 1_500
"""Rays of a pull that tell its fog and what escapes: enough to compare candidates."""
AT_ONCE = 64
"""Pulls between two reports of progress."""
FLOOR = 1e-4
"""Film in 1/m² of one station below which no ray is asked: 0.1 µm needs a litre."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Columns:
    """Film per m³ sprayed in each candidate pass, direct and settled apart.

    Parameters
    ----------
    sides : (k,) int
        Side ids of the rows.
    direct : (k, n) sparse
        Direct film per volume in 1/m².
    settled : (k, n) sparse or None
        Film that drifts down as fog first, per volume sprayed, in 1/m²; None where no credit is asked for.
    fog : (n_bays + 1, n) float
        Share of the spray that becomes fog in each bay; the last row is the outside.
    escaped : (n,) float
        Share that leaves.
    """

    sides: IntArray
    direct: "csc_matrix"
    settled: "csc_matrix | None"
    fog: FloatArray
    escaped: FloatArray

    def film(self, volumes: FloatArray, *, credit: bool = False) -> "csc_matrix":
        """Return the film (k, n) in m that `volumes` (n,) m³ lay, the settled part too with `credit`."""
        from scipy.sparse import csc_matrix, diags

        rates = self.direct if not credit or self.settled is None else self.direct + self.settled
        return csc_matrix(rates @ diags(volumes))


def pass_columns(
    scene: "Scene",
    targets: "Targets",
    candidates: Sequence[Candidate],
    *,
    air: Air | None = None,
    flying: Mapping[str, Flying | None] | None = None,
    settled_per_fog: Mapping[str, FloatArray] | None = None,
    step: float = PLAN_STEP,
    cache: MutableMapping[str, Column] | None = None,
    progress: Progress | None = None,
) -> Columns:
    """Return the columns of all candidates.

    Parameters
    ----------
    targets : Targets
        Samples of the sides that are asked about; one a side is enough to compare candidates.
    flying : mapping of wand name to callable
        Share still flying at a distance in m; the tip's own law where a wand is not named.
    settled_per_fog : mapping of wand name to (k, n_bays) float
        Film in m that one m³ of that wand's fog in each bay leaves on each target side; adds settled columns.
    step : float
        Distance in m between stations.
    cache : mapping, optional
        Columns by content (mesh, tip, stations, targets): found ones are not computed again, new ones are
        added.
    """
    base = _digest_of(scene, targets)
    whole, parts = _pieces(candidates)
    keys = [_key(base, candidates[index], step) for index in whole]
    store: MutableMapping[str, Column] = {} if cache is None else cache
    todo = [(key, candidates[index]) for key, index in zip(keys, whole, strict=True) if key not in store]

    for begin in range(0, len(todo), AT_ONCE):
        group = todo[begin : begin + AT_ONCE]
        pulls = [
            Pull(
                stations=stations_of(candidate.wet_path, step),
                tip=candidate.wand.tip,
                flying=None if flying is None else flying.get(candidate.wand.name),
            )
            for _, candidate in group
        ]
        found = direct_columns(scene, targets, pulls, air=air, floor=FLOOR, fate_rays=FATE_RAYS)
        store.update({key: column for (key, _), column in zip(group, found, strict=True)})
        if progress is not None:
            progress("columns", begin + len(group), len(todo))
    made = {index: store[key] for index, key in zip(whole, keys, strict=True)}
    return _assembled(targets, candidates, made, parts, settled_per_fog)


def _pieces(candidates: Sequence[Candidate]) -> tuple[list[int], dict[int, list[int]]]:
    """Return the candidates to be computed, and for each pull over several bays the pieces that make it up.

    A pull at one speed over several bays is the mean of its pieces by length, so it costs no rays of its own.
    """
    places: dict[tuple[Any, ...], list[int]] = {}
    for index, candidate in enumerate(candidates):
        key = (
            candidate.wand.name,
            _tip_words(candidate.wand.tip),
            candidate.opening,
            candidate.aim.tobytes(),
            candidate.entry.tobytes(),
            candidate.clock,
        )
        places.setdefault(key, []).append(index)
    parts: dict[int, list[int]] = {}
    for group in places.values():
        spans = sorted(group, key=lambda index: -candidates[index].length)
        long, rest = spans[0], [index for index in spans[1:] if candidates[index].bay >= 0]
        total = sum(candidates[index].length for index in rest)
        if rest and abs(total - candidates[long].length) < 1e-6 and candidates[long].wand.lag == 0.0:
            parts[long] = rest
    return [index for index in range(len(candidates)) if index not in parts], parts


def _assembled(
    targets: "Targets",
    candidates: Sequence[Candidate],
    made: Mapping[int, Column],
    parts: Mapping[int, Sequence[int]],
    settled_per_fog: Mapping[str, FloatArray] | None,
) -> Columns:
    from scipy.sparse import csc_matrix, hstack

    n_fog = max((len(column.fog_to_bay) for column in made.values()), default=1)
    pieces: list[Any] = []
    fog, escaped = np.zeros((n_fog, len(candidates))), np.zeros(len(candidates))
    settled: list[FloatArray] = []
    for index, candidate in enumerate(candidates):
        shares = {index: 1.0}
        if index in parts:
            shares = {part: candidates[part].length / candidate.length for part in parts[index]}
        dense = np.zeros(targets.n_sides)
        for part, share in shares.items():
            column = made[part]
            dense[np.searchsorted(targets.sides, column.sides)] += share * column.direct
            fog[:, index] += share * column.fog_to_bay
            escaped[index] += share * column.escaped
        pieces.append(csc_matrix(dense[:, None]))
        if settled_per_fog is not None:
            settled.append(settled_per_fog[candidate.wand.name] @ fog[:-1, index])
    empty = csc_matrix((targets.n_sides, 0))
    return Columns(
        sides=targets.sides,
        direct=csc_matrix(hstack(pieces)) if pieces else empty,
        settled=csc_matrix(np.stack(settled, axis=1)) if settled else None,
        fog=fog,
        escaped=escaped,
    )


def _digest_of(scene: "Scene", targets: "Targets") -> str:
    mark = hashlib.sha256()
    for array in (scene.mesh.points, scene.mesh.faces, targets.points, targets.side):
        mark.update(np.ascontiguousarray(array).tobytes())
    return mark.hexdigest()


def _key(base: str, candidate: Candidate, step: float) -> str:
    """Return the content of a column as a digest: structure, targets, tip and stations."""
    mark = hashlib.sha256(base.encode())
    mark.update(repr(_tip_words(candidate.wand.tip)).encode())
    stations: Stations = stations_of(candidate.wet_path, step)
    for array in (stations.points, stations.axes, stations.clocks, stations.lengths):
        mark.update(np.ascontiguousarray(np.round(array, 9)).tobytes())
    return mark.hexdigest()


def _tip_words(tip: "Tip") -> tuple[Any, ...]:
    table = getattr(tip, "table", None)
    told = None if table is None else hashlib.sha256(repr(table).encode()).hexdigest()
    return (tip.pattern, tip.spread, tip.angle, tip.profile, tip.throw, tip.droplet, tip.droplet_spread, told)
