"""Columns kept by content between plans: after a changed wand or keep-out all others are still valid."""

import hashlib
import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray, ShortIntArray, SingleArray, read_arrays
from bayreach.errors import StoreError

KEPT_FILE = "kept.npz"
KEPT_VERSION = 3
"""Version of what a key stands for; columns of another version are not found again."""

MOST_KEPT = 8 << 30
"""Bytes that kept columns may grow to when they are read."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Lit:
    """What one pull lays on one set of sides: ids (k,) of the sides lit, film (k,) per volume in 1/m²."""

    sides: IntArray | ShortIntArray
    direct: SingleArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Fates:
    """Shares of a pull's spray: fog into each bay (n_bays + 1,), and what escaped."""

    fog: FloatArray
    escaped: float


@dataclass(kw_only=True, eq=False)
class Kept:
    """Columns by content. It grows as columns are made, so it is no frozen record.

    A pull (tip, stations, structure, throw) is known by its digest, and so is a set of sides; the film of a
    pull may be known on several sets, which do not overlap. What is asked on other sides is made up of what
    is known and of a set with the sides that lack.

    Parameters
    ----------
    sets : dict
        Side ids (k,), rising, by the set's digest.
    lit : dict
        By the pull's digest: by the set's digest, what the pull lays there.
    fates : dict
        By the pull's digest: what became of the rest.
    used : set
        Pulls that were asked for since this was made: `kept_bytes` writes these.
    """

    sets: dict[str, IntArray] = field(default_factory=dict)
    lit: dict[str, dict[str, Lit]] = field(default_factory=dict)
    fates: dict[str, Fates] = field(default_factory=dict)
    used: set[str] = field(default_factory=set)

    def __len__(self) -> int:
        """Return the number of columns: pairs of a pull and a set."""
        return sum(len(sets) for sets in self.lit.values())

    def missing(self, pulls: Sequence[str], sides: IntArray) -> list[tuple[IntArray, list[str]]]:
        """Return the work left: sides (k,) and the pulls, each once, whose film on them is not known."""
        groups: dict[tuple[str, ...], list[str]] = {}
        for pull in dict.fromkeys(pulls):
            groups.setdefault(tuple(self.lit.get(pull, {})), []).append(pull)
        work = []
        for names, group in groups.items():
            left = sides
            for name in names:
                left = np.setdiff1d(left, self.sets[name], assume_unique=True)
            if len(left):
                work.append((left, group))
        return work

    def add(self, pull: str, sides: IntArray, lit: Lit, fates: Fates) -> None:
        """Take in what a pull lays on a set of sides; what is known of its fog stays as it is."""
        name = hashlib.sha256(np.ascontiguousarray(sides, dtype=np.int64).tobytes()).hexdigest()
        self.sets.setdefault(name, sides)
        self.lit.setdefault(pull, {})[name] = lit
        self.fates.setdefault(pull, fates)

    def take(self, other: "Kept") -> None:
        """Take in all that `other` knows."""
        self.sets.update(other.sets)
        for pull, known in other.lit.items():
            self.lit.setdefault(pull, {}).update(known)
            self.fates.setdefault(pull, other.fates[pull])

    def film(self, pull: str, sides: IntArray) -> tuple[IntArray, SingleArray]:
        """Return what a known pull lays on `sides` (k,), rising ids: places in them, and film in 1/m²."""
        places, film = [np.zeros(0, dtype=np.int64)], [np.zeros(0, dtype=np.float32)]
        for lit in self.lit[pull].values() if len(sides) else ():
            place = np.searchsorted(sides, lit.sides)
            place[place == len(sides)] = 0
            here = sides[place] == lit.sides
            places.append(place[here])
            film.append(lit.direct[here])
        return np.concatenate(places), np.concatenate(film)


def kept_bytes(kept: Kept) -> bytes:
    """Return the columns in use as one archive: read it back with `kept_from`."""
    pulls = sorted(kept.used & kept.lit.keys())
    names = sorted({name for pull in pulls for name in kept.lit[pull]})
    pairs = [(row, names.index(name)) for row, pull in enumerate(pulls) for name in sorted(kept.lit[pull])]
    lit = [kept.lit[pulls[row]][names[place]] for row, place in pairs]
    sets = [kept.sets[name] for name in names]
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        version=np.array([KEPT_VERSION]),
        pulls=np.array(pulls, dtype="U64"),
        fog=np.array([kept.fates[pull].fog for pull in pulls]),
        escaped=np.array([kept.fates[pull].escaped for pull in pulls]),
        set_starts=np.cumsum([0, *(len(sides) for sides in sets)]),
        set_sides=_joined(sets, np.int64),
        pairs=np.array(pairs, dtype=np.int64).reshape(-1, 2),
        starts=np.cumsum([0, *(len(one.sides) for one in lit)]),
        # Places in the set take less room than ids.
        places=_joined(
            [np.searchsorted(sets[pair[1]], one.sides) for pair, one in zip(pairs, lit, strict=True)],
            np.int32,
        ),
        direct=_joined([one.direct for one in lit], np.float32),
    )
    return buffer.getvalue()


def _joined(arrays: Iterable[Any], kind: Any) -> Any:
    return np.concatenate([np.zeros(0, dtype=kind), *arrays]).astype(kind)


def kept_from(path: Path) -> Kept:
    """Return the columns kept in an archive; none where there is no such file.

    Raises
    ------
    StoreError
        When the file is there and cannot be read.
    """
    if not path.exists():
        return Kept()
    try:
        return _kept_of(read_arrays(path, most=MOST_KEPT))
    except (OSError, ValueError, KeyError, IndexError) as error:
        message = f"{path}: the columns kept there cannot be read ({error}); plan without --keep."
        raise StoreError(message) from error


def _kept_of(table: dict[str, Any]) -> Kept:
    kept = Kept()
    if table["version"].tolist() != [KEPT_VERSION]:
        return kept
    ends, starts = table["set_starts"], table["starts"]
    direct = table["direct"].astype(np.float32)
    if not (np.isfinite(direct).all() and (direct >= 0).all()):
        message = "a film below zero or not finite"
        raise ValueError(message)
    sets = [table["set_sides"][ends[k] : ends[k + 1]] for k in range(len(ends) - 1)]
    if any((np.diff(sides) <= 0).any() for sides in sets):
        message = "sides out of order"
        raise ValueError(message)
    fates = [
        Fates(fog=fog, escaped=float(escaped))
        for fog, escaped in zip(table["fog"], table["escaped"], strict=True)
    ]
    pulls = [str(pull) for pull in table["pulls"]]
    for k, (row, place) in enumerate(table["pairs"].tolist()):
        span = slice(int(starts[k]), int(starts[k + 1]))
        lit = Lit(sides=sets[place][table["places"][span]], direct=direct[span])
        kept.add(pulls[row], sets[place], lit, fates[row])
    return kept
