"""Which side is seen in each pixel: by VTK in a process of its own, or by the ray engine where that one dies.

VTK ends the whole process when it finds neither EGL nor OSMesa, after having said that all is well; only a
process of its own finds out.
"""

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from bayreach.arrays import NO_FACE, BoolArray, IntArray
from bayreach.errors import DisplayError
from bayreach.mesh import Mesh
from bayreach.picture._camera import Camera, facing
from bayreach.rays import Scene

DRAWER = (sys.executable, "-m", "bayreach.picture._offscreen")
"""Command of the drawing process."""

DRAWING_SECONDS = 120.0
"""Longest time the drawing process may take."""


def sides_seen(
    mesh: Mesh, shown: Sequence[BoolArray], cameras: Sequence[Camera]
) -> tuple[list[IntArray], str]:
    """Return, for each camera, the side in each pixel (height, width), -1 none; and who drew it.

    Only the sides in `shown` (2n,) that face the viewer are drawn: walls between the viewer and a bay show
    their outside, so they fall away and the inside lies open.
    """
    try:
        return by_vtk(mesh, shown, cameras), "VTK"
    except DisplayError:
        drawn = [by_rays(mesh, some, camera) for some, camera in zip(shown, cameras, strict=True)]
        return drawn, "ray casting"


def by_rays(mesh: Mesh, shown: BoolArray, camera: Camera) -> IntArray:
    """Return the side in each pixel (height, width), -1 none, by one ray a pixel."""
    sides = np.flatnonzero(facing(mesh, camera.forward) & shown)
    seen = np.full(camera.width * camera.height, -1, dtype=np.int64)
    if len(sides):
        faces = sides // 2
        middle = mesh.box.mean(axis=0)
        near = Mesh(
            points=mesh.points - middle,
            faces=mesh.faces[faces],
            face_parts=mesh.face_parts[faces],
            part_names=mesh.part_names,
        )
        origins = camera.pixel_origins() - middle - (mesh.diagonal + camera.span) * camera.forward
        directions = np.broadcast_to(camera.forward, origins.shape)
        hit, _ = Scene(near).first_hit(origins, np.ascontiguousarray(directions))
        seen = np.where(hit == NO_FACE, -1, sides[np.maximum(hit, 0)])
    return seen.reshape(camera.height, camera.width)


def by_vtk(mesh: Mesh, shown: Sequence[BoolArray], cameras: Sequence[Camera]) -> list[IntArray]:
    """Return the side in each pixel of each camera, drawn by VTK in a process of its own.

    Raises
    ------
    DisplayError
        When that process died, took too long or wrote nothing.
    """
    with tempfile.TemporaryDirectory() as name:
        task, answer = Path(name) / "task.npz", Path(name) / "answer.npz"
        np.savez(task, **_task(mesh, shown, cameras))
        _drawn_by_another_process(task, answer)
        with np.load(answer) as stored:
            return [stored[f"seen_{place}"].astype(np.int64) for place in range(len(cameras))]


def _task(mesh: Mesh, shown: Sequence[BoolArray], cameras: Sequence[Camera]) -> dict[str, Any]:
    middle = mesh.box.mean(axis=0)
    task: dict[str, Any] = {
        "points": (mesh.points - middle).astype(np.float32),
        "faces": mesh.faces,
        "count": np.array(len(cameras)),
    }
    for place, camera in enumerate(cameras):
        task[f"sides_{place}"] = np.flatnonzero(facing(mesh, camera.forward) & shown[place])
        task[f"frame_{place}"] = np.stack([camera.center - middle, camera.up, camera.forward])
        task[f"size_{place}"] = np.array([camera.span, camera.width, camera.height, mesh.diagonal])
    return task


def _drawn_by_another_process(task: Path, answer: Path) -> None:
    command = [*DRAWER, str(task), str(answer)]
    environment = {**os.environ, "PYVISTA_OFF_SCREEN": "true"}
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, timeout=DRAWING_SECONDS, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        message = f"the drawing process did not answer ({error})."
        raise DisplayError(message) from error
    if done.returncode != 0 or not answer.is_file():
        last = done.stderr.decode(errors="replace").strip().splitlines()[-1:] or [""]
        message = (
            f"the drawing process ended with code {done.returncode} {last[0][:200]}: "
            "no OpenGL that draws without a display (EGL or OSMesa) was found."
        )
        raise DisplayError(message)
