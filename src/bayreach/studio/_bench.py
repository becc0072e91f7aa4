"""The structure made ready once, and what pulls of wands do in it."""

import json
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from bayreach import film as films
from bayreach import reach as reaching
from bayreach.arrays import OUTSIDE, FloatArray
from bayreach.bays import Opening
from bayreach.deposit.what_if import WhatIf
from bayreach.film import Column
from bayreach.insertion import Path as Way
from bayreach.insertion import Refusal, standing
from bayreach.job import Job, load_job
from bayreach.run import Pull, Site, column_of, flying_of, shares_of, site_of, summed, written_path
from bayreach.studio._picture import Picture, picture_of
from bayreach.studio._state import State, StudioError, state_table
from bayreach.units import MICROMETRE, percent_text
from bayreach.wands import Wand

LOOKS = ("coarse", "refined", "full")
"""Answers to a state, one after the other: the last is that of `spray`."""
KEPT = 64
"""Full answers of single pulls that are kept."""
NO_ARRAYS: dict[str, Any] = {}
GoOn = Callable[[float], None]


@dataclass(frozen=True, kw_only=True, eq=False)
class Answer:
    """A table for the page, and arrays of one value a side, by name."""

    table: dict[str, Any]
    arrays: dict[str, Any]


class GaveWayError(Exception):
    """Work that was left because someone waits for a first answer; it has to be begun anew."""


class LeftError(Exception):
    """Work that was left because nobody wants its answer any more."""


