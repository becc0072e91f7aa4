"""Builds the guide into build/guide: `python .docs/build.py`. Whatever can drift is made here from the code.

The pages written by hand lie beside this file; those made are the commands, the job file, the result, other
JSON and the public names. A test builds the guide with warnings as errors.
"""

import json
import re
import shutil
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parent
OUT = ROOT / "build" / "guide"


def build(out: Path = OUT) -> int:
    """Write the guide as HTML under `out` and return Sphinx's exit code."""
    from sphinx.cmd.build import build_main

    source = out / "source"
    shutil.rmtree(out, ignore_errors=True)
    source.mkdir(parents=True)
    for path in [*HERE.glob("*.md"), HERE / "conf.py"]:
        shutil.copy(path, source)
    shutil.copytree(HERE / "pictures", source / "pictures")
    shutil.copy(ROOT / "examples" / "stringer_shadow.svg", source / "pictures")
    for name, text in pages().items():
        (source / name).write_text(text, encoding="utf-8")
    return build_main(["-q", "-W", "--keep-going", "-b", "html", str(source), str(out / "html")])


def pages() -> dict[str, str]:
    """Return the pages that are made from the code, by file name."""
    return {
        "commands.md": _commands(),
        "job.md": _job(),
        "result.md": _result(),
        "json.md": _json_pages(),
        "names.rst": _names(),
        "film.md": _moved(ROOT / "src/bayreach/deposit/README.md"),
        "accuracy.md": (ROOT / "tests/accuracy.md").read_text(encoding="utf-8"),
        "licences.md": (ROOT / "tests/licences.md").read_text(encoding="utf-8"),
    }


def _moved(path: Path) -> str:
    text = path.read_text(encoding="utf-8")
    text = text.replace("../../../examples/stringer_shadow.svg", "pictures/stringer_shadow.svg")
    return text.replace("../../../tests/accuracy.md", "accuracy.md")


def _commands() -> str:
    from bayreach.cli._commands import app

    parts = [
        "# Commands",
        "Every command takes `--json` for a machine, shows its progress on a terminal, and ends with an exit "
        "code: 0 done; 1 failed, with one sentence that says what to mend; 2 done, and the answer is no.",
    ]
    for name in sorted(name for name in app if not name.startswith("-")):
        command = app[name]
        parts += [f"## {name}", f"```text\n{_help_of(command).rstrip()}\n```"]
    return "\n\n".join(parts) + "\n"


def _help_of(command: Any) -> str:
    from io import StringIO

    from rich.console import Console

    text = StringIO()
    command.help_print([], console=Console(file=text, width=100, color_system=None))
    return text.getvalue()


def _job() -> str:
    from bayreach.job import job_schema

    schema = job_schema()
    head = (
        '# Job file\n\nA job is a TOML file. Quantities are strings with a unit (`"6 mm"`, `"1/4 in"`, '
        '`"80 psi"`, `"0.4 mil"`); coordinates are numbers in the mesh\'s unit. An unknown key is refused '
        "with the nearest right one. `bayreach schema` prints the same as JSON Schema, for editors that "
        "complete keys.\n"
    )
    return head + "".join(_tables(schema, "", schema["properties"], set(schema.get("required", ()))))


def _tables(schema: Mapping[str, Any], path: str, keys: Mapping[str, Any], needed: set[str]) -> Iterator[str]:
    """Yield the section of one table, then those of the tables in it."""
    inner = []
    lines = ["\n| key | takes | default | what it is |\n| --- | --- | --- | --- |\n"]
    for key, rule in keys.items():
        target = _target(schema, rule)
        place = f"{path}.{key}".strip(".")
        if target is not None:
            many = "items" in json.dumps(rule) and '"array"' in json.dumps(rule)
            inner.append((place, target, many))
        default = "needed" if key in needed else _shown_default(rule)
        words = _takes(schema, rule)
        lines.append(f"| `{key}` | {words} | {default} | {rule.get('description', '')} |\n")
    yield "".join(lines)
    for place, target, many in inner:
        table = schema["$defs"][target]
        yield f"\n## {'[[' if many else '['}{place}{']]' if many else ']'}\n\n{table['description']}\n"
        yield from _tables(schema, place, table["properties"], set(table.get("required", ())))


def _target(schema: Mapping[str, Any], rule: Mapping[str, Any]) -> str | None:
    if "$ref" in rule:
        return str(rule["$ref"]).rsplit("/", 1)[-1]
    for choice in [*rule.get("anyOf", ()), *([rule["items"]] if isinstance(rule.get("items"), dict) else ())]:
        found = _target(schema, choice)
        if found is not None:
            return found
    return None


def _shown_default(rule: Mapping[str, Any]) -> str:
    if rule.get("default") in (None, [], {}):
        return ""
    return f"`{json.dumps(rule['default'])}`"


def _takes(schema: Mapping[str, Any], rule: Mapping[str, Any]) -> str:
    if "enum" in rule:
        return ", ".join(f'`"{choice}"`' for choice in rule["enum"])
    if "anyOf" in rule:
        choices = [_takes(schema, choice) for choice in rule["anyOf"] if choice.get("type") != "null"]
        return " or ".join(dict.fromkeys(choices))
    if rule.get("type") == "array":
        return _takes_list(schema, rule)
    if rule.get("type") == "string" and "examples" in rule:
        return " or ".join(f'`"{example}"`' for example in rule["examples"])
    words = {"string": "text", "number": "a number", "integer": "a whole number", "boolean": "true or false"}
    return words.get(str(rule.get("type")), "a table") + _range(rule)


