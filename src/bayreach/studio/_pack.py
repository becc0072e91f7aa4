"""What the page is sent: a table and little-endian arrays in one run of bytes."""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from bayreach import film as films
from bayreach.heatmap import NEUTRAL, FilmScale, status_colour
from bayreach.picture import feature_edges
from bayreach.studio._bench import Bench, first_state
from bayreach.studio._state import TIP_FIGURES, State
from bayreach.units import MICROMETRE
from bayreach.wands import Wand

TYPES = {"float32": "<f4", "int16": "<i2", "uint16": "<u2", "uint32": "<u4", "uint8": "u1"}


def framed(table: Mapping[str, Any], arrays: Mapping[str, Any]) -> bytes:
    """Return the table's length (4 bytes), the table as JSON, and the arrays, each from a multiple of 4."""
    places, chunks, start = {}, [], 0
    for name, values in arrays.items():
        kind = str(values.dtype)
        data = np.ascontiguousarray(values, dtype=TYPES[kind]).tobytes()
        places[name] = {"type": kind, "start": start, "length": int(values.size)}
        data += bytes(-len(data) % 4)
        chunks.append(data)
        start += len(data)
    text = json.dumps({**table, "arrays": places}, allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    return b"".join([len(text).to_bytes(4, "little"), text, *chunks])


def opening_pack(bench: Bench) -> bytes:
    """Return the structure and all that the page begins with."""
    site, mesh = bench.site, bench.site.mesh
    middle = mesh.box.mean(axis=0)
    edges = feature_edges(mesh)
    ends = mesh.points[edges[:, :2]] - middle
    arrays = {
        "corners": (mesh.corners - middle).reshape(-1).astype(np.float32),
        "bay": site.bays.side_bay.astype(np.int16),
        "edges": ends.reshape(-1).astype(np.float32),
        "edgeFaces": edges[:, 2].astype(np.uint32),
    }
    state = first_state(bench)
    target = bench.job.target
    scale = FilmScale(required_um=target.film_min / MICROMETRE, most_um=target.film_max / MICROMETRE)
    table = {
        "kind": "site",
        "title": bench.job.title,
        "down": bench.job.down.tolist(),
        "middle": middle.tolist(),
        "half": (0.5 * (mesh.box[1] - mesh.box[0])).tolist(),
        "faces": mesh.n_faces,
        "bays": [bay.name for bay in site.bays.bays],
        "openings": {
            name: {"center": (one.center - middle).tolist(), "diameter": one.diameter}
            for name, one in bench.openings.items()
        },
        "wands": {wand.name: wand_table(wand) for wand in bench.job.wands},
        "film": {
            "edges": list(scale.edges_um),
            "colours": [band.colour for band in scale.bands],
            "is": target.film_is,
        },
        "statuses": [[name, status_colour(name)[0]] for name in films.STATUSES],
        "neutral": NEUTRAL,
        "state": None if state is None else state_table(state),
    }
    return framed(table, arrays)


def wand_table(wand: Wand) -> dict[str, Any]:
    """Return a wand's figures; endless ones and those it does not have are left out."""
    figures = {
        "length": wand.length,
        "diameter": wand.diameter,
        "tip_diameter": wand.tip_diameter,
        "pull_speed": wand.pull_speed,
        **{name: getattr(wand.tip, name) for name in TIP_FIGURES},
    }
    if wand.shape == "flexible" and wand.bend_radius is not None:
        figures["bend_radius"] = wand.bend_radius
    if wand.shape == "bent":
        arcs = [piece for piece in wand.pieces if np.isfinite(piece.radius)]
        figures |= {"bend_radius": arcs[0].radius, "bend_angle": sum(piece.angle for piece in arcs)}
    kept = {name: float(value) for name, value in figures.items() if np.isfinite(value)}
    return {"shape": wand.shape, "pattern": wand.tip.pattern, "figures": kept}


def state_table(state: State) -> dict[str, Any]:
    """Return a state as the page sends it."""
    return {
        "wand": state.wand,
        "opening": state.opening,
        "aim": state.aim.tolist(),
        "clock": state.clock,
        "from": state.deepest,
        "to": state.shallowest,
        "pattern": state.pattern,
        "figures": dict(state.figures),
    }
