"""What a plan leaves behind so that others can check it: columns, certificate, trade-off curves."""

import io
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach.plan._curves import curve_csv, curve_svg, passes_csv, passes_svg

if TYPE_CHECKING:
    from bayreach.plan._records import Plan

COLUMNS_FILE = "columns.npz"
CERTIFICATE_FILE = "certificate.json"
CURVE_FILE, CURVE_PICTURE = "curve.csv", "curve.svg"
PASSES_FILE, PASSES_PICTURE = "passes_curve.csv", "passes_curve.svg"
LAW = (
    "holes >= price*asked - sum over sides that can be covered max(0, price*area - weight) "
    "- sum over candidate holes max(0, sum over sides share*weight - 1)"
)


@dataclass(frozen=True, kw_only=True)
class CertificateRecord:
    """What a plan claims, and the witness that `prove` adds up again with the columns beside it.

    `witness_rows` are rows of the columns, with one of the `weights` each; `law` says how they give the
    `bound` on new holes, `holes_bound` the least whole number of them.
    """

    says: str
    scope: str
    share_asked: float
    coverage: float
    new_holes: int
    holes_bound: int
    price_per_m2: float
    witness_rows: Sequence[int]
    weights: Sequence[float]
    bound: float
    law: str = LAW


def proof_files(plan: "Plan") -> dict[str, bytes]:
    """Return the files, by name, that `bayreach prove` needs, and both curves as CSV and picture."""
    return {
        COLUMNS_FILE: _columns_bytes(plan),
        CERTIFICATE_FILE: _certificate_bytes(plan),
        CURVE_FILE: curve_csv(plan.curve).encode(),
        CURVE_PICTURE: curve_svg(plan.curve, plan.target).encode(),
        PASSES_FILE: passes_csv(plan.pass_curve).encode(),
        PASSES_PICTURE: passes_svg(plan.pass_curve, plan.target).encode(),
    }


def _columns_bytes(plan: "Plan") -> bytes:
    problem = plan.problem
    table = problem.lets_in.tocoo()
    buffer = io.BytesIO()
    np.savez_compressed(
        buffer,
        film_starts=problem.film.indptr.astype(np.int64),
        film_rows=problem.film.indices.astype(np.int32),
        film_m=problem.film.data.astype(np.float32),
        areas_m2=problem.areas,
        need_m=problem.need,
        most=problem.most,
        entry_of_pass=np.stack([table.row, table.col]).astype(np.int32),
        new_entry=problem.new,
        sides=plan.sides,
        amounts=plan.cover.amounts,
    )
    return buffer.getvalue()


def _certificate_bytes(plan: "Plan") -> bytes:
    proof = plan.certificate
    table = CertificateRecord(
        says=plan.statement,
        scope=plan.scope,
        share_asked=plan.problem.share,
        coverage=plan.coverage,
        new_holes=plan.new_holes,
        holes_bound=proof.holes,
        price_per_m2=proof.price,
        witness_rows=proof.sides.tolist(),
        weights=proof.weights.tolist(),
        bound=proof.bound,
    )
    return (json.dumps(asdict(table), indent=1) + "\n").encode()