def _takes_list(schema: Mapping[str, Any], rule: Mapping[str, Any]) -> str:
    if "prefixItems" in rule:
        return f"{len(rule['prefixItems'])} of: {_takes(schema, rule['prefixItems'][0])}"
    items = rule.get("items", {})
    return "tables" if "$ref" in items else f"a list of: {_takes(schema, items)}"


def _range(rule: Mapping[str, Any]) -> str:
    signs = {"exclusiveMinimum": "above", "minimum": "from", "maximum": "to", "exclusiveMaximum": "below"}
    shown = [f"{word} {rule[key]:g}" for key, word in signs.items() if abs(rule.get(key, 1e13)) < 1e12]
    return " " + " ".join(shown) if shown else ""


JSON = {
    "measurement": "Printed by `measure`",
    "reach": "Printed by `reach`",
    "sweep": "Printed by `reach --vary`",
    "replay": "Written by `reach --replay FILE`",
    "certificate": "Written by `plan` as `certificate.json`",
    "proof": "Printed by `prove`",
    "record": "Written by `sheets` as `record.json`",
    "comparison": "Printed by `compare`",
    "coupons": "Printed by `coupons`",
    "study": "Printed by `study`",
    "show": "Printed by `show`",
    "sheets": "Printed by `sheets`",
    "demo": "Printed by `demo`",
    "studio": "Printed by `studio`",
}
"""Whence each JSON comes but the job file and the result, which have pages of their own."""


def _json_pages() -> str:
    from bayreach.cli._schemas import schema_named

    parts = [
        "# JSON of commands\n\nWhat commands print with `--json`, and the JSON files that they write beside "
        "`result.json`. `bayreach schema NAME` prints each as JSON Schema. `spray`, `plan` and `doubt` print "
        "the [result](result.md). What lies in a folder named `.bayreach`, the parts of a study and the data "
        "within `sheet.html` are internal: they may change without notice.\n"
    ]
    records: dict[str, Any] = {}
    schemas = {name: schema_named(name) for name in JSON}
    for name, schema in schemas.items():
        parts += [f"\n## {name}\n\n{JSON[name]}. {_described(schema)}\n", _keys(schema, schema["properties"])]
        records |= schema.get("$defs", {})
    whole = {"$defs": records}
    parts += [_record(whole, name, table) for name, table in sorted(records.items())]
    return "".join(parts)


def _record(schema: Mapping[str, Any], name: str, table: Mapping[str, Any]) -> str:
    """Return the section of one record; nothing of what has no keys."""
    if "properties" not in table:
        return ""
    return f"\n## {name}\n\n{_described(table)}\n" + _keys(schema, table["properties"])


def _described(table: Mapping[str, Any]) -> str:
    """Return what a record is, its parameters as a list."""
    said, _, parameters = str(table.get("description", "")).partition("\n\nParameters\n----------\n")
    if not parameters:
        return said
    listed = re.sub(
        r"^(\w[\w, ]*) : .*\n", lambda found: f"- `{found[1]}`:\n", parameters, flags=re.MULTILINE
    )
    return f"{said}\n\n{listed}"


def _result() -> str:
    from bayreach.outcome import result_schema

    schema = result_schema()
    parts = [
        "# Result folder\n\n`spray` and `plan` write into one folder: `result.json`, described here; "
        "`film.vtp`, one triangle for each side of each face, for any VTK viewer; `passes.csv`; and what "
        "`sheets` adds. "
        "The folder is always wholly the old result or wholly the new one. Everything is in SI units unless "
        "the key names another one. `bayreach schema result` prints the same as JSON Schema.\n",
        _keys(schema, schema["properties"]),
    ]
    parts += [_record(schema, name, table) for name, table in schema["$defs"].items()]
    return "".join(parts)


def _keys(schema: Mapping[str, Any], keys: Mapping[str, Any]) -> str:
    rows = "".join(f"| `{key}` | {_holds(schema, rule)} |\n" for key, rule in keys.items())
    return f"\n| key | holds |\n| --- | --- |\n{rows}"


def _holds(schema: Mapping[str, Any], rule: Mapping[str, Any]) -> str:
    target = _target(schema, rule)
    may_be_null = " or null" if {"type": "null"} in rule.get("anyOf", ()) else ""
    if target is None:
        return _takes(schema, rule) + may_be_null
    link = f"[{target}](#{target.lower()})"
    many = "a list of " if rule.get("type") == "array" or '"array"' in json.dumps(rule) else ""
    return f"{many}{link}{may_be_null}"


def _names() -> str:
    import bayreach

    title = "Python"
    lines = [
        title,
        "=" * len(title),
        "",
        "``import bayreach`` gives these names; they stay within a major version. SI units throughout.",
        "",
        ".. code-block:: python",
        "",
        "    import bayreach",
        "",
        '    job = bayreach.load_job("wing_box.toml")',
        "    result = bayreach.spray_job(job)",
        "    print(result.outcome.coverage.fraction)      # a record, as result.json has it",
        "    print(1e6 * result.sides.film.max())         # an array, one value a side, in m",
        "    bayreach.polydata(result).plot()             # a PyVista mesh",
        "",
    ]
    for name in bayreach.__all__:
        room, attribute = bayreach._PLACES[name].split(".")
        public = getattr(bayreach, name)
        kind = "autoclass" if isinstance(public, type) else "autofunction"
        lines += [name, "-" * len(name), "", f".. {kind}:: bayreach.{room}.{attribute}", "   :no-index:", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(build())
