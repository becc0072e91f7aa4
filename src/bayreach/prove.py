"""Re-check a plan's coverage and its bound on holes from the stored columns, with no solver and no ray."""

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import BoolArray, FloatArray, read_arrays
from bayreach.errors import StoreError

COLUMNS_FILE = "columns.npz"
CERTIFICATE_FILE = "certificate.json"
NUMBERS = ("coverage", "new_holes", "bound", "share_asked", "price_per_m2")
"""Keys of the certificate that hold one number each."""
MOST_COLUMNS = 8 << 30
"""Bytes that the columns of a plan may grow to when they are read."""
HAIR = 1e-9
"""Relative slack by which a film may miss the need and still count; the same as in the plan."""


@dataclass(frozen=True, kw_only=True)
class Proof:
    """What the stored numbers say when they are added up again.

    Parameters
    ----------
    coverage, coverage_claimed : float
        Share of area whose film reaches the need, as found here and as the plan says.
    holes, holes_claimed : int
        New holes that the amounts use, as found here and as the plan says.
    bound : float
        New holes that the witness weights prove to be needed, as found here.
    bound_claimed : float
        The same as the certificate says.
    scope : str
        What the proof speaks of.
    """

    coverage: float
    coverage_claimed: float
    holes: int
    holes_claimed: int
    bound: float
    bound_claimed: float
    scope: str

    @property
    def holds(self) -> bool:
        """Say whether every claim is borne out: coverage and bound no less than claimed, holes no more."""
        return (
            self.coverage >= self.coverage_claimed - 1e-6
            and self.holes <= self.holes_claimed
            and self.bound >= self.bound_claimed - 1e-6
        )

    @property
    def holes_bound(self) -> int:
        """The fewest new holes that the weights leave possible."""
        return max(0, math.ceil(self.bound - 1e-6))

    def lines(self) -> list[str]:
        """Return the proof in words, a line each."""
        verdict = "holds" if self.holds else "DOES NOT HOLD"
        return [
            f"coverage {self.coverage:.6f} from the columns, {self.coverage_claimed:.6f} claimed",
            f"new holes {self.holes} used, {self.holes_claimed} claimed",
            f"at least {self.holes_bound} new holes are needed: {self.bound:.6f} from the witness weights, "
            f"{self.bound_claimed:.6f} claimed",
            f"scope: {self.scope}",
            f"the proof {verdict}",
        ]


def prove(folder: Path) -> Proof:
    """Return what the columns and the certificate in `folder` prove, by numpy alone.

    Raises
    ------
    StoreError
        When a file is missing, unreadable, or does not belong to the other.
    """
    columns = _columns(folder / COLUMNS_FILE)
    said = _certificate(folder / CERTIFICATE_FILE, len(columns["areas_m2"]))
    film = _times(columns, columns["amounts"])
    need = columns["need_m"]
    areas = columns["areas_m2"]
    covered = film >= need * (1.0 - HAIR)
    entries, passes = columns["entry_of_pass"]
    used = np.unique(entries[columns["amounts"][passes] > 0])
    total = float(areas.sum())
    return Proof(
        coverage=float(areas[covered].sum()) / total if total else 0.0,
        coverage_claimed=said["coverage"],
        holes=int(columns["new_entry"][used].sum()),
        holes_claimed=int(said["new_holes"]),
        bound=_hole_bound(columns, said),
        bound_claimed=said["bound"],
        scope=said["scope"],
    )


def _columns(path: Path) -> dict[str, NDArray[Any]]:
    try:
        columns = read_arrays(path, most=MOST_COLUMNS)
    except FileNotFoundError:
        message = (
            f"{path.parent}: has no {path.name}, so there is no plan to prove; run `bayreach plan` first."
        )
        raise StoreError(message) from None
    except (OSError, ValueError) as error:
        message = f"{path}: the columns of the plan cannot be read ({error}); run `bayreach plan` again."
        raise StoreError(message) from error
    fault = _columns_fault(columns)
    if fault is not None:
        message = f"{path}: the columns of the plan are damaged ({fault}); run `bayreach plan` again."
        raise StoreError(message)
    return columns


