"""Rays: bayreach against Embree's raw limit and against the loops a user would write; ratios within one run.

python tests/benchmarks/bench_rays.py [--faces 60000] [--stations 100]
"""

import argparse
import math
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import date
from importlib.metadata import version
from pathlib import Path

import numpy as np

from bayreach.bays import find_bays
from bayreach.demo import wing_box
from bayreach.deposit._sampled import Spray
from bayreach.deposit._spraying import sparse_film
from bayreach.deposit.direct import air_of
from bayreach.poses import Stations, stations_of, straight_path
from bayreach.rays import Scene, cores
from bayreach.rays._embree import library_places
from bayreach.sight import targets_of
from bayreach.tips import Tip

HERE = Path(__file__).parent
REPEATS = 5
SHARE = 5
"""One station in so many is asked by raw Embree about every side, visible or not."""


def best_of(work, repeats=REPEATS):
    """Return the shortest wall time and the shortest time of cores in s, and the last answer."""
    walls, cores = [], []
    for _ in range(repeats):
        wall, core = time.perf_counter(), time.process_time()
        answer = work()
        walls.append(time.perf_counter() - wall)
        cores.append(time.process_time() - core)
    return min(walls), min(cores), answer


def box_of(n_faces):
    """Return the demo wing box in about n_faces faces."""
    # Measured: 23,918 faces at 20 mm; beyond a few mm the count goes with the inverse square of the edge.
    edge = 20.0 * math.sqrt(23_918 / n_faces)
    for _ in range(3):
        mesh = wing_box(edge)
        edge *= math.sqrt(mesh.n_faces / n_faces)
        if abs(mesh.n_faces / n_faces - 1) < 0.05:
            break
    return mesh


def stations_in(mesh, count):
    """Return stations on a line through the ribs' holes."""
    low, high = mesh.box
    middle = 0.5 * (low + high)
    length = high[0] - low[0]
    path = straight_path(
        entry=[low[0] + 0.02 * length, middle[1], middle[2]],
        aim=[1, 0, 0],
        deepest=0.9 * length,
        shallowest=0.0,
        clock=0.0,
        down=(0, 0, -1),
    )
    return stations_of(path, 0.9 * length / count)


def asked_rays(scene, targets, stations, tip, *, every=False):
    """Return the rays (n, 8) that matter without portals, in the order of the kernel; `every`: all pairs."""
    blocks = targets.blocks
    low, high = tip.cosine_range
    points, normals = targets.points[blocks.samples], targets.normals[blocks.samples]
    found = []
    for b in range(blocks.n_blocks):
        own = slice(blocks.starts[b], blocks.starts[b + 1])
        ways = points[own][None] - stations.points[:, None]
        distance = np.linalg.norm(ways, axis=2)
        ways /= distance[..., None]
        cosine = np.einsum("snk,sk->sn", ways, stations.axes)
        lit = (np.einsum("snk,nk->sn", ways, normals[own]) < 0) & (cosine > low) & (cosine < high)
        lit = (lit | every) & (distance > 2 * scene.stop)
        station, sample = np.nonzero(lit)
        rays = np.zeros((len(station), 8), dtype=np.float32)
        rays[:, :3] = stations.points[station] - scene.origin
        rays[:, 3] = scene.stop
        rays[:, 4:7] = ways[station, sample]
        rays[:, 7] = distance[station, sample] - scene.stop
        found.append(rays)
    return np.concatenate(found)


