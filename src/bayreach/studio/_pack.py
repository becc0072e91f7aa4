"""What the page is sent: a table and little-endian arrays in one run of bytes."""

import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from bayreach import film as films
from bayreach.heatmap import NEUTRAL, FilmScale, status_colour
from bayreach.studio._bench import Bench, first_state, states_of
from bayreach.studio._state import state_table
from bayreach.studio._wands import wand_table
from bayreach.units import MICROMETRE

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
    site, mesh, middle, picture = bench.site, bench.site.mesh, bench.middle, bench.picture
    arrays = {
        "corners": (picture.corners - middle).reshape(-1).astype(np.float32),
        "bay": site.bays.side_bay[picture.sides].astype(np.int16),
        "edges": (picture.edges - middle).reshape(-1).astype(np.float32),
        "edgeFaces": picture.edge_faces.astype(np.uint32),
    }
    state = first_state(bench)
    target = bench.job.target
    scale = FilmScale(required_um=target.film_min / MICROMETRE, most_um=target.film_max / MICROMETRE)
    table = {
        "kind": "site",
        "title": bench.job.title,
        "job": bench.job.path.name,
        "down": bench.job.down.tolist(),
        "middle": middle.tolist(),
        "half": (0.5 * (mesh.box[1] - mesh.box[0])).tolist(),
        "faces": len(picture.corners),
        "facesOfMesh": mesh.n_faces,
        "bays": [bay.name for bay in site.bays.bays],
        "openings": {
            name: {"center": (one.center - middle).tolist(), "diameter": float(one.diameter)}
            for name, one in bench.openings.items()
        },
        "wands": [{**wand_table(wand), "name": wand.name, "file": ""} for wand in bench.job.wands],
        "film": {
            "edges": list(scale.edges_um),
            "colours": [band.colour for band in scale.bands],
            "is": target.film_is,
            "required": scale.required_um,
        },
        "statuses": [[name, status_colour(name)[0]] for name in films.STATUSES],
        "neutral": NEUTRAL,
        "state": None if state is None else state_table(state),
        "passes": [state_table(one) for one in states_of(bench, bench.job)],
    }
    return framed(table, arrays)