class Bench:
    """A job's structure, ready for pulls to be tried; use it from one thread at a time.

    Any thread may use `stopped` and `urgent`: whether the studio has ended, and who waits for a first answer.
    """

    def __init__(self, job: Job) -> None:
        self.job = job
        self.site: Site = site_of(job)
        self.stopped = threading.Event()
        self.urgent: set[object] = set()
        self.columns: OrderedDict[str, tuple[Pull, Column]] = OrderedDict()

    def going_on(self, is_wanted: Callable[[], bool]) -> GoOn:
        """Return what ends work that is not wanted any more, or that keeps a first answer waiting."""

        def go_on(_: float) -> None:
            if self.stopped.is_set() or not is_wanted():
                raise LeftError
            if self.urgent:
                raise GaveWayError

        return go_on

    def warm(self) -> None:
        """Make ready what every answer needs, so that the first one does not wait for it."""
        site = self.site
        _ = site.space, site.scene, site.air, site.targets, site.ground, self.picture, self.looks.middles

    @cached_property
    def picture(self) -> Picture:
        """What the page draws."""
        return picture_of(self.site.mesh)

    @cached_property
    def looks(self) -> WhatIf:
        """What answers at once."""
        return WhatIf(scene=self.site.scene, targets=self.site.targets, air=self.site.air)

    @cached_property
    def middle(self) -> FloatArray:
        """(3,) m: middle of the mesh's box, from which the page counts."""
        middle: FloatArray = self.site.mesh.box.mean(axis=0)
        return middle

    @cached_property
    def openings(self) -> dict[str, Opening]:
        """Openings that a wand can enter from outside, by name."""
        return {one.name: one for one in self.site.bays.openings if OUTSIDE in one.links}

    @cached_property
    def ground(self) -> reaching.Ground:
        """What reach works on."""
        return reaching.ground_of(self.site.space, self.site.scene, down=self.job.down)

    def job_of(self, state: State) -> Job:
        """Return the job that a state's wand is taken from: the studio's own, or one saved beside it.

        Raises
        ------
        StudioError
            When there is no such job.
        """
        if not state.file:
            return self.job
        return load_job(self.job.folder / plain_name(state.file))

    def wand_of(self, state: State) -> Wand:
        """Return the wand of a state."""
        return state.wand_of(self.job_of(state))

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

    def way(self, state: State, wand: Wand) -> Way | Refusal:
        """Return the path of a state's pull, or why its wand does not get there."""
        return written_path(
            self.site.space,
            wand,
            self.opening_of(state),
            aim=state.aim,
            clock=state.clock,
            deepest=state.deepest,
            shallowest=state.shallowest,
            down=self.job.down,
            entry=state.entry,
        )

    def tried(self, state: State, *, look: str, go_on: GoOn | None = None) -> Answer:
        """Return whether the wand goes in and what the pull wets: as `spray` works it out, or quickly.

        Parameters
        ----------
        state : State
            What is tried.
        look : str
            One of `LOOKS`.
        go_on : callable, optional
            Asked with the share done, many times a second; an exception it raises ends the work.

        Raises
        ------
        BayreachError
            When the state names nothing that can be tried.
        """
        began = time.perf_counter()
        wand = self.wand_of(state)
        way = self.way(state, wand)
        if isinstance(way, Refusal):
            return Answer(table=self._refused(state, wand, way), arrays=NO_ARRAYS)
        pull = _pull_of(state, wand, way)
        column = self._kept(state, pull, go_on) if look == LOOKS[-1] else self._looked(pull, look, go_on)
        answer = self.film_of([pull], [column], quick=look == LOOKS[0])
        answer.table.update(
            look=look,
            seconds=time.perf_counter() - began,
            error=_told(column.error),
            path=(pull.path.points - self.middle).tolist(),
            through=list(pull.through),
            wand=self._drawn(state, wand, way),
        )
        return answer

    def pull_and_column(self, state: State, go_on: GoOn | None = None) -> tuple[Pull, Column]:
        """Return a state's pull and its column as `spray` works it out.

        Raises
        ------
        StudioError
            When the wand does not get there.
        """
        wand = self.wand_of(state)
        way = self.way(state, wand)
        if isinstance(way, Refusal):
            message = f"{state.wand} through {state.opening} does not go in: {way.reason}"
            raise StudioError(message)
        pull = _pull_of(state, wand, way)
        return pull, self._kept(state, pull, go_on)

    def _kept(self, state: State, pull: Pull, go_on: GoOn | None = None) -> Column:
        """Return a pull's column, worked out once; how often it is pulled does not matter to it."""
        key = json.dumps([state_table(replace(state, count=1)), self.job_of(state).sha256])
        if key not in self.columns:
            self.columns[key] = (pull, column_of(self.site, pull, go_on))
            while len(self.columns) > KEPT:
                self.columns.popitem(last=False)
        self.columns.move_to_end(key)
        return self.columns[key][1]

    def _looked(self, pull: Pull, look: str, go_on: GoOn | None) -> Column:
        """Return a quick look at a pull's column."""
        wand = pull.wand
        lag = wand.lag if pull.path.length else 0.0
        flying = flying_of(self.site, wand.tip)
        if look == LOOKS[0]:
            return self.looks.at_once(pull.path, wand.tip, speed=pull.speed, lag=lag, flying=flying)
        return self.looks.finer(
            pull.path, wand.tip, speed=pull.speed, lag=lag, rise=wand.rise, fall=wand.fall, flying=flying,
            progress=go_on,
        )  # fmt: skip

    def film_of(self, pulls: list[Pull], columns: list[Column], *, quick: bool = False) -> Answer:
        """Return the film that pulls leave together, in figures and by side; `quick` as in `summed`."""
        site = self.site
        wetting = summed(site, pulls, columns, quick=quick)
        shares = shares_of(site, wetting)
        lit = np.zeros(site.mesh.n_sides, dtype=np.uint8)
        for column in columns:
            lit[column.sides[column.direct > 0.0]] = 1
        need = float(site.side_areas[site.required].sum())
        covered = float(site.side_areas[shares.covered].sum())
        ledger = wetting.ledger
        table = {
            "fits": True,
            "bays": self._by_bay(shares.status),
            "required_m2": need,
            "covered_m2": covered,
            "covered_text": percent_text(covered / need if need > 0.0 else None),
            "lit_m2": float(site.side_areas[lit > 0].sum()),
            "liquid_m3": ledger.sprayed,
            "direct_m3": ledger.direct,
            "settled_m3": ledger.settled,
            "escaped_m3": ledger.escaped,
            "pull_seconds": sum(pull.count * pull.seconds for pull in pulls),
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
        short = float(refusal.short_by)
        return {
            "fits": False,
            "look": LOOKS[-1],
            "reason": refusal.reason,
            "short_m": short if np.isfinite(short) else None,
            "place": (refusal.place - self.middle).tolist(),
            "wand": self._drawn(state, wand, None),
        }

    def _drawn(self, state: State, wand: Wand, way: Way | None) -> dict[str, Any]:
        """Return the wand's capsules at its deepest place, about the middle, to the hundredth of a mm."""
        starts, ends, radii = standing(
            wand, self.opening_of(state), aim=state.aim if way is None else way.aim, clock=state.clock,
            depth=min(state.deepest, wand.length), down=self.job.down, path=way,
        )  # fmt: skip
        points = np.concatenate([starts[:1], ends]) - self.middle
        return {"points": points.round(5).tolist(), "radii": radii.round(6).tolist()}


def _pull_of(state: State, wand: Wand, way: Way) -> Pull:
    return Pull(
        wand=wand,
        opening=state.opening,
        aim=state.aim,
        clock=state.clock,
        path=way.tip_path,
        speed=wand.pull_speed,
        count=state.count,
        dwell=state.dwell or 0.0,
        through=way.through,
    )


PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
"""What the name of a saved job may hold: nothing that leads to another folder."""


def plain_name(name: str) -> str:
    """Return the name of a job file beside the studio's own.

    Raises
    ------
    StudioError
        When it could be anything else.
    """
    if not name.endswith(".toml") or name.startswith(".") or not set(name) <= PLAIN:
        message = "a file name of letters, digits, - and _ that ends in .toml is needed"
        raise StudioError(message)
    return name


def _told(error: float) -> float | None:
    return float(error) if np.isfinite(error) else None


def states_of(bench: Bench, job: Job, *, file: str = "") -> list[State]:
    """Return the passes of a job as the page has them; those that do not enter from outside are left out."""
    states = []
    for one in job.passes:
        if one.opening not in bench.openings:
            continue
        figures = {} if one.pull_speed is None else {"pull_speed": one.pull_speed}
        state = State(
            file=file, wand=one.wand, opening=one.opening, aim=one.aim, clock=one.clock,
            deepest=one.deepest, shallowest=one.shallowest, entry=one.entry, count=one.count, dwell=one.dwell,
            figures=figures,
        )  # fmt: skip
        states.append(state)
    return states


def first_state(bench: Bench) -> State | None:
    """Return where the page begins: the job's first pull, else its first wand, half way into an opening."""
    job = bench.job
    if not job.wands or not bench.openings:
        return None
    pulls = [state for state in states_of(bench, job) if state.dwell is None]
    if pulls:
        return replace(pulls[0], count=1)
    opening = next(iter(bench.openings.values()))
    inward = opening.normal if opening.links[0] == OUTSIDE else -opening.normal
    deepest = 0.5 * job.wands[0].length
    return State(
        wand=job.wands[0].name, opening=opening.name, aim=inward, clock=0.0,
        deepest=deepest, shallowest=0.1 * deepest,
    )  # fmt: skip


def checked_job(bench: Bench, name: str) -> Job:
    """Return a job saved beside the studio's own, which must be of the same structure and the same asks.

    Raises
    ------
    StudioError
        When it is of another structure, or asks for something else.
    JobError
        When it cannot be read.
    """
    job, own = load_job(bench.job.folder / plain_name(name)), bench.job
    alike = {
        "mesh": (job.mesh_path, job.units) == (own.mesh_path, own.units),
        "target": job.target == own.target,
        "liquid": job.liquid == own.liquid,
        "film": job.film == own.film,
        "opening": [one.name for one in job.openings] == [one.name for one in own.openings],
        "down": bool(np.array_equal(job.down, own.down)),
    }
    wrong = [key for key, same in alike.items() if not same]
    if wrong:
        message = f"{name} differs in {', '.join(wrong)}; start the studio with it to try wands there"
        raise StudioError(message)
    return job
