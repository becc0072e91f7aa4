"""Pictures: what each pixel sees, what happens without OpenGL or a display, and labels that keep apart."""

import io
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from gold_pictures import looks_as_accepted
from PIL import Image, ImageGrab
from sample_case import HEIGHT, LENGTH, WIDTH, sample_case

from bayreach import heatmap, viewer
from bayreach.arrays import BoolArray
from bayreach.errors import DisplayError, StoreError
from bayreach.mesh import Mesh
from bayreach.picture import _paper, _seen, best_direction, box_corners, camera_toward, result_sheet
from bayreach.picture._camera import facing
from bayreach.report import Case

DYING = (sys.executable, "-c", f"import os; os.kill(os.getpid(), {int(signal.SIGTERM)})")


@pytest.fixture(scope="module")
def case() -> Case:
    return sample_case(0.04)


def test_the_view_holds_every_corner_and_keeps_lengths() -> None:
    corners = box_corners([[0, 0, 0], [LENGTH, WIDTH, HEIGHT]])
    camera = camera_toward(corners, forward=[1, 2, -1], up=[0, 0, 1], size=(640, 480))
    pixels = camera.project(corners)
    assert (pixels[:, :2] > 0).all()
    assert (pixels[:, :2] < [640, 480]).all()
    # A parallel view keeps the length of what lies across it.
    far = camera.project([camera.center + 0.3 * camera.right])[0]
    assert far[0] - 320 == pytest.approx(0.3 / camera.pixel)


