"""Legends: the same rows in every picture, window and page."""

from bayreach import heatmap
from bayreach.picture._paper import INK, Paper
from bayreach.report import Case, SprayPass, all_words, short, words

MOST_ROWS = 16

Row = tuple[str, int, str]
"""Colour, hatch and text of a legend's row."""


def layer_rows(case: Case) -> dict[str, list[Row]]:
    """Return the rows of each layer's legend, in the order of the values."""
    film = [
        (colour, heatmap.HATCH_NONE if place else heatmap.HATCH_SLANTED, text)
        for place, (colour, text) in enumerate(heatmap.legend(case.scale))
    ]
    status = [
        (*heatmap.status_colour(name), words(f"status_{name}") if f"status_{name}" in all_words() else name)
        for name in case.sides.status_names
    ]
    passes = [(heatmap.set_colour(-1), heatmap.HATCH_SLANTED, words("no_pass"))]
    passes += [
        (heatmap.set_colour(place), heatmap.HATCH_NONE, pass_title(place, one))
        for place, one in enumerate(case.passes)
    ]
    hatches = (heatmap.HATCH_NONE, heatmap.HATCH_CROSSED, heatmap.HATCH_NONE)
    check = [
        (colour, hatches[place], words(f"check_{place}"))
        for place, colour in enumerate(heatmap.check_colours())
    ]
    rows = {"film": film, "status": status, "pass": passes, "check": check}
    if case.sides.chance is not None:
        rows["chance"] = [
            (colour, heatmap.HATCH_SLANTED if place == 1 else heatmap.HATCH_NONE, words(f"chance_{place}"))
            for place, colour in enumerate(heatmap.chance_colours())
        ]
    return rows


def pass_title(place: int, one: SprayPass) -> str:
    """Return the short name of a pass."""
    return words("pass_text", number=place + 1, wand=short(one.wand, 60), opening=short(one.opening, 60))


def draw_legend(paper: Paper, case: Case, layer: str, place: tuple[float, float], width: float) -> float:
    """Draw a layer's legend at `place` (left, top) and return the place below it, in pixels."""
    left, top = place
    title = words("film_title", film_is=case.target.film_is) if layer == "film" else words(f"layer_{layer}")
    top = paper.text(left, top, title, size=17, bold=True, width=width) + 6
    rows = layer_rows(case)[layer]
    order = range(len(rows) - 1, -1, -1) if layer == "film" else range(min(len(rows), MOST_ROWS))
    for number in order:
        colour, hatch, text = rows[number]
        paper.swatch((left, top, left + 46, top + 25), colour, hatch)
        below = paper.text(left + 56, top + 3, text, size=15, width=width - 60)
        top = max(top + 27, below + 2)
        bands = case.scale.bands
        if layer == "film" and bands[number].enough and not bands[number - 1].enough:
            paper.draw.line((left - 8, top, left + width, top), fill=INK, width=5)
            mark = words("required_mark", film=heatmap.film_text(case.target.film_min_um))
            top = paper.text(left + 56, top + 4, mark, size=15, bold=True) + 4
    if len(rows) > MOST_ROWS and layer != "film":
        top = paper.text(left, top, words("more_rows", count=len(rows) - MOST_ROWS), size=13)
    return top


def legend_picture(case: Case, layer: str) -> Paper:
    """Return a layer's legend alone, as the window shows it."""
    paper = Paper(430, 900)
    paper.cut_below(draw_legend(paper, case, layer, (16, 10), 400) + 10)
    return paper
