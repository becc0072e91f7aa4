"""The window's process: the layers of the picture, turned by hand. Run as a module, with a result folder."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach import heatmap
from bayreach.arrays import OUTSIDE
from bayreach.picture import check_paint, film_paint, overview_direction, pass_paint, status_paint
from bayreach.report import Case, coverage_line, read_case, short, words

LAYERS: dict[str, tuple[str, Callable[[Case], tuple[NDArray[np.uint8], Any]]]] = {
    "f": ("layer_film", film_paint),
    "s": ("layer_status", status_paint),
    "p": ("layer_pass", pass_paint),
    "c": ("layer_check", check_paint),
}
"""Key, name in the table of strings, and colours of each layer."""


def opened(case: Case, *, off_screen: bool = False) -> Any:
    """Return the plotter of `case`, ready to be shown."""
    import pyvista

    plotter = pyvista.Plotter(off_screen=off_screen, window_size=[1280, 860], title=short(case.title))
    plotter.set_background("white")
    surface = _surface(pyvista, case)
    paints = {key: paint(case)[0][case.sides.bay != OUTSIDE] for key, (_, paint) in LAYERS.items()}
    surface.cell_data["colour"] = paints["f"]
    plotter.add_mesh(surface, scalars="colour", rgb=True, lighting=False, culling="back", copy_mesh=False)
    plotter.add_mesh(
        surface.extract_feature_edges(25.0), color="#262626", line_width=1.5, lighting=False, pickable=False
    )
    _labels(plotter, case)

    def use(key: str) -> None:
        surface.cell_data["colour"][:] = paints[key]
        surface.GetCellData().GetArray("colour").Modified()
        _legend(plotter, case, key)
        plotter.render()

    for key in LAYERS:
        plotter.add_key_event(key, lambda key=key: use(key))
    _legend(plotter, case, "f")
    forward = overview_direction(case.mesh, case.down)
    plotter.view_vector(-forward, viewup=-case.down)
    plotter.enable_parallel_projection()
    plotter.add_axes()
    return plotter


def _surface(pyvista: Any, case: Case) -> Any:
    """Return the sides of the bays, each wound so that its front looks into its bay."""
    sides = np.flatnonzero(case.sides.bay != OUTSIDE)
    corners = case.mesh.faces[sides // 2].copy()
    backs = sides % 2 == 1
    corners[backs] = corners[backs][:, ::-1]
    cells = np.concatenate([np.full((len(sides), 1), 3), corners], axis=1).ravel()
    return pyvista.PolyData(np.array(case.mesh.points), cells)


def _labels(plotter: Any, case: Case) -> None:
    places = [(opening.center, short(opening.name, 24)) for opening in case.openings]
    places += [(hole.center, f"{short(hole.name, 24)}: {words('candidate')}") for hole in case.holes]
    places += [
        (holiday.center, words("dry_label", number=number))
        for number, holiday in enumerate(case.holidays[:10], start=1)
    ]
    if places:
        plotter.add_point_labels(
            np.array([center for center, _ in places]),
            [text for _, text in places],
            font_size=12,
            shape_color="white",
            text_color="black",
            point_color="black",
            point_size=7,
            always_visible=True,
        )


def _legend(plotter: Any, case: Case, key: str) -> None:
    rows = [(text, colour) for colour, text in reversed(heatmap.legend(case.scale))]
    if key == "s":
        rows = [(words(f"status_{name}"), colour) for name, (colour, _) in heatmap.STATUS_COLOURS.items()]
    if key == "p":
        rows = [
            (f"{place + 1}  {short(one.wand, 20)}, {short(one.opening, 20)}", heatmap.set_colour(place))
            for place, one in enumerate(case.passes[: len(heatmap.SET_COLOURS)])
        ]
    if key == "c":
        rows = [(words(f"check_{place}"), colour) for place, colour in enumerate(heatmap.check_colours())]
    if plotter.legend is not None:
        plotter.remove_legend()
    if rows:
        plotter.add_legend(rows, bcolor="white", border=True, size=(0.32, 0.32), face="rectangle")
    head = f"{short(case.title, 70)}\n{words(LAYERS[key][0])}\n{coverage_line(case)}\n{words('window_keys')}"
    foot = "\n".join([*case.cautions[:2], words("candidate_line")] if case.holes else case.cautions[:2])
    plotter.add_text(head, position="upper_left", font_size=10, color="black", name="head")
    plotter.add_text(foot[:400], position="lower_left", font_size=8, color="black", name="foot")


if __name__ == "__main__":
    opened(read_case(Path(sys.argv[1]))).show()
