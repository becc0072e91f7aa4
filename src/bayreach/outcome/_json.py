"""Records to JSON and back, and the schemas that are published of them."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from bayreach.errors import StoreError
from bayreach.outcome._outcome import Outcome
from bayreach.outcome._records import VERSION

if TYPE_CHECKING:
    from pydantic import TypeAdapter


def to_table(record: Any) -> Any:
    """Return a record as plain tables, lists, numbers and text; a plan's keys are left out elsewhere."""
    if is_dataclass(record) and not isinstance(record, type):
        table = {item.name: to_table(getattr(record, item.name)) for item in fields(record)}
        if isinstance(record, Outcome):
            table = {key: value for key, value in table.items() if value is not None}
        return table
    if isinstance(record, Mapping):
        return {str(key): to_table(value) for key, value in record.items()}
    if isinstance(record, np.generic | np.ndarray):
        return record.tolist()
    if isinstance(record, Sequence) and not isinstance(record, str):
        return [to_table(value) for value in record]
    return record


def to_json(record: Any, *, indent: int | None = 1) -> str:
    """Return a record as JSON text, the same bytes for the same record; on one line where `indent` is None.

    Raises
    ------
    StoreError
        When a number is not finite, which JSON cannot hold; names its place.
    """
    table = to_table(record)
    try:
        return json.dumps(table, indent=indent, ensure_ascii=False, allow_nan=False) + "\n"
    except ValueError:
        place = next(iter(_not_finite(table)), "somewhere")
        message = f"result: {place} is not a finite number; nothing was written."
        raise StoreError(message) from None


def _not_finite(table: Any, place: str = "") -> list[str]:
    if isinstance(table, dict):
        return [
            found for key, value in table.items() for found in _not_finite(value, f"{place}.{key}".strip("."))
        ]
    if isinstance(table, list):
        return [found for row, value in enumerate(table) for found in _not_finite(value, f"{place}[{row}]")]
    return [place] if isinstance(table, float) and not np.isfinite(table) else []


@lru_cache(maxsize=16)
def _adapter(kind: type) -> "TypeAdapter[Any]":
    from pydantic import TypeAdapter

    return TypeAdapter(kind)


def outcome_from_table(table: Any) -> Outcome:
    """Return the outcome of a table read from JSON; keys it does not know are passed over.

    Raises
    ------
    StoreError
        When the version is another one, or a key is missing or of the wrong type; names the key.
    """
    from pydantic import ValidationError

    version = table.get("version") if isinstance(table, dict) else None
    if version != VERSION:
        found = "none" if version is None else repr(version)[:20]
        message = f"version {found} found, {VERSION} can be read; run the job again with this bayreach."
        raise StoreError(message)
    try:
        outcome: Outcome = _adapter(Outcome).validate_python(table)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in fault["loc"])[:120]
        message = f'key "{place}" is not what a result holds ({fault["msg"].lower()}); run the job again.'
        raise StoreError(message) from None
    return outcome


def schema_of(kind: type, title: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a record, generated from its fields.

    >>> schema_of(Outcome, "bayreach result")["title"]
    'bayreach result'
    """
    schema = _adapter(kind).json_schema(mode="serialization")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": title}


def result_schema() -> dict[str, Any]:
    """Return the JSON Schema of result.json."""
    return schema_of(Outcome, "bayreach result")
