"""Arrays that enter the package are laid out row by row, whatever order they came in."""

import io
import zipfile
from pathlib import Path

import numpy as np
import pytest

from bayreach.arrays import frozen_floats, frozen_ints, read_arrays


def test_arrays_are_stored_row_by_row_however_they_came() -> None:
    # Fancy indexing and transposing give column order; the ray engine, which reads memory as it is, then saw
    # other triangles and missed 96 of 100 rays.
    ints = np.asfortranarray(np.arange(12).reshape(4, 3))
    assert frozen_ints(ints, shape=(-1, 3), name="faces").flags.c_contiguous
    assert frozen_floats(ints.astype(float), shape=(-1, 3), name="points").flags.c_contiguous


def test_an_archive_that_grows_past_its_limit_is_refused_before_it_is_read(tmp_path: Path) -> None:
    # A million zeros take a kilobyte on disk.
    np.savez_compressed(tmp_path / "bomb.npz", values=np.zeros(1_000_000))
    assert (tmp_path / "bomb.npz").stat().st_size < 20_000
    assert (read_arrays(tmp_path / "bomb.npz", most=8_001_000)["values"] == 0).all()
    with pytest.raises(ValueError, match=r"grow to 8,000,\d+ bytes, at most 1,000,000 are taken"):
        read_arrays(tmp_path / "bomb.npz", most=1_000_000)


@pytest.mark.parametrize("damage", [b"", b"PK", b"not an archive"])
def test_a_damaged_archive_is_a_value_error(tmp_path: Path, damage: bytes) -> None:
    (tmp_path / "bad.npz").write_bytes(damage)
    with pytest.raises(ValueError, match="BadZipFile"):
        read_arrays(tmp_path / "bad.npz", most=1000)


def test_an_archive_whose_array_lies_about_its_size_is_a_value_error(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    np.save(buffer, np.zeros(3))
    # The same length of header, but a hundred thousand million numbers claimed.
    lie = buffer.getvalue().replace(b"(3,), }           ", b"(99999999999,), } ")
    assert lie != buffer.getvalue()
    with zipfile.ZipFile(tmp_path / "lie.npz", "w") as archive:
        archive.writestr("values.npy", lie)
    with pytest.raises(ValueError, match=r"Error|EOF|Failed to read|cannot reshape"):
        read_arrays(tmp_path / "lie.npz", most=10_000)
