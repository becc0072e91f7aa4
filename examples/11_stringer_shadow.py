"""What does a stringer hide? Film along a line across a bay, direct against settled, with and without it."""

import numpy as np
from matplotlib.figure import Figure

from bayreach import bays, demo, rays, sight
from bayreach.deposit import direct, laid
from bayreach.liquids import liquid_class
from bayreach.poses import straight_path
from bayreach.tips import Tip

TIP, THIN = Tip(pattern="radial", spread=np.radians(60), throw=0.3), liquid_class("wd_thin").liquid
DOWN = (0, 0, -1)


def film_across(mesh, x: float) -> tuple[np.ndarray, ...]:
    """Return y, direct and settled film in m along the lower skin at `x`, after one pull that passes it."""
    found = bays.find_bays(mesh)
    path = straight_path(entry=(0, 0.17, 0), aim=(1, 0, 0), deepest=0.8, shallowest=0.3, clock=0, down=DOWN)
    scene, targets = rays.Scene(found.mesh), sight.targets_of(found.mesh, found.inside)
    column = direct.path_film(scene, targets, path, TIP, air=direct.air_of(found.mesh, found))
    spray = laid.Sprayed(column=column, volume=TIP.flow * 10, duration=10.0, tip=TIP)
    film = laid.lay_film(laid.ground_of(found, DOWN), [spray], THIN, conditions=laid.Conditions()).film
    center = found.mesh.corners.mean(axis=1).repeat(2, axis=0)
    skin = np.repeat(found.mesh.face_parts == found.mesh.part_names.index("skin_lower"), 2) & found.inside
    line = sorted(np.flatnonzero(skin & (abs(center[:, 0] - x) < 0.012)), key=lambda side: center[side, 1])
    return center[line, 1], film.direct[line], film.settled[line]


def main(folder: object = ".") -> list[tuple[np.ndarray, ...]]:
    """Draw both films with stringers (drawn through) and without (dashed); return the two sets of curves."""
    box = demo.wing_box(20.0)
    bare = box.of_faces([not box.part_names[part].startswith("stringer") for part in box.face_parts])
    curves, figure = [film_across(mesh, 0.525) for mesh in (box, bare)], Figure(layout="constrained")
    for k, (axes, name) in enumerate(zip(figure.subplots(2), ("direct", "settled"), strict=True), start=1):
        axes.plot(1e3 * curves[0][0], 1e6 * curves[0][k], "-", 1e3 * curves[1][0], 1e6 * curves[1][k], "--")
        axes.set(xlabel="across the bay, mm", ylabel=f"{name} film, µm wet", ylim=(0, None))
        axes.legend(["with stringers", "without"])
    figure.savefig(f"{folder}/stringer_shadow.svg", metadata={"Date": None})
    return curves


if __name__ == "__main__":
    main()
