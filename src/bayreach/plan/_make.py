"""Candidates, columns and the cover solver joined into a plan."""

from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bayreach import cover
from bayreach.arrays import BoolArray, FloatArray, IntArray
from bayreach.bays import Bays
from bayreach.deposit.direct import Air, Flying
from bayreach.errors import PlanError
from bayreach.film import Column
from bayreach.insertion import Space
from bayreach.measure import side_areas
from bayreach.passes import Columns, pass_columns
from bayreach.plan._entries import (
    Drilling,
    Entries,
    Progress,
    entries_of,
    entry_indices,
    narrowed,
    opening_of,
    per_candidate,
    wand_indices,
)
from bayreach.plan._order import in_order
from bayreach.plan._reasons import missed_sides
from bayreach.plan._records import Plan, PlannedHole, PlannedPass
from bayreach.sight import targets_of
from bayreach.wands import Wand

if TYPE_CHECKING:
    from bayreach.rays import Scene

AIM_SECONDS = 20.0
"""Seconds to push a wand in and aim it once. Common practice, no source."""
MOST_PULLS = 3
"""Most pulls along one path that a plan asks for."""
MOST_SIDES = 12_000
"""Sides that a plan is made on; where more need film, a sample drawn evenly by area stands for them."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Asked:
    """What is asked of the sides: needed, least and greatest wet film (m), priority, all (2n,); the share.

    `settled_per_fog` by wand name, (2n, n_bays) m per m³ of fog, gives credit for film that drifts down as
    fog;
    left out, only direct film counts.
    """

    required: BoolArray
    need: FloatArray
    limit: FloatArray
    priority: FloatArray
    share: float
    settled_per_fog: Mapping[str, FloatArray] | None = None


def make_plan(
    *,
    bays: Bays,
    scene: "Scene",
    space: Space,
    wands: Sequence[Wand],
    asked: Asked,
    air: Air | None = None,
    drilling: Drilling | None = None,
    closed: Sequence[str] = (),
    flying: Mapping[str, Flying | None] | None = None,
    limits: cover.Limits | None = None,
    prices: cover.Prices | None = None,
    down: ArrayLike = (0.0, 0.0, -1.0),
    slack: float = 0.01,
    most_sides: int = MOST_SIDES,
    most_paths: int = 24,
    seconds: float = 60.0,
    seed: int = 7,
    cache: MutableMapping[str, Column] | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Return the plan with the fewest new holes, then the best coverage, then the least work.

    Parameters
    ----------
    bays, scene, space, air :
        The structure made ready; `bays.mesh` is the mesh that side ids refer to.
    wands : sequence of Wand
        Wands on hand.
    asked : Asked
        Film asked of each side.
    drilling : Drilling or None
        None: no hole is proposed.
    closed : sequence of str
        Openings that must not be used.
    flying : mapping of wand name to callable
        Share of the spray still flying at a distance in m.
    slack : float
        Share of the best weighted coverage that may be given up for less work, the share asked never.
    most_sides, most_paths : int
        Sides planned on; passes tried of one wand through one opening.
    seconds : float
        Time for the solver.
    cache : mapping, optional
        Columns by content, read and added to.
    progress : callable
        Told (stage, done, total).

    Raises
    ------
    PlanError
        When no side needs film or there is no wand.
    """
    say: Progress = progress if progress is not None else (lambda stage, done, total: None)
    _check(asked, wands)
    sides, weight = sample_sides(asked.required, side_areas(bays.mesh), bays.side_bay, most_sides)
    entries = entries_of(
        space,
        bays,
        scene,
        wands,
        drilling=drilling,
        closed=closed,
        most_paths=most_paths,
        down=down,
        seed=seed,
        progress=say,
    )
    columns = pass_columns(
        scene,
        targets_of(bays.mesh, sides, 1),
        entries.candidates,
        air=air,
        flying=flying,
        settled_per_fog=_rows(asked.settled_per_fog, sides),
        cache=cache,
        progress=say,
    )
    board = Board(
        asked=asked,
        bays=bays,
        wands=tuple(wands),
        drilling=drilling,
        down=np.asarray(down, dtype=np.float64),
        sides=sides,
        weight=weight,
        entries=entries,
        columns=columns,
        limits=cover.Limits() if limits is None else limits,
        prices=cover.Prices() if prices is None else prices,
    )
    problem = problem_on(board)
    found = cover.solve(problem, slack=slack, seconds=seconds, progress=say)
    return plan_on(board, problem, found)


@dataclass(frozen=True, kw_only=True, eq=False)
class Board:
    """Everything a plan is made from: what is asked, the ways in, the candidate passes and their columns.

    `sides` (k,) are the side ids planned on and `weight` (k,) the m² that each stands for.
    """

    asked: Asked
    bays: Bays
    wands: tuple[Wand, ...]
    drilling: Drilling | None
    down: FloatArray
    sides: IntArray
    weight: FloatArray
    entries: Entries
    columns: Columns
    limits: cover.Limits
    prices: cover.Prices


def _check(asked: Asked, wands: Sequence[Wand]) -> None:
    if not asked.required.any():
        message = "plan: no side needs film; check the bays, the priorities and the keep-outs."
        raise PlanError(message)
    if not wands:
        message = "plan: no wand is given; add a [[wand]] table to the job."
        raise PlanError(message)


