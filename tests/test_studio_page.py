"""The studio's page in a browser: the story of a designer, and what must not go wrong beside it."""

import io
import math
import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest
from browser import Browser, opened
from PIL import Image
from pypdf import PdfReader
from small_job import small_job
from studio_server import served

from bayreach.cli import main
from bayreach.demo import WingBoxSize, wing_box
from bayreach.demo._jobs import wing_box_job
from bayreach.job import load_job
from bayreach.meshfile import write_mesh
from bayreach.studio._bench import Bench, first_state
from bayreach.studio._picture import picture_of

pytest.importorskip("aiohttp")

ENTER = (
    "const e = document.getElementById(arguments[0]); e.value = arguments[1];"
    "e.dispatchEvent(new Event('change'))"
)
FULL = "return document.getElementById('answer').dataset.state === 'full'"


AXE = Path(__file__).parents[1] / ".page" / "node_modules" / "axe-core" / "axe.min.js"


class Page:
    """The studio in a browser."""

    def __init__(self, browser: Browser, folder: Path, downloads: Path) -> None:
        self.browser = browser
        self.folder = folder
        self.downloads = downloads

    def until(self, script: str, seconds: float = 120.0) -> None:
        end = time.monotonic() + seconds
        while not self.browser.ask(script):
            seen = {name: self.browser.text(name) for name in ("answer", "said", "link")}
            assert time.monotonic() < end, (script, seen, self.browser.complaints())
            time.sleep(0.05)

    def says(self, element: str, words: str) -> None:
        self.until(f"return document.getElementById('{element}').textContent.includes({words!r})")

    def enter(self, element: str, value: object) -> None:
        self.browser.ask(ENTER, element, str(value))

    def choose(self, element: str, text: str) -> None:
        """Choose the option with this text."""
        self.browser.ask(
            "const e = document.getElementById(arguments[0]);"
            "e.value = [...e.options].find((o) => o.textContent === arguments[1]).value;"
            "e.dispatchEvent(new Event('change'))",
            element,
            text,
        )

    def state(self) -> dict[str, Any]:
        found: dict[str, Any] = self.browser.ask("return window.bayreachStudio.state")
        return found

    def downloaded(self, name: str) -> bytes:
        path, end = self.downloads / name, time.monotonic() + 30
        while not path.exists():
            assert time.monotonic() < end, name
            time.sleep(0.05)
        return path.read_bytes()

    def aim_at(self, point: list[float]) -> None:
        """Type an aim, number by number."""
        for axis, value in enumerate(point):
            self.enter(f"aim-{axis}", value)


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """Serve the demo's wing box, two bays of it, coarse, without fog or drilling: so that it is quick."""
    folder = tmp_path_factory.mktemp("demo")
    (folder / "meshes").mkdir()
    size = WingBoxSize(bays=2, port_bay=1)
    write_mesh(folder / "meshes" / "wing_box.obj", wing_box(40.0, size), units="mm")
    text = wing_box_job(size, longest=0.6)
    for before, after in (
        ('["direct", "settled"]', '["direct"]'),
        ("error = 0.02", 'error = 0.2\nedge = "100 mm"'),
        ("allowed = true", "allowed = false"),
        ("coverage = 0.9", "coverage = 0.5"),
    ):
        assert before in text
        text = text.replace(before, after)
    forward = text.index('[[wand]]\nname = "forward"')
    job = folder / "wing_box.toml"
    text = text[:forward] + text[text.index("[[opening]]") :]
    job.write_text(text + '\n[work]\nnot_through = ["root port"]\n')
    with served(job) as running:
        yield running.address, folder