def raw_limit(mesh, origin, rays, flags, folder):
    """Return rays, blocked rays, seconds and core seconds of the C++ program."""
    (library,) = library_places()[:1]
    program = folder / "raw_limit"
    if not program.exists():
        places = [
            "-Wl,-rpath," + str(library.parent),
            str(library),
            *map(str, library.parent.glob("libtbb*")),
        ]
        command = ["g++", "-O3", "-march=native", "-std=c++17", "-pthread", str(HERE / "raw_limit.cpp")]
        subprocess.run([*command, "-o", str(program), *places], check=True)
    (mesh.corners - origin).astype(np.float32).tofile(folder / "mesh.bin")
    rays.tofile(folder / "rays.bin")
    told = subprocess.run(
        [program, folder / "mesh.bin", folder / "rays.bin", str(cores()), str(flags)],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    return int(told[0]), int(told[1]), float(told[2]), float(told[3])


def trimesh_film(mesh, stations, tip):
    """Return the film (2n,) by the loop a user of trimesh with embreex would write, one ray a side."""
    import trimesh

    body = trimesh.Trimesh(mesh.points, mesh.faces, process=False)
    centers, normals = body.triangles_center, body.face_normals
    film = np.zeros(mesh.n_sides)
    for point, axis in zip(stations.points, stations.axes, strict=True):
        ways = centers - point
        distance = np.linalg.norm(ways, axis=1)
        ways /= distance[:, None]
        first = body.ray.intersects_first(np.tile(point, (len(ways), 1)), ways)
        seen = first == np.arange(len(ways))
        cosine = np.einsum("ij,ij->i", ways, normals)
        density = np.where(np.abs(ways @ axis) <= math.sin(tip.spread / 2), tip.density([0.0, 1.0, 0.0]), 0.0)
        film[2 * np.arange(len(ways)) + (cosine > 0)] += np.where(
            seen, density * np.abs(cosine) / distance**2, 0.0
        )
    return film / len(stations.points)


def vtk_seen(mesh, point, faces):
    """Return which of the chosen faces a point sees, by VTK's fastest cell locator, one call a ray."""
    import pyvista
    import vtk

    body = pyvista.PolyData(mesh.points, np.hstack([np.full((mesh.n_faces, 1), 3), mesh.faces]))
    locator = vtk.vtkStaticCellLocator()
    locator.SetDataSet(body)
    locator.BuildLocator()
    t, u, cell = vtk.mutable(0.0), vtk.mutable(0), vtk.mutable(0)
    where, local = [0.0] * 3, [0.0] * 3

    def ask():
        seen = []
        for center in mesh.corners[faces].mean(axis=1):
            way = (center - point) / np.linalg.norm(center - point)
            hit = locator.IntersectWithLine(point, center - 1e-4 * way, 1e-9, t, where, local, u, cell)
            seen.append(hit == 0)
        return np.array(seen)

    return ask


def viewfactor_seen(mesh, point, faces):
    """Return which of the chosen faces a small face at a point sees, by pyviewfactor."""
    import pyviewfactor
    import pyvista

    body = pyvista.PolyData(mesh.points, np.hstack([np.full((mesh.n_faces, 1), 3), mesh.faces]))
    ready = pyviewfactor.FaceMeshPreprocessor(body)
    own = point + 1e-4 * np.array([[1.0, 0, 0], [0, 1.0, 0], [-1.0, -1.0, 0]])

    def ask():
        return np.array([pyviewfactor.get_obstruction(own, mesh.corners[face], ready)[0] for face in faces])

    return ask


def against_raw(mesh, targets, still, air, every):
    """Print bayreach's engines against the C++ program on the same rays."""
    with tempfile.TemporaryDirectory() as name:
        for engine, flags in (("embree", 4), ("embree-fast", 0), ("tree", 4)):
            scene = Scene(mesh, engine=engine)
            rays = asked_rays(scene, targets, still.stations, still.tip)
            sparse_film(scene, targets, [still], None)
            n_raw, blocked, raw, raw_core = raw_limit(mesh, scene.origin, rays, flags, Path(name))
            wall, core, film = best_of(lambda scene=scene: sparse_film(scene, targets, [still], None))
            air_wall, air_core, through = best_of(
                lambda scene=scene: sparse_film(scene, targets, [still], air)
            )
            again = raw_limit(mesh, scene.origin, rays, flags, Path(name))
            raw, raw_core = min(raw, again[2]), min(raw_core, again[3])
            print(f"{scene.engine}: {film.rays} rays (slow count {len(rays)})", end=", ")
            print(f"{100 * blocked / n_raw:.0f} % blocked")
            print(f"  M rays/s on {cores()} cores: raw C++ {n_raw / raw / 1e6:.1f}", end=", ")
            print(f"bayreach, culling and summing included, {film.rays / wall / 1e6:.1f}")
            share = film.rays / core * raw_core / n_raw
            print(f"  M rays per core second: raw C++ {n_raw / raw_core / 1e6:.2f}", end=", ")
            print(f"bayreach {film.rays / core / 1e6:.2f}: {share:.2f} of raw")
            part = asked_rays(scene, targets, every_nth(still, SHARE).stations, still.tip, every=True)
            naive = raw_limit(mesh, scene.origin, part, flags, Path(name))[3] / len(part) * every
            print(f"  every pair by raw {naive:.3f} core s (from 1 in {SHARE})", end="; ")
            print(f"bayreach with portals {air_core:.3f}", end=", ")
            print(f"{through.rays} rays, {air_wall:.3f} s: effective {naive / air_core:.1f} x raw")


def against_peers(mesh, targets, still, air, every):
    """Print bayreach against loops over trimesh, VTK and pyviewfactor; the last two on a sample of pairs."""
    scene = Scene(mesh)
    wall, core, _ = best_of(lambda: sparse_film(scene, targets, [still], air))
    count = len(still.shares)
    fewer = every_nth(still, max(1, count // 5))
    small = sparse_film(scene, targets, [fewer], None)
    own = np.zeros(mesh.n_sides)
    own[targets.sides[small.rows]] = small.film
    seconds, their_core, theirs = best_of(lambda: trimesh_film(mesh, fewer.stations, still.tip), 2)
    scale = count / len(fewer.shares)
    gap = 100 * np.abs(own - theirs).sum() / own.sum()
    print(f"trimesh: {their_core * scale:.2f} core s for all stations (from {len(fewer.shares)})", end=", ")
    print(f"bayreach {core:.3f}: {their_core * scale / core:.0f} x", end="; ")
    print(f"{seconds * scale / wall:.0f} x by the clock", end="; ")
    print(f"films differ by {gap:.3f} %")
    faces = np.random.default_rng(0).choice(mesh.n_faces, 400, replace=False)
    point = np.array(still.stations.points[count // 2])
    truth = ~scene.is_blocked(point, mesh.corners[faces].mean(axis=1))
    for name, ready in (("VTK", vtk_seen), ("pyviewfactor", viewfactor_seen)):
        ask = ready(mesh, point, faces)
        ask()
        _, their_core, seen = best_of(ask, 2)
        whole = their_core / len(faces) * every
        print(f"{name}: {their_core / len(faces) * 1e6:.1f} core us a pair ({len(faces)} pairs)", end=", ")
        print(f"{whole:.1f} core s for all: {whole / core:.0f} x", end="; ")
        print(f"agrees on {100 * (seen == truth).mean():.2f} % of the pairs")


def every_nth(spray, step):
    """Return the spray with every nth station."""
    names = ("points", "axes", "clocks", "depths", "lengths")
    stations = Stations(**{name: getattr(spray.stations, name)[::step] for name in names})
    return replace(spray, stations=stations, shares=np.full(len(stations.points), 1 / len(stations.points)))


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--faces", type=int, default=60_000)
    parser.add_argument("--stations", type=int, default=100)
    chosen = parser.parse_args()
    bays = find_bays(box_of(chosen.faces))
    mesh = bays.mesh
    stations = stations_in(mesh, chosen.stations)
    # As dwells, so that a ray is asked exactly where the pattern covers a sample.
    still = Spray(
        stations=replace(stations, lengths=np.zeros(len(stations.points))),
        shares=np.full(len(stations.points), 1 / len(stations.points)),
        tip=Tip(pattern="radial", spread=math.radians(140)),
    )
    names = ("numba", "embreex", "trimesh", "vtk", "pyviewfactor")
    print(
        date.today(), platform.machine(), f"{cores()} cores", f"Python {platform.python_version()}", end=" "
    )
    print(*(f"{name} {version(name)}" for name in names))
    print(f"{mesh.n_faces} faces, {len(bays.bays)} bays, {len(still.shares)} stations, 1 sample a side")
    targets = targets_of(mesh, samples=1)
    every = len(still.shares) * mesh.n_sides
    air = air_of(mesh, bays)
    against_raw(mesh, targets, still, air, every)
    against_peers(mesh, targets, still, air, every)


if __name__ == "__main__":
    sys.exit(main())
