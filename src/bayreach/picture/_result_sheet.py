"""The picture of a result: cut-away heat-map, statuses, worst uncovered places, legends, cautions."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bayreach import heatmap
from bayreach.arrays import OUTSIDE, BoolArray, IntArray
from bayreach.picture._camera import Camera, best_direction, box_corners, camera_toward, overview_direction
from bayreach.picture._legend import draw_legend
from bayreach.picture._paint import film_paint, status_paint
from bayreach.picture._paper import SOFT_INK, Paper
from bayreach.picture._seen import sides_seen
from bayreach.picture._shade import shaded
from bayreach.report import (
    Case,
    area_text,
    coverage_line,
    length_text,
    main_openings,
    place_text,
    short,
    words,
)

FINE = 2
"""Pixels drawn for each pixel shown, each way."""

WIDTH, HEIGHT = 1680, 1240
MAIN = (1180, 690)
SMALL = (547, 330)
STILL = (1000, 600)
CARD = (1000, 440)
WORST = 2


@dataclass(frozen=True, kw_only=True, eq=False)
class View:
    """One panel: where it looks, which sides it draws, and their colours and hatches."""

    title: str
    camera: Camera
    shown: BoolArray
    colours: NDArray[np.uint8]
    hatches: IntArray


def result_sheet(case: Case) -> Paper:
    """Return the sheet of a case, drawn."""
    paper = Paper(WIDTH, 2 * HEIGHT)
    up = -case.down
    forward = overview_direction(case.mesh, case.down)
    shown = case.sides.bay != OUTSIDE
    corners = box_corners(case.mesh.box)
    large, small = (camera_toward(corners, forward=forward, up=up, size=size) for size in (MAIN, SMALL))
    views = [
        _view(words("film_title", film_is=case.target.film_is), large, shown, film_paint(case)),
        _view(words("status_title"), small, shown, status_paint(case)),
        *_worst_views(case, up),
    ]
    engine = _draw_views(paper, case, views)
    _head(paper, case)
    _legends(paper, case, engine)
    paper.cut_below(_foot(paper, case) + 14)
    return paper


def _view(title: str, camera: Camera, shown: BoolArray, paint: tuple[NDArray[np.uint8], IntArray]) -> View:
    return View(title=title, camera=camera, shown=shown, colours=paint[0], hatches=paint[1])


def _worst_views(case: Case, up: NDArray[np.float64]) -> list[View]:
    middles = np.repeat(case.mesh.corners.mean(axis=1), 2, axis=0)
    names = [bay.name for bay in case.bays]
    views = []
    paint = status_paint(case)
    for number, holiday in enumerate(case.holidays[:WORST], start=1):
        bay = names.index(holiday.bay) if holiday.bay in names else None
        shown = case.sides.bay != OUTSIDE if bay is None else case.sides.bay == bay
        away = np.linalg.norm(middles - holiday.center, axis=1)
        # A patch of area A is no wider than a few times its root; long thin ones are cut at that.
        reach = max(1.6 * np.sqrt(holiday.area), 0.04 * case.mesh.diagonal)
        wanted = _wanted(case, shown & (away < reach))
        direction = best_direction(case.mesh, shown & (away < 3 * reach), wanted, up)
        points = middles[wanted] if wanted.any() else middles[away <= away.min()]
        points = np.concatenate([points, points.mean(axis=0) + 0.05 * reach * np.array([[1.0], [-1.0]])])
        camera = camera_toward(points, forward=direction, up=up, size=SMALL, margin=1.35)
        title = words("worst_title", number=number, bay=short(holiday.bay, 24), area=area_text(holiday.area))
        views.append(_view(title, camera, shown, paint))
    return views


def stills(case: Case) -> tuple[tuple[str, bytes], ...]:
    """Return (title, PNG bytes) of four views without text: film and status, from above and from below."""
    up = -case.down
    corners = box_corners(case.mesh.box)
    forward = overview_direction(case.mesh, case.down)
    below = forward - 1.5 * (forward @ up) * up
    shown = case.sides.bay != OUTSIDE
    views = []
    for key, direction in (("still_above", forward), ("still_below", below)):
        camera = camera_toward(corners, forward=direction, up=up, size=STILL, margin=1.05)
        film = words("film_title", film_is=case.target.film_is)
        views.append(_view(f"{film}, {words(key)}", camera, shown, film_paint(case)))
        views.append(_view(f"{words('status_title')}, {words(key)}", camera, shown, status_paint(case)))
    fine = [view.camera.enlarged(FINE) for view in views]
    seen, _ = sides_seen(case.mesh, [view.shown for view in views], fine)
    rows = []
    for view, camera, sides in zip(views, fine, seen, strict=True):
        paper = Paper(*STILL)
        image = shaded(sides, camera, case.mesh, colours=view.colours, hatches=view.hatches, factor=FINE)
        paper.panel(image, 0, 0, "")
        _labels(paper, case, view.camera, 0, 0, everything=True, only=0)
        rows.append((view.title, paper.png()))
    return tuple(rows)


def opening_pictures(case: Case) -> dict[str, bytes]:
    """Return PNG bytes for each opening in use: where it is, its wands' ways, what they wet first."""
    up = -case.down
    forward = overview_direction(case.mesh, case.down)
    camera = camera_toward(box_corners(case.mesh.box), forward=forward, up=up, size=CARD, margin=1.1)
    fine = camera.enlarged(FINE)
    (seen,), _ = sides_seen(case.mesh, [case.sides.bay != OUTSIDE], [fine])
    hatches = np.zeros(case.mesh.n_sides, dtype=np.int64)
    table = heatmap.rgb_table(["#f4f4f4", "#9cc4e4"])
    rows = {}
    for name in dict.fromkeys(one.opening for one in case.passes):
        mine = np.array([place for place, one in enumerate(case.passes) if one.opening == name])
        wetted = np.isin(case.sides.first_pass, mine).astype(np.int64)
        paper = Paper(*CARD)
        image = shaded(seen, fine, case.mesh, colours=table[wetted], hatches=hatches, factor=FINE)
        paper.panel(image, 0, 0, "")
        for place in mine:
            paper.way([camera.project([point])[0][:2] for point in case.passes[place].path])
        center = [one.center for one in case.openings if one.name == name]
        if center:
            x, y, _ = camera.project(center)[0]
            paper.labels([(x, y, short(name, 28), "#ffffff")], (0, 0, *CARD))
        rows[name] = paper.png()
    return rows


