"""Turns what the table models found wrong into one sentence: file, table, key, value, limit, mend."""

from collections.abc import Mapping, Sequence
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError

from bayreach.errors import nearest_hint

_LIST_TABLES = ("wand", "opening", "pass", "keep_out", "obstacle", "surface")


def first_sentence(error: ValidationError, model: type[BaseModel], data: Mapping[str, Any]) -> str:
    """Return the sentence for the fault that explains most, and how many more there are."""
    # A misspelt key also leaves the right one missing: the misspelling is the fault to tell.
    faults = sorted(error.errors(include_url=False), key=lambda fault: fault["type"] != "extra_forbidden")
    place = tuple(part for part in faults[0]["loc"] if not str(part).endswith("Table"))
    what = _what(faults[0], place, model)
    # "key is missing" reads on; a sentence of its own, or a value in quotes, stands behind a colon.
    parted = ": " if faults[0]["type"] == "value_error" and not what.startswith("must ") else " "
    others = len(faults) - 1
    more = f" ({others} more {'key is' if others == 1 else 'keys are'} wrong.)" if others else ""
    return f"{place_words(place, data)}{parted}{what}{more}"


def place_words(place: Sequence[str | int], data: Mapping[str, Any]) -> str:
    """Return the words for a place in the file, like '[[wand]] 2 "hook", key "tip.spread":'."""
    if not place:
        return "the file"
    head, *rest = place
    if head in _LIST_TABLES and rest and isinstance(rest[0], int):
        words = f"[[{head}]] {rest[0] + 1}"
        words += _name_of(data, str(head), rest[0])
        rest = rest[1:]
    elif any(isinstance(part, str) for part in rest):
        words = f"[{_clean(head)}]"
    else:
        words, rest = "", list(place)
    keys = ".".join(_clean(part) for part in rest if isinstance(part, str))
    items = "".join(f" item {part + 1}" for part in rest if isinstance(part, int))
    named = f'key "{keys}"{items}' if keys else ""
    return ", ".join(part for part in (words, named) if part)


def _name_of(data: Mapping[str, Any], table: str, index: int) -> str:
    rows = data.get(table)
    if isinstance(rows, list) and index < len(rows) and isinstance(rows[index], dict):
        name = rows[index].get("name")
        if isinstance(name, str):
            return f' "{_clean(name)}"'
    return ""


def _clean(part: object) -> str:
    text = "".join(sign if sign.isprintable() else "?" for sign in str(part))
    return text if len(text) <= 60 else text[:57] + "..."


def _what(fault: Any, place: Sequence[str | int], model: type[BaseModel]) -> str:
    kind, context = fault["type"], fault.get("ctx", {})
    if kind == "extra_forbidden":
        known = keys_at(model, place[:-1])
        word = str(place[-1])
        hint = nearest_hint(word, known) or f" Known keys: {', '.join(known)}."
        return f"is not known.{hint}"
    if kind == "missing":
        return "is missing."
    if kind == "value_error":
        return f"{context['error']}".rstrip(".") + "."
    found = _clean(repr(fault["input"]))
    if kind == "literal_error":
        near = nearest_hint(str(fault["input"]), _choices(context["expected"]))
        return f"must be {context['expected']}; {found} found.{near}"
    words = str(fault["msg"]).replace("Input should be ", "must be ").replace("Tuple should ", "must ")
    if kind == "string_pattern_mismatch":
        words = "must be one line of plain text"
    words = words.replace("String should ", "must ").replace("List should ", "must ")
    return f"{words[0].lower()}{words[1:]}; {found} found."


def _choices(expected: str) -> list[str]:
    return [part for part in expected.split("'") if part.strip(" ,or")]


def keys_at(model: type[BaseModel], place: Sequence[str | int]) -> list[str]:
    """Return the keys that the table at `place` knows, as the file writes them."""
    for part in place:
        if isinstance(part, int):
            continue
        field = next(
            (field for name, field in model.model_fields.items() if part in (name, field.alias)), None
        )
        inner = _model_in(field.annotation) if field else None
        if inner is None:
            return []
        model = inner
    return [field.alias or name for name, field in model.model_fields.items()]


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) is None:
        return None
    return next((inner for inner in map(_model_in, get_args(annotation)) if inner), None)
