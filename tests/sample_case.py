"""A made-up result for the tests of pictures and documents: a box with one rib and a stringer.

The box is 1.2 by 0.4 by 0.2 m; the rib stands at x = 0.5 with a square lightening hole of 0.1 m; a blade
with a free flange (an upside-down L) runs along the lower skin at y = 0.1. The films are a formula, not a
simulation: enough on what looks at the box's axis, thin beyond x = 0.95, none under the flange.
"""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from bayreach.arrays import FloatArray, IntArray
from bayreach.mesh import Mesh, joined, mesh_of
from bayreach.outcome import PassFilm
from bayreach.report import Case, Sides, case_of
from bayreach.units import MICROMETRE

LENGTH, WIDTH, HEIGHT = 1.2, 0.4, 0.2
RIB_AT = 0.5


def sheet(origin: Any, one: Any, two: Any, counts: tuple[int, int], part: str, *, hole: Any = None) -> Mesh:
    """Return a flat grid of faces from `origin` along `one` and `two`, less those in `hole`."""
    n_one, n_two = counts
    origin, one, two = (np.asarray(vector, dtype=np.float64) for vector in (origin, one, two))
    u, v = np.meshgrid(np.linspace(0, 1, n_one + 1), np.linspace(0, 1, n_two + 1), indexing="ij")
    points = origin + u.reshape(-1, 1) * one + v.reshape(-1, 1) * two
    place = np.arange((n_one + 1) * (n_two + 1)).reshape(n_one + 1, n_two + 1)
    a, b, c, d = place[:-1, :-1], place[1:, :-1], place[1:, 1:], place[:-1, 1:]
    faces = np.concatenate(
        [np.stack([a, b, c], axis=-1).reshape(-1, 3), np.stack([a, c, d], axis=-1).reshape(-1, 3)]
    )
    if hole is not None:
        middles = points[faces].mean(axis=1)
        faces = faces[~((middles > hole[0]) & (middles < hole[1])).all(axis=1)]
    return mesh_of(points, faces, part)


def welded(meshes: list[Mesh]) -> Mesh:
    """Return one mesh of all, points at the same place made one."""
    mesh = joined(meshes)
    _, first, back = np.unique(np.round(mesh.points, 7), axis=0, return_index=True, return_inverse=True)
    return Mesh(
        points=mesh.points[first],
        faces=back.reshape(-1)[mesh.faces],
        face_parts=mesh.face_parts,
        part_names=mesh.part_names,
    )


def sample_mesh(step: float) -> Mesh:
    """Return the structure with squares of about `step` m."""
    x, y, z = (max(4, round(size / step)) for size in (LENGTH, WIDTH, HEIGHT))
    y, z = y + (-y) % 8, z + (-z) % 4  # grid lines on the hole's rim, whatever the step
    hole = ([RIB_AT - 0.01, 0.149, 0.049], [RIB_AT + 0.01, 0.251, 0.151])
    return welded(
        [
            sheet([0, 0, 0], [0, WIDTH, 0], [LENGTH, 0, 0], (y, x), "skin_lower"),
            sheet([0, 0, HEIGHT], [LENGTH, 0, 0], [0, WIDTH, 0], (x, y), "skin_upper"),
            sheet([0, 0, 0], [LENGTH, 0, 0], [0, 0, HEIGHT], (x, z), "spar_front"),
            sheet([0, WIDTH, 0], [0, 0, HEIGHT], [LENGTH, 0, 0], (z, x), "spar_rear"),
            sheet([0, 0, 0], [0, 0, HEIGHT], [0, WIDTH, 0], (z, y), "end_inner"),
            sheet([LENGTH, 0, 0], [0, WIDTH, 0], [0, 0, HEIGHT], (y, z), "end_outer"),
            sheet([RIB_AT, 0, 0], [0, WIDTH, 0], [0, 0, HEIGHT], (y, z), "rib 1", hole=hole),
            sheet([0, 0.1, 0], [LENGTH, 0, 0], [0, 0, 0.04], (x, max(2, round(0.04 / step))), "stringer_web"),
            sheet(
                [0, 0.1, 0.04],
                [LENGTH, 0, 0],
                [0, 0.03, 0],
                (x, max(2, round(0.03 / step))),
                "stringer_flange",
            ),
        ]
    )


