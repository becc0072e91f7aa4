"""The film that each pass lays, kept beside a result so that it can be seen to build up."""

import io
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray, IntArray, read_arrays
from bayreach.errors import BayreachError

FILMS_FILE = "film_passes.npz"
"""Name of the file in a result folder."""
STEPS = 65535
"""Steps between nothing and the thickest film of a pass: it is kept to 1/131,070 of that."""
MOST_GROWN = 4 << 30
"""Bytes that the films may grow to when they are read."""
KINDS = ("direct", "settled")


@dataclass(frozen=True, kw_only=True, eq=False)
class PassFilm:
    """Film in m, in the target's terms, that one pass brings to sides, before uptake, creep and run-off.

    `direct_sides` (k,) and `settled_sides` (l,) are side ids, rising, each with its film beside it.
    """

    direct_sides: IntArray
    direct: FloatArray
    settled_sides: IntArray
    settled: FloatArray

    def dense(self, n_sides: int) -> FloatArray:
        """Return the film (n_sides,) in m of both."""
        film = np.zeros(n_sides)
        film[self.direct_sides] += self.direct
        film[self.settled_sides] += self.settled
        return film


def films_bytes(films: Iterable[PassFilm]) -> bytes:
    """Return the films of passes as the bytes of a NumPy archive; equal films give equal bytes.

    For each kind, direct and settled: `KIND_starts` (p + 1,) of each pass in `KIND_sides` (n,) int32 and
    `KIND_steps` (n,) uint16, and `KIND_scale` (p,) metres a step. It is read as one film at a time.
    """
    found = [
        {kind: _stepped(getattr(film, f"{kind}_sides"), getattr(film, kind)) for kind in KINDS}
        for film in films
    ]
    arrays: dict[str, NDArray[Any]] = {}
    for kind in KINDS:
        parts = [film[kind] for film in found]
        counts = [len(sides) for sides, _, _ in parts]
        arrays[f"{kind}_starts"] = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
        arrays[f"{kind}_sides"] = np.concatenate([np.zeros(0, np.int32), *(part[0] for part in parts)])
        arrays[f"{kind}_steps"] = np.concatenate([np.zeros(0, np.uint16), *(part[1] for part in parts)])
        arrays[f"{kind}_scale"] = np.array([part[2] for part in parts], dtype=np.float64)
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **arrays)
    return stream.getvalue()


def _stepped(sides: IntArray, film: FloatArray) -> tuple[NDArray[np.int32], NDArray[np.uint16], float]:
    """Return the sides with film of a step or more, the steps, and how many metres one is."""
    scale = float(film.max(initial=0.0)) / STEPS
    steps = np.round(film / scale) if scale > 0.0 else np.zeros(len(film))
    kept = steps > 0
    return sides[kept].astype(np.int32), steps[kept].astype(np.uint16), scale


def films_from(data: bytes, n_sides: int) -> tuple[PassFilm, ...]:
    """Return the films of passes from the bytes of `FILMS_FILE`.

    Raises
    ------
    BayreachError
        When the bytes are not such a file, or tell of sides beyond `n_sides`.
    """
    try:
        found = read_arrays(io.BytesIO(data), most=MOST_GROWN)
        arrays = {f"{kind}_{name}": found[f"{kind}_{name}"] for kind in KINDS for name in _NAMES}
    except (OSError, ValueError, KeyError) as error:
        message = f"{FILMS_FILE}: cannot be read ({error}); make the result again."
        raise BayreachError(message) from error
    for kind in KINDS:
        sides, starts = arrays[f"{kind}_sides"], arrays[f"{kind}_starts"]
        fits = len(starts) == len(arrays[f"{kind}_scale"]) + 1 and int(starts[-1]) == len(sides)
        if not fits or (len(sides) and not 0 <= int(sides.min()) <= int(sides.max()) < n_sides):
            message = f"{FILMS_FILE}: does not fit a structure of {n_sides} sides; make the result again."
            raise BayreachError(message)
    made = []
    for place in range(len(arrays["direct_scale"])):
        parts: dict[str, NDArray[Any]] = {}
        for kind in KINDS:
            own = slice(*arrays[f"{kind}_starts"][place : place + 2])
            parts[f"{kind}_sides"] = arrays[f"{kind}_sides"][own].astype(np.int64)
            parts[kind] = arrays[f"{kind}_steps"][own] * float(arrays[f"{kind}_scale"][place])
        made.append(PassFilm(**parts))
    return tuple(made)


_NAMES = ("starts", "sides", "steps", "scale")
