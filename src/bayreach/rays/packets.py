"""Compiled packets of sixteen rays: the innermost loop, for kernels of this room and of film.

Import it only where rays are traced: it loads the compiler.
"""

import importlib
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bayreach.rays.compiling import COMPILER, bare, compiled

LANES = 16
"""Rays in a packet."""

# Rows of a packet, each LANES wide, as Embree 4's public header lays out RTCRay16 and, after it, RTCHit16.
_NEAR, _FAR, _MASK = 3, 8, 9
_PRIMITIVE, _GEOMETRY = 12 + 5, 12 + 6
_ROWS = 12 + 12
_ALL = np.uint32(0xFFFFFFFF)

OWN_ROWS = 5
"""Rows behind those of Embree, for figures a kernel keeps beside its rays."""

_DEEPEST = 96
"""Nodes a walk down the tree may leave for later."""

FIRST_OWN = _ROWS
"""First of a kernel's own rows."""

Triple = tuple[float, float, float]


class Tracer(NamedTuple):
    """What a kernel needs to trace: addresses of Embree's functions and scene, or a tree of our own.

    `occluded` is zero where the tree is to be used. `boxes` (b, 6) are least and greatest corners; `links`
    (b, 3): first child or first triangle, number of triangles (0: inner node), axis of the split; `triangles`
    (n, 9) are corners in the order of the tree and `faces` (n,) their face indices.
    """

    occluded: int
    intersect: int
    scene: int
    boxes: NDArray[np.float32]
    links: NDArray[np.int32]
    triangles: NDArray[np.float32]
    faces: NDArray[np.int32]


class Packet(NamedTuple):
    """Room for sixteen rays, aligned as Embree asks: `rays` and `bits` are the same memory.

    Rows of LANES figures: origin x, y, z (0 to 2), near (3), direction (4 to 6), far (8); from `FIRST_OWN` on
    OWN_ROWS rows for the kernel's own use. `inverse` and `stack` are working room of our own tree. `places`
    are the addresses of `valid` and `rays`.
    """

    rays: NDArray[np.float32]
    bits: NDArray[np.uint32]
    valid: NDArray[np.int32]
    inverse: NDArray[np.float32]
    stack: NDArray[np.int32]
    places: tuple[int, int]


def _caller() -> Any:
    """Return what calls the C function at an address with three addresses and a null pointer from kernels.

    None where there is no compiler: nothing is called then.
    """
    if COMPILER is None:
        return None
    ir, types = importlib.import_module("llvmlite.ir"), COMPILER.types

    def call(typing: Any, address: Any, valid: Any, scene: Any, rays: Any) -> Any:
        """Write the call."""
        signature = types.void(types.uintp, types.uintp, types.uintp, types.uintp)

        def generate(context: Any, builder: Any, sig: Any, arguments: Any) -> Any:
            pointer = ir.IntType(8).as_pointer()
            kind = ir.FunctionType(ir.VoidType(), [pointer] * 4)
            target = builder.inttoptr(arguments[0], kind.as_pointer())
            places = [builder.inttoptr(value, pointer) for value in arguments[1:]]
            builder.call(target, [*places, ir.Constant(pointer, None)])
            return context.get_dummy_value()

        return signature, generate

    return importlib.import_module("numba.extending").intrinsic(call)


_call: Any = _caller()


@compiled
def new_packet() -> Packet:
    """Return a packet with every lane idle."""
    length = (_ROWS + OWN_ROWS) * LANES
    room = np.zeros(length + LANES, dtype=np.float32)
    shift = (64 - room.ctypes.data % 64) % 64 // 4
    rays = room[shift : shift + length]
    bits = rays.view(np.uint32)
    flags = np.zeros(2 * LANES, dtype=np.int32)
    shift = (64 - flags.ctypes.data % 64) % 64 // 4
    for lane in range(LANES):
        bits[_MASK * LANES + lane] = _ALL
    valid = flags[shift : shift + LANES]
    inverse, stack = np.zeros(3 * LANES, dtype=np.float32), np.zeros(_DEEPEST, dtype=np.int32)
    return Packet(rays, bits, valid, inverse, stack, (valid.ctypes.data, rays.ctypes.data))


@bare
def put_ray(packet: Packet, lane: int, origin: Triple, way: Triple, span: tuple[float, float]) -> None:
    """Put a ray into a lane: local origin, unit direction, and the distances between which it is asked."""
    rays = packet.rays
    rays[0 * LANES + lane] = origin[0]
    rays[1 * LANES + lane] = origin[1]
    rays[2 * LANES + lane] = origin[2]
    rays[_NEAR * LANES + lane] = span[0]
    rays[4 * LANES + lane] = way[0]
    rays[5 * LANES + lane] = way[1]
    rays[6 * LANES + lane] = way[2]
    rays[_FAR * LANES + lane] = span[1]


@bare
def is_lane_blocked(packet: Packet, lane: int) -> bool:
    """Return whether the ray of a lane met a face, after `trace_blocked`."""
    return bool(packet.rays[_FAR * LANES + lane] < 0.0)


@bare
def face_of_lane(packet: Packet, lane: int) -> int:
    """Return the face the ray of a lane met first, or -1, after `trace_first`."""
    if packet.bits[_GEOMETRY * LANES + lane] == _ALL:
        return -1
    return int(packet.bits[_PRIMITIVE * LANES + lane])


