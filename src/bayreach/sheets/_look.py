"""What the page needs to draw: colours, marks, passes and places, as plain tables for its script."""

from typing import Any

import numpy as np

from bayreach import heatmap
from bayreach.arrays import OUTSIDE, FloatArray, unit_vectors
from bayreach.picture import best_direction, layer_rows
from bayreach.poses import clock_zero, turned_about
from bayreach.report import Case, SprayPass, all_words, main_openings, short, words
from bayreach.sheets._pack import Packed

MOST_PLACES = 10
MARK_COLOURS = {
    "opening": "#33BBEE",
    "hole": "#EE3377",
    "dry": "#BB5566",
    "keep_out": "#7A0000",
    "drain": "#009988",
    "pool": "#0077BB",
}


def drawing_table(case: Case, pack: Packed) -> dict[str, Any]:
    """Return the table that the page's script reads."""
    return {
        "words": all_words(),
        "look": _look(case),
        "arrays": pack.arrays,
        "numbers": pack.numbers,
        "down": list(case.down),
        "statusNames": list(case.sides.status_names),
        "reasonNames": list(case.sides.reason_names),
        "partNames": list(case.mesh.part_names),
        "bayNames": [bay.name for bay in case.bays],
        "openings": [{"name": one.name, "center": one.center} for one in case.openings],
        "passes": [_pass(case, one) for one in case.passes],
        "places": places(case),
        "marks": marks(case),
        "boxes": [{"name": one.name, "box": one.box} for one in case.keep_outs if one.box],
    }


def _look(case: Case) -> dict[str, Any]:
    names = list(case.sides.status_names)
    return {
        "scale": {"edges_um": list(case.scale.edges_um), "required_um": case.scale.required_um},
        "layers": layer_rows(case),
        "neutral": heatmap.NEUTRAL,
        "outside": words("outside"),
        **{
            key: names.index(name) if name in names else -1
            for key, name in (("dry", "dry"), ("low", "low"), ("covered", "covered"), ("keepOut", "keep-out"))
        },
        "chanceEdges": [100 * edge for edge in heatmap.CHANCE_EDGES],
        "hatched": [name in ("dry", "keep-out") for name in names],
    }


def entry_of(case: Case, one: SprayPass) -> FloatArray:
    """Return the middle (3,) of the opening a pass goes through; the origin where the name is not known."""
    centers = [opening.center for opening in case.openings if opening.name == one.opening]
    return np.asarray(centers[0] if centers else (0.0, 0.0, 0.0), dtype=np.float64)


def _pass(case: Case, one: SprayPass) -> dict[str, Any]:
    entry, aim = entry_of(case, one), unit_vectors(one.aim)
    path = [list(point) for point in one.path]
    if not path:
        path = [(entry + depth * aim).tolist() for depth in (one.deepest, one.shallowest)]
    mark = np.asarray(one.clock_axis)
    if not mark.any() and aim.any():
        mark = turned_about(clock_zero(aim, case.down), aim, np.radians(one.clock_deg))
    return {
        "wand": short(one.wand, 60),
        "opening": short(one.opening, 60),
        "path": path,
        "entry": entry.tolist(),
        "axis": aim.tolist(),
        "mark": mark.tolist(),
        "seconds": one.seconds,
    }


def places(case: Case) -> list[dict[str, Any]]:
    """Return, for each of the worst ten uncovered places, where it is and how the view flies there."""
    middles = np.repeat(case.mesh.corners.mean(axis=1), 2, axis=0)
    shown = case.sides.bay != OUTSIDE
    thin = shown & (case.sides.film_um < case.target.film_min_um)
    rows = []
    for holiday in case.holidays[:MOST_PLACES]:
        away = np.linalg.norm(middles - holiday.center, axis=1)
        reach = max(1.6 * np.sqrt(holiday.area), 0.04 * case.mesh.diagonal)
        direction = best_direction(case.mesh, shown & (away < 3 * reach), thin & (away < reach), -case.down)
        rows.append({"center": holiday.center, "direction": direction.tolist(), "span": 3.0 * reach})
    return rows


def marks(case: Case) -> list[dict[str, Any]]:
    """Return the labels of the drawing, the ones that matter most first."""
    rows: list[tuple[str, str, Any]] = [
        ("hole", f"{short(one.name, 24)}: {words('candidate')}", one.center) for one in case.holes
    ]
    rows += [
        ("dry", words("dry_label", number=number), one.center)
        for number, one in enumerate(case.holidays[:MOST_PLACES], start=1)
    ]
    rows += [("opening", short(one.name, 28), one.center) for one in main_openings(case)]
    rows += [
        ("keep_out", short(one.name, 28), np.mean(one.box, axis=0).tolist())
        for one in case.keep_outs
        if one.box
    ]
    boxed = {one.name for one in case.keep_outs if one.box}
    rows += [
        ("keep_out", short(one.name, 28), one.center)
        for one in case.masks
        if one.center and one.name not in boxed
    ]
    rows += [("drain", words("drain_mark", name=short(one.name, 24)), one.center) for one in case.drains]
    rows += [("pool", short(one.name, 28) or words("pool"), one.center) for one in case.pools]
    return [
        {"kind": kind, "text": text, "center": list(center), "colour": MARK_COLOURS[kind]}
        for kind, text, center in rows
    ]
