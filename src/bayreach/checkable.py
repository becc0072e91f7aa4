"""What can be verified after the work: by eye, mirror, finger or borescope, side by side."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from bayreach.arrays import OUTSIDE, BoolArray, FloatArray, IntArray, unit_vectors
from bayreach.errors import PlanError
from bayreach.insertion import Space, aims_over_cone, inward, paths_through
from bayreach.poses import poses_at
from bayreach.tips import Tip
from bayreach.wands import Wand

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

    from bayreach.bays import Opening
    from bayreach.rays import Scene
    from bayreach.sight import Targets

KINDS = ("eye", "mirror", "finger", "borescope")
SHARE_SEEN = 0.5
"""Share of a side's samples that must be seen for the side to count as seen."""


@dataclass(frozen=True, kw_only=True)
class Tool:
    """Something to look or feel with. Lengths in m, angles in rad.

    Parameters
    ----------
    name : str
        What it is called.
    kind : str
        "eye" (with a lamp, outside the opening), "mirror" (held inside it), "finger", or "borescope".
    diameter : float
        Widest part that must pass the opening.
    reach : float
        How far it goes in: mirror's handle, finger, borescope's length.
    farthest : float
        Greatest distance at which a surface can be judged, over the mirror for a mirror.
    least_angle : float
        Smallest angle between the line of sight and the surface.
    bend : float
        By how much a borescope's end can be turned away from its axis.
    field : float
        Full angle of a borescope's view.
    """

    name: str
    kind: Literal["eye", "mirror", "finger", "borescope"]
    diameter: float
    reach: float
    farthest: float
    least_angle: float = math.radians(30.0)
    bend: float = 0.0
    field: float = 2.0 * math.pi

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            message = f'tool "{self.name}": kind "{self.kind}" is none of {", ".join(KINDS)}.'
            raise PlanError(message)
        for key in ("diameter", "farthest"):
            if not getattr(self, key) > 0.0:
                message = f'tool "{self.name}": {key} {getattr(self, key):g} m must be above 0.'
                raise PlanError(message)
        if not (self.reach >= 0.0 and 0.0 <= self.least_angle < math.pi / 2):
            message = (
                f'tool "{self.name}": reach must not be below 0 and least_angle lies from 0 to 90 degrees.'
            )
            raise PlanError(message)


EYE = Tool(name="eye with a lamp", kind="eye", diameter=0.025, reach=0.0, farthest=0.6)
"""600 mm, 30 degrees: ASME BPVC Section V, Article 9 (T-952), from memory; for pressure equipment."""
MIRROR = Tool(name="mirror", kind="mirror", diameter=0.025, reach=0.15, farthest=0.6)
"""A mirror of 25 mm on a handle; its size is common practice, no source."""
FINGER = Tool(name="finger", kind="finger", diameter=0.020, reach=0.08, farthest=0.08, least_angle=0.0)
"""Common practice, no source."""
BORESCOPE = Tool(
    name="borescope",
    kind="borescope",
    diameter=0.006,
    reach=1.0,
    farthest=0.15,
    least_angle=math.radians(20.0),
    bend=math.radians(120.0),
    field=math.radians(90.0),
)
"""Probe of 6 mm, 120 degrees of bend: common practice (4-8 mm, 90-180 degrees), no source."""
TOOLS = (EYE, MIRROR, FINGER, BORESCOPE)


@dataclass(frozen=True, kw_only=True, eq=False)
class Looks:
    """Places to look from, one row each.

    Parameters
    ----------
    points : (n, 3) float
        Where the sight begins, in m: the eye, the mirror, the tip.
    axes : (n, 3) float
        Unit middle of the directions that can be seen.
    half_angles : (n,) float
        Greatest angle in rad from the axis at which something is seen.
    farthest : (n,) float
        Greatest distance in m, what the sight has travelled before the mirror taken off.
    least_angles : (n,) float
        Smallest angle in rad to the surface.
    tools : (n,) int
        Which tool.
    openings : (n,) int
        Which opening.
    depths : (n,) float
        How far in, in m; negative outside.
    """

    points: FloatArray
    axes: FloatArray
    half_angles: FloatArray
    farthest: FloatArray
    least_angles: FloatArray
    tools: IntArray
    openings: IntArray
    depths: FloatArray

    def __len__(self) -> int:
        return len(self.points)


