"""The window's process: the layers of the picture, turned by hand. Run as a module, with a result folder."""

import sys
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from bayreach.arrays import OUTSIDE, BoolArray, IntArray
from bayreach.cautions import ALWAYS
from bayreach.picture import (
    Paint,
    chance_paint,
    check_paint,
    feature_edges,
    film_paint,
    layer_rows,
    legend_picture,
    overview_direction,
    pass_paint,
    status_paint,
)
from bayreach.report import Case, coverage_line, main_openings, read_case, short, words
from bayreach.viewer._hatch import hatched
from bayreach.viewer._polydata import wound

LAYERS: dict[str, tuple[str, Callable[[Case], Paint]]] = {
    "f": ("film", film_paint),
    "s": ("status", status_paint),
    "p": ("pass", pass_paint),
    "c": ("check", check_paint),
    "h": ("chance", chance_paint),
}
"""Key, name and colours of each layer."""

CUTS = (1.0, 0.75, 0.5, 0.25)
"""Shares of the box that the keys x, y and z keep, one after another."""


def opened(case: Case, *, off_screen: bool = False) -> Any:
    """Return the plotter of `case`, ready to be shown."""
    import pyvista

    plotter = pyvista.Plotter(off_screen=off_screen, window_size=[1280, 860], title=short(case.title))
    plotter.set_background("white")
    inside = case.sides.bay != OUTSIDE
    surface = _surface(pyvista, case, inside)
    layers = {key: layer for key, layer in LAYERS.items() if layer[0] in layer_rows(case)}
    painted = {key: paint(case) for key, (_, paint) in layers.items()}
    paints = {key: colours[inside] for key, (colours, _) in painted.items()}
    surface.cell_data["colour"] = paints["f"].copy()
    drawn = [
        plotter.add_mesh(
            surface, scalars="colour", rgb=True, lighting=False, culling="back", copy_mesh=False
        ),
        plotter.add_mesh(_lines(pyvista, case), color="#707070", line_width=1.5, lighting=False),
    ]
    marks = {
        key: _marks(pyvista, plotter, case, np.flatnonzero(inside), hatches)
        for key, (_, hatches) in painted.items()
    }
    _labels(plotter, case)
    legends: list[Any] = []

    def use(key: str) -> None:
        surface.cell_data["colour"][:] = paints[key]
        surface.GetCellData().GetArray("colour").Modified()
        for layer, actors in marks.items():
            for actor in actors:
                actor.visibility = layer == key
        _legend(pyvista, plotter, case, key, legends)
        plotter.render()

    for key in layers:
        plotter.add_key_event(key, lambda key=key: use(key))
    _cutting(plotter, case, [*drawn, *(actor for actors in marks.values() for actor in actors)])
    plotter.view_vector(-overview_direction(case.mesh, case.down), viewup=-case.down)
    plotter.enable_parallel_projection()
    plotter.add_axes()
    use("f")
    foot = "\n".join(line for text in _said(case) for line in textwrap.wrap(text, 190))
    plotter.add_text(foot, position="lower_left", font_size=7, color="black", name="foot")
    return plotter


def _said(case: Case) -> tuple[str, ...]:
    """Return the sentences at the foot: what no picture may go without."""
    return words("candidate_line"), ALWAYS["estimate"], ALWAYS["not modelled"]


def _marks(pyvista: Any, plotter: Any, case: Case, sides: IntArray, hatches: IntArray) -> list[Any]:
    """Lay a layer's hatches over the sides drawn and return their actors."""
    actors = []
    for surface, texture in hatched(pyvista, case.mesh, sides, hatches[sides]):
        actor = plotter.add_mesh(surface, texture=texture, lighting=False, culling="back")
        actor.mapper.SetResolveCoincidentTopologyToPolygonOffset()
        actor.mapper.SetRelativeCoincidentTopologyPolygonOffsetParameters(-1.0, -1.0)
        actors.append(actor)
    return actors


def _surface(pyvista: Any, case: Case, inside: BoolArray) -> Any:
    """Return the sides of the bays, each wound so that its front looks into its bay."""
    corners = wound(case.mesh, np.flatnonzero(inside))
    return pyvista.PolyData.from_regular_faces(np.array(case.mesh.points), corners)


def _lines(pyvista: Any, case: Case) -> Any:
    edges = feature_edges(case.mesh)[:, :2]
    cells = np.concatenate([np.full((len(edges), 1), 2), edges], axis=1).ravel()
    return pyvista.PolyData(np.array(case.mesh.points), lines=cells)


def _cutting(plotter: Any, case: Case, drawn: list[Any]) -> None:
    """Let x, y and z cut the structure along that axis, deeper with each press, then whole again."""
    from vtkmodules.vtkCommonDataModel import vtkPlane

    kept = [0, 0, 0]
    least, most = case.mesh.box

    def cut(axis: int) -> None:
        kept[axis] = (kept[axis] + 1) % len(CUTS)
        for actor in drawn:
            actor.mapper.RemoveAllClippingPlanes()
            for k, place in enumerate(kept):
                plane = vtkPlane()
                origin = least + CUTS[place] * (most - least) + (1e-6 if place == 0 else 0.0)
                plane.SetOrigin(*origin)
                plane.SetNormal(*(-1.0 if n == k else 0.0 for n in range(3)))
                actor.mapper.AddClippingPlane(plane)
        plotter.render()

    for axis, key in enumerate("xyz"):
        plotter.add_key_event(key, lambda axis=axis: cut(axis))


def _labels(plotter: Any, case: Case) -> None:
    places = [(hole.center, f"{short(hole.name, 24)}: {words('candidate')}") for hole in case.holes]
    places += [(opening.center, short(opening.name, 24)) for opening in main_openings(case)]
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


def _legend(pyvista: Any, plotter: Any, case: Case, key: str, shown: list[Any]) -> None:
    """Put the layer's legend, the same as the picture's, into the upper right corner."""
    for widget in shown:
        widget.Off()
    shown.clear()
    pixels = np.asarray(legend_picture(case, LAYERS[key][0]).image)
    height, width = pixels.shape[:2]
    image = pyvista.ImageData(dimensions=(width, height, 1))
    image.point_data["colour"] = pixels[::-1].reshape(-1, 3)
    size = (0.27, 0.27 * height / width * 1280 / 860)
    shown.append(plotter.add_logo_widget(image, position=(0.72, 0.99 - size[1]), size=size, opacity=1.0))
    head = f"{short(case.title, 70)}\n{coverage_line(case)}\n{words('window_keys')}"
    plotter.add_text(head, position="upper_left", font_size=8, color="black", name="head")


if __name__ == "__main__":
    opened(read_case(Path(sys.argv[1]))).show()
