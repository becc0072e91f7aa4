"""The wand's data sheet: lengths, radii and widths read back from DXF and paper."""

import io
import math
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from pdf_strokes import strokes_of
from pypdf import PdfReader
from small_job import small_job

from bayreach.cautions import cautions
from bayreach.cli import main
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, centre_line, straight_piece
from bayreach.wandsheet import Arc, layout_of, sheet_dxf, sheet_pdf, wand_sheet

TIP = Tip(pattern="side", spread=math.radians(70))
# 60 mm and 40 mm of arcs by hand: 0.12 rad · 0.5 m, 0.8 rad · 0.05 m; 600 - 60 - 40 - 100 = 400 mm of shank
HOOK = Wand(
    name="hook", shape="bent", length=0.6, diameter=0.006, tip_diameter=0.008, tip_length=0.02,
    handle_diameter=0.03, handle_length=0.1, tip=TIP,
    pieces=(arc_piece(0.5, 0.12), straight_piece(0.1), arc_piece(0.05, 0.8, math.pi)),
)  # fmt: skip


def read_back(wand: Wand) -> Any:
    return ezdxf.read(io.StringIO(sheet_dxf(wand_sheet(wand)).decode())).modelspace()


def test_the_centre_line_is_drawn_in_true_lengths_radii_and_angles() -> None:
    space = read_back(HOOK)
    lines = [(each.dxf.end - each.dxf.start).magnitude for each in space.query('LINE[layer=="CENTRE"]')]
    assert lines == pytest.approx([400.0, 100.0])
    arcs = [
        (each.dxf.radius, (each.dxf.end_angle - each.dxf.start_angle) % 360.0)
        for each in space.query('ARC[layer=="CENTRE"]')
    ]
    assert arcs == [pytest.approx((500.0, math.degrees(0.12))), pytest.approx((50.0, math.degrees(0.8)))]


def test_both_edges_of_a_bend_are_half_a_width_off_its_centre_line() -> None:
    radii = {round(each.dxf.radius, 6) for each in read_back(HOOK).query('ARC[layer=="OUTLINE"]')}
    # the body's 6 mm, and the tip's 8 mm over the last 20 of the second bend's 40 mm
    assert radii == {497.0, 503.0, 47.0, 53.0, 46.0, 54.0}


def test_the_dimensions_measure_what_the_wand_is() -> None:
    found: dict[int, list[float]] = {}
    for each in read_back(HOOK).query("DIMENSION"):
        assert each.dxf.layer == "DIMENSION"
        found.setdefault(each.dimtype & 15, []).append(float(each.get_measurement()))
    aligned, radius, angular = 0, 4, 5
    # straight lengths, then the widths of tip and body
    assert sorted(found[aligned]) == pytest.approx([6.0, 8.0, 100.0, 400.0])
    assert sorted(found[radius]) == pytest.approx([50.0, 500.0])
    assert sorted(found[angular]) == pytest.approx([math.degrees(0.12), math.degrees(0.8)])


def test_the_layout_of_a_flat_wand_is_its_own_centre_line() -> None:
    line = centre_line(HOOK.chain)
    layout = layout_of(HOOK)
    end = layout.centre[-1]
    assert layout.is_flat
    assert isinstance(end, Arc)
    # the wand's own frame has clock zero along z, the paper's y
    np.testing.assert_allclose(end.at(1.0), line.points[-1][[0, 2]], atol=1e-9)


def test_a_wand_that_turns_out_of_the_plane_is_laid_in_and_says_so() -> None:
    wand = Wand(
        name="skew", shape="bent", length=0.3, diameter=0.006, tip=TIP,
        pieces=(arc_piece(0.05, 0.5), straight_piece(0.05), arc_piece(0.05, 0.5, 1.0)),
    )  # fmt: skip
    assert not layout_of(wand).is_flat
    text = PdfReader(io.BytesIO(sheet_pdf(wand_sheet(wand)))).pages[0].extract_text()
    assert "turns out of it" in " ".join(text.split())
    assert "57.30°" in text


def test_the_paper_is_to_the_scale_it_states_and_carries_figures_and_cautions() -> None:
    sheet = wand_sheet(HOOK, title="Demo", reached=[
        {"opening": "port", "fits": True, "depth_m": 0.5, "bays_reached": ("bay 1",), "limit": "stops"}
    ])  # fmt: skip
    reader = PdfReader(io.BytesIO(sheet_pdf(sheet)))
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for part in ("1:5", "400.00 mm", "500.00 mm", "6.88°", "45.84°", "8.00 mm", "600.00 mm", "bay 1"):
        assert part in text, part
    for caution in cautions(film=False):
        assert caution[:30] in text
    # the shank's edges: 400 mm at 1:5
    level = [each.size[0] for each in strokes_of(reader.pages[0]) if each.size[1] < 0.01]
    assert sum(abs(width - 80.0) < 0.05 for width in level) >= 3  # two edges and the centre line


@pytest.mark.parametrize("shape", ["straight", "flexible"])
def test_a_wand_without_bends_is_one_line(shape: str) -> None:
    more = {"bend_radius": 0.06} if shape == "flexible" else {}
    wand = Wand(name="w", shape=shape, length=1.5, diameter=0.006, tip=TIP, **more)
    space = read_back(wand)
    (line,) = space.query('LINE[layer=="CENTRE"]')
    assert (line.dxf.end - line.dxf.start).magnitude == pytest.approx(1500.0)
    assert not list(space.query("ARC"))


def test_names_that_mean_harm_stay_text() -> None:
    wand = Wand(name='%%c #read("x") <b>', shape="straight", length=0.5, diameter=0.006, tip=TIP)
    sheet = wand_sheet(wand, title="%%u^M")
    assert '#read("x")' in PdfReader(io.BytesIO(sheet_pdf(sheet))).pages[0].extract_text()
    notes = [each.dxf.text for each in read_back(wand).query('TEXT[layer=="NOTES"]')]
    assert not any("%%" in note for note in notes)


def test_the_command_writes_both(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = small_job(tmp_path)
    out = tmp_path / "sheet"
    assert main(["reach", str(job), "--wand", "long", "--sheet", str(out)]) == 0
    assert {path.name for path in out.glob("w*")} == {"wand.pdf", "wand.dxf"}
    assert ezdxf.readfile(out / "wand.dxf").modelspace().query("DIMENSION")
    assert main(["reach", str(job), "--sheet", str(out)]) == 1
    assert "--sheet needs --wand" in capsys.readouterr().err
