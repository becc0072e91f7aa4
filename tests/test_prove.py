"""Prove: the stored numbers are added up again; a claim that is not borne out is caught."""

import json

import numpy as np
import pytest
from specimens import box, mended, moved
from test_plan import planned, wand

from bayreach import plan, prove
from bayreach.errors import StoreError


@pytest.fixture(scope="module")
def files():
    """Return the files of a plan for two sealed boxes: two holes, proven."""
    two = mended(*(moved(box((0.3, 0.2, 0.2)), [0, 0.6 * k, 0]) for k in range(2)))
    return plan.proof_files(planned(two, share=0.9, wands=[wand()]))


@pytest.fixture
def folder(files, tmp_path):
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    return tmp_path


def claim(folder, **changes):
    path = folder / prove.CERTIFICATE_FILE
    path.write_text(json.dumps(json.loads(path.read_text()) | changes))


def test_a_plan_proves_its_holes_and_its_coverage(folder):
    """Two boxes, each in need of a hole: weights on sides of both add up to more than 1, so 2."""
    proof = prove.prove(folder)
    assert proof.holds
    assert (proof.holes, proof.holes_bound) == (2, 2)
    assert proof.coverage >= 0.9
    assert "the proof holds" in proof.lines()


def test_the_room_below_finds_the_same_bound_by_other_code(files, folder):
    """`cover.hole_bound` uses sparse matrices, `prove` plain numpy: one number."""
    said = json.loads(files[plan.CERTIFICATE_FILE])
    assert prove.prove(folder).bound == pytest.approx(said["bound"], abs=1e-9)


@pytest.mark.parametrize("change", [{"coverage": 1.1}, {"new_holes": 1}, {"bound": 2.5}])
def test_a_claim_that_is_too_good_is_caught(folder, change):
    claim(folder, **change)
    proof = prove.prove(folder)
    assert not proof.holds
    assert "the proof DOES NOT HOLD" in proof.lines()


def test_swollen_weights_prove_no_more(folder):
    """Weak duality: whatever the weights are, the bound stays true."""
    said = json.loads((folder / prove.CERTIFICATE_FILE).read_text())
    claim(folder, weights=[10 * weight for weight in said["weights"]], bound=0.0)
    assert prove.prove(folder).bound <= 2.0 + 1e-9


def test_missing_and_foreign_files_are_refused_by_name(folder):
    claim(folder, witness_rows=[10**6], weights=[1.0])
    with pytest.raises(StoreError, match=r"it names sides that columns\.npz lacks"):
        prove.prove(folder)
    (folder / prove.COLUMNS_FILE).write_bytes(b"PK no archive")
    with pytest.raises(StoreError, match="the columns of the plan cannot be read"):
        prove.prove(folder)
    (folder / prove.CERTIFICATE_FILE).unlink()
    (folder / prove.COLUMNS_FILE).write_bytes(b"")
    with pytest.raises(StoreError, match=r"columns\.npz"):
        prove.prove(folder)


def test_the_curve_is_written_as_a_table_and_a_picture(files):
    """No hole covers nothing; one box is half of the area; two boxes are all of it, or nearly."""
    rows = files["curve.csv"].decode().splitlines()
    assert rows[0] == "new_holes,coverage,bound,proven"
    shares = [float(row.split(",")[1]) for row in rows[1:]]
    assert shares[:3] == pytest.approx([0.0, 0.5, 1.0], abs=0.02)
    assert np.all(np.diff(shares) >= 0)
    picture = files["curve.svg"].decode()
    assert picture.startswith("<svg")
    assert "target 90" in picture


def test_the_passes_are_written_by_what_each_adds_as_a_table_and_a_picture(files):
    """None covers nothing; the share only grows; all of them cover what the plan does."""
    rows = files["passes_curve.csv"].decode().splitlines()
    assert rows[0] == "passes,coverage"
    shares = [float(row.split(",")[1]) for row in rows[1:]]
    assert [row.split(",")[0] for row in rows[1:]] == [str(n) for n in range(len(shares))]
    assert shares[0] == 0.0
    assert shares[-1] >= 0.9
    assert np.all(np.diff(shares) >= 0)
    assert "Coverage against number of passes" in files["passes_curve.svg"].decode()
