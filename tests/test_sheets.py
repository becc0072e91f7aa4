"""Documents: lengths read back from paper and DXF, figures against the result, names that mean harm."""

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from gold_pictures import looks_as_accepted
from pdf_strokes import Stroke, strokes_of
from sample_case import sample_case, sample_mesh, sample_record, sample_sides

from bayreach import store
from bayreach.errors import DisplayError, StoreError
from bayreach.mesh import Mesh, mesh_of
from bayreach.paper import pdf, png_pages
from bayreach.picture import _result_sheet, _seen, feature_edges
from bayreach.report import Case, all_words, case_of, percent, read_case
from bayreach.sheets import documents, write_sheets
from bayreach.sheets._cards import cards_data, clock_hour
from bayreach.sheets._markup import clock_face, escaped
from bayreach.sheets._pack import FILM_RATIO, _wet_by, film_of, film_steps, packed
from bayreach.sheets._page import page, table_text
from bayreach.sheets._patch import patch_of
from bayreach.sheets._record import record_data, record_json
from bayreach.sheets._template import _neighbours, looked_behind, template_of
from bayreach.sheets._template_sheet import template_dxf, templates_data

HARM = (
    "<script>alert('x')</script>\"'&</style> #import \"/etc/x\" \\ $x$ \u05e9\u05dc\u05d5\u05dd \u202egnp.exe"
)
LONG = "N" * 200