def _rows(table: Mapping[str, FloatArray] | None, sides: IntArray) -> dict[str, FloatArray] | None:
    return None if table is None else {name: rates[sides] for name, rates in table.items()}


def sample_sides(
    required: BoolArray, areas: FloatArray, side_bay: IntArray, most: int
) -> tuple[IntArray, FloatArray]:
    """Return the required sides (k,), or a sample of about `most`, and the m² that each stands for.

    Systematic sampling in proportion to area, bay by bay: every bay keeps its share of area exactly to one
    sample.
    """
    sides = np.flatnonzero(required & (areas > 0))
    if len(sides) <= most:
        return sides, areas[sides]
    sides = sides[np.argsort(side_bay[sides], kind="stable")]
    ends = np.cumsum(areas[sides])
    marks = (np.arange(most) + 0.5) * ends[-1] / most
    chosen, counts = np.unique(np.searchsorted(ends, marks), return_counts=True)
    order = np.argsort(sides[chosen])
    return sides[chosen][order], (counts * ends[-1] / most)[order]


def problem_on(board: Board) -> cover.Problem:
    """Return the cover problem of a board: sides by candidate passes."""
    from scipy.sparse import csr_matrix

    asked, entries, candidates = board.asked, board.entries, board.entries.candidates
    volumes = per_candidate(candidates, "volume")
    entry = entry_indices(entries)
    shape = (len(entries.openings), len(candidates))
    most_new = None if board.drilling is None else board.drilling.most
    limits = board.limits if board.limits.new_holes is not None else replace(board.limits, new_holes=most_new)
    return cover.Problem(
        film=board.columns.film(volumes, credit=asked.settled_per_fog is not None),
        areas=board.weight,
        weights=board.weight * asked.priority[board.sides],
        need=asked.need[board.sides],
        limit=asked.limit[board.sides],
        lets_in=csr_matrix((np.ones(len(entry)), (entry, np.arange(len(entry)))), shape=shape),
        new=entries.is_new,
        least=np.full(len(candidates), min(cover.SPEED_LEVELS)),
        most=np.full(len(candidates), MOST_PULLS * max(cover.SPEED_LEVELS)),
        fixed_seconds=np.full(len(candidates), AIM_SECONDS),
        unit_seconds=per_candidate(candidates, "seconds"),
        unit_volume=volumes,
        wands=wand_indices(candidates, board.wands),
        conflicts=entries.conflicts,
        share=asked.share,
        limits=limits,
        prices=board.prices,
    )


def plan_on(board: Board, problem: cover.Problem, found: cover.Cover) -> Plan:
    """Return the plan that a cover of the board's problem stands for."""
    candidates = board.entries.candidates
    passes = [
        PlannedPass(
            candidate=candidates[index],
            count=int(found.counts[index]),
            pull_speed=candidates[index].wand.pull_speed / float(found.ratios[index]),
        )
        for index in np.flatnonzero(found.counts > 0)
    ]
    total = float(problem.areas.sum())
    return Plan(
        passes=in_order(passes, board.down),
        holes=_holes(board, problem, found, passes),
        objective=found.cost,
        bound=found.bound,
        gap=found.gap,
        new_holes=found.new_holes,
        new_holes_bound=found.new_holes_bound,
        proven=found.proven,
        certificate=found.certificate,
        coverage=found.area / total,
        target=board.asked.share,
        met=found.met,
        no_drill=found.no_drill_area / total,
        attainable=found.attainable_area / total,
        sides=board.sides,
        n_required=int(board.asked.required.sum()),
        missed=missed_sides(problem, found, board.sides, board.bays, candidates),
        refused_sites=board.entries.refused_sites,
        refusals=board.entries.refusals,
        n_candidates=len(candidates),
        n_sites=len(board.entries.sites),
        greedy_objective=found.greedy_cost,
    )


def _holes(
    board: Board, problem: cover.Problem, found: cover.Cover, passes: Sequence[PlannedPass]
) -> tuple[PlannedHole, ...]:
    """Return the holes of the plan, each with the smallest drill that its own passes need, and why."""
    holes = []
    for site in board.entries.sites:
        own = [one.candidate.wand for one in passes if one.candidate.opening == site.name]
        if not own or board.drilling is None:
            continue
        smaller = narrowed(site, own, board.drilling.system)
        holes.append(
            PlannedHole(
                site=smaller,
                opening=opening_of(smaller, board.drilling.skin),
                why=_why(board, problem, found, site.name),
            )
        )
    return tuple(holes)


def _why(board: Board, problem: cover.Problem, found: cover.Cover, name: str) -> str:
    """Return what would be lost without a hole, in m² and bays."""
    through = np.array([candidate.opening == name for candidate in board.entries.candidates])
    without = problem.covered_by(np.where(through, 0.0, found.amounts))
    lost = found.covered & ~without
    area = float(problem.areas[lost].sum())
    bays = np.unique(board.bays.side_bay[board.sides[lost]])
    names = ", ".join(board.bays.bays[int(bay)].name for bay in bays[:4])
    return f"covers {area:.3f} m² that no other pass of the plan reaches ({names})"
