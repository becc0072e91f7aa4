"""Which sides an eye, mirror, finger or borescope can verify after the work, and by the fewest looks."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bayreach import checkable
from bayreach.arrays import OUTSIDE, BoolArray, IntArray
from bayreach.bays import Opening
from bayreach.outcome import ChecksRecord, LookRecord, ToolCheckRecord
from bayreach.plan import fewest_looks
from bayreach.run._site import Site
from bayreach.sight import Targets, targets_of

if TYPE_CHECKING:
    from scipy.sparse import csr_matrix

LOOK_SECONDS = 8.0
"""Time for the solver to find the fewest looks."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Checked:
    """Sides that can be judged (2n,), the first tool that can (2n,) or -1; the looks and what each sees."""

    can: BoolArray
    tool: IntArray
    openings: tuple[Opening, ...] = ()
    targets: Targets | None = None
    looks: checkable.Looks | None = None
    seen: "csr_matrix | None" = None


def checked_at(site: Site, entries: Collection[str]) -> Checked:
    """Return what tools can judge through the openings named, which lead outside."""
    openings = tuple(
        opening for opening in site.bays.openings if opening.name in entries and OUTSIDE in opening.links
    )
    can = np.zeros(site.mesh.n_sides, dtype=np.bool_)
    tool = np.full(site.mesh.n_sides, -1, dtype=np.int64)
    if not openings:
        return Checked(can=can, tool=tool)
    targets = targets_of(site.mesh, np.flatnonzero(site.inside), samples=1)
    looks = checkable.looks_at(site.space, site.scene, openings, down=site.job.down)
    seen = checkable.seen_from(site.scene, targets, looks)
    can[targets.sides], tool[targets.sides] = checkable.checkable_sides(seen, looks, len(checkable.TOOLS))
    return Checked(can=can, tool=tool, openings=openings, targets=targets, looks=looks, seen=seen)


def checks_record(site: Site, checked: Checked, covered: BoolArray) -> ChecksRecord:
    """Return what can be verified of the required sides, by tool, and the fewest looks that do it."""
    areas = np.where(site.required, site.side_areas, 0.0)

    def area(mask: BoolArray) -> float:
        return float(areas[mask].sum())

    looks, bound = _fewest(site, checked)
    return ChecksRecord(
        checkable_m2=area(checked.can),
        covered_checkable_m2=area(covered & checked.can),
        covered_not_checkable_m2=area(covered & ~checked.can),
        tools=tuple(
            ToolCheckRecord(
                name=one.name,
                kind=one.kind,
                diameter_m=one.diameter,
                reach_m=one.reach,
                farthest_m=one.farthest,
                least_angle_deg=float(np.degrees(one.least_angle)),
                bend_deg=float(np.degrees(one.bend)),
                field_deg=float(np.degrees(one.field)),
                first_m2=area(checked.tool == number),
            )
            for number, one in enumerate(checkable.TOOLS)
        ),
        looks=looks,
        looks_bound=bound,
    )


def _fewest(site: Site, checked: Checked) -> tuple[tuple[LookRecord, ...], int]:
    looks, seen, targets = checked.looks, checked.seen, checked.targets
    if looks is None or seen is None or targets is None or not len(looks):
        return (), 0
    asked = np.flatnonzero(site.required[targets.sides])
    areas = targets.areas[asked]
    wanted = seen[:, asked]
    chosen, bound = fewest_looks(wanted, areas, share=0.999, seconds=LOOK_SECONDS)
    order = sorted(chosen.tolist(), key=lambda k: (looks.openings[k], looks.tools[k], -looks.depths[k]))
    return tuple(
        LookRecord(
            tool=checkable.TOOLS[int(looks.tools[k])].name,
            opening=checked.openings[int(looks.openings[k])].name,
            depth_m=float(looks.depths[k]),
            point_m=_point(looks.points[k]),
            axis=_point(looks.axes[k]),
            sees_m2=float(areas[wanted[[k]].indices].sum()),
        )
        for k in order
    ), bound


def _point(values: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> tuple[float, float, float]:
    x, y, z = (float(value) for value in values)
    return (x, y, z)
