"""What each candidate pass lays: sparse columns of film per volume, made once and kept by content."""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.deposit.direct import Air, Flying, Pull
from bayreach.deposit.direct import columns as direct_columns
from bayreach.passes._candidates import Candidate
from bayreach.passes._kept import KEPT_VERSION, Fates, Kept, Lit
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
FLIGHTS = np.geomspace(1e-3, 30.0, 64)
"""Distances in m at which two laws of throw are told apart."""


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
    kept: Kept | None = None,
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
    kept : Kept, optional
        Columns by content (structure, tip, stations, sides): what is there is not worked out again, what is
        new is added.
    """
    store = Kept() if kept is None else kept
    keys, parts = lay_kept(
        scene, targets, candidates, air=air, flying=flying, step=step, kept=store, progress=progress
    )
    store.used.update(keys.values())
    return _assembled(targets, candidates, store, keys, parts=parts, settled_per_fog=settled_per_fog)


def lay_kept(
    scene: "Scene",
    targets: "Targets",
    candidates: Sequence[Candidate],
    *,
    kept: Kept,
    air: Air | None = None,
    flying: Mapping[str, Flying | None] | None = None,
    step: float = PLAN_STEP,
    share: tuple[int, int] = (0, 1),
    progress: Progress | None = None,
) -> tuple[dict[int, str], dict[int, list[int]]]:
    """Add to `kept` the columns of the candidates that it lacks, and return what each candidate is made of.

    That is the digest of the pull of each candidate worked out by itself, and for others the candidates
    whose mean by length they are. `share` (k, n): only the k-th of n shares of the pulls is worked out, cut
    by their digests, so that other processes can do the rest.
    """
    laws = {} if flying is None else flying
    base = _digest_of(scene, targets, air)
    whole, parts = _pieces(candidates)
    keys = {
        index: _key(base, candidates[index], step, laws.get(candidates[index].wand.name)) for index in whole
    }
    one_of = {key: candidates[index] for index, key in keys.items()}
    wanted = tuple(key for key in keys.values() if int(key[:8], 16) % share[1] == share[0])
    work = kept.missing(wanted, targets.sides)
    total, done = sum(len(pulls) for _, pulls in work), 0
    for sides, pulls in work:
        part = targets if len(sides) == targets.n_sides else _only(targets, sides)
        for begin in range(0, len(pulls), AT_ONCE):
            group = pulls[begin : begin + AT_ONCE]
            _lay(kept, scene, part, [(key, one_of[key]) for key in group], air=air, laws=laws, step=step)
            done += len(group)
            if progress is not None:
                progress("columns", done, total)
    return keys, parts


def _lay(
    store: Kept,
    scene: "Scene",
    targets: "Targets",
    group: Sequence[tuple[str, Candidate]],
    *,
    air: Air | None,
    laws: Mapping[str, Flying | None],
    step: float,
) -> None:
    """Work out what some pulls lay on `targets`, and keep it to the digits that a file keeps."""
    placed = [(candidate, stations_of(candidate.wet_path, step)) for _, candidate in group]
    pulls = [
        Pull(
            stations=stations,
            tip=candidate.wand.tip,
            flow=candidate.flow_on(stations),
            flying=laws.get(candidate.wand.name),
        )
        for candidate, stations in placed
    ]
    # Where a pull's fog is known already, rays are asked for film only.
    rays = 1 if all(key in store.fates for key, _ in group) else FATE_RAYS
    found = direct_columns(scene, targets, pulls, air=air, floor=FLOOR, fate_rays=rays)
    for (key, _), column in zip(group, found, strict=True):
        lit = Lit(sides=column.sides, direct=column.direct)
        store.add(key, targets.sides, lit, Fates(fog=column.fog_to_bay, escaped=column.escaped))


def _only(targets: "Targets", sides: IntArray) -> "Targets":
    """Return the samples of some of the sides."""
    from bayreach.sight import Targets

    chosen = np.isin(targets.side, sides)
    return Targets(
        points=targets.points[chosen],
        normals=targets.normals[chosen],
        side=targets.side[chosen],
        weight=targets.weight[chosen],
        areas=targets.areas[np.isin(targets.sides, sides)],
    )


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
        if rest and abs(total - candidates[long].length) < 1e-6 and candidates[long].wand.is_prompt:
            parts[long] = rest
    return [index for index in range(len(candidates)) if index not in parts], parts


def _assembled(
    targets: "Targets",
    candidates: Sequence[Candidate],
    store: Kept,
    keys: Mapping[int, str],
    *,
    parts: Mapping[int, Sequence[int]],
    settled_per_fog: Mapping[str, FloatArray] | None,
) -> Columns:
    from scipy.sparse import csc_matrix

    places = {index: place for place, index in enumerate(keys)}
    # How much of each column made goes into each candidate's: itself, or the pieces it is put together of.
    pairs = [(part, index) for index in range(len(candidates)) for part in parts.get(index, [index])]
    amounts = [
        candidates[part].length / candidates[index].length if index in parts else 1.0 for part, index in pairs
    ]
    where = ([places[part] for part, _ in pairs], [index for _, index in pairs])
    shares = csc_matrix((amounts, where), shape=(len(keys), len(candidates)))
    fates = [store.fates[key] for key in keys.values()]
    fog = np.zeros((max((len(one.fog) for one in fates), default=1), len(keys)))
    for place, one in enumerate(fates):
        fog[:, place] = one.fog
    fog = fog @ shares
    rates = _side_by_side(targets, store, list(keys.values())) @ shares.astype(np.float32)
    return Columns(
        sides=targets.sides,
        direct=csc_matrix(rates),
        settled=None if settled_per_fog is None else _settled(candidates, fog, settled_per_fog),
        fog=fog,
        escaped=np.array([one.escaped for one in fates]) @ shares,
    )


def _side_by_side(targets: "Targets", store: Kept, keys: Sequence[str]) -> "csc_matrix":
    """Return columns as one matrix (k, m) in single precision, never dense."""
    from scipy.sparse import csc_matrix

    found = [store.film(key, targets.sides) for key in keys]
    starts = np.cumsum([0, *(len(places) for places, _ in found)])
    rows = np.concatenate([np.zeros(0, dtype=np.int32), *(places.astype(np.int32) for places, _ in found)])
    film = np.concatenate([np.zeros(0, dtype=np.float32), *(film for _, film in found)])
    return csc_matrix((film, rows, starts), shape=(targets.n_sides, len(keys)))


def _settled(
    candidates: Sequence[Candidate], fog: FloatArray, settled_per_fog: Mapping[str, FloatArray]
) -> "csc_matrix | None":
    """Return what the fog (n_bays + 1, n) of each candidate leaves on the sides, column by column."""
    from scipy.sparse import csc_matrix, hstack

    columns = [
        csc_matrix((settled_per_fog[candidate.wand.name] @ fog[:-1, index])[:, None].astype(np.float32))
        for index, candidate in enumerate(candidates)
    ]
    return csc_matrix(hstack(columns)) if columns else None


def _digest_of(scene: "Scene", targets: "Targets", air: Air | None) -> str:
    """Return what every column depends on but the pull and the sides: structure, air, how it is sampled."""
    samples = len(targets.points) // max(targets.n_sides, 1)
    mark = hashlib.sha256(repr((KEPT_VERSION, samples, FATE_RAYS, FLOOR)).encode())
    arrays = [scene.mesh.points, scene.mesh.faces]
    if air is not None:
        arrays += [air.side_bay, air.caps.mesh.points, air.caps.mesh.faces, air.cap_links]
    for array in arrays:
        mark.update(np.ascontiguousarray(array).tobytes())
    return mark.hexdigest()


def _key(base: str, candidate: Candidate, step: float, law: Flying | None) -> str:
    """Return the content of a pull as a digest: structure, tip, throw and stations."""
    mark = hashlib.sha256(base.encode())
    mark.update(repr(_tip_words(candidate.wand.tip)).encode())
    if law is not None:
        mark.update(np.round(law(FLIGHTS), 12).tobytes())
    stations: Stations = stations_of(candidate.wet_path, step)
    for array in (stations.points, stations.axes, stations.clocks, stations.lengths):
        mark.update(np.ascontiguousarray(np.round(array, 9)).tobytes())
    if not candidate.wand.is_prompt:
        mark.update(np.ascontiguousarray(np.round(candidate.flow_on(stations), 9)).tobytes())
    return mark.hexdigest()


def _tip_words(tip: "Tip") -> tuple[Any, ...]:
    """Return all that tells a tip's pattern from another's; film is per volume, so flow does not."""
    words = [getattr(tip, field.name) for field in fields(tip) if field.name not in ("flow", "table")]
    if tip.table is not None:
        arrays = (tip.table.polar, tip.table.azimuth, tip.table.shares)
        words += [hashlib.sha256(array.tobytes()).hexdigest() for array in arrays]
    return tuple(words)
