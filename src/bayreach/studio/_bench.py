"""The structure made ready once, and what one pull of one wand does in it."""

import threading
import time
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from bayreach import film as films
from bayreach import reach as reaching
from bayreach.arrays import OUTSIDE
from bayreach.bays import Opening
from bayreach.deposit import direct
from bayreach.film import Column
from bayreach.insertion import Path as Way
from bayreach.insertion import Refusal, paths_through
from bayreach.job import Job, write_job
from bayreach.passes import cut_path
from bayreach.run import Pull, Site, column_of, flying_of, shares_of, site_of, summed, written_path
from bayreach.studio._state import State, StudioError
from bayreach.units import MICROMETRE
from bayreach.wands import Wand

COARSE = 0.2
"""Stations of the first answer against those of the step rule."""
AIMS = 48
"""Aims tried for the best one."""
NO_ARRAYS: dict[str, Any] = {}


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """A table for the page, and arrays of one value a side, by name."""

    table: dict[str, Any]
    arrays: dict[str, Any]


class Bench:
    """A job's structure, ready for pulls to be tried; use it from one thread at a time."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.site: Site = site_of(job)
        self.stopped = threading.Event()

    def warm(self) -> None:
        """Make ready what every answer needs, so that the first one does not wait for it."""
        site = self.site
        _ = site.space, site.scene, site.air, site.targets, site.ground

    @cached_property
    def openings(self) -> dict[str, Opening]:
        """Openings that a wand can enter from outside, by name."""
        return {one.name: one for one in self.site.bays.openings if OUTSIDE in one.links}

    @cached_property
    def ground(self) -> reaching.Ground:
        """What reach works on."""
        return reaching.ground_of(self.site.space, self.site.scene, down=self.job.down)

    def opening_of(self, state: State) -> Opening:
        """Return the opening a state names.

        Raises
        ------
        StudioError
            When there is none that a wand can enter through.
        """
        if state.opening not in self.openings:
            message = f'no opening from outside is called "{state.opening}"'
            raise StudioError(message)
        return self.openings[state.opening]

    def way(self, state: State) -> Way | Refusal:
        """Return the path of a state's pull, or why its wand does not get there."""
        return written_path(
            self.site.space,
            state.wand_of(self.job),
            self.opening_of(state),
            aim=state.aim,
            clock=state.clock,
            deepest=state.deepest,
            shallowest=state.shallowest,
            down=self.job.down,
        )

    def tried(self, state: State, *, fine: bool) -> Answer:
        """Return whether the wand goes in and what the pull wets: coarse at once, or as `spray` works it out.

        Raises
        ------
        BayreachError
            When the state names nothing that can be tried.
        """
        began = time.perf_counter()
        wand = state.wand_of(self.job)
        way = self.way(state)
        if isinstance(way, Refusal):
            return Answer(table=self._refused(state, wand, way), arrays=NO_ARRAYS)
        pull = Pull(
            wand=wand,
            opening=state.opening,
            aim=state.aim,
            clock=state.clock,
            path=way.tip_path,
            speed=wand.pull_speed,
            through=way.through,
        )
        column = column_of(self.site, pull) if fine else self._coarse(pull)
        answer = self._film(pull, column)
        answer.table.update(fine=fine, seconds=time.perf_counter() - began, error=_told(column.error))
        return answer

    def _coarse(self, pull: Pull) -> Column:
        site, tip = self.site, pull.wand.tip
        wet = direct.wet_part(pull.path, speed=pull.speed, lag=pull.wand.lag)
        if wet is None:
            return column_of(site, pull)
        stations = direct.stations_for(site.scene, wet, tip, refine=COARSE)
        return direct.pull_film(
            site.scene, site.targets, stations, tip, air=site.air, flying=flying_of(site, tip)
        )

    def _film(self, pull: Pull, column: Column) -> Answer:
        site = self.site
        wetting = summed(site, [pull], [column])
        shares = shares_of(site, wetting)
        lit = np.zeros(site.mesh.n_sides, dtype=np.uint8)
        lit[column.sides[column.direct > 0.0]] = 1
        need = float(site.side_areas[site.required].sum())
        covered = float(site.side_areas[shares.covered].sum())
        ledger = wetting.ledger
        table = {
            "fits": True,
            "path": (pull.path.points - site.mesh.box.mean(axis=0)).tolist(),
            "through": list(pull.through),
            "bays": self._by_bay(shares.status),
            "required_m2": need,
            "covered_m2": covered,
            "lit_m2": float(site.side_areas[lit > 0].sum()),
            "liquid_m3": ledger.sprayed,
            "escaped_m3": ledger.escaped,
            "pull_seconds": pull.seconds,
        }
        arrays = {
            "film": (shares.total / MICROMETRE).astype("<f4"),
            "status": shares.status.astype(np.uint8),
            "lit": lit,
        }
        return Answer(table=table, arrays=arrays)

    def _by_bay(self, status: Any) -> list[dict[str, Any]]:
        """Return the required area of each bay by status, in m²."""
        site = self.site
        count = len(films.STATUSES)
        asked = site.inside & site.required
        place = site.bays.side_bay[asked] * count + status[asked]
        areas = np.bincount(place, site.side_areas[asked], minlength=count * len(site.bays.bays))
        rows = areas.reshape(-1, count)
        return [
            {"name": bay.name, **dict(zip(films.STATUSES, rows[bay.index].tolist(), strict=True))}
            for bay in site.bays.bays
        ]

    def _refused(self, state: State, wand: Wand, refusal: Refusal) -> dict[str, Any]:
        """Return the table of a pull that cannot be: the reason, the place, and the wand as if it could."""
        middle = self.site.mesh.box.mean(axis=0)
        start = self.opening_of(state).center
        ghost = np.stack([start, start + min(state.deepest, wand.length) * state.aim])
        return {
            "fits": False,
            "fine": True,
            "reason": refusal.reason,
            "short_m": float(refusal.short_by),
            "place": (refusal.place - middle).tolist(),
            "ghost": (ghost - middle).tolist(),
        }

    def best(self, state: State) -> Answer:
        """Return the aim and depths, of those tried, with which one pull covers most of the required area."""
        wand = state.wand_of(self.job)
        ways, refusals = paths_through(
            self.site.space, wand, self.opening_of(state), count=AIMS, clocks=(state.clock,),
            down=self.job.down,
        )  # fmt: skip
        if not ways:
            message = f"no aim gets this wand in: {refusals[0].reason}"
            raise StudioError(message)
        ways = ways[:: max(1, len(ways) // AIMS)]
        pulls = [self._pull_of(state, wand, way) for way in ways]
        columns = self._columns(pulls)
        gains = [self._gain(pull, column) for pull, column in zip(pulls, columns, strict=True)]
        winner = int(np.argmax(gains))
        way, path = ways[winner], pulls[winner].path
        table = {
            "aim": way.aim.tolist(),
            "clock": way.clock,
            "from": float(path.depths[0]),
            "to": float(path.depths[-1]),
            "tried": len(ways),
            "covered_m2": gains[winner],
        }
        return Answer(table=table, arrays=NO_ARRAYS)

    def _pull_of(self, state: State, wand: Wand, way: Way) -> Pull:
        path = way.tip_path
        shallowest = max(way.shallowest, min(state.shallowest, 0.9 * way.deepest))
        if shallowest < way.deepest:
            path = cut_path(path, way.deepest, shallowest)
        return Pull(
            wand=wand, opening=state.opening, aim=way.aim, clock=way.clock, path=path, speed=wand.pull_speed
        )

    def _columns(self, pulls: list[Pull]) -> list[Column]:
        site, tip = self.site, pulls[0].wand.tip
        flying = flying_of(site, tip)
        asked = [
            direct.Pull(
                stations=direct.stations_for(site.scene, pull.path, tip, refine=COARSE),
                tip=tip,
                flying=flying,
            )
            for pull in pulls
        ]

        def tell(_: float) -> None:
            if self.stopped.is_set():
                message = "the studio is closing"
                raise StudioError(message)

        return direct.columns(site.scene, site.targets, asked, air=site.air, progress=tell)

    def _gain(self, pull: Pull, column: Column) -> float:
        """Return the required area in m² that the direct film of a pull covers."""
        site = self.site
        film = column.direct * pull.volume * site.wet_share
        covered = (film >= site.job.target.film_min) & site.required[column.sides]
        return float(site.side_areas[column.sides[covered]].sum())

    def changes(self, state: State, bay: str) -> Answer:
        """Return the single changes that would get the wand into a bay, the smallest first."""
        if bay not in [one.name for one in self.site.bays.bays]:
            message = f'no bay is called "{bay}"'
            raise StudioError(message)
        found = reaching.smallest_changes(self.ground, state.wand_of(self.job), self.opening_of(state), bay)
        rows = [
            {"what": one.what, "needed": one.needed, "unit": one.unit, "text": one.sentence()}
            for one in found
        ]
        return Answer(table={"changes": rows, "bay": bay}, arrays=NO_ARRAYS)

    def swept(self, state: State, text: str) -> Answer:
        """Return a plot (SVG) of what the wand reaches as one figure varies."""
        name, values = reaching.read_vary(text)
        wand = state.wand_of(self.job)
        cases = reaching.sweep(self.ground, wand, [self.opening_of(state)], {name: values})
        return Answer(table={"svg": reaching.sweep_svg(cases)}, arrays=NO_ARRAYS)

    def saved(self, state: State, name: str) -> Answer:
        """Write the wand and the pull into a new job file beside the job's own.

        Raises
        ------
        JobError, StudioError
            When the name is no plain file name or is taken, or the job's file has changed.
        """
        if not name.endswith(".toml") or name.startswith(".") or not set(name) <= PLAIN:
            message = "a file name of letters, digits, - and _ that ends in .toml is needed"
            raise StudioError(message)
        wand = state.wand_of(self.job)
        made = write_job(self.job, self.job.folder / name, wand=wand, passes=[state.written(wand)])
        return Answer(table={"name": made.path.name}, arrays=NO_ARRAYS)


PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
"""What the name of a saved job may hold: nothing that leads to another folder."""


def _told(error: float) -> float | None:
    return float(error) if np.isfinite(error) else None


def first_state(bench: Bench) -> State | None:
    """Return where the page begins: the job's first pass, else its first wand, half way into an opening."""
    job = bench.job
    if not job.wands or not bench.openings:
        return None
    if job.passes and job.passes[0].opening in bench.openings:
        one = job.passes[0]
        figures = {} if one.pull_speed is None else {"pull_speed": one.pull_speed}
        state = State(
            wand=one.wand, opening=one.opening, aim=one.aim, clock=one.clock,
            deepest=one.deepest, shallowest=one.shallowest, figures=figures,
        )  # fmt: skip
        return state if state.deepest > state.shallowest else replace(state, shallowest=0.0)
    opening = next(iter(bench.openings.values()))
    inward = opening.normal if opening.links[0] == OUTSIDE else -opening.normal
    deepest = 0.5 * job.wands[0].length
    return State(
        wand=job.wands[0].name, opening=opening.name, aim=inward, clock=0.0,
        deepest=deepest, shallowest=0.1 * deepest,
    )  # fmt: skip