def looks_at(
    space: Space,
    scene: "Scene",
    openings: Sequence["Opening"],
    tools: Sequence[Tool] = TOOLS,
    *,
    standoff: float = 0.1,
    spacing: float = 0.04,
    down: ArrayLike = (0.0, 0.0, -1.0),
) -> Looks:
    """Return the places that `tools` can look from through `openings` that lead outside.

    An eye stands `standoff` (m) outside, on a cone of 60 degrees about the opening's axis; a mirror is held
    inside within
    its reach where an eye sees it; a finger feels from the opening; a borescope's tip stands every
    `spacing` (m) along the
    straight ways in.
    """
    made = {"eye": _eyes, "mirror": _mirrors, "finger": _fingers, "borescope": _tips}
    way_down = np.asarray(down, dtype=np.float64)
    found: list[tuple[_Place, int, int]] = []
    for place, opening in enumerate(openings):
        if OUTSIDE not in opening.links:
            continue
        for number, tool in enumerate(tools):
            if tool.diameter > opening.diameter:
                continue
            ask = _Ask(
                space=space,
                scene=scene,
                opening=opening,
                axis=inward(opening),
                tool=tool,
                standoff=standoff,
                spacing=spacing,
                down=way_down,
            )
            found += [(one, number, place) for one in made[tool.kind](ask)]
    least = np.array([tools[number].least_angle for _, number, _ in found], dtype=float)
    return Looks(
        points=np.array([one.point for one, _, _ in found], dtype=float).reshape(-1, 3),
        axes=np.array([one.axis for one, _, _ in found], dtype=float).reshape(-1, 3),
        half_angles=np.array([one.half_angle for one, _, _ in found], dtype=float),
        farthest=np.array([one.farthest for one, _, _ in found], dtype=float),
        least_angles=least,
        tools=np.array([number for _, number, _ in found], dtype=np.int64),
        openings=np.array([place for _, _, place in found], dtype=np.int64),
        depths=np.array([one.depth for one, _, _ in found], dtype=float),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Place:
    point: FloatArray
    axis: FloatArray
    half_angle: float
    farthest: float
    depth: float


@dataclass(frozen=True, kw_only=True, eq=False)
class _Ask:
    space: Space
    scene: "Scene"
    opening: "Opening"
    axis: FloatArray
    tool: Tool
    standoff: float
    spacing: float
    down: FloatArray


def _eye_points(ask: _Ask) -> FloatArray:
    """Return eye positions (k, 3) m outside that see the opening's middle."""
    center = ask.opening.center
    points = center - ask.standoff * aims_over_cone(ask.axis, math.radians(60.0), 19)
    return np.asarray(points[~ask.scene.is_blocked(points, center - 2e-3 * ask.axis)])


def _eyes(ask: _Ask) -> list[_Place]:
    return [
        _Place(
            point=point, axis=ask.axis, half_angle=math.pi, farthest=ask.tool.farthest, depth=-ask.standoff
        )
        for point in _eye_points(ask)
    ]


def _mirrors(ask: _Ask) -> list[_Place]:
    eyes, center = _eye_points(ask), ask.opening.center
    found: list[_Place] = []
    for depth in (0.03, 0.5 * ask.tool.reach, ask.tool.reach):
        for way in aims_over_cone(ask.axis, math.radians(50.0), 7):
            point = center + depth * way
            if not len(eyes) or ask.scene.is_blocked(center + 1e-3 * ask.axis, point)[0]:
                continue
            clear = ~ask.scene.is_blocked(eyes, point)
            if clear.any():
                travelled = float(np.linalg.norm(eyes[clear] - point, axis=1).min())
                left = max(ask.tool.farthest - travelled, 1e-6)
                found.append(
                    _Place(point=point, axis=ask.axis, half_angle=math.pi, farthest=left, depth=depth)
                )
    return found


def _fingers(ask: _Ask) -> list[_Place]:
    start = ask.opening.center + 1e-3 * ask.axis
    return [_Place(point=start, axis=ask.axis, half_angle=math.pi / 2, farthest=ask.tool.reach, depth=0.0)]


def _tips(ask: _Ask) -> list[_Place]:
    """Return tip positions along straight ways in; the sight turns by the bend and half the field."""
    tool = ask.tool
    probe = Wand(
        name=tool.name,
        shape="straight",
        length=max(tool.reach, 0.01),
        diameter=tool.diameter,
        tip=Tip(pattern="forward", spread=min(tool.field, math.pi), flow=1e-9),
        couple_after=True,
    )
    holes = (ask.opening,) if ask.opening.kind == "proposed" else ()
    paths, _ = paths_through(ask.space, probe, ask.opening, count=12, holes=holes, down=ask.down)
    half = min(math.pi, tool.bend + tool.field / 2.0)
    found: list[_Place] = []
    for path in sorted(paths, key=lambda one: -one.deepest):
        depths = np.arange(path.deepest, path.shallowest, -ask.spacing)
        points = poses_at(path.tip_path, depths, lengths=np.zeros(len(depths))).points
        for point, depth in zip(points, depths, strict=True):
            known = np.array([one.point for one in found]).reshape(-1, 3)
            if len(known) and np.linalg.norm(known - point, axis=1).min() < ask.spacing:
                continue
            found.append(
                _Place(
                    point=point, axis=path.aim, half_angle=half, farthest=tool.farthest, depth=float(depth)
                )
            )
    return found


def seen_from(scene: "Scene", targets: "Targets", looks: Looks) -> "csr_matrix":
    """Return (n_looks, n_sides) sparse 0/1: sides of `targets` that each look can judge.

    A sample is seen within the greatest distance, at the least angle to its surface or more, inside the
    field of view, with
    nothing in between; a side when half of its samples are.
    """
    from scipy.sparse import csr_matrix
    from scipy.spatial import cKDTree

    tree = cKDTree(targets.points)
    rows, columns = [], []
    for index in range(len(looks)):  # some hundred looks, each over all samples near it
        near = np.array(tree.query_ball_point(looks.points[index], looks.farthest[index]), dtype=np.int64)
        if not len(near):
            continue
        ways = targets.points[near] - looks.points[index]
        far = np.linalg.norm(ways, axis=1)
        ways = unit_vectors(ways)
        steep = -np.einsum("ij,ij->i", ways, targets.normals[near])
        good = (steep >= math.sin(looks.least_angles[index])) & (steep > 0.0) & (far > 1e-4)
        good &= ways @ looks.axes[index] >= math.cos(looks.half_angles[index]) - 1e-12
        near = near[good]
        if not len(near):
            continue
        clear = near[~scene.is_blocked(looks.points[index], targets.points[near])]
        share = np.bincount(
            np.searchsorted(targets.sides, targets.side[clear]), targets.weight[clear], targets.n_sides
        )
        sides = np.flatnonzero(share >= SHARE_SEEN - 1e-9)
        rows.append(np.full(len(sides), index))
        columns.append(sides)
    row = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    column = np.concatenate(columns) if columns else np.zeros(0, dtype=np.int64)
    return csr_matrix((np.ones(len(row)), (row, column)), shape=(len(looks), targets.n_sides))


def checkable_sides(seen: "csr_matrix", looks: Looks, n_tools: int) -> tuple[BoolArray, IntArray]:
    """Return which sides any look can judge (n,) bool, and the first tool that can (n,) int, -1: none."""
    by_tool = np.full(seen.shape[1], -1, dtype=np.int64)
    for tool in range(n_tools - 1, -1, -1):
        own = np.flatnonzero(looks.tools == tool)
        by_tool[np.asarray(seen[own].sum(axis=0)).ravel() > 0] = tool
    return by_tool >= 0, by_tool