@pytest.fixture(scope="module")
def page(address: tuple[str, Path], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    downloads = tmp_path_factory.mktemp("downloads")
    with opened() as browser:
        browser.cdp(
            "Emulation.setDeviceMetricsOverride", width=1300, height=850, deviceScaleFactor=1, mobile=False
        )
        browser.cdp("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(downloads))
        browser.driver.get("about:blank")
        browser.requests()  # what the browser's own first page asked for
        browser.driver.get(address[0])
        page = Page(browser, address[1], downloads)
        page.until(FULL)
        yield page
        assert browser.complaints() == []
        asked = [
            url
            for url in browser.requests()
            if not url.startswith((address[0], "data:", "blob:", "ws://127.0.0.1"))
        ]
        assert asked == []


@pytest.fixture(autouse=True)
def _from_the_start(request: pytest.FixtureRequest) -> None:
    """Bring the page back to what it began with, for the tests that use it."""
    if "page" not in request.fixturenames:
        return
    page: Page = request.getfixturevalue("page")
    page.browser.ask(
        "const s = window.bayreachStudio; s.passes = s.site.passes; s.change({ ...s.site.state });"
        "s.past.length = 0; s.refresh(); document.getElementById('said').textContent = '';"
    )
    page.until(FULL)


@pytest.mark.timeout(600)
@pytest.mark.usefixtures("brief_search")
def test_a_designer_bends_a_wand_that_jams_on_a_rib_and_plans_with_it(
    page: Page, capsys: pytest.CaptureFixture[str]
) -> None:
    browser = page.browser
    page.choose("opening", "inspection port")
    page.choose("wand", "side tip")
    page.enter("from", 500)
    page.enter("to", 100)
    # Straight from the port in the lower skin, flat enough to pass under the next rib's lightening hole.
    page.aim_at([0.95, 0.0, 0.2])
    page.says("answer", "its tip on rib_2")
    assert "Does not go in" in browser.text("answer")
    stopped, short = (
        int(n) for n in re.findall(r"stops (\d+) mm in, .*?, (\d+) mm short", browser.text("answer"))[0]
    )
    assert stopped + short == 500
    # Rib 2 is 175 mm from the port's middle along x; the aim's length is 0.9708.
    assert stopped == pytest.approx(175 / 0.95 * math.hypot(0.95, 0.2), abs=8)
    assert browser.ask("return window.bayreachStudio.views.now.wand.clash.visible")
    place = browser.ask("return window.bayreachStudio.answer.place[0] + window.bayreachStudio.site.middle[0]")
    assert place == pytest.approx(0.35, abs=0.01)  # the rib's station

    page.choose("bay", "bay 2")
    browser.press("#ask")
    page.until("return document.querySelector('#changes button') !== null")
    assert browser.text("changes").startswith("bend the last ")
    browser.press("#changes button")
    page.until(FULL)
    assert "Goes in" in browser.text("answer")
    assert not browser.ask("return window.bayreachStudio.views.now.wand.clash.visible")
    assert browser.ask("return document.getElementById('shape').value") == "bent"
    bend = page.state()["pieces"]
    assert [set(piece) for piece in bend] == [{"arc", "radius", "roll"}]
    # the drawn wand is the bent one: its points turn by the bend's angle
    points = np.array(browser.ask("return window.bayreachStudio.answer.wand.points"))
    headings = np.diff(points, axis=0) / np.linalg.norm(np.diff(points, axis=0), axis=1)[:, None]
    assert math.acos(headings[0] @ headings[-1]) == pytest.approx(bend[0]["arc"], abs=0.05)

    before = browser.ask("return window.bayreachStudio.answer.covered_m2")
    browser.press("#best")
    page.says("said", "aims tried")
    page.until(FULL)
    assert browser.ask("return window.bayreachStudio.answer.covered_m2") >= 0.95 * before

    browser.press("#clear")
    assert "this pull alone would be saved" in browser.text("listed")
    browser.press("#add")
    assert browser.text("listed") == ""
    page.enter("name", "bent.toml")
    browser.press("#save")
    page.says("said", "saved as bent.toml: 1 pull with side tip")
    shown = browser.text("answer")

    saved = page.folder / "bent.toml"
    assert load_job(saved).wand_named("side tip").shape == "bent"
    assert main(["spray", str(saved), "-o", str(page.folder / "sprayed")]) in (0, 2)
    told = capsys.readouterr().out
    share, area = re.findall(r"alone: (\S+ %) of (\S+) m² covered", shown)[0]
    assert f"{share} of {area} m2 covered" in told
    assert main(["plan", str(saved), "-o", str(page.folder / "planned")]) in (0, 2)
    assert "m2 covered; 50.0 % asked" in capsys.readouterr().out


def test_all_pulls_of_the_list_are_shown_together_as_spray_tells_them(
    page: Page, capsys: pytest.CaptureFixture[str]
) -> None:
    browser = page.browser
    page.choose("saved-jobs", "wing_box.toml")
    browser.press("#open")
    page.says("said", "wing_box.toml is open: 2 pulls")
    page.until(FULL)
    browser.press("input[name=of][value=all]")
    page.says("answer", "All 2 pulls")
    shown = browser.text("answer")
    assert main(["spray", str(page.folder / "wing_box.toml"), "-o", str(page.folder / "all")]) in (0, 2)
    share, area = re.findall(r"pulls: (\S+ %) of (\S+) m² covered", shown)[0]
    assert f"{share} of {area} m2 covered" in capsys.readouterr().out
    browser.press("input[name=of][value=one]")
    assert "This pull alone" in browser.text("answer")


def test_what_a_wand_reaches_is_told_as_reach_tells_it(
    page: Page, capsys: pytest.CaptureFixture[str]
) -> None:
    page.browser.press("#reach")
    page.until("return document.getElementById('reached').textContent !== ''")
    reached = page.browser.text("reached")
    assert main(["reach", str(page.folder / "wing_box.toml"), "--wand", "long radial"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    wanted = reached.replace("m²", "m2").replace("; limit", " limit")
    assert f"long radial through root port: {wanted}" in told


def test_a_saved_job_is_opened_again_with_its_bent_wand(page: Page) -> None:
    browser = page.browser
    page.choose("opening", "inspection port")
    page.choose("shape", "bent")
    page.until("return document.getElementById('pieces').tBodies[0].rows.length === 1")
    browser.press("#add-straight")
    page.until("return document.getElementById('pieces').tBodies[0].rows.length === 2")
    page.enter("piece-0-arc", 20)
    page.enter("piece-1-straight", 40)
    pieces = page.state()["pieces"]
    assert pieces[0]["arc"] == pytest.approx(math.radians(20))
    assert pieces[1] == {"straight": 0.04}
    browser.press("#clear")
    browser.press("#add")
    page.enter("name", "chain.toml")
    browser.press("#save")
    page.says("said", "saved as chain.toml")
    page.until(
        "return [...document.getElementById('saved-jobs').options].some((o) => o.value === 'chain.toml')"
    )
    wand = page.state()["wand"]
    browser.press("#undo")
    browser.press("#undo")
    browser.press("#undo")
    page.choose("saved-jobs", "chain.toml")
    browser.press("#open")
    page.says("said", "chain.toml is open: 1 pulls")
    assert page.state()["file"] == "chain.toml"
    assert browser.ask("return window.bayreachStudio.piecesNow().length") == 2
    assert load_job(page.folder / "chain.toml").wand_named(wand).pieces[1].length == pytest.approx(0.04)
    page.choose("saved-jobs", "wing_box.toml")
    browser.press("#open")
    page.says("said", "wing_box.toml is open")
    page.until(FULL)


def test_two_wands_stand_side_by_side_with_a_map_of_the_difference(page: Page) -> None:
    browser = page.browser
    browser.press("#keep")
    page.enter("flow", 300)  # twice the wand's
    page.until(FULL)
    browser.press("#beside")
    browser.press("input[value=difference]")
    rows = browser.ask("return [...document.querySelectorAll('#compared tr')].map((r) => r.textContent)")
    assert any(row.startswith("covered") and "+" in row for row in rows)
    time.sleep(0.5)  # two drawings
    assert browser.ask("return document.getElementById('view-a').clientWidth > 200")
    # Now has more, everywhere that it differs: violet on the map, and never A's orange.
    drawn = browser.ask(
        "const b = window.bayreachStudio.views.now.stage.bytes; const n = {};"
        "for (let k = 0; k < b.length; k += 4) if (b[k + 3]) {"
        " const c = b.slice(k, k + 3).join(); n[c] = (n[c] ?? 0) + 1; }"
        "return n"
    )
    assert drawn.get("84,39,136", 0) > 100
    assert "179,88,6" not in drawn
    same = browser.ask(
        "const { now, a } = window.bayreachStudio.views;"
        "now.stage.turn(0.5, 0.1); now.stage.drawNow();"
        "return now.stage.direction.equals(a.stage.direction)"
    )
    assert same
    browser.press("#swap")
    page.until(FULL)
    assert "flow" not in page.state()["figures"]
    browser.press("#beside")
    browser.press("input[value=film]")


def test_a_drag_on_the_drawing_aims_and_does_not_turn_the_view(page: Page) -> None:
    browser = page.browser
    browser.press("#dragging")
    looked = browser.ask("return window.bayreachStudio.views.now.stage.direction.toArray()")
    x0, y0, width, height = browser.ask(
        "const r = document.getElementById('view').getBoundingClientRect();"
        "return [r.x, r.y, r.width, r.height].map(Math.round)"
    )
    mouse = {"button": "left", "clickCount": 1}
    browser.cdp(
        "Input.dispatchMouseEvent", type="mousePressed", x=x0 + width // 2, y=y0 + height // 2, **mouse
    )
    x, y = width // 2 + 40, height // 2 + 10
    browser.cdp("Input.dispatchMouseEvent", type="mouseMoved", x=x0 + x, y=y0 + y, buttons=1, button="left")
    browser.cdp("Input.dispatchMouseEvent", type="mouseReleased", x=x0 + x, y=y0 + y, **mouse)
    point, center = browser.ask(
        "const s = window.bayreachStudio;"
        "const { point } = s.views.now.stage.pick(arguments[0], arguments[1]);"
        "return [point, s.site.openings[s.state.opening].center]",
        x,
        y,
    )
    aim = np.array(point) - np.array(center)
    np.testing.assert_allclose(page.state()["aim"], aim / np.linalg.norm(aim), atol=3e-3)  # half a pixel
    assert browser.ask("return window.bayreachStudio.views.now.stage.direction.toArray()") == looked
    # what is said must not move the drawing under the pointer
    assert browser.ask("return document.getElementById('view').clientHeight") == height
    browser.press("#dragging")
    browser.press("#undo")
    page.until(FULL)


def test_picture_sheet_and_plot_come_out(page: Page) -> None:
    browser = page.browser
    browser.press("#picture")
    picture = Image.open(io.BytesIO(page.downloaded("studio.png"))).convert("RGB")
    assert len(picture.resize((80, 50)).getcolors(4000) or range(4000)) > 10
    for kind in ("pdf", "dxf"):
        browser.press(f"#sheet-{kind}")
        page.says("said", f"wand_long_radial.{kind} is in your downloads")
    text = PdfReader(io.BytesIO(page.downloaded("wand_long_radial.pdf"))).pages[0].extract_text()
    assert "600.00 mm" in text
    drawing = ezdxf.read(io.StringIO(page.downloaded("wand_long_radial.dxf").decode()))
    (line,) = drawing.modelspace().query('LINE[layer=="CENTRE"]')
    assert (line.dxf.end - line.dxf.start).magnitude == pytest.approx(600.0)
    page.enter("vary", "length=0.3m:0.5m:0.1m")
    browser.press("#sweep")
    page.until("const i = document.getElementById('plot'); return !i.hidden && i.naturalWidth > 0")
    assert browser.ask("return document.getElementById('plot').src").count("circle") == 3


def test_a_long_search_shows_how_far_it_is_and_is_stopped(page: Page) -> None:
    browser = page.browser
    page.enter("vary", "length=0.2m:1.2m:0.01m")
    browser.press("#sweep")
    page.until("return document.getElementById('progress').value > 0")
    assert browser.text("doing") == "varying …"
    browser.press("#stop")
    page.says("said", "given up")
    assert browser.ask("return document.getElementById('work').hidden")


def test_units_change_every_figure(page: Page) -> None:
    browser = page.browser
    page.enter("system", "inch")
    assert "fl oz" in browser.text("answer")
    assert "ft²" in browser.text("answer")
    assert browser.ask("return document.getElementById('from').value") == "19.685"  # 500 mm
    page.enter("from", 10)
    assert page.state()["from"] == pytest.approx(0.254)
    browser.press("#undo")
    page.enter("system", "metric")
    page.until(FULL)


def test_axe_finds_no_fault_in_the_studio(page: Page) -> None:
    if not AXE.is_file():
        pytest.skip("axe-core is not installed (npm ci --prefix .page)")
    page.choose("shape", "bent")
    page.browser.press("#keep")
    page.browser.ask(AXE.read_text(encoding="utf-8"))
    page.browser.driver.set_script_timeout(60)
    passed, faults = page.browser.driver.execute_async_script(
        "const done = arguments[0]; axe.run(document).then(r => done([r.passes.length,"
        "r.violations.map(v => [v.id, v.nodes.map(n => n.html.slice(0, 160))])]))"
    )
    assert faults == []
    assert passed > 20


def test_every_change_is_taken_back_and_done_again(page: Page) -> None:
    browser = page.browser
    states = [page.state()]
    page.enter("clock", 30)
    page.enter("shank_length", 100)
    page.enter("handle_diameter", 45)
    page.choose("pattern", "forward")
    page.enter("throw", "")  # an empty box: without end
    states += [page.state()]
    assert states[1]["clock"] == pytest.approx(math.radians(30))
    figures = {"shank_length": 0.1, "handle_diameter": 0.045, "throw": None}
    assert states[1]["figures"] == pytest.approx(figures)
    assert browser.ask("return document.getElementById('redo').disabled")
    for _ in range(5):
        browser.press("#undo")
    assert page.state() == states[0]
    assert browser.ask("return document.getElementById('undo').disabled")
    for _ in range(5):
        browser.press("#redo")
    assert page.state() == states[1]
    assert browser.ask("return document.getElementById('handle_diameter').value") == "45"
    browser.press("#undo")
    page.enter("clock", 40)  # a new change leaves nothing to be done again
    assert browser.ask("return document.getElementById('redo').disabled")
    page.until(FULL)


def test_better_answers_follow_the_first_one(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bayreach.studio._session.LARGE", 0)
    page.browser.ask(
        "window.seen = []; const e = document.getElementById('answer');"
        "new MutationObserver(() => window.seen.push([e.dataset.state, e.textContent]))"
        ".observe(e, { attributes: true, attributeFilter: ['data-state'] })"
    )
    page.enter("to", 80)
    page.until("return window.seen.length && window.seen.at(-1)[0] === 'full'")
    seen = page.browser.ask("return window.seen")
    assert [state for state, _ in seen] == ["asked", "coarse", "refined", "full"]
    assert [text.split(" (")[-1] for _, text in seen[1:3]] == ["first estimate)", "second estimate)"]
    assert "estimate" not in seen[3][1]


def test_two_tabs_do_not_disturb_each_other(page: Page, address: tuple[str, Path]) -> None:
    browser = page.browser
    first = browser.driver.current_window_handle
    shown = browser.text("answer")
    browser.driver.switch_to.new_window("tab")
    browser.driver.get(address[0])
    page.until(FULL)
    page.enter("length", 400)
    page.says("answer", "Does not go in")
    browser.press("#clear")
    browser.driver.close()
    browser.driver.switch_to.window(first)
    assert browser.text("answer") == shown
    assert browser.ask("return window.bayreachStudio.passes.length") == 2
    page.enter("to", 60)
    page.until(FULL)
    assert "Goes in" in browser.text("answer")
    browser.press("#undo")
    page.until(FULL)


def test_a_lost_connection_is_told_and_comes_back(page: Page) -> None:
    browser = page.browser
    browser.ask("window.bayreachStudio.link.socket.close()")
    page.says("link", "The connection to the studio is lost")
    page.enter("to", 70)  # while there is no line
    page.until("return document.getElementById('link').textContent === 'connected'")
    page.until(FULL)
    seconds = browser.ask("return window.bayreachStudio.answer.pull_seconds")
    assert seconds == pytest.approx((0.5 - 0.07) / 0.06)  # the newest state was tried, at 60 mm/s


@contextmanager
def another_page(page: Page, address: str) -> Iterator[Page]:
    """Open another studio in a tab of its own."""
    driver = page.browser.driver
    first = driver.current_window_handle
    driver.switch_to.new_window("tab")
    try:
        driver.get(address)
        page.until(FULL)
        yield page
    finally:
        driver.close()
        driver.switch_to.window(first)
        driver.get_log("performance")  # its requests are those of another studio


def test_a_script_in_a_job_is_text(page: Page, tmp_path: Path) -> None:
    harm = "<img src=x onerror=window.harmed=1>"
    job = small_job(tmp_path, wand=harm)
    job.write_text(job.read_text().replace("Small box", harm))
    with served(job) as running, another_page(page, running.address):
        assert page.browser.text("title") == harm
        assert harm in page.browser.ask("return document.getElementById('wand').textContent")
        assert page.browser.ask("return window.harmed === undefined")


def test_a_large_mesh_is_drawn_coarser_and_worked_out_in_full(
    page: Page, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = small_job(tmp_path)
    whole = Bench(load_job(job))
    faces, most = whole.site.mesh.n_faces, whole.site.mesh.n_faces // 4
    monkeypatch.setattr("bayreach.studio._bench.picture_of", partial(picture_of, most=most))
    with served(job) as running, another_page(page, running.address):
        drawn = page.browser.ask("return window.bayreachStudio.site.faces")
        assert 0 < drawn <= most
        assert f"{drawn} of its {faces} faces are drawn" in page.browser.text("drawn")
        answer, sides = page.browser.ask(
            "const { answer, views } = window.bayreachStudio;"
            "return [answer, [answer.arrays.film.length, views.now.stage.data.bay.length]]"
        )
        assert sides == [2 * drawn, 2 * drawn]
        state = first_state(whole)
        assert state is not None
        exact = whole.tried(state, look="full").table
        for key in ("required_m2", "covered_m2", "lit_m2", "liquid_m3", "direct_m3", "bays"):
            assert answer[key] == exact[key], key
        # a place on the coarse drawing aims as on the whole one
        page.browser.press("#dragging")
        assert page.browser.ask(
            "const s = window.bayreachStudio; const { stage } = s.views.now; const before = s.state.aim;"
            "s.aimAt(stage, stage.canvas.clientWidth / 2, stage.canvas.clientHeight / 2, true);"
            "return s.state.aim !== before"
        )
        page.until(FULL)


def test_a_page_whose_studio_has_ended_says_so_and_does_not_try_again(page: Page, tmp_path: Path) -> None:
    ended = "This studio has ended"
    with served(small_job(tmp_path)) as running, another_page(page, running.address) as other:
        # Another studio that listens at the same place knows nothing of this page's address.
        other.browser.ask(
            "history.replaceState(null, '', '/another/'); window.bayreachStudio.link.socket.close()"
        )
        other.says("link", "is lost")
        other.says("link", ended)
        page.browser.driver.get(running.address)
        page.until(FULL)
        running.stop()
        other.says("link", ended)
        assert "open the new address" in other.browser.text("link")
        other.browser.press("#best")
        other.says("said", "no connection")
    page.browser.complaints()  # the browser tells of the request that was refused
