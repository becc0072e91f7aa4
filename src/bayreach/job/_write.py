"""A job with a changed wand and new passes, as TOML: what is not changed stays as it was written."""

import hashlib
import json
import math
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bayreach.errors import JobError
from bayreach.files import refusal, write_whole
from bayreach.job._load import job_from
from bayreach.job._records import Job, WrittenPass
from bayreach.tips import Tip
from bayreach.units import MESH_UNITS
from bayreach.wands import Wand

WAND_LENGTHS = (
    *("length", "diameter", "tip_diameter", "tip_length", "bend_radius", "shank_diameter", "shank_length"),
    *("handle_diameter", "handle_length"),
)
TIP_UNITS = {"spread": "rad", "angle": "rad", "flow": "m^3/s", "throw": "m"}


@dataclass(frozen=True, kw_only=True)
class ChangedWand:
    """A wand as it is to be written: made from the one called `before` in the job `source`."""

    source: Job
    before: str
    after: Wand


def write_job(job: Job, path: Path, *, wands: Sequence[ChangedWand], passes: Sequence[WrittenPass]) -> Job:
    """Write the job with these wands and passes; return it as it loads.

    A wand takes the place of its namesake in the job, or is added; other wands stay as they were written.

    Raises
    ------
    JobError
        When `path` exists or lies in another folder (the job names its files from its own folder), when a
        job's file has changed since it was loaded, or when what is to be written would not load.
    StoreError
        When it cannot be written; nothing is left then.
    """
    if path.parent.resolve() != job.folder.resolve():
        message = f"{path}: a job names its mesh from its own folder; save it in {job.folder}."
        raise JobError(message)
    data = _as_written(job)
    tables = {table["name"]: table for table in data.get("wand", [])}
    for wand in wands:
        table = next(one for one in _as_written(wand.source)["wand"] if one["name"] == wand.before)
        tables[wand.after.name] = _changed(table, wand.source.wand_named(wand.before), wand.after)
    data["wand"] = list(tables.values())
    data["pass"] = [_pass_table(one, MESH_UNITS[job.units]) for one in passes]
    text = toml_text({name: value for name, value in data.items() if value != []})
    made = job_from(tomllib.loads(text), path=path, sha256=hashlib.sha256(text.encode()).hexdigest())
    _take(path)
    try:
        write_whole(path, text.encode())
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return made


def _take(path: Path) -> None:
    """Make `path` as an empty file, which is no job, so that no other writer takes the name."""
    try:
        path.open("xb").close()
    except FileExistsError:
        message = f"{path.name} exists already; choose another name."
        raise JobError(message) from None
    except OSError as error:
        raise refusal(path, error) from None


def _as_written(job: Job) -> dict[str, Any]:
    """Return the tables of a job's file, which must be the one that was loaded."""
    raw = job.path.read_bytes()
    if hashlib.sha256(raw).hexdigest() != job.sha256:
        message = f"{job.path.name} has changed since it was opened; open it again before saving from it."
        raise JobError(message)
    return tomllib.loads(raw.decode("utf-8"))


def _quantity(value: float, unit: str) -> str:
    return "inf" if math.isinf(value) else f"{float(value)!r} {unit}"


def _changed(table: dict[str, Any], before: Wand, after: Wand) -> dict[str, Any]:
    """Return a wand's table with the figures that differ."""
    table = {**table, "name": after.name}
    if after.shape != before.shape:
        table["shape"] = after.shape
        table["length"] = _quantity(after.length, "m")
        for name in {"pieces", "bend_radius"} & set(table):
            del table[name]
    for name in WAND_LENGTHS:
        value = getattr(after, name)
        # A tip's length that is not written is twice its diameter.
        moved = name == "tip_length" and after.tip_diameter != before.tip_diameter
        if (value != getattr(before, name) or moved) and value is not None:
            table[name] = _quantity(value, "m")
            if value == 0.0:  # a job leaves out what a wand does not have
                del table[name]
    if after.pull_speed != before.pull_speed:
        table["pull_speed"] = _quantity(after.pull_speed, "m/s")
    if after.pieces and (after.pieces != before.pieces or after.shape != before.shape):
        table["length"] = _quantity(after.length, "m")
        table["pieces"] = [_piece_table(piece) for piece in after.pieces]
    table["tip"] = _changed_tip(dict(table["tip"]), before.tip, after.tip)
    return table


def _changed_tip(tip: dict[str, Any], before: Tip, after: Tip) -> dict[str, Any]:
    """Return a tip's table with the figures that differ."""
    if after.pattern != before.pattern:
        tip["pattern"] = after.pattern
        tip.pop("table", None)
        tip["spread"] = _quantity(after.spread, "rad")
        tip.pop("angle", None)
        if after.pattern in ("side", "radial"):
            tip["angle"] = _quantity(after.angle, "rad")
    for name, unit in TIP_UNITS.items():
        value = getattr(after, name)
        belongs = name != "angle" or after.pattern in ("side", "radial")
        if belongs and value != getattr(before, name):
            tip[name] = _quantity(value, unit)
            if name == "flow":
                for key in ("flow_at", "orifice", "discharge_coefficient", "pressure"):
                    tip.pop(key, None)
    return tip


def _piece_table(piece: Any) -> dict[str, Any]:
    if math.isinf(piece.radius):
        return {"straight": _quantity(piece.length, "m")}
    return {
        "arc": _quantity(piece.angle, "rad"),
        "radius": _quantity(piece.radius, "m"),
        "roll": _quantity(piece.roll, "rad"),
    }


def _pass_table(one: WrittenPass, per_unit: float) -> dict[str, Any]:
    table: dict[str, Any] = {
        "wand": one.wand,
        "opening": one.opening,
        "aim": [float(value) for value in one.aim],
        "from": _quantity(one.deepest, "m"),
        "to": _quantity(one.shallowest, "m"),
        "clock": _quantity(one.clock, "rad"),
        "count": one.count,
    }
    if one.entry is not None:
        table["entry"] = [float(value) / per_unit for value in one.entry]
    if one.pull_speed is not None:
        table["pull_speed"] = _quantity(one.pull_speed, "m/s")
    if one.dwell is not None:
        table["dwell"] = _quantity(one.dwell, "s")
    return table


def toml_text(data: dict[str, Any]) -> str:
    """Return tables as TOML; tables within tables stand on one line.

    >>> print(toml_text({"title": "a", "film": {"error": 0.1}, "wand": [{"tip": {"flow": "5"}}]}), end="")
    title = "a"
    <BLANKLINE>
    [film]
    error = 0.1
    <BLANKLINE>
    [[wand]]
    tip = { flow = "5" }
    """
    plain = [f"{_key(name)} = {_value(value)}" for name, value in data.items() if not _is_tables(value)]
    blocks = ["\n".join(plain)] if plain else []
    for name, value in data.items():
        if isinstance(value, dict):
            blocks.append(_block(f"[{_key(name)}]", value))
        elif _is_tables(value):
            blocks += [_block(f"[[{_key(name)}]]", table) for table in value]
    return "\n\n".join(blocks) + "\n"


def _is_tables(value: Any) -> bool:
    return isinstance(value, dict) or (
        isinstance(value, list) and bool(value) and all(isinstance(one, dict) for one in value)
    )


def _block(head: str, table: dict[str, Any]) -> str:
    return "\n".join([head, *(f"{_key(name)} = {_value(value)}" for name, value in table.items())])


def _key(name: str) -> str:
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else _value(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's too, but for the delete sign, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(name)} = {_value(one)}" for name, one in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(one) for one in value) + "]"
    return repr(value) if isinstance(value, (int, float)) else str(value)
