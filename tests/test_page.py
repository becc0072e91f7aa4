"""The technician's page in a real browser: what it shows, what each control does, and that it asks nobody."""

import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from boxjob import write_box_job
from browser import Browser, opened
from sample_case import sample_case

from bayreach import heatmap
from bayreach.cli import main
from bayreach.report import Case, percent, read_case, volume_text
from bayreach.sheets._page import page
from bayreach.store import read_result

PIXEL = (
    b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x06\x00\x00\x00\x1f\x15\xc4\x89"
    b"\x00\x00\x00\rIDATx\x9cc\xf8\xff\xff?\x00\x05\xfe\x02\xfe\xa75\x81\x84\x00\x00\x00\x00IEND\xaeB`\x82"
)
STILLS = (("Film, from above", PIXEL), ("Status, from above", PIXEL))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with opened() as one:
        yield one


@pytest.fixture(scope="module")
def case() -> Case:
    return sample_case(0.03)


@pytest.fixture(scope="module")
def path(case: Case, tmp_path_factory: pytest.TempPathFactory) -> Path:
    written = tmp_path_factory.mktemp("page") / "sheet.html"
    written.write_text(page(case, STILLS), encoding="utf-8")
    return written


@pytest.fixture
def shown(browser: Browser, path: Path, request: pytest.FixtureRequest) -> Iterator[Browser]:
    browser.visit(path)
    assert browser.ask("return document.documentElement.classList.contains('drawn')")
    yield browser
    if "policy" not in request.node.name:
        assert browser.complaints() == []


def touch(browser: Browser, place: Any) -> dict[str, str]:
    """Touch the structure where `place` (3,) m lies on the drawing; return what the page says of the side."""
    return browser.ask(
        """
        const { view, pick } = window.bayreachPage;
        view.stage.drawNow();
        const [x, y] = view.stage.pixelOf(view.about(arguments[0]));
        pick(x, y);
        const said = { ...document.getElementById('touched').dataset };
        for (const dd of document.querySelectorAll('#touched dd')) said[dd.id] = dd.textContent;
        said.hidden = document.getElementById('touched').hidden;
        return said;
        """,
        [float(value) for value in place],
    )


def colours_on_screen(browser: Browser) -> dict[str, int]:
    """Return how many pixels of the drawing have each colour, as "r,g,b"."""
    return browser.ask(
        """
        const { stage } = window.bayreachPage.view;
        stage.drawNow();
        const gl = stage.renderer.getContext();
        const [w, h] = [gl.drawingBufferWidth, gl.drawingBufferHeight];
        const bytes = new Uint8Array(4 * w * h);
        gl.readPixels(0, 0, w, h, gl.RGBA, gl.UNSIGNED_BYTE, bytes);
        const counts = {};
        for (let k = 0; k < bytes.length; k += 4) {
          const key = `${bytes[k]},${bytes[k + 1]},${bytes[k + 2]}`;
          counts[key] = (counts[key] ?? 0) + 1;
        }
        return counts;
        """
    )


def test_the_page_asks_nobody_and_says_nothing_in_the_console(shown: Browser, path: Path) -> None:
    shown.ask("window.bayreachPage.view.stage.drawNow()")
    outside = [url for url in shown.requests() if not url.startswith("data:")]
    assert outside == [path.resolve().as_uri()]
    assert shown.complaints() == []


def test_the_policy_stops_other_scripts_and_requests(shown: Browser) -> None:
    shown.ask(
        "const s = document.createElement('script'); s.textContent = 'window.bad = 1';"
        "document.body.append(s);"
        "new Image().src = 'https://example.invalid/a.png'; fetch('https://example.invalid/b').catch(() => 0)"
    )
    assert shown.ask("return window.bad") is None
    complaints = " ".join(shown.complaints())
    for directive in ("script-src", "img-src", "default-src"):
        assert directive in complaints
    assert complaints.count("Content Security Policy") >= 3


