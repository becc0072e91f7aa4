"""Columns kept by content between plans: after a changed wand or keep-out all others are still valid."""

import io
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from bayreach.errors import StoreError
from bayreach.film import Column

KEPT_FILE = "kept.npz"


def kept_bytes(cache: Mapping[str, Column]) -> bytes:
    """Return the columns as one archive: read it back with `kept_from`."""
    keys = sorted(cache)
    columns = [cache[key] for key in keys]
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        keys=np.array(keys, dtype="U64"),
        starts=np.cumsum([0, *(len(column.sides) for column in columns)]),
        sides=np.concatenate([np.zeros(0, dtype=np.int64), *(column.sides for column in columns)]),
        direct=np.concatenate([np.zeros(0), *(column.direct for column in columns)]),
        areas=np.concatenate([np.zeros(0), *(column.areas for column in columns)]),
        fog=np.array([column.fog_to_bay for column in columns]),
        rest=np.array([(column.escaped, column.elsewhere, column.length) for column in columns]),
    )
    return buffer.getvalue()


def kept_from(path: Path) -> dict[str, Column]:
    """Return the columns kept in an archive, by content; none where there is no such file.

    Raises
    ------
    StoreError
        When the file is there and cannot be read.
    """
    if not path.exists():
        return {}
    try:
        with np.load(path, allow_pickle=False) as stored:
            table = {name: stored[name] for name in stored.files}
        starts = table["starts"]
        return {
            str(key): Column(
                sides=table["sides"][starts[k] : starts[k + 1]],
                direct=table["direct"][starts[k] : starts[k + 1]],
                areas=table["areas"][starts[k] : starts[k + 1]],
                fog_to_bay=table["fog"][k],
                escaped=float(table["rest"][k, 0]),
                elsewhere=float(table["rest"][k, 1]),
                length=float(table["rest"][k, 2]),
            )
            for k, key in enumerate(table["keys"])
        }
    except (OSError, ValueError, KeyError, EOFError, IndexError) as error:
        message = f"{path}: the columns kept there cannot be read ({error}); plan without --keep."
        raise StoreError(message) from error