def sample_sides(mesh: Mesh) -> Sides:
    """Return made-up values: side 0 of the first four skins looks outside, as their winding has it."""
    corners = mesh.corners
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    middles = np.repeat(corners.mean(axis=1), 2, axis=0)
    outward = np.stack([normals, -normals], axis=1).reshape(-1, 3)
    middle = np.array([LENGTH / 2, WIDTH / 2, HEIGHT / 2])
    part = np.repeat(mesh.face_parts, 2)
    outer = part < 6
    inside = ~outer | (np.einsum("ij,ij->i", outward, middles - middle) < 0)
    nudged = middles[:, 0] + 1e-3 * outward[:, 0]
    bay = np.where(inside, np.where(nudged < RIB_AT, 0, 1), -1)
    axis = np.stack([middles[:, 0], np.full(len(part), WIDTH / 2), np.full(len(part), HEIGHT / 2)], axis=1)
    to_axis = axis - middles
    distance = np.maximum(np.linalg.norm(to_axis, axis=1), 0.02)
    cosine = np.maximum(np.einsum("ij,ij->i", outward, to_axis) / distance, 0.0)
    direct = np.where(middles[:, 0] < 0.95, 2.4 * cosine / distance, 0.0)
    direct[np.isin(mesh.part_names, ["rib 1", "end_inner", "end_outer"])[part]] = 9.0
    under = (middles[:, 1] > 0.08) & (middles[:, 1] < 0.15) & (middles[:, 2] < 0.0399)
    direct[under & (outward[:, 2] < 0.5)] = 0.0
    direct[(bay == 1) & (middles[:, 0] > 0.98)] = 0.0
    settled = np.where((outward[:, 2] > 0.7) & (bay >= 0), 1.5, 0.0)
    return _sides_of(bay, np.where(bay >= 0, direct, 0.0), settled)


def _sides_of(bay: IntArray, direct: FloatArray, settled: FloatArray) -> Sides:
    film = direct + settled
    status = np.select([bay < 0, film <= 0, film < 8.0, film > 25.0], [2, 2, 1, 3], 0)
    return Sides(
        bay=bay,
        film_um=film,
        direct_um=direct,
        settled_um=settled,
        status=status.astype(np.int64),
        first_pass=np.where(film > 0, bay, -1).astype(np.int64),
        checkable=np.where(bay == 0, 1, np.where(bay < 0, -1, 0)).astype(np.int64),
        wet_by=(np.where(film > 0, np.where(bay == 0, 0b001, 0b110), 0).astype(np.int64),),
        reason=np.where((bay >= 0) & (film <= 0), 0, -1).astype(np.int64),
        reason_names=("hidden by stringer_flange",),
    )


def sample_record(**changes: Any) -> dict[str, Any]:
    """Return the tables of a result.json; `changes` replace whole tables."""
    record: dict[str, Any] = {
        "version": "0.1.0",
        "title": "Outboard bay, demo",
        "inputs": {"mesh_sha256": "ab" * 32, "job_sha256": "cd" * 32, "settings": {}},
        "warnings": ["fog has no credit on sides that look down"],
        "cautions": [
            "A hole in this document is a candidate, not approved data. Do not drill without approval.",
            "The figures come from a model; look before and after spraying.",
        ],
        "target": {"film_min_m": 8e-6, "film_max_m": 25e-6, "film_is": "dry", "coverage": 0.95},
        "mesh": {
            "faces": 1000,
            "box_m": [[0, 0, 0], [LENGTH, WIDTH, HEIGHT]],
            "units": "mm",
            "repairs": ["12 duplicate vertices merged"],
            "method": "cells",
        },
        "bays": [_bay("bay 1", 0.9, 0.04, 0.75), _bay("bay 2", 1.1, 0.056, 0.5)],
        "openings": [
            _opening("root port", "given", [0.0, 0.2, 0.1], [1, 0, 0], 0.08, ["outside", "bay 1"]),
            _opening("opening 1", "found", [RIB_AT, 0.2, 0.1], [1, 0, 0], 0.1, ["bay 1", "bay 2"]),
            _opening("candidate 1", "proposed", [0.9, 0.3, 0.0], [0, 0, 1], 0.0127, ["outside", "bay 2"]),
        ],
        "passes": [
            _pass("long radial", "root port", [1, 0, 0], 0.0, (0.45, 0.05, [0.0, 0.2, 0.1])),
            _pass("long radial", "root port", [1, 0, 0], 0.0, (0.95, 0.55, [0.0, 0.2, 0.1])),
            _pass("short side", "candidate 1", [0, 0, 1], 135.0, (0.12, 0.04, [0.9, 0.3, 0.0])),
        ],
        "wands": [
            {
                "name": "long radial",
                "shape": "straight",
                "length_m": 1.5,
                "diameter_m": 0.006,
                "pattern": "radial",
            },
            {
                "name": "short side",
                "shape": "straight",
                "length_m": 0.4,
                "diameter_m": 0.006,
                "pattern": "side",
            },
        ],
        "coverage": {
            "required_m2": 2.0,
            "covered_m2": 1.25,
            "fraction": 0.625,
            "direct_fraction": 0.6,
            "settled_only_fraction": 0.025,
            "dry_fraction": 0.2,
            "target": 0.95,
            "met": False,
        },
        "liquid": {
            "sprayed_m3": 8e-5,
            "direct_m3": 6e-5,
            "settled_m3": 1e-5,
            "escaped_m3": 5e-6,
            "suspended_m3": 5e-6,
            "retained_m3": 7e-5,
            "run_off_m3": 0.0,
        },
        "holidays": [
            {
                "bay": "bay 2",
                "area_m2": 0.12,
                "center_m": [1.1, 0.2, 0.02],
                "reason": "no pass comes this far",
            },
            {
                "bay": "bay 1",
                "area_m2": 0.021,
                "center_m": [0.25, 0.115, 0.01],
                "reason": "hidden by stringer_flange",
            },
            {
                "bay": "bay 2",
                "area_m2": 0.015,
                "center_m": [0.7, 0.115, 0.01],
                "reason": "hidden by stringer_flange",
            },
        ],
        "plan": {
            "objective": 12.0,
            "bound": 11.9,
            "gap": 0.0083,
            "new_holes": 1,
            "new_holes_bound": 1,
            "proven": True,
            "no_drill": {"coverage": 0.55},
        },
        "holes": [
            {
                "center_m": [0.9, 0.3, 0.0],
                "normal": [0, 0, 1],
                "drill_mm": 12.7,
                "drill_name": "1/2 in",
                "edge_distance_m": 0.1,
                "closes_with": "plug button",
                "why": "reaches the outer end of bay 2",
            }
        ],
        "work": _work(),
        "checks": {
            "checkable_m2": 0.9,
            "covered_checkable_m2": 0.7,
            "covered_not_checkable_m2": 0.55,
            "looks": [{"tool": "mirror", "opening": "root port", "depth_m": 0.05, "sees_m2": 0.7}],
        },
        "masks": [
            {
                "name": "rear connector",
                "film_m": 4e-6,
                "touched": True,
                "center_m": [0.9, WIDTH, 0.1],
            }
        ],
        "keep_outs": [{"name": "oxygen line", "no": "both", "box_m": [[0.1, 0.3, 0.12], [0.3, 0.38, 0.18]]}],
        "drains": [{"name": "drain 1", "center_m": [0.02, 0.02, 0.0]}],
        "pools": [{"center_m": [0.3, 0.05, 0.0], "volume_m3": 2e-6}],
    }
    return {**record, **changes}