@pytest.fixture(autouse=True)
def _drawn_by_rays(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out the drawing process: it is tested with the viewer, and costs seconds."""

    def refuse(*_: object) -> None:
        message = "left out"
        raise DisplayError(message)

    monkeypatch.setattr(_seen, "by_vtk", refuse)
    monkeypatch.setattr(_result_sheet, "FINE", 1)


@pytest.fixture(scope="module")
def case() -> Case:
    return sample_case(0.02)


def pages_of(data: bytes) -> list[Any]:
    from pypdf import PdfReader

    return list(PdfReader(io.BytesIO(data)).pages)


class Letters(str):
    """Text compared without its spaces: readers of PDF tell kerning and spaces apart by their own lights."""

    def __new__(cls, text: str) -> "Letters":
        return super().__new__(cls, "".join(text.split()))

    def __contains__(self, part: object) -> bool:
        return super().__contains__("".join(str(part).split()))


def text_of(data: bytes) -> str:
    # Soft breaks are put into long words; what a reader sees is the word.
    return "\n".join(one.extract_text() for one in pages_of(data)).replace("\u200b", "")


@pytest.fixture(scope="module")
def template_strokes(case: Case) -> list[Stroke]:
    return strokes_of(pages_of(pdf("template", templates_data(case, [template_of(case, case.holes[0])])))[0])


def test_the_rulers_of_the_template_are_100_mm_both_ways(template_strokes: list[Stroke]) -> None:
    sizes = sorted(tuple(one.size.round(6)) for one in template_strokes if one.colour == "#0000c8")
    assert len(sizes) == 2
    np.testing.assert_allclose(sizes, [(0.0, 100.0), (100.0, 0.0)], atol=1e-3)


def test_the_hole_on_paper_has_its_size_and_its_datum_distances(template_strokes: list[Stroke]) -> None:
    (hole,) = [one for one in template_strokes if one.colour == "#c0006a"]
    np.testing.assert_allclose(hole.size, 12.7, atol=1e-3)
    middle = (hole.points.min(axis=0) + hole.points.max(axis=0)) / 2
    dimensions = [one.points for one in template_strokes if one.colour == "#565656" and len(one.points) == 2]
    lengths = [
        float(np.linalg.norm(points[1] - points[0]))
        for points in dimensions
        if np.linalg.norm(points[0] - middle) < 0.01
    ]
    # The hole stands at x = 900, y = 300 on a skin that ends at x = 1200 and y = 400: 300 and 100 mm from
    # its edges, hypot(300, 100) from their corner, hypot(300, 200) from where the stringer at y = 100 ends.
    wanted = [300.0, 100.0, np.hypot(300, 100), np.hypot(300, 200)]
    np.testing.assert_allclose(sorted(lengths), sorted(wanted), atol=0.1)


def test_viewers_are_told_not_to_scale_any_document(case: Case) -> None:
    from pypdf import PdfReader

    for name, data in (
        ("template", templates_data(case, [template_of(case, case.holes[0])])),
        ("record", record_data(case, "0" * 64)),
    ):
        root = PdfReader(io.BytesIO(pdf(name, data))).trailer["/Root"]
        assert root["/ViewerPreferences"]["/PrintScaling"] == "/None"


def test_the_dxf_passes_its_audit_and_holds_the_same_lengths(case: Case) -> None:
    import ezdxf

    text = template_dxf(case, template_of(case, case.holes[0])).decode()
    drawing = ezdxf.read(io.StringIO(text))
    assert drawing.audit().errors == []
    assert drawing.units == ezdxf.units.MM
    space = drawing.modelspace()
    (hole,) = space.query('CIRCLE[layer=="HOLE"]')
    assert (hole.dxf.radius, tuple(hole.dxf.center)) == (6.35, (0.0, 0.0, 0.0))
    datums = [(line.dxf.end - line.dxf.start).magnitude for line in space.query('LINE[layer=="DATUM"]')]
    np.testing.assert_allclose(sorted(datums), [100.0, 300.0], atol=1e-6)
    rulers = [(line.dxf.end - line.dxf.start).magnitude for line in space.query('LINE[layer=="RULER"]')]
    assert sum(length == pytest.approx(100.0) for length in rulers) == 2
    notes = [one.dxf.text for one in space.query('TEXT[layer=="NOTES"]')]
    assert "CANDIDATE: NOT APPROVED DATA" in notes


def tube(n: int, radius: float = 0.1, length: float = 0.3) -> Mesh:
    """Return half a tube along x of n flat strips: an open shell whose free edges lie at half turns."""
    turns = np.linspace(0.0, np.pi, n + 1)
    x = np.linspace(-length / 2, length / 2, 13)
    points = [[at, radius * np.cos(turn), radius * np.sin(turn)] for at in x for turn in turns]
    place = np.arange(len(points)).reshape(len(x), n + 1)
    a, b, c, d = place[:-1, :-1], place[1:, :-1], place[1:, 1:], place[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return mesh_of(points, faces)


def test_a_tube_unrolls_to_the_length_of_its_strips() -> None:
    n, radius = 24, 0.1
    patch = patch_of(tube(n, radius), np.array([0.0, 0.0, radius]), np.array([0.0, 0.0, 1.0]))
    assert patch.method == "unrolled"
    assert patch.error < 1e-12
    # From the crown to the free edge lie n / 2 strips, each as wide as its chord 2 R sin(pi / 2 n).
    half = n / 2 * 2 * radius * np.sin(np.pi / (2 * n))
    flat = patch.points[:, 1]
    np.testing.assert_allclose([flat.min(), flat.max()], [-half, half], atol=1e-12)
    np.testing.assert_allclose(np.ptp(patch.points[:, 0]), 0.3, atol=1e-12)


def test_a_neighbour_on_a_curved_skin_stands_where_the_skin_is_unrolled_to(case: Case) -> None:
    n, radius = 24, 0.1
    turn = np.pi / 2 - 8 * np.pi / n  # eight strips from the crown
    there = (0.05, radius * np.cos(turn), radius * np.sin(turn))
    crown = replace(case.holes[0], name="crown", center=(0.0, 0.0, radius), normal=(0.0, 0.0, 1.0))
    other = replace(crown, name="other", center=there)
    behind = replace(crown, name="behind", center=(0.05, 0.0, 0.0))  # off the skin: none of its holes
    curved = replace(case, mesh=tube(n, radius), holes=(crown, other, behind), openings=())
    patch = patch_of(curved.mesh, np.array(crown.center), np.array(crown.normal))
    (found,) = _neighbours(curved, crown, patch)
    # Eight chords of 2 R sin(pi / 2 n) across and 50 mm along: 116.0 mm, where the straight way is 111.8 mm.
    across = 8 * 2 * radius * np.sin(np.pi / (2 * n))
    np.testing.assert_allclose(np.sort(np.abs(found.place)), np.sort([across, 0.05]), atol=1e-9)
    assert found.pitch == pytest.approx(np.hypot(across, 0.05), abs=1e-9)


def test_a_ball_cannot_be_unrolled_and_says_so() -> None:
    turns, tilts = np.linspace(0, 2 * np.pi, 49)[:-1], np.linspace(0.02, 1.2, 24)
    points = [
        [0.2 * np.sin(tilt) * np.cos(turn), 0.2 * np.sin(tilt) * np.sin(turn), 0.2 * np.cos(tilt)]
        for tilt in tilts
        for turn in turns
    ]
    place = np.arange(len(points)).reshape(len(tilts), len(turns))
    after = np.roll(place, -1, axis=1)
    faces = np.concatenate(
        [
            np.stack([place[:-1], place[1:], after[1:]], -1).reshape(-1, 3),
            np.stack([place[:-1], after[1:], after[:-1]], -1).reshape(-1, 3),
        ]
    )
    patch = patch_of(mesh_of(points, faces), np.array([0.0, 0.0, 0.2]), np.array([0.0, 0.0, 1.0]))
    assert patch.method == "projected"
    # At 120 mm from the pole of a ball of 200 mm: the arc is R asin(0.6) = 128.7 mm at most, 8.7 mm over the
    # projection; the unrolled strips disagree by more.
    assert patch.error > 5e-3


def test_a_joint_behind_the_skin_is_a_line_of_the_template(case: Case) -> None:
    template = template_of(case, case.holes[0])
    assert {("rib 1", "joint"), ("stringer_web", "joint"), ("spar_rear", "fold")} <= {
        (line.name, line.kind) for line in template.lines
    }
    assert template.patch.method == "flat"
    assert [one.name for one in template.datums] == ["spar_rear", "end_outer"]


def test_what_lies_behind_the_skin_is_the_nearest_part_over_the_drill_s_width(case: Case) -> None:
    outward = np.array([0.0, 0.0, -1.0])
    clearance, name = looked_behind(case.mesh, np.array([0.9, 0.3, 0.0]), outward, 0.00635)
    assert (clearance, name) == (pytest.approx(0.2), "skin_upper")
    # The stringer's flange reaches from y = 100 to 130 mm, 40 mm above the skin: under the ring of 10 mm.
    clearance, name = looked_behind(case.mesh, np.array([0.9, 0.14, 0.0]), outward, 0.00635)
    assert (clearance, name) == (pytest.approx(0.04), "stringer_flange")


def test_the_cards_hold_every_pass_with_its_depths_seconds_and_liquid(case: Case) -> None:
    text = text_of(pdf("cards", cards_data(case, {})))
    for one in case.passes:
        assert one.wand in text
        assert one.opening in text
        assert f"{one.liquid * 1e6:.3g} mL" in text
        for depth in (one.deepest, one.shallowest):
            assert f"{depth * 1e3:.0f} mm" in text or f"{depth * 1e3:.1f} mm" in text
    assert "135°\n4:30 h" in text
    assert text.count("any clock") == 2
    assert "candidate, not approved data" in text or "candidates, not approved data" in text


def test_the_plan_tells_when_each_pass_begins_where_to_refill_and_how_to_check(case: Case) -> None:
    rows = cards_data(case, {})["order"]
    assert [(row["start"], row["refill"]) for row in rows] == [
        ("0:10", False),
        ("0:15", False),
        ("0:25", True),
    ]
    text = Letters(pages_of(pdf("cards", cards_data(case, {})))[0].extract_text())
    assert "refill the tank first" in text
    assert "1:15 h by common practice" in text
    assert "mirror root port" in text
    assert "0.55 m² (5.92 ft²) more is counted as covered and no tool named can judge it" in text


def test_there_is_one_card_an_opening_after_the_plan(case: Case) -> None:
    pages = pages_of(pdf("cards", cards_data(case, {})))
    assert len(pages) == 3
    assert "root port" in pages[1].extract_text()
    assert "candidate 1" in pages[2].extract_text()


def test_a_card_of_more_than_a_page_names_its_opening_on_each(case: Case) -> None:
    many = replace(case, passes=(case.passes[0],) * 12)
    texts = [one.extract_text() for one in pages_of(pdf("cards", cards_data(many, {})))]
    cards = [text for text in texts if "Opening\nroot port\n" in text]
    assert [text.count("in all") for text in cards] == [9, 3]


def test_bays_that_no_film_reaches_stand_first() -> None:
    rows = sample_record()["bays"]
    rows[1] = {**rows[1], "covered_m2": 0.0, "low_m2": 0.0, "dry_m2": 1.1}
    data = cards_data(sample_case(0.05, bays=rows), {})
    assert data["unreached"] == [{"name": "bay 2", "text": "1.1 m² (11.8 ft²); no pass comes this far"}]
    assert [bay["name"] for bay in data["bays"]] == ["bay 2", "bay 1"]


def test_the_record_ties_itself_to_the_plan_and_leaves_people_s_part_blank(case: Case) -> None:
    form = json.loads(record_json(case, "ab" * 32))
    assert form["plan_sha256"] == "ab" * 32
    assert all(value is None for value in form["signatures"].values())
    assert form["liquid_lot"] is None
    assert [bay["seen_wet"] for bay in form["bays"]] == [None, None]
    assert form["holes"][0]["status"] == "candidate, not approved data"
    assert sum(one["planned_liquid_m3"] for one in form["passes"]) == pytest.approx(
        sum(one.liquid for one in case.passes)
    )
    text = text_of(pdf("record", record_data(case, "ab" * 32)))
    assert "ab" * 32 in text.replace("\n", "")
    assert "lot" in text


def harmful_case() -> Case:
    record = sample_record(title=HARM)
    record["bays"][0]["name"] = LONG
    record["openings"][0]["name"] = HARM
    record["passes"][0]["opening"] = HARM
    record["passes"][0]["wand"] = LONG
    record["holes"][0]["name"] = HARM
    record["holes"][0]["why"] = LONG
    record["holidays"][0]["reason"] = HARM
    record["masks"][0]["name"] = LONG
    mesh = sample_mesh(0.05)
    return case_of(record, mesh, sample_sides(mesh))


def test_harmful_names_stay_text_in_every_document(tmp_path: Path) -> None:
    harmful = harmful_case()
    for name, data in documents(harmful, "0" * 64).items():
        (tmp_path / name).write_bytes(data)
    html = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert html.count("<script") == 3
    assert html.count("</script") == 3
    assert html.count("</style") == 1
    assert escaped(HARM) in html
    cards = text_of((tmp_path / "cards.pdf").read_bytes())
    assert "<script>alert" in cards
    assert "N" * 17 in cards


@pytest.mark.parametrize("name", ["cards", "template", "record"])
def test_long_names_do_not_run_off_the_paper(name: str) -> None:
    from PIL import Image

    harmful = harmful_case()
    data = {
        "cards": lambda: cards_data(harmful, {}),
        "template": lambda: templates_data(harmful, [template_of(harmful, harmful.holes[0])]),
        "record": lambda: record_data(harmful, "0" * 64),
    }[name]()
    for one in png_pages(name, data):
        picture = np.asarray(Image.open(io.BytesIO(one)).convert("L"))
        # The right margin is 15 mm of 210; nothing may stand in its outer 13.5 mm.
        assert picture[:, -int(picture.shape[1] * 13.5 / 210) :].min() > 250


def test_json_in_the_page_cannot_end_its_tag() -> None:
    text = table_text({"name": "</script><!--\u2028&"})
    assert "<" not in text
    assert json.loads(text) == {"name": "</script><!--\u2028&"}


def test_no_document_has_a_style_attribute_or_a_handler_that_the_policy_would_stop(case: Case) -> None:
    markup = page(case)
    body = markup[markup.index("<body>") : markup.index('<script type="application/json"')]
    assert " style=" not in body
    assert " on" not in [part[:3] for part in body.split('"')[::2] if part.startswith(" on")]


def test_films_keep_their_band_and_their_value_in_the_pack(case: Case) -> None:
    generator = np.random.default_rng(7)
    edges = np.array(case.scale.edges_um[1:])
    film = np.concatenate(
        [edges, np.nextafter(edges, 0.0), np.exp(generator.uniform(np.log(2e-3), np.log(900.0), 5000)), [0.0]]
    )
    shown = film_of(film_steps(film, case.scale))
    np.testing.assert_array_equal(case.scale.band_of(shown), case.scale.band_of(film))
    # Half a step of 0.2 %, and one step more where the band had to be kept.
    np.testing.assert_allclose(shown, film, rtol=1.5 * (FILM_RATIO - 1))


def test_feature_edges_are_folds_joints_and_free_edges_only() -> None:
    edges = feature_edges(sample_mesh(0.1))
    points = sample_mesh(0.1).points
    middles = points[edges[:, :2]].mean(axis=1)
    assert all(set(two) <= set(sample_mesh(0.1).faces[face]) for *two, face in edges.tolist())
    on_walls = (np.isclose(middles[:, [1, 2]], 0.0) | np.isclose(middles[:, [1, 2]], [0.4, 0.2])).any(axis=1)
    ends = np.isclose(middles[:, 0], 0.0) | np.isclose(middles[:, 0], 1.2) | np.isclose(middles[:, 0], 0.5)
    stringer = np.isclose(middles[:, 1], 0.1) | np.isclose(middles[:, 1], 0.13)
    assert (on_walls | ends | stringer).all()


def test_packing_a_noisy_mesh_costs_less_than_20_bytes_a_face_and_800_kb() -> None:
    # The worst for packing: points off their grid by random amounts, films without any pattern.
    mesh = sample_mesh(0.012)
    generator = np.random.default_rng(3)
    rough = Mesh(
        points=mesh.points + generator.normal(0, 2e-3, mesh.points.shape),
        faces=mesh.faces,
        face_parts=mesh.face_parts,
        part_names=mesh.part_names,
    )
    sides = sample_sides(mesh)
    film = np.where(sides.bay >= 0, np.exp(generator.normal(2, 1, len(sides.bay))), 0.0)
    from dataclasses import replace

    direct = film * generator.uniform(0.5, 1.0, len(film))
    noisy = case_of(sample_record(), rough, replace(sides, film_um=film, direct_um=direct))
    size = len(packed(noisy, feature_edges(rough)).text)
    assert size < 20 * rough.n_faces
    assert len(page(noisy)) < 20 * rough.n_faces + 800_000


DOUBT = {
    "samples": 1024,
    "covered_mean": 0.9176,
    "covered_p5": 0.91,
    "covered_p95": 0.925,
    "sure_fraction": 0.8936,
    "matters": {"aim": 0.43, "throw": 0.298, "pull speed": 0.02, "droplet": -0.01},
    "matters_error": 0.05,
    "bays": [
        {"name": "bay 1", "required_m2": 0.5, "sure_m2": 0.4, "even_m2": 0.45},
        {"name": "bay 2", "required_m2": 0.0, "sure_m2": 0.0, "even_m2": 0.0},
    ],
    "worst": [
        {"bay": "bay 1", "part": "rib_2", "area_m2": 0.0143, "chance": 0.0859, "center_m": [1.9, 0.2, 0.06]}
    ],
    "left_out": ["Creep and run-off are not in the chances."],
}


def test_the_cards_tell_how_sure_each_bay_is_what_matters_most_and_where_it_is_worst(case: Case) -> None:
    doubtful = replace(case, record={**case.record, "doubt": DOUBT})
    told = Letters(text_of(pdf("cards", cards_data(doubtful, {}))))
    assert "80 % of the required" in told
    assert "has a chance of 95 % or more, 90 % of 50 % or more" in told
    # A share within its error is not named; none is rounded up.
    assert "What the spread comes from, within 5 %: aim 43 %, throw 29.8 %" in told
    assert "pull speed" not in Letters(told.split("Whatthespreadcomesfrom")[1].split("Leastsure")[0])
    assert "of rib_2 in bay 1" in told
    assert "chance 8.5 %" in told
    assert "Left out: Creep and run-off are not in the chances." in told
    assert "How sure this is" not in Letters(text_of(pdf("cards", cards_data(case, {}))))


def test_every_text_of_the_page_comes_from_the_table() -> None:
    source = (Path(__file__).parents[1] / ".page" / "src").glob("*.js")
    keys = set()
    for file in source:
        text = file.read_text(encoding="utf-8")
        keys |= {piece.split('"')[0] for piece in text.split('said("')[1:]}
    assert keys
    assert keys <= set(all_words())


@pytest.mark.parametrize(("angle", "text"), [(0, "12 h"), (359, "12 h"), (45, "1:30 h"), (270, "9 h")])
def test_a_clock_angle_reads_as_hours(angle: float, text: str) -> None:
    assert clock_hour(angle) == text


def test_a_clock_without_meaning_has_no_hand() -> None:
    assert "rotate(90.0" in clock_face(90.0, label="")
    assert "#004488" not in clock_face(None, label="")


def test_a_stored_result_becomes_all_its_documents(tmp_path: Path) -> None:
    from results import small_plan, small_result

    from bayreach.sheets._record import plan_hash

    with store.reserved(tmp_path):
        store.write_result(tmp_path, small_result(small_plan()))
    case = read_case(tmp_path)
    assert case.sides.film_um[0] == pytest.approx(10.0)
    assert percent(0.5) == "50 %"
    names = [path.name for path in write_sheets(tmp_path)]
    assert {"sheet.html", "cards.pdf", "record.pdf", "record.json"} <= set(names)
    assert all((tmp_path / name).stat().st_size > 500 for name in names)
    assert json.loads((tmp_path / "record.json").read_bytes())["plan_sha256"] == plan_hash(tmp_path)


def test_no_other_result_comes_into_the_folder_while_documents_are_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from results import small_result

    def meanwhile(*_: object) -> dict[str, bytes]:
        with pytest.raises(StoreError, match="another bayreach is writing there"), store.reserved(tmp_path):
            raise AssertionError
        return {"cards.pdf": b"cards"}

    with store.reserved(tmp_path):
        store.write_result(tmp_path, small_result())
    monkeypatch.setattr("bayreach.sheets.documents", meanwhile)
    assert write_sheets(tmp_path) == [tmp_path / "cards.pdf"]
    with pytest.raises(StoreError, match="has no result"):
        write_sheets(tmp_path / "none")
    assert not (tmp_path / "none").exists()


@pytest.mark.parametrize(("name", "page_number"), [("cards", 1), ("template", 0), ("record", 0)])
def test_the_printed_pages_look_as_they_were_accepted(case: Case, name: str, page_number: int) -> None:
    data = {
        "cards": lambda: cards_data(case, {}),
        "template": lambda: templates_data(case, [template_of(case, case.holes[0])]),
        "record": lambda: record_data(case, "ab" * 32),
    }[name]()
    assert looks_as_accepted(f"print_{name}", png_pages(name, data)[page_number], tolerance=2.0)


def test_passes_beyond_the_first_word_of_bits_are_listed_too(case: Case) -> None:
    from dataclasses import replace

    words = (np.array([1, 1 << 61, 0, 0]), np.array([0, 0, 1, 1 << 7]))
    passes = tuple(replace(case.passes[0], wand=str(number)) for number in range(70))
    sides = replace(case.sides, bay=np.zeros(4, dtype=np.int64), wet_by=words)
    columns = _wet_by(replace(case, passes=passes, sides=sides))
    bits = [
        [side for column in columns for side in (column[1].ravel()[row] >> np.arange(8)) & 1]
        for row in range(4)
    ]
    assert [np.flatnonzero(one).tolist() for one in bits] == [[0], [61], [62], [69]]


def test_a_template_takes_one_page_that_fits_a4_and_us_letter(case: Case) -> None:
    pages = pages_of(pdf("template", templates_data(case, [template_of(case, case.holes[0])] * 2)))
    assert len(pages) == 2
    width, height = (float(value) * 25.4 / 72 for value in pages[0].mediabox[2:])
    # A4 is 210 by 297 mm, US letter 215.9 by 279.4 mm.
    assert width <= 210.01
    assert height <= 279.4


def test_a_result_without_passes_holes_or_dry_places_still_has_its_documents() -> None:
    gone = {
        key: []
        for key in ("openings", "passes", "holidays", "masks", "keep_outs", "drains", "pools", "wands")
    }
    target = {"film_min_m": 8e-6, "film_max_m": None, "film_is": "wet", "coverage": 1.0}
    coverage = {"required_m2": 0.0, "fraction": None, "met": False}
    bare = sample_case(0.1, **gone, holes=None, plan=None, target=target, coverage=coverage, cautions=[])
    found = documents(bare, "0" * 64)
    assert set(found) == {"sheet.html", "cards.pdf", "record.pdf", "record.json"}
    assert "no surface is required" in found["sheet.html"].decode()
    assert "No pass is planned." in found["sheet.html"].decode()
    assert "approve" in text_of(found["cards.pdf"])
