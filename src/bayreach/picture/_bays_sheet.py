"""The picture of measured bays: each bay in its own colour and number, openings numbered, a list of both."""

from collections.abc import Sequence

import numpy as np

from bayreach import heatmap
from bayreach.arrays import OUTSIDE, UP, IntArray
from bayreach.mesh import Mesh
from bayreach.picture._camera import box_corners, camera_toward, overview_direction
from bayreach.picture._paper import SOFT_INK, Paper
from bayreach.picture._seen import sides_seen
from bayreach.picture._shade import shaded
from bayreach.report import short, words

SIZE = (1180, 760)
WIDTH, HEIGHT = 1680, 860
MOST_ROWS = 26


def bays_sheet(
    mesh: Mesh,
    side_bay: IntArray,
    *,
    title: str,
    bays: Sequence[str],
    openings: Sequence[tuple[str, tuple[float, float, float]]],
) -> Paper:
    """Return the sheet: each bay in its colour, openings numbered, both listed."""
    paper = Paper(WIDTH, HEIGHT)
    paper.text(12, 10, short(title, 90), size=24, bold=True, width=WIDTH - 24)
    forward = overview_direction(mesh, -np.asarray(UP))
    camera = camera_toward(box_corners(mesh.box), forward=forward, up=UP, size=SIZE)
    fine = camera.enlarged(2)
    (seen,), engine = sides_seen(mesh, [side_bay != OUTSIDE], [fine])
    table = heatmap.rgb_table(
        [heatmap.set_colour(place) for place in range(-1, int(side_bay.max(initial=0)) + 1)]
    )
    image = shaded(
        seen,
        fine,
        mesh,
        colours=table[side_bay + 1],
        hatches=np.zeros(mesh.n_sides, dtype=np.int64),
        factor=2,
    )
    left, top = 10, 58
    paper.panel(image, left, top, words("bays_title"))
    anchors = []
    for number, (_, center) in enumerate(openings, start=1):
        x, y, _ = camera.project([center])[0]
        anchors.append((left + x, top + y, str(number), "#ffffff"))
    paper.labels(anchors, (left, top, left + SIZE[0], top + SIZE[1]))
    _lists(paper, bays, [text for text, _ in openings], engine)
    return paper


def _lists(paper: Paper, bays: Sequence[str], openings: Sequence[str], engine: str) -> None:
    left, top = SIZE[0] + 24, 66.0
    width = WIDTH - left - 60
    for place, text in enumerate(bays[: MOST_ROWS // 2]):
        paper.swatch((left, top, left + 34, top + 20), heatmap.set_colour(place), heatmap.HATCH_NONE)
        top = paper.text(left + 42, top, short(text, 110), size=14, width=width) + 6
    if len(bays) > MOST_ROWS // 2:
        top = paper.text(left, top, words("more_rows", count=len(bays) - MOST_ROWS // 2), size=13)
    top += 10
    for number, text in enumerate(openings, start=1):
        if top > HEIGHT - 108:
            paper.text(left, top, words("more_rows", count=len(openings) - number + 1), size=13)
            break
        top = paper.text(left, top, f"{number}  {short(text, 110)}", size=14, width=width + 40) + 3
    note = f"{words('candidate_foot')} {words('view_note', engine=engine)}"
    paper.text(left, HEIGHT - 62, note, size=12, colour=SOFT_INK, width=WIDTH - left - 14)