def _work() -> dict[str, Any]:
    """Return the work by the clock: the tank is filled again before the third pass."""
    kinds = [("mask", None), ("opening", None), ("pass", 1), ("pass", 2), ("refill", None), ("pass", 3)]
    steps = [
        {
            "kind": kind,
            "name": "",
            "order": order,
            "start_s": 300.0 * place,
            "seconds": 300.0,
            "liquid_m3": 0.0,
        }
        for place, (kind, order) in enumerate(kinds)
    ]
    return {
        "seconds": 4500.0,
        "liquid_m3": 2e-4,
        "openings": 2,
        "wand_changes": 1,
        "refills": 1,
        "steps": steps,
    }


def sample_case(step: float = 0.02, **changes: Any) -> Case:
    """Return the made-up result with squares of about `step` m; `changes` replace tables of its record."""
    mesh = sample_mesh(step)
    sides = sample_sides(mesh)
    return replace(case_of(sample_record(**changes), mesh, sides), pass_films=sample_films(sides))


def sample_films(sides: Sides) -> tuple[PassFilm, ...]:
    """Return what each pass lays: the first all of bay 1, the others three and seven tenths of bay 2."""
    films = []
    for bay, share in ((0, 1.0), (1, 0.3), (1, 0.7)):
        wet = np.flatnonzero((sides.bay == bay) & (sides.film_um > 0))
        dry = np.zeros(0, dtype=np.int64)
        film = share * sides.film_um[wet] * MICROMETRE
        films.append(PassFilm(direct_sides=wet, direct=film, settled_sides=dry, settled=np.zeros(0)))
    return tuple(films)


def write_record(folder: Path, **changes: Any) -> None:
    """Write result.json alone."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "result.json").write_text(json.dumps(sample_record(**changes)), encoding="utf-8")


def _bay(name: str, area: float, volume: float, covered: float) -> dict[str, Any]:
    return {
        "name": name,
        "area_m2": area,
        "volume_m3": volume,
        "required_m2": area,
        "covered_m2": covered,
        "direct_m2": covered - 0.02,
        "settled_only_m2": 0.02,
        "low_m2": 0.05,
        "dry_m2": round(area - covered - 0.05, 6),
        "heavy_m2": 0.0,
        "openings": ["opening 1"],
    }


def _opening(name: str, kind: str, *where: Any) -> dict[str, Any]:
    center, normal, diameter, links = where
    return {
        "name": name,
        "kind": kind,
        "center_m": center,
        "normal": normal,
        "diameter_m": diameter,
        "area_m2": np.pi / 4 * diameter**2,
        "links": links,
    }


def _pass(wand: str, opening: str, aim: Any, clock: float, pull: tuple[float, float, Any]) -> dict[str, Any]:
    deepest, shallowest, entry = pull
    along = np.asarray(aim, dtype=np.float64)
    start = np.asarray(entry, dtype=np.float64)
    return {
        "wand": wand,
        "opening": opening,
        "aim": aim,
        "clock_deg": clock,
        "from_m": deepest,
        "to_m": shallowest,
        "pull_speed_m_s": 0.05,
        "count": 1,
        "seconds": (deepest - shallowest) / 0.05,
        "liquid_m3": 200e-6 / 60 * (deepest - shallowest) / 0.05,
        "path_m": [(start + depth * along).tolist() for depth in (deepest, shallowest)],
    }
