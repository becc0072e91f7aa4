"""Embree's shared library, taken from the embreex wheel and called through ctypes and compiled kernels."""

import ctypes
import weakref
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bayreach.arrays import FloatArray
from bayreach.mesh import Mesh

# Numbers of the public C interface of Embree 4 (rtcore_scene.h, rtcore_geometry.h, rtcore_buffer.h).
_SCENE_FLAG_ROBUST = 1 << 2
_BUILD_QUALITY_MEDIUM = 1
_GEOMETRY_TYPE_TRIANGLE = 0
_BUFFER_INDEX, _BUFFER_VERTEX = 0, 1
_FORMAT_UINT3, _FORMAT_FLOAT3 = 0x5003, 0x9003
_PROPERTY_VERSION = 0
_VERSIONS = range(40000, 50000)

_PROTOTYPES = {
    "rtcNewDevice": (ctypes.c_void_p, [ctypes.c_char_p]),
    "rtcGetDeviceProperty": (ctypes.c_ssize_t, [ctypes.c_void_p, ctypes.c_int]),
    "rtcGetDeviceError": (ctypes.c_int, [ctypes.c_void_p]),
    "rtcNewScene": (ctypes.c_void_p, [ctypes.c_void_p]),
    "rtcSetSceneFlags": (None, [ctypes.c_void_p, ctypes.c_int]),
    "rtcSetSceneBuildQuality": (None, [ctypes.c_void_p, ctypes.c_int]),
    "rtcCommitScene": (None, [ctypes.c_void_p]),
    "rtcReleaseScene": (None, [ctypes.c_void_p]),
    "rtcNewGeometry": (ctypes.c_void_p, [ctypes.c_void_p, ctypes.c_int]),
    "rtcSetNewGeometryBuffer": (
        ctypes.c_void_p,
        [ctypes.c_void_p, ctypes.c_int, ctypes.c_uint, ctypes.c_int, ctypes.c_size_t, ctypes.c_size_t],
    ),
    "rtcCommitGeometry": (None, [ctypes.c_void_p]),
    "rtcAttachGeometry": (ctypes.c_uint, [ctypes.c_void_p, ctypes.c_void_p]),
    "rtcReleaseGeometry": (None, [ctypes.c_void_p]),
}


class EmbreeLibrary:
    """The loaded library with one device; `version` like (4, 4, 0).

    Raises
    ------
    OSError
        When the library cannot be loaded, is of another major version, or lacks a function.
    """

    def __init__(self, path: Path) -> None:
        self._library = ctypes.CDLL(str(path))
        try:
            for name, (result, arguments) in _PROTOTYPES.items():
                function = getattr(self._library, name)
                function.restype, function.argtypes = result, arguments
            self.occluded16 = _address(self._library.rtcOccluded16)
            self.intersect16 = _address(self._library.rtcIntersect16)
        except AttributeError as error:
            message = f"{path.name}: {error}"
            raise OSError(message) from error
        self._device = self._library.rtcNewDevice(None)
        number = self._library.rtcGetDeviceProperty(self._device, _PROPERTY_VERSION) if self._device else 0
        if number not in _VERSIONS:
            message = f"{path.name}: version number {number} found, Embree 4 needed."
            raise OSError(message)
        self.version = (number // 10000, number // 100 % 100, number % 100)

    def new_scene(self, mesh: Mesh, origin: FloatArray, *, robust: bool) -> int:
        """Return the handle of a committed scene of `mesh`, counted from `origin`; release it after.

        Raises
        ------
        MemoryError
            When Embree reports an error, which at this point is a lack of memory.
        """
        library = self._library
        scene = library.rtcNewScene(self._device)
        library.rtcSetSceneFlags(scene, _SCENE_FLAG_ROBUST if robust else 0)
        library.rtcSetSceneBuildQuality(scene, _BUILD_QUALITY_MEDIUM)
        geometry = library.rtcNewGeometry(self._device, _GEOMETRY_TYPE_TRIANGLE)
        points = (mesh.points - origin).astype(np.float32)
        self._fill(geometry, _BUFFER_VERTEX, _FORMAT_FLOAT3, points)
        self._fill(geometry, _BUFFER_INDEX, _FORMAT_UINT3, mesh.faces.astype(np.uint32))
        library.rtcCommitGeometry(geometry)
        library.rtcAttachGeometry(scene, geometry)
        library.rtcReleaseGeometry(geometry)
        library.rtcCommitScene(scene)
        error = library.rtcGetDeviceError(self._device)
        if error:
            library.rtcReleaseScene(scene)
            message = f"Embree error {error} while it built the scene of {mesh.n_faces} faces."
            raise MemoryError(message)
        return int(scene)

    def release(self, scene: int) -> None:
        """Give the scene's memory back."""
        self._library.rtcReleaseScene(scene)

    def _fill(self, geometry: int, kind: int, layout: int, values: NDArray[Any]) -> None:
        place = self._library.rtcSetNewGeometryBuffer(geometry, kind, 0, layout, 12, len(values))
        if not place:
            message = f"Embree has no memory for {len(values)} rows of a mesh."
            raise MemoryError(message)
        ctypes.memmove(place, values.ctypes.data, values.nbytes)


class EmbreeScene:
    """A scene that gives its memory back when it is no longer used."""

    def __init__(
        self, library: EmbreeLibrary, mesh: Mesh, origin: FloatArray, *, robust: bool = True
    ) -> None:
        self.handle = library.new_scene(mesh, origin, robust=robust)
        self._finalizer = weakref.finalize(self, library.release, self.handle)


def library_places() -> list[Path]:
    """Return where wheels keep Embree 4: beside the package on Linux and Windows, inside on macOS."""
    spec = find_spec("embreex")
    if spec is None or not spec.submodule_search_locations:
        return []
    package = Path(next(iter(spec.submodule_search_locations)))
    folders = (package.parent / "embreex.libs", package / ".dylibs", package / ".libs", package)
    found = [path for folder in folders if folder.is_dir() for path in sorted(folder.glob("*embree4*"))]
    return [path for path in found if path.suffix != ".pyd" and path.is_file()]


@lru_cache(maxsize=1)
def loaded_library() -> EmbreeLibrary | None:
    """Return the library of the embreex wheel, loaded once a process; None where there is none that works."""
    try:
        # The package loads what the library itself leans on (TBB), and on Windows sets the search path.
        import_module("embreex.rtcore_scene")
    except (ImportError, OSError):
        return None
    for path in library_places():
        try:
            return EmbreeLibrary(path)
        except OSError:
            continue
    return None


def _address(function: Any) -> int:
    address = ctypes.cast(function, ctypes.c_void_p).value
    assert address is not None
    return address