@pytest.mark.parametrize(
    ("place", "film_um"),
    [((0.25, 0.31, 0.0), None), ((0.8, 0.4, 0.1), None), ((1.1, 0.4, 0.1), 0.0)],
    ids=["floor of bay 1", "rear spar of bay 2", "dry end of the rear spar"],
)
def test_a_touched_side_tells_what_the_result_holds(
    shown: Browser, case: Case, place: tuple[float, float, float], film_um: float | None
) -> None:
    said = touch(shown, place)
    side = int(said["side"])
    assert np.linalg.norm(case.mesh.corners[side // 2].mean(axis=0) - place) < 0.03
    assert case.sides.bay[side] >= 0
    assert float(said["film"]) == pytest.approx(case.sides.film_um[side], rel=1.1e-3)
    assert float(said["direct"]) == pytest.approx(case.sides.direct_um[side], rel=6e-3)
    assert said["status"] == case.sides.status_names[case.sides.status[side]]
    assert said["touched-bay"] == case.bays[case.sides.bay[side]].name
    assert said["touched-part"] == case.mesh.part_names[case.mesh.face_parts[side // 2]]
    assert said["touched-passes"] == {0: "1", 1: "2, 3"}[case.sides.bay[side]] or film_um == 0.0
    if film_um is not None:
        assert said["touched-passes"] == "no pass"
        assert float(said["film"]) == film_um
        assert said["touched-why"] == "hidden by stringer_flange"
        assert said["touched-pass"] == "no pass"


def test_both_sides_of_a_thin_sheet_have_their_own_value(shown: Browser, case: Case) -> None:
    place = (0.5, 0.06, 0.15)  # on the rib, beside its hole
    one = touch(shown, place)
    shown.ask("const { stage } = window.bayreachPage.view; stage.look([1, 0.2, -0.1], [-0.1, 0, 0], 1.5)")
    other = touch(shown, place)
    assert one["touched-part"] == other["touched-part"] == "rib 1"
    assert int(one["side"]) % 2 != int(other["side"]) % 2
    assert {one["touched-bay"], other["touched-bay"]} == {"bay 1", "bay 2"}


@pytest.mark.parametrize(
    ("layer", "colour"),
    [("film", "254,232,56"), ("status", "0,68,136"), ("pass", "136,204,238"), ("check", "106,61,124")],
)
def test_each_layer_has_its_legend_and_its_colours(shown: Browser, layer: str, colour: str) -> None:
    shown.press(f"input[name=layer][value={layer}]")
    legends = shown.ask(
        "return [...document.querySelectorAll('.legend')].filter(l => !l.hidden).map(l => l.dataset.layer)"
    )
    assert legends == [layer]
    assert colours_on_screen(shown).get(colour, 0) > 200


def test_the_film_layer_uses_the_program_s_own_scale(shown: Browser, case: Case) -> None:
    bands = [row["colour"] for row in shown.ask("return window.bayreachPage.view.layer.rows")]
    rows = shown.ask("return [...window.bayreachPage.view.layer.row]")
    assert bands[:9] == [band.colour for band in case.scale.bands]
    inside = case.sides.bay >= 0
    np.testing.assert_array_equal(np.array(rows)[inside], case.scale.band_of(case.sides.film_um)[inside])


def test_a_cut_takes_away_what_lies_beyond_it(shown: Browser) -> None:
    place = (1.0, 0.4, 0.1)
    assert touch(shown, place)["touched-part"] == "spar_rear"
    shown.ask(
        "const s = document.getElementById('cut-x'); s.value = 500; s.dispatchEvent(new Event('input'))"
    )
    assert touch(shown, place)["hidden"]
    assert shown.text("cut-x-at") == "600 mm"
    shown.press("#flip-x")
    assert not touch(shown, place)["hidden"]


def test_hidden_parts_and_bays_are_gone_and_come_back(shown: Browser, case: Case) -> None:
    place = (0.8, 0.4, 0.1)
    part = case.mesh.part_names.index("spar_rear")
    shown.press(f"input[name=part][value='{part}']")
    assert touch(shown, place).get("touched-part") != "spar_rear" or touch(shown, place)["hidden"]
    shown.press(f"input[name=part][value='{part}']")
    assert touch(shown, place)["touched-part"] == "spar_rear"
    shown.press("input[name=bay][value='1']")
    assert touch(shown, place)["hidden"]


def test_without_see_through_the_outside_hides_the_inside(shown: Browser) -> None:
    assert touch(shown, (0.25, 0.31, 0.0))["touched-part"] == "skin_lower"
    shown.press("#see-through")
    said = touch(shown, (0.25, 0.31, 0.0))
    assert said["touched-part"] != "skin_lower"
    assert said["touched-status"].startswith("outside")


def test_two_touches_measure_the_distance_between_them(shown: Browser) -> None:
    shown.press("#measure")
    touch(shown, (0.2, 0.4, 0.1))
    touch(shown, (0.9, 0.4, 0.1))
    metres = float(shown.ask("return document.getElementById('measured').dataset.metres"))
    # A pixel is about 2 mm here.
    assert metres == pytest.approx(0.7, abs=0.006)
    assert "mm" in shown.text("measured")


def test_the_unit_switch_rewrites_every_quantity(shown: Browser) -> None:
    before = shown.ask("return [...document.querySelectorAll('[data-kind=length]')].map(e => e.textContent)")
    assert before
    assert all(text.endswith("mm") for text in before)
    shown.press("input[name=system][value=inch]")
    rows = shown.ask(
        "return [...document.querySelectorAll('[data-kind=length]')]"
        ".map(e => [e.dataset.value, e.textContent])"
    )
    for value, text in rows:
        assert text.endswith(" in")
        assert float(text[:-3]) == pytest.approx(float(value) / 0.0254, abs=0.0051)
    touch(shown, (0.25, 0.31, 0.0))
    assert shown.text("touched-film").endswith("mil")


def test_liquid_reads_as_the_program_prints_it_after_the_units_were_switched_there_and_back(
    shown: Browser,
) -> None:
    shown.press("input[name=system][value=inch]")
    shown.press("input[name=system][value=metric]")
    rows = shown.ask(
        "return [...document.querySelectorAll('[data-kind=liquid]')]"
        ".map(e => [e.dataset.value, e.textContent])"
    )
    assert rows
    for value, text in rows:
        assert text == volume_text(float(value)).split(" (")[0]


def test_a_mask_without_a_box_is_labelled_where_the_film_reached_it(shown: Browser) -> None:
    shown.press("input[name=mark][value=keep_out]")
    x, y = shown.ask(
        "const { view } = window.bayreachPage; return view.stage.pixelOf(view.about(arguments[0]))",
        [0.9, 0.4, 0.1],
    )
    labels = shown.ask(
        "return [...document.querySelectorAll('#labels > *')].filter(e => !e.hidden)"
        ".map(e => [e.textContent, ...e.style.transform.match(/[-\\d.]+/g).map(Number)])"
    )
    (label,) = [label for label in labels if label[0] == "rear connector"]
    assert abs(label[1] - x) < 250
    assert abs(label[2] - y) < 150


def test_a_dry_place_flies_the_view_there(shown: Browser, case: Case) -> None:
    for number, holiday in enumerate(case.holidays):
        shown.press(f"button[data-place='{number}']")
        x, y = shown.ask(
            "const { view } = window.bayreachPage; return view.stage.pixelOf(view.about(arguments[0]))",
            list(holiday.center),
        )
        width, height = shown.ask(
            "const c = document.getElementById('view'); return [c.clientWidth, c.clientHeight]"
        )
        assert abs(x - width / 2) < 2
        assert abs(y - height / 2) < 2


def test_the_wand_goes_where_the_pass_says_and_film_builds_up(shown: Browser, case: Case) -> None:
    wet_at_end = _wet(shown)
    shown.press("button[data-pass='0']")
    tip = shown.ask(
        "const { view } = window.bayreachPage; const a = view.wand.geometry.attributes.position.array;"
        "return [a[3], a[4], a[5]].map((value, k) => value + view.data.middle[k])"
    )
    assert tip == pytest.approx(case.passes[0].path[0], abs=1e-6)
    assert _wet(shown) == 0
    shown.press("#step-on")
    assert 0 < _wet(shown) < wet_at_end
    assert "Pass 2 of 3" in shown.text("progress-text")
    assert shown.ask("return document.querySelector('tr[aria-current=step]').dataset.pass") == "1"
    shown.press("#all-done")
    assert _wet(shown) == wet_at_end


def test_playing_shows_the_film_that_the_passes_so_far_have_laid(shown: Browser, case: Case) -> None:
    edges = np.array(case.scale.edges_um)
    film = case.sides.film_um
    for steps, laid in ((0, [0.0, 0.0]), (1, [1.0, 0.0]), (2, [1.0, 0.3])):
        shown.press("button[data-pass='0']")
        for _ in range(steps):
            shown.press("#step-on")
        rows = np.array(shown.ask("return [...window.bayreachPage.view.layer.row]"))
        for bay, share in enumerate(laid):
            sides = case.sides.bay == bay
            expected = np.where(film * share > 0, np.searchsorted(edges, film * share, side="right"), 0)
            assert (rows[sides] == expected[sides]).mean() > 0.999
    shown.press("input[name=layer][value=status]")
    rows = np.array(shown.ask("return [...window.bayreachPage.view.layer.row]"))
    second = case.sides.bay == 1
    names = [case.sides.status_names[row] for row in rows[second]]
    # Three tenths of the film of bay 2 are below the film asked for nearly everywhere.
    assert names.count("low") > names.count("covered")
    shown.press("#all-done")
    assert (np.array(shown.ask("return [...window.bayreachPage.view.layer.row]")) == case.sides.status)[
        second
    ].all()


def _wet(browser: Browser) -> int:
    script = (
        "const { layer, data } = window.bayreachPage.view;"
        "return [...layer.row].filter((row, side) => row > 0 && data.bay[side] >= 0).length"
    )
    return int(browser.ask(script))


def test_playing_moves_on_by_itself_and_pauses(shown: Browser) -> None:
    shown.press("#play")
    moved = "const p = document.getElementById('progress'); const done = arguments[0];"
    moved += "const wait = () => Number(p.value) > 0 ? done(p.value) : setTimeout(wait, 20); wait()"
    shown.driver.set_script_timeout(10)
    shown.driver.execute_async_script(moved)
    shown.press("#play")
    first = float(shown.ask("return document.getElementById('progress').value"))
    assert 0 < first < 3
    shown.ask("return new Promise(done => setTimeout(done, 150))")
    assert float(shown.ask("return document.getElementById('progress').value")) == first


def test_the_bundle_is_what_its_sources_build() -> None:
    folder = Path(__file__).parents[1] / ".page"
    npm = shutil.which("npm")
    if not npm or not (folder / "node_modules" / "vite").is_dir():
        pytest.skip("npm or its packages are not installed (npm ci --prefix .page)")
    done = subprocess.run([npm, "run", "check"], cwd=folder, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()


def test_a_shown_pass_is_in_view_wherever_the_view_was(shown: Browser) -> None:
    shown.press("button[data-place='1']")
    shown.ask("window.bayreachPage.view.stage.zoom(0.05); window.bayreachPage.view.stage.drawNow()")
    shown.press("button[data-pass='2']")
    shown.ask("window.bayreachPage.view.stage.drawNow()")
    x, y, width, height = shown.ask(
        "const { view } = window.bayreachPage; const { canvas } = view.stage;"
        "return [...view.stage.pixelOf(view.passes[2].path[0]), canvas.clientWidth, canvas.clientHeight]"
    )
    assert 0 < x < width
    assert 0 < y < height


def test_the_chances_of_a_sprayed_box_are_those_that_doubt_wrote(browser: Browser, tmp_path: Path) -> None:
    job = write_box_job(tmp_path)
    job.write_text(job.read_text().replace("[film]", "[doubt]\nsamples = 64\n[film]"))
    out = tmp_path / "out"
    assert main(["spray", str(job), "-o", str(out)]) in (0, 2)
    assert main(["doubt", str(out)]) == 0
    found = read_result(out)
    chance = found.sides.extra["chance"]
    # It is a real map: some sides are all but sure, some hopeless, and some lie between.
    assert all(some.any() for some in (chance >= 0.95, chance == 0.0, (chance > 0.1) & (chance < 0.9)))
    (tmp_path / "sheet.html").write_text(page(read_case(out), STILLS), encoding="utf-8")
    browser.visit(tmp_path / "sheet.html")
    browser.press("input[name=layer][value=chance]")
    rows, bays = browser.ask(
        "const { layer, data } = window.bayreachPage.view; return [[...layer.row], [...data.bay]]"
    )
    inside = np.array(bays) >= 0
    np.testing.assert_array_equal(np.array(rows)[inside], heatmap.chance_row(chance)[inside])
    said = touch(browser, (0.15, 0.1, 0.0))
    share = chance[int(said["side"])]
    assert said["touched-chance"] == f"{int(np.floor(100 * share + 1e-9))} %"
    doubt = found.outcome.doubt
    assert doubt is not None
    assert percent(doubt.sure_fraction) in browser.ask("return document.querySelector('header').textContent")
    assert browser.complaints() == []


def test_chances_have_a_layer_where_they_are_known(browser: Browser, case: Case, tmp_path: Path) -> None:
    chance = np.where(case.sides.bay < 0, -1.0, np.linspace(0.0, 1.0, case.mesh.n_sides))
    doubt = {
        "samples": 256,
        "covered_mean": 0.61,
        "covered_p5": 0.55,
        "covered_p95": 0.6999,
        "sure_fraction": 0.05,
    }
    sure = replace(case, sides=replace(case.sides, chance=chance), record={**case.record, "doubt": doubt})
    (tmp_path / "sheet.html").write_text(page(sure), encoding="utf-8")
    browser.visit(tmp_path / "sheet.html")
    browser.press("input[name=layer][value=chance]")
    rows = np.array(browser.ask("return [...window.bayreachPage.view.layer.row]"))
    inside = case.sides.bay >= 0
    np.testing.assert_array_equal(rows[inside], heatmap.chance_row(chance)[inside])
    said = touch(browser, (0.8, 0.4, 0.1))
    # Per cent are rounded down, as everywhere.
    assert said["touched-chance"] == f"{int(np.floor(chance[int(said['side'])] * 100))} %"
    header = browser.ask("return document.querySelector('header').textContent")
    assert "between 55 % and 69.9 %" in header
    assert browser.complaints() == []