@bare
def trace_blocked(tracer: Tracer, packet: Packet, count: int) -> None:
    """Ask whether anything lies along the first `count` rays; read the answer by `is_lane_blocked`."""
    for lane in range(LANES):
        packet.valid[lane] = -1 if lane < count else 0
    if tracer.occluded != 0:
        _call(tracer.occluded, packet.places[0], tracer.scene, packet.places[1])
    else:
        _walk(tracer, packet, count, False)


@bare
def trace_first(tracer: Tracer, packet: Packet, count: int) -> None:
    """Ask what the first `count` rays meet first; read the answer by `face_of_lane`."""
    for lane in range(LANES):
        packet.valid[lane] = -1 if lane < count else 0
        packet.bits[_GEOMETRY * LANES + lane] = _ALL
        packet.bits[(_GEOMETRY + 1) * LANES + lane] = _ALL
        packet.bits[(_GEOMETRY + 2) * LANES + lane] = _ALL
    if tracer.occluded != 0:
        _call(tracer.intersect, packet.places[0], tracer.scene, packet.places[1])
    else:
        _walk(tracer, packet, count, True)


@bare
def _walk(tracer: Tracer, packet: Packet, count: int, first: bool) -> None:
    """Walk down the tree with a packet, nearer child first; idle lanes get an empty span."""
    rays, inverse, stack = packet.rays, packet.inverse, packet.stack
    for lane in range(LANES):
        if lane >= count:
            rays[_FAR * LANES + lane] = -1.0
        for k in range(3):
            way = rays[(4 + k) * LANES + lane]
            # A direction along an axis gets a huge finite inverse: an infinite one would make NaN in a plane.
            if abs(way) < 1e-18:
                way = np.float32(1e-18)
            inverse[k * LANES + lane] = np.float32(1.0) / way
    stack[0] = 0
    depth = 1
    while depth > 0:
        depth -= 1
        node = stack[depth]
        if not _meets_box(tracer.boxes[node], rays, inverse):
            continue
        start, number, axis = tracer.links[node]
        if number == 0:
            # Children stand together; the one behind the split is left for later.
            near = 1 if rays[(4 + axis) * LANES] < 0.0 else 0
            stack[depth] = start + 1 - near
            stack[depth + 1] = start + near
            depth += 2
        else:
            for place in range(start, start + number):
                _meet_triangle(tracer.triangles[place], tracer.faces[place], packet, first)


@bare
def _meets_box(box: NDArray[np.float32], rays: NDArray[np.float32], inverse: NDArray[np.float32]) -> bool:
    """Return whether any lane's span meets a box."""
    meets = 0
    slack = np.float32(1.0000005)  # outward rounding of the far side: no box is missed by a last digit
    for lane in range(LANES):
        near = rays[_NEAR * LANES + lane]
        far = rays[_FAR * LANES + lane]
        for k in range(3):
            origin = rays[k * LANES + lane]
            one = (box[k] - origin) * inverse[k * LANES + lane]
            two = (box[3 + k] - origin) * inverse[k * LANES + lane]
            enters = one if one < two else two
            leaves = (two if one < two else one) * slack
            near = enters if enters > near else near
            far = leaves if leaves < far else far
        meets += 1 if near <= far else 0
    return meets > 0


@bare
def _meet_triangle(corners: NDArray[np.float32], face: int, packet: Packet, first: bool) -> None:
    """Test a triangle against all lanes by the signs of the volumes over its edges.

    Plücker coordinates relative to the ray's origin (Shoemake, Ray Tracing News 11, 1998): the edge's term
    changes only its sign from one face to the next, so no ray slips between two faces.
    """
    rays = packet.rays
    for lane in range(LANES):
        x, y, z = rays[lane], rays[LANES + lane], rays[2 * LANES + lane]
        dx, dy, dz = rays[4 * LANES + lane], rays[5 * LANES + lane], rays[6 * LANES + lane]
        ax, ay, az = corners[0] - x, corners[1] - y, corners[2] - z
        bx, by, bz = corners[3] - x, corners[4] - y, corners[5] - z
        cx, cy, cz = corners[6] - x, corners[7] - y, corners[8] - z
        u = _edge_volume((cx, cy, cz), (ax, ay, az), (dx, dy, dz))
        v = _edge_volume((ax, ay, az), (bx, by, bz), (dx, dy, dz))
        w = _edge_volume((bx, by, bz), (cx, cy, cz), (dx, dy, dz))
        lowest = min(u, v, w)
        highest = max(u, v, w)
        nx = (by - ay) * (cz - az) - (bz - az) * (cy - ay)
        ny = (bz - az) * (cx - ax) - (bx - ax) * (cz - az)
        nz = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        fall = nx * dx + ny * dy + nz * dz
        along = (nx * ax + ny * ay + nz * az) / fall if fall != 0.0 else np.float32(-1.0)
        hit = (
            (lowest >= 0.0 or highest <= 0.0)
            and along > rays[_NEAR * LANES + lane]
            and along < rays[_FAR * LANES + lane]
        )
        if hit:
            rays[_FAR * LANES + lane] = along if first else np.float32(-np.inf)
            packet.bits[_PRIMITIVE * LANES + lane] = np.uint32(face)
            packet.bits[_GEOMETRY * LANES + lane] = np.uint32(0)


@bare
def _edge_volume(p: Triple, q: Triple, way: Triple) -> float:
    """Return six times the signed volume of an edge (p, q), seen from the origin, and a direction."""
    ex, ey, ez = p[0] - q[0], p[1] - q[1], p[2] - q[2]
    sx, sy, sz = p[0] + q[0], p[1] + q[1], p[2] + q[2]
    return (ey * sz - ez * sy) * way[0] + (ez * sx - ex * sz) * way[1] + (ex * sy - ey * sx) * way[2]
