"""The drawing process: side numbers as colours, drawn by VTK without a display. Run as a module."""

import sys
from pathlib import Path
from typing import Any

import numpy as np


def main(task: Path, answer: Path) -> None:
    """Draw each view in `task` and write the side in each pixel to `answer`."""
    import pyvista

    with np.load(task) as stored:
        work = dict(stored)
    seen: dict[str, Any] = {}
    for place in range(int(work["count"])):
        seen[f"seen_{place}"] = _seen(pyvista, work, place)
    np.savez(answer, **seen)


def _seen(pyvista: Any, work: dict[str, Any], place: int) -> Any:
    sides = work[f"sides_{place}"]
    center, up, forward = work[f"frame_{place}"].astype(float)
    span, width, height, diagonal = (float(value) for value in work[f"size_{place}"])
    if not len(sides):
        return np.full((int(height), int(width)), -1, dtype=np.int32)
    plotter = pyvista.Plotter(off_screen=True, window_size=[int(width), int(height)])
    plotter.set_background("black")
    plotter.disable_anti_aliasing()
    cells = np.concatenate([np.full((len(sides), 1), 3), work["faces"][sides // 2]], axis=1).ravel()
    surface = pyvista.PolyData(work["points"], cells)
    number = sides + 1
    surface.cell_data["number"] = np.stack([number & 255, (number >> 8) & 255, number >> 16], axis=1).astype(
        np.uint8
    )
    plotter.add_mesh(surface, scalars="number", rgb=True, lighting=False, show_edges=False, copy_mesh=False)
    camera = plotter.camera
    distance = diagonal + span
    camera.position = center - distance * forward
    camera.focal_point = center
    camera.up = up
    camera.parallel_projection = True
    camera.parallel_scale = span * height / width / 2
    camera.clipping_range = (distance * 0.01, 3 * distance)
    colours = np.asarray(plotter.screenshot(return_img=True), dtype=np.int64)[..., :3]
    plotter.close()
    return (colours @ [1, 256, 65536] - 1).astype(np.int32)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
