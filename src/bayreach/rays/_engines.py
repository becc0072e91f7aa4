"""Which engine answers: the quickest that is there and proves itself on a small scene."""

from collections.abc import Callable
from functools import lru_cache
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import BoolArray, FloatArray
from bayreach.mesh import Mesh, mesh_of

ENGINES = ("auto", "embree", "embree-fast", "tree", "binding", "arrays")
"""Engines a scene may be asked to use."""

QUICKEST_FIRST = ("embree", "tree", "binding", "arrays")


class Engine(Protocol):
    """Answers in local coordinates and single precision; `name` says in every result which it was."""

    name: str

    def first(
        self, origins: NDArray[np.float32], directions: NDArray[np.float32], near: float
    ) -> NDArray[np.int32]:
        """Return the face (n,) hit first beyond `near` m, or -1."""
        ...

    def blocked(
        self,
        origins: NDArray[np.float32],
        directions: NDArray[np.float32],
        near: NDArray[np.float32],
        far: NDArray[np.float32],
    ) -> BoolArray:
        """Return whether (n,) anything lies between `near` and `far` m along each ray."""
        ...


def engine_of(mesh: Mesh, origin: FloatArray, wanted: str) -> Engine | None:
    """Return the engine wanted, or the best that works; None for a mesh without faces.

    Raises
    ------
    ValueError
        When the engine is unknown, or asked for by name and not there.
    """
    if wanted not in ENGINES:
        message = f'engine: "{wanted}" is unknown; use one of {", ".join(ENGINES)}.'
        raise ValueError(message)
    if not mesh.n_faces:
        return None
    name = best_engine() if wanted == "auto" else wanted
    if wanted != "auto" and not is_trusted(name):
        message = f'engine: "{name}" does not work here; use "auto", which takes one that does.'
        if name.startswith("embree"):
            message = (
                'engine: no working Embree 4 library was found in the embreex package; use "tree" or "auto".'
            )
        raise ValueError(message)
    return _MAKERS[name](mesh, origin)


@lru_cache(maxsize=1)
def best_engine() -> str:
    """Return the name of the quickest engine that works here."""
    return next(name for name in QUICKEST_FIRST if is_trusted(name))


@lru_cache(maxsize=len(ENGINES))
def is_trusted(name: str) -> bool:
    """Return whether an engine is there and answers a small scene rightly; tried once a process.

    So a library with another layout of rays, or a compiler that fails, shows here and not as a wrong film.
    """
    plate = mesh_of(
        [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 9], [0, 1, 9], [1, 0, 9]], [[0, 1, 2], [3, 4, 5]]
    )
    inside = np.linspace(0.1, 0.4, 20, dtype=np.float32)
    origins = np.stack([inside, inside, np.full(20, 5.0, dtype=np.float32)], axis=1)
    origins[::3, :2] += 1.0
    ways = np.tile(np.array([0.0, 0.0, -1.0], dtype=np.float32), (20, 1))
    ways[1::2] *= -1.0
    near, far = np.full(20, 0.1, np.float32), np.where(np.arange(20) % 5 == 1, 3.5, 6.0).astype(np.float32)
    there = np.arange(20) % 3 != 0
    wanted = np.where(there, np.arange(20) % 2, -1)
    reached = there & (far > np.where(np.arange(20) % 2 == 0, 5.0, 4.0))
    try:
        engine = _MAKERS[name](plate, np.zeros(3))
        faces, blocked = engine.first(origins, ways, 0.1), engine.blocked(origins, ways, near, far)
    # Whatever is amiss with an engine, the next is tried.
    except Exception:
        return False
    return bool((faces == wanted).all() and (blocked == reached).all())


def has_compiler() -> bool:
    """Return whether loops can be compiled here."""
    from bayreach.rays.compiling import COMPILER

    return COMPILER is not None


def _embree(mesh: Mesh, origin: FloatArray, *, robust: bool = True) -> Engine:
    from bayreach.rays._embree import loaded_library
    from bayreach.rays._packet_engine import PacketEngine

    library = loaded_library() if has_compiler() else None
    if library is None:
        message = "Embree's library or the compiler"
        raise ImportError(message)
    return PacketEngine(mesh, origin, library, robust=robust)


def _fast_embree(mesh: Mesh, origin: FloatArray) -> Engine:
    return _embree(mesh, origin, robust=False)


def _tree(mesh: Mesh, origin: FloatArray) -> Engine:
    from bayreach.rays._packet_engine import PacketEngine

    if not has_compiler():
        message = "the compiler"
        raise ImportError(message)
    return PacketEngine(mesh, origin, None)


def _binding(mesh: Mesh, origin: FloatArray) -> Engine:
    from bayreach.rays._binding import BindingEngine

    return BindingEngine(mesh, origin)


def _arrays(mesh: Mesh, origin: FloatArray) -> Engine:
    from bayreach.rays._arrays_engine import ArraysEngine

    return ArraysEngine(mesh, origin)


_MAKERS: dict[str, Callable[[Mesh, FloatArray], Engine]] = {
    "embree": _embree,
    "embree-fast": _fast_embree,
    "tree": _tree,
    "binding": _binding,
    "arrays": _arrays,
}