def _wanted(case: Case, near: BoolArray) -> BoolArray:
    """Return the sides (2n,) of an uncovered place: dry ones if there are any, else all that is too thin."""
    dry = near & case.sides.is_status("dry")
    return dry if dry.any() else near & (case.sides.film_um < case.target.film_min_um)


def _draw_views(paper: Paper, case: Case, views: list[View]) -> str:
    """Draw the panels and their labels; return who drew them."""
    shown = [view.shown for view in views]
    seen, engine = sides_seen(case.mesh, shown, [view.camera.enlarged(FINE) for view in views])
    left, top = 10, 78
    for place, (view, sides) in enumerate(zip(views, seen, strict=True)):
        if place == 1:
            left, top = 10, 78 + MAIN[1] + 10
        image = shaded(
            sides,
            view.camera.enlarged(FINE),
            case.mesh,
            colours=view.colours,
            hatches=view.hatches,
            factor=FINE,
        )
        paper.panel(image, left, top, view.title)
        _labels(paper, case, view.camera, left, top, everything=place == 0, only=place - 2)
        left += image.shape[1] + 10
    return engine


def _labels(
    paper: Paper, case: Case, camera: Camera, left: int, top: int, *, everything: bool, only: int
) -> None:
    rows: list[tuple[tuple[float, float, float], str, str]] = []
    dry_colour = heatmap.status_colour("dry")[0]
    labelled = {one.name for one in main_openings(case)}
    for number, holiday in enumerate(case.holidays[:3], start=1):
        if everything or number == only + 1:
            rows.append((holiday.center, words("dry_label", number=number), dry_colour))
    if everything:
        for hole in case.holes:
            drill = hole.drill_name or length_text(hole.drill_mm * 1e-3)
            text = words("hole_label", name=short(hole.name, 24), drill=drill, candidate=words("candidate"))
            rows.append((hole.center, text, "#EE3377"))
        for opening in case.openings:
            if opening.name in labelled:
                size = length_text(opening.diameter)
                text = words("opening_label", name=short(opening.name, 28), diameter=size)
                rows.append((opening.center, text, "#33BBEE"))
    anchors = []
    for center, text, colour in rows:
        x, y, _ = camera.project([center])[0]
        anchors.append((left + x, top + y, text, colour))
    within = (left, top, left + camera.width, top + camera.height)
    inside = [row for row in anchors if within[0] < row[0] < within[2] and within[1] < row[1] < within[3]]
    paper.labels(inside, within)


def _head(paper: Paper, case: Case) -> None:
    paper.text(12, 10, short(case.title, 90), size=24, bold=True, width=WIDTH - 24)
    paper.text(12, 46, coverage_line(case), size=16, width=WIDTH - 24)


def _legends(paper: Paper, case: Case, engine: str) -> None:
    left, width = MAIN[0] + 24, WIDTH - MAIN[0] - 38
    top = draw_legend(paper, case, "film", (left, 84.0), width)
    top = draw_legend(paper, case, "status", (left, top + 14), width)
    note = words("view_note", engine=engine)
    paper.text(left, top + 8, note, size=13, colour=SOFT_INK, width=width)


def _foot(paper: Paper, case: Case) -> float:
    top = 78.0 + MAIN[1] + SMALL[1] + 20
    for number, holiday in enumerate(case.holidays[:WORST], start=1):
        reason = short(holiday.reason, 90)
        text = f"{words('dry_label', number=number)}: {place_text(holiday.center)}; {reason}"
        paper.text(24 + number * (SMALL[0] + 10), top - 2, text, size=13, width=SMALL[0] - 20)
    top += 36
    cautions = case.cautions or (words("candidate_line"), words("not_modelled"))
    lines = [words("candidate_line"), *cautions, *(f"{words('warning')}: {line}" for line in case.warnings)]
    for place, line in enumerate(dict.fromkeys(lines)):
        top = paper.text(14, top, line, size=13, bold=place == 0, width=WIDTH - 28)
    return top
