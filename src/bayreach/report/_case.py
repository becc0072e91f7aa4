"""What a result folder says, as plain records: the only thing that pictures and documents read."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from bayreach.arrays import NO_FACE, OUTSIDE, BoolArray, FloatArray, IntArray
from bayreach.errors import StoreError
from bayreach.film import STATUSES
from bayreach.heatmap import FilmScale
from bayreach.mesh import Mesh
from bayreach.outcome import FILMS_FILE, PassFilm, films_from, to_table
from bayreach.report._records import (
    Bay,
    Hole,
    Holiday,
    KeepOut,
    Mask,
    Opening,
    Place,
    SprayPass,
    Target,
    Wand,
    bay_of,
    hole_of,
    holiday_of,
    keep_out_of,
    mask_of,
    opening_of,
    pass_of,
    place_of,
    target_of,
    wand_of,
)
from bayreach.report._words import words
from bayreach.units import MICROMETRE


@dataclass(frozen=True, kw_only=True, eq=False)
class Sides:
    """Values of every side; side `2 * f` is the front of face `f`, `2 * f + 1` its back.

    Parameters
    ----------
    bay : (2n,) int
        Place in the case's bays, -1 outside.
    film_um, direct_um, settled_um : (2n,) float
        Film in micrometres, in the target's terms (dry or wet).
    status : (2n,) int
        Place in `status_names`.
    first_pass : (2n,) int
        Place in the case's passes of the first that wets the side, -1 none.
    checkable : (2n,) int
        1 can be checked by eye or borescope, 0 cannot, -1 not worked out.
    reason : (2n,) int
        Place in `reason_names` of why the side misses its film, -1 none.
    wet_by : tuple of (2n,) int
        Bits of the passes that wet the side directly, 62 passes an array; none where it is not known.
    chance : (2n,) float, optional
        Chance of reaching the least film when what a hand does varies, -1 where nothing is asked.
    """

    bay: IntArray
    film_um: FloatArray
    direct_um: FloatArray
    settled_um: FloatArray
    status: IntArray
    first_pass: IntArray
    checkable: IntArray
    reason: IntArray
    wet_by: tuple[IntArray, ...] = ()
    chance: FloatArray | None = None
    status_names: tuple[str, ...] = tuple(STATUSES)
    reason_names: tuple[str, ...] = ()

    def is_status(self, name: str) -> BoolArray:
        """Return which sides (2n,) have the status `name` and lie in a bay."""
        if name not in self.status_names:
            return np.zeros(len(self.bay), dtype=np.bool_)
        found: BoolArray = (self.status == self.status_names.index(name)) & (self.bay != OUTSIDE)
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class Case:
    """One result: its record (result.json), its mesh and the values of its sides."""

    record: Mapping[str, Any]
    mesh: Mesh
    sides: Sides
    title: str
    target: Target
    bays: tuple[Bay, ...] = ()
    openings: tuple[Opening, ...] = ()
    passes: tuple[SprayPass, ...] = ()
    holes: tuple[Hole, ...] = ()
    holidays: tuple[Holiday, ...] = ()
    masks: tuple[Mask, ...] = ()
    keep_outs: tuple[KeepOut, ...] = ()
    wands: tuple[Wand, ...] = ()
    drains: tuple[Place, ...] = ()
    pools: tuple[Place, ...] = ()
    cautions: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    pass_films: tuple[PassFilm, ...] = ()
    down: FloatArray = field(default_factory=lambda: np.array([0.0, 0.0, -1.0]))

    @property
    def scale(self) -> FilmScale:
        """The film scale that every picture and document of this case uses."""
        return FilmScale(required_um=self.target.film_min_um, most_um=self.target.film_max_um)

    def clock_matters(self, one: SprayPass) -> bool:
        """Return whether the clock angle matters: not for a straight wand with a round pattern."""
        wand = next((wand for wand in self.wands if wand.name == one.wand), None)
        return wand is None or wand.shape != "straight" or wand.pattern not in ("radial", "forward")


def case_of(record: Mapping[str, Any], mesh: Mesh, sides: Sides) -> Case:
    """Return the case of a record (the tables of result.json) with its mesh and sides.

    Raises
    ------
    StoreError
        When the sides do not fit the mesh or a table of the record has the wrong form.
    """
    if len(sides.bay) != mesh.n_sides:
        message = (
            f"film.vtp: {len(sides.bay)} sides found, {mesh.n_sides} belong to its faces; run the job again."
        )
        raise StoreError(message)
    try:
        return Case(
            record=record,
            mesh=mesh,
            sides=sides,
            title=str(record.get("title", "")),
            target=target_of(record),
            bays=tuple(bay_of(row) for row in record.get("bays", ())),
            openings=tuple(opening_of(row) for row in record.get("openings", ())),
            passes=tuple(pass_of(row) for row in record.get("passes", ())),
            holes=tuple(hole_of(row, place) for place, row in enumerate(record.get("holes") or ())),
            holidays=tuple(holiday_of(row) for row in record.get("holidays", ())),
            masks=tuple(mask_of(row) for row in record.get("masks", ())),
            keep_outs=tuple(keep_out_of(row) for row in record.get("keep_outs", ())),
            wands=tuple(wand_of(row) for row in record.get("wands", ())),
            drains=tuple(place_of(row) for row in record.get("drains", ())),
            pools=tuple(place_of(row) for row in record.get("pools", ())),
            cautions=tuple(str(line) for line in record.get("cautions", ())),
            warnings=tuple(str(line) for line in record.get("warnings", ())),
            down=np.asarray(record.get("down", (0.0, 0.0, -1.0)), dtype=np.float64),
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        message = f"result.json: a table does not have its form ({error!r}); run the job again."
        raise StoreError(message) from error


def read_case(folder: Path) -> Case:
    """Return the case of a result folder (result.json and film.vtp).

    Raises
    ------
    StoreError
        When a file is missing, cut short or does not fit the other.
    """
    from bayreach import store

    result = store.read_result(folder)
    record, stored = to_table(result.outcome), result.sides
    case = case_of(record, stored.mesh, _sides_of(record, stored, stored.extra))
    films = result.files.get(FILMS_FILE)
    return case if films is None else replace(case, pass_films=films_from(films, case.mesh.n_sides))


def _sides_of(record: Mapping[str, Any], stored: Any, extra: Mapping[str, Any]) -> Sides:
    unknown = np.full(len(stored.side_bay), -1, dtype=np.int64)
    reason, names = reasons_with_parts(
        stored.mesh,
        np.asarray(extra.get("reason", unknown), dtype=np.int64),
        np.asarray(extra.get("hidden_by", unknown), dtype=np.int64),
        tuple(stored.names.get("reason_names", ())),
    )
    return Sides(
        bay=np.asarray(stored.side_bay, dtype=np.int64),
        film_um=np.asarray(stored.film) / MICROMETRE,
        direct_um=np.asarray(stored.direct) / MICROMETRE,
        settled_um=np.asarray(stored.settled) / MICROMETRE,
        status=np.asarray(stored.status, dtype=np.int64),
        first_pass=np.asarray(extra.get("first_pass", unknown), dtype=np.int64),
        checkable=np.asarray(extra.get("checkable", unknown), dtype=np.int64),
        reason=reason,
        chance=np.asarray(extra["chance"], dtype=np.float64) if "chance" in extra else None,
        wet_by=tuple(
            np.asarray(extra[f"wet_by_{word}"], dtype=np.int64)
            for word in range(len(extra))
            if f"wet_by_{word}" in extra
        ),
        status_names=tuple(stored.status_names),
        reason_names=names,
    )


def reasons_with_parts(
    mesh: Mesh, reason: IntArray, hidden_by: IntArray, names: tuple[str, ...]
) -> tuple[IntArray, tuple[str, ...]]:
    """Return reasons (2n,) and their names; a side hidden by a face (2n,) names the part of that face."""
    hidden = hidden_by != NO_FACE
    parts = mesh.face_parts[np.where(hidden, hidden_by, 0)]
    longer = (*names, *(words("hidden_by", name=name) for name in mesh.part_names))
    return np.where(hidden, len(names) + parts, reason).astype(np.int64), longer