def test_walls_before_the_viewer_fall_away(case: Case) -> None:
    shown = case.sides.bay >= 0
    camera = camera_toward(box_corners(case.mesh.box), forward=[0, 0, -1], up=[0, 1, 0], size=(120, 60))
    seen = _seen.by_rays(case.mesh, shown, camera)
    parts = {case.mesh.part_names[case.mesh.face_parts[side // 2]] for side in np.unique(seen[seen >= 0])}
    # From above: the upper skin shows its outside and is left out; what looks up is seen.
    assert parts == {"skin_lower", "stringer_flange"}
    assert set(case.sides.bay[np.unique(seen[seen >= 0])]) == {0, 1}


def test_the_drawing_process_and_the_rays_see_the_same(case: Case) -> None:
    shown = case.sides.bay >= 0
    camera = camera_toward(box_corners(case.mesh.box), forward=[1, 2, -1], up=[0, 0, 1], size=(400, 260))
    try:
        (drawn,) = _seen.by_vtk(case.mesh, [shown], [camera])
    except DisplayError as error:
        pytest.skip(f"no OpenGL that draws without a display here: {error}")
    # Only pixels on a border between two sides may differ.
    assert (drawn != _seen.by_rays(case.mesh, shown, camera)).mean() < 0.01


def test_a_drawing_process_that_dies_is_replaced_by_rays(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = case.sides.bay >= 0
    camera = camera_toward(box_corners(case.mesh.box), forward=[1, 2, -1], up=[0, 0, 1], size=(80, 60))
    monkeypatch.setattr(_seen, "DRAWER", DYING)
    with pytest.raises(DisplayError, match="the drawing process ended with code -15"):
        _seen.by_vtk(case.mesh, [shown], [camera])
    (seen,), engine = _seen.sides_seen(case.mesh, [shown], [camera])
    assert engine == "ray casting"
    assert (seen >= 0).any()


def test_a_picture_is_written_whole_or_not_at_all(
    case: Case, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(_seen, "DRAWER", DYING)
    sheet = result_sheet(case)
    assert sheet.save(tmp_path / "map.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert [path.name for path in tmp_path.iterdir()] == ["map.png"]
    (tmp_path / "file").write_text("")
    with pytest.raises(StoreError, match="cannot be written"):
        sheet.save(tmp_path / "file" / "map.png")


def test_the_picture_shows_each_status_in_its_colour(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_seen, "DRAWER", DYING)
    pixels = np.asarray(result_sheet(case).image)[800:1090, 20:550].reshape(-1, 3)
    for colour in ((0x00, 0x44, 0x88), (0xDD, 0xAA, 0x33), (0xBB, 0x55, 0x66)):
        assert (pixels == colour).all(axis=1).sum() > 300


def test_without_a_display_the_window_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(viewer, "read_case", lambda folder: sample_case(0.1))
    monkeypatch.setattr(viewer.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    with pytest.raises(DisplayError, match=r"No display was found .* --png FILE"):
        viewer.show(tmp_path)


def test_a_window_process_that_dies_ends_in_a_message(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(viewer, "read_case", lambda folder: sample_case(0.1))
    monkeypatch.setattr(viewer, "WINDOW", DYING)
    monkeypatch.setenv("DISPLAY", ":99")
    with pytest.raises(DisplayError, match="The window's process ended with code -15"):
        viewer.show(tmp_path)


def test_labels_keep_apart_and_inside_their_panel() -> None:
    paper = _paper.Paper(600, 400)
    anchors = [(300 + place % 3, 200 + place, f"label {place}", "#ffffff") for place in range(14)]
    boxes = paper.labels(anchors, (0, 0, 600, 400))
    assert len(boxes) >= 8
    assert not any(_paper._overlap(one, two) for one, two in combinations(boxes, 2))
    assert all(_paper._holds((0, 0, 600, 400), box) for box in boxes)


def test_a_name_of_two_hundred_letters_stays_within_its_line() -> None:
    paper = _paper.Paper(300, 100)
    lines = paper.wrapped("W" * 200 + " end", size=15, width=280)
    assert lines[-1] == "end"
    assert all(paper.draw.textlength(line, font=_paper.font(15)) <= 280 for line in lines)


def test_the_best_direction_looks_at_the_wanted_side() -> None:
    mesh, shown = _two_plates()
    wanted = np.array(
        [False, False, False, True]
    )  # the back of the upper plate: only a view from below shows it
    direction = best_direction(mesh, shown, wanted, np.array([0.0, 0.0, 1.0]))
    assert facing(mesh, direction).shape == (4,)
    assert (
        best_direction(mesh, shown, np.array([True, False, False, False]), np.array([0.0, 0.0, 1.0]))[2] < 0
    )


def _two_plates() -> tuple[Mesh, BoolArray]:
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 0, 1], [0, 1, 1.0]])
    from bayreach.mesh import mesh_of

    return mesh_of(corners, [[0, 1, 2], [3, 4, 5]]), np.ones(4, dtype=bool)


def test_bays_are_drawn_in_their_own_colours(
    case: Case, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(_seen, "DRAWER", DYING)
    written = viewer.draw_bays(
        case.mesh,
        case.sides.bay,
        tmp_path / "bays.png",
        title="box",
        bays=["bay 1", "bay 2"],
        openings=[("opening 1", (0.5, 0.2, 0.1))],
    )
    assert written.stat().st_size > 5000


WINDOW_SCRIPT = """
import sys
sys.path.insert(0, sys.argv[1])
import numpy as np
from sample_case import sample_case
from bayreach.viewer._window import opened

plotter = opened(sample_case(0.05), off_screen=True)
plotter.show(auto_close=False)
shots = []
for key in "fspcx":
    for action in plotter.iren._key_press_event_callbacks[key]:
        action()
    shots.append(np.asarray(plotter.screenshot(return_img=True)))
np.savez(sys.argv[2], shots=shots)
"""


def test_the_window_s_keys_change_layers_and_cut(tmp_path: Path) -> None:
    # In a process of its own, as the window is: VTK may end it.
    command = [sys.executable, "-c", WINDOW_SCRIPT, str(Path(__file__).parent), str(tmp_path / "shots.npz")]
    done = subprocess.run(command, capture_output=True, timeout=120, check=False)
    if done.returncode < 0:
        pytest.skip("no OpenGL that draws without a display here")
    assert done.returncode == 0, done.stderr.decode()
    with np.load(tmp_path / "shots.npz") as stored:
        shots = stored["shots"]
    covered = [(shot == (0x00, 0x44, 0x88)).all(axis=2).sum() for shot in shots]
    # Only the status layer is painted in the colour of what is covered.
    assert covered[1] > 5000
    assert max(covered[0], covered[2], covered[3]) < covered[1] / 10
    assert all((one != two).any() for one, two in combinations(shots, 2))
    # A wall without film is hatched: between its first and last red in a line, white stripes stand.
    red = (shots[1] == (0xBB, 0x55, 0x66)).all(axis=2)
    line = int(red.sum(axis=1).argmax())
    first, last = np.flatnonzero(red[line])[[0, -1]]
    stripes = (shots[1][line, first:last] == 255).all(axis=1)
    assert 0.05 < stripes.mean() < 0.5


SHOWN_SCRIPT = """
import sys
sys.path.insert(0, sys.argv[1])
from sample_case import sample_case
from bayreach.viewer._window import opened
opened(sample_case(0.05)).show()
"""


@pytest.mark.skipif(shutil.which("Xvfb") is None, reason="no Xvfb: no display to open a window on")
def test_a_window_opens_on_a_display_and_shows_the_structure() -> None:
    command = [sys.executable, "-c", SHOWN_SCRIPT, str(Path(__file__).parent)]
    with on_a_display() as display:
        window = subprocess.Popen(command, env=os.environ | {"DISPLAY": display})
        try:
            coloured = 0
            while coloured < 20_000:  # the run's own time limit ends a wait in vain
                assert window.poll() is None, "the window closed by itself"
                time.sleep(0.25)
                picture = np.asarray(ImageGrab.grab(xdisplay=display).convert("RGB"), dtype=np.int64)
                coloured = int((np.ptp(picture, axis=2) > 60).sum())
        finally:
            window.kill()
            window.wait()


@contextmanager
def on_a_display() -> Iterator[str]:
    """Yield the name of a display that lives in memory."""
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1280x900x24"]
    server = subprocess.Popen(command, pass_fds=[write], stderr=subprocess.DEVNULL)
    os.close(write)
    try:
        with os.fdopen(read) as told:
            yield f":{told.readline().strip()}"
    finally:
        server.terminate()
        server.wait()


def test_the_picture_looks_as_it_was_accepted(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_seen, "DRAWER", DYING)
    assert looks_as_accepted("picture", result_sheet(case).png(), tolerance=2.0)


def test_a_mesh_file_becomes_a_picture_of_its_bays(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(_seen, "DRAWER", DYING)
    mesh = Path(__file__).parents[1] / "meshes" / "control_surface.obj"
    written = viewer.draw_mesh(mesh, "mm", tmp_path / "bays.png")
    with Image.open(written) as picture:
        pixels = np.asarray(picture.convert("RGB")).reshape(-1, 3)
    # Six bays: the first six colours of things without an order, each on more than its legend's box.
    for place in range(6):
        assert (pixels == heatmap.rgb(heatmap.set_colour(place))).all(axis=1).sum() > 1000


def test_every_colour_of_the_scales_is_stored_exactly() -> None:
    # Pillow's own quantising turned #DDCC77 into a neighbour.
    colours = [heatmap.set_colour(place) for place in range(9)]
    colours += [band.colour for band in heatmap.FilmScale(required_um=1.0, most_um=2.0).bands]
    colours += [colour for colour, _ in heatmap.STATUS_COLOURS.values()]
    paper = _paper.Paper(10 * len(colours), 10)
    for place, colour in enumerate(colours):
        paper.draw.rectangle((10 * place, 0, 10 * place + 9, 9), fill=colour)
    with Image.open(io.BytesIO(paper.png())) as picture:
        row = np.asarray(picture.convert("RGB"))[5, 5::10]
    assert [tuple(one) for one in row] == [heatmap.rgb(colour) for colour in colours]