def _columns_fault(columns: dict[str, NDArray[Any]]) -> str | None:
    """Return what is wrong with the arrays that a proof is added up from; None where they fit each other."""
    kinds = {"areas_m2": "f", "need_m": "f", "amounts": "f", "most": "f", "film_m": "f", "film_rows": "iu",
             "film_starts": "iu", "entry_of_pass": "iu", "new_entry": "b"}  # fmt: skip
    for name, kind in kinds.items():
        if name not in columns or columns[name].dtype.kind not in kind:
            return f"{name} is missing or of another kind"
        least = -np.inf if name == "amounts" else 0.0  # a solver's zero may be a hair below
        if not np.isfinite(columns[name]).all() or (columns[name] < least).any():
            return f"{name} holds a number below zero, or none"
    n_sides, n_passes, n_values = (columns[name].size for name in ("areas_m2", "amounts", "film_m"))
    pairs = columns["entry_of_pass"]
    shapes = {"areas_m2": (n_sides,), "need_m": (n_sides,), "amounts": (n_passes,), "most": (n_passes,),
              "film_m": (n_values,), "film_rows": (n_values,), "film_starts": (n_passes + 1,),
              "entry_of_pass": (2, pairs.size // 2), "new_entry": (columns["new_entry"].size,)}  # fmt: skip
    for name, shape in shapes.items():
        if columns[name].shape != shape:
            return f"{name} has the shape {columns[name].shape}, not {shape}"
    starts = columns["film_starts"].astype(np.int64)
    limits = [(columns["film_rows"], n_sides), (pairs[0], columns["new_entry"].size), (pairs[1], n_passes)]
    if starts[0] != 0 or starts[-1] != n_values or (np.diff(starts) < 0).any():
        return "film_starts does not part film_m"
    if any(len(places) and int(places.max()) >= limit for places, limit in limits):
        return "a number of a side, a pass or an entry is too large"
    return None if (columns["need_m"] > 0).all() else "need_m is zero somewhere"


def _certificate(path: Path, n_sides: int) -> dict[str, Any]:
    """Return the certificate, its numbers as floats and its rows and weights as arrays of equal length."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
        numbers = {name: float(said[name]) for name in NUMBERS}
        rows = np.array(said["witness_rows"], dtype=np.float64).reshape(-1)
        weights = np.array(said["weights"], dtype=np.float64).reshape(-1)
        scope = str(said["scope"])
    except KeyError as error:
        message = f"{path}: the certificate lacks {error.args[0]}; run `bayreach plan` again."
        raise StoreError(message) from error
    except (OSError, ValueError, TypeError, OverflowError, RecursionError) as error:
        message = f"{path}: the certificate cannot be read ({error}); run `bayreach plan` again."
        raise StoreError(message) from error
    if len(rows) != len(weights) or not np.isfinite([*numbers.values(), *rows, *weights]).all():
        message = f"{path}: the certificate lacks weights, or one is no number; run `bayreach plan` again."
        raise StoreError(message)
    if any(not 0 <= row < n_sides or row % 1 for row in rows):
        message = f"{path}: it names sides that {COLUMNS_FILE} lacks; plan again."
        raise StoreError(message)
    return {**numbers, "scope": scope, "witness_rows": rows.astype(np.int64), "weights": weights}


def _times(columns: dict[str, Any], amounts: FloatArray) -> FloatArray:
    """Return film (n_sides,) m of amounts (n_passes,): the sparse product, written out."""
    starts, rows, values = columns["film_starts"], columns["film_rows"], columns["film_m"]
    each = np.repeat(amounts, np.diff(starts))
    return np.asarray(
        np.bincount(rows, values.astype(np.float64) * each, len(columns["areas_m2"])), dtype=float
    )


def _hole_bound(columns: dict[str, Any], said: dict[str, Any]) -> float:
    """Return the holes that the weights prove: the law that the certificate states, term by term."""
    areas, need, most = columns["areas_m2"], columns["need_m"], columns["most"]
    new = columns["new_entry"].astype(bool)
    entries, passes = columns["entry_of_pass"]
    open_pass: BoolArray = np.zeros(len(most), dtype=bool)
    open_pass[passes[~new[entries]]] = True
    base = _times(columns, np.where(open_pass, most, 0.0)) / need
    done = base >= 1.0 - HAIR
    missing = np.where(done, np.inf, np.maximum(1.0 - base, 1e-300))
    witness = np.zeros(len(areas))
    witness[said["witness_rows"]] = np.maximum(0.0, said["weights"])
    witness[done] = 0.0
    within_reach = np.zeros(len(areas))
    dear = 0.0
    for hole in np.flatnonzero(new):  # one product a candidate hole
        own = passes[entries == hole]
        chosen = np.zeros(len(most), dtype=bool)
        chosen[own] = True
        share = _times(columns, np.where(chosen & ~open_pass, most, 0.0)) / need / missing
        share = np.where(share >= 1.0 - HAIR, 1.0, share)
        within_reach += share
        dear += max(0.0, float(share @ witness) - 1.0)
    can = done | (within_reach >= 1.0 - HAIR)
    price = said["price_per_m2"]
    asked = said["share_asked"] * float(areas.sum()) * (1.0 - HAIR)
    kept = float(np.maximum(0.0, price * areas - witness)[can].sum())
    return float(price * asked - kept - dear)
