"""Named array types, shape checks and the one mark for "no face" and "outside"."""

import zipfile
import zlib
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
SingleArray = NDArray[np.float32]
ShortIntArray = NDArray[np.int32]

NO_FACE = -1
"""Face index of a ray that hits nothing."""

OUTSIDE = -1
"""Bay index of the air round the structure."""

UP = (0.0, 0.0, 1.0)

BUDGET = 2**30
"""Bytes that no array of samples, rays or films may exceed, however large the mesh: 1 GiB."""


def frozen_floats(values: ArrayLike, *, shape: tuple[int, ...], name: str) -> FloatArray:
    """Return a read-only float copy of `values`; -1 in `shape` matches any length.

    Raises
    ------
    ValueError
        When the shape differs or a value is not finite.
    """
    return _frozen_finite(np.array(values, dtype=np.float64, order="C"), shape, name)


def frozen_ints(values: ArrayLike, *, shape: tuple[int, ...], name: str) -> IntArray:
    """Return a read-only int64 copy of `values`; -1 in `shape` matches any length.

    Raises
    ------
    ValueError
        When the shape differs.
    """
    array = np.array(values, dtype=np.int64, order="C")
    if array.size == 0:
        array = array.reshape([0 if length < 0 else length for length in shape])
    _check_shape(array, shape, name)
    array.setflags(write=False)
    return array


def frozen_singles(values: ArrayLike, *, shape: tuple[int, ...], name: str) -> SingleArray:
    """Return a read-only single-precision copy of `values`; for what there is very much of.

    Raises
    ------
    ValueError
        When the shape differs or a value is not finite.
    """
    return _frozen_finite(np.array(values, dtype=np.float32, order="C"), shape, name)


def _frozen_finite(array: NDArray[Any], shape: tuple[int, ...], name: str) -> NDArray[Any]:
    _check_shape(array, shape, name)
    if not np.isfinite(array).all():
        message = f"{name}: every value must be finite, {int((~np.isfinite(array)).sum())} are not."
        raise ValueError(message)
    array.setflags(write=False)
    return array


def unit_vectors(vectors: ArrayLike) -> FloatArray:
    """Return `vectors` (..., 3) scaled to length one; a zero vector stays zero.

    >>> unit_vectors([0, 0, 5.0]).tolist()
    [0.0, 0.0, 1.0]
    """
    array = np.asarray(vectors, dtype=np.float64)
    length = np.linalg.norm(array, axis=-1, keepdims=True)
    scaled: FloatArray = np.divide(array, length, out=np.zeros_like(array), where=length > 0)
    return scaled


def plane_across(axis: ArrayLike) -> FloatArray:
    """Return two unit vectors (2, 3) square to a unit `axis` (3,) and to each other, right-handed with it.

    >>> plane_across([0.0, 0.0, 1.0]).tolist()
    [[0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]]
    """
    along = np.asarray(axis, dtype=np.float64)
    first = unit_vectors(np.cross(along, np.eye(3)[np.argmin(np.abs(along))]))
    return np.stack([first, np.cross(along, first)])


def read_arrays(file: Any, *, most: int) -> dict[str, NDArray[Any]]:
    """Return the arrays of a numpy archive (.npz), refused where they would grow past `most` bytes.

    Raises
    ------
    OSError
        When the file cannot be read.
    ValueError
        When it is no archive of plain arrays, is damaged, or grows to more than `most` bytes.
    """
    try:
        with zipfile.ZipFile(file) as archive:
            grown = sum(entry.file_size for entry in archive.infolist())
            if grown > most:
                message = f"its arrays grow to {grown:,} bytes, at most {most:,} are taken"
                raise ValueError(message)
        if hasattr(file, "seek"):
            file.seek(0)
        with np.load(file, allow_pickle=False) as stored:
            return {name: stored[name] for name in stored.files}
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        KeyError,
        MemoryError,
        RuntimeError,  # an encrypted entry, or a kind of compression that this Python lacks
    ) as error:
        message = f"{type(error).__name__}: {error}"
        raise ValueError(message) from error


def _check_shape(array: NDArray[Any], shape: tuple[int, ...], name: str) -> None:
    fits = array.ndim == len(shape) and all(
        want in (-1, got) for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        message = f"{name}: shape {array.shape} found, {shape} needed (-1: any length)."
        raise ValueError(message)
