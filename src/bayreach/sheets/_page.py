"""The technician's page: one file that asks nobody for anything, made of the case and the bundle."""

import base64
import hashlib
import json
from importlib.resources import files

from bayreach.picture import feature_edges
from bayreach.report import Case, coverage_line, doubt_line, doubt_lines, short, words
from bayreach.sheets._look import drawing_table
from bayreach.sheets._markup import choice, escaped, said
from bayreach.sheets._pack import packed
from bayreach.sheets._panel import panel

Still = tuple[str, bytes]


def page(case: Case, stills: tuple[Still, ...] = ()) -> str:
    """Return the page's markup; `stills` are titles and PNG bytes for readers without WebGL and for print."""
    script = _bundled("page.js")
    style = _bundled("page.css")
    pack = packed(case, feature_edges(case.mesh))
    text = table_text(drawing_table(case, pack))
    return "".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
            f'<meta http-equiv="Content-Security-Policy" content="{policy(script, style)}">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            f"<title>{escaped(short(case.title))}</title>\n<style>{style}</style>\n</head>\n<body>\n",
            _head(case),
            f'<main>\n<section id="stage" aria-label="{said("stage_label")}">',
            f'<canvas id="view" tabindex="0" role="img" aria-label="{said("view_label")}"></canvas>',
            '<svg id="leaders" aria-hidden="true"></svg><div id="labels" aria-hidden="true"></div>',
            f'<p id="no-drawing" hidden>{said("no_drawing")}</p></section>\n',
            f'<img id="printed" alt="{said("printed_alt")}" hidden>\n',
            f'<div id="panel">{panel(case)}</div>\n</main>\n',
            _stills(stills),
            _foot(case),
            f'<script type="application/json" id="case">{text}</script>\n',
            f'<script type="text/plain" id="pack">{pack.text}</script>\n',
            f"<script>{script}</script>\n</body>\n</html>\n",
        ]
    )


def policy(script: str, style: str) -> str:
    """Return the content-security policy: this script, this style, pictures that stand in the page."""
    return (
        f"default-src 'none'; script-src '{_hash_of(script)}'; style-src '{_hash_of(style)}'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def table_text(table: object) -> str:
    """Return a table as JSON that cannot end the script tag it stands in."""
    text = json.dumps(table, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def _bundled(name: str) -> str:
    return files("bayreach").joinpath(f"data/page/{name}").read_text(encoding="utf-8").strip()


def _hash_of(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")


def _head(case: Case) -> str:
    first = f"<p>{said('candidate_line')}</p>" if case.holes else ""
    lines = case.cautions or (words("not_modelled"),)
    items = "".join(f"<li>{escaped(line)}</li>" for line in [*lines, *case.warnings])
    count = len(lines) + len(case.warnings)
    systems = "".join(
        choice("system", name, words(f"system_{name}"), checked=name == "metric")
        for name in ("metric", "inch")
    )
    told = "".join(f"<li>{escaped(line)}</li>" for line in doubt_lines(case))
    doubt = escaped(doubt_line(case))
    if doubt:
        doubt = f"<details><summary>{doubt}</summary><ul>{told}</ul></details>" if told else f"<p>{doubt}</p>"
    legend = f'<legend class="hidden-words">{said("system_title")}</legend>'
    return (
        f'<header><section class="cautions" aria-label="{said("cautions_title")}">{first}'
        f"<details><summary><strong>{said('cautions_title')} ({count})</strong> {escaped(lines[0])}</summary>"
        f"<ul>{items}</ul></details></section>"
        f'<div class="line"><div><h1>{escaped(case.title)}</h1><p>{escaped(coverage_line(case))}</p>'
        f"{doubt}</div>"
        f'<fieldset class="no-print">{legend}{systems}</fieldset>'
        "</div></header>\n"
    )


def _stills(stills: tuple[Still, ...]) -> str:
    figures = ""
    for title, data in stills:
        source = "data:image/png;base64," + base64.b64encode(data).decode("ascii")
        name = escaped(title)
        figures += f'<figure><img alt="{name}" src="{source}"><figcaption>{name}</figcaption></figure>'
    if not figures:
        return ""
    return f'<section class="stills" aria-label="{said("stills_title")}">{figures}</section>\n'


def _foot(case: Case) -> str:
    inputs = case.record.get("inputs") or {}
    mesh_hash, job_hash = (str(inputs.get(name, ""))[:16] for name in ("mesh_sha256", "job_sha256"))
    line = words("foot_line", version=case.record.get("version", ""), mesh=mesh_hash, job=job_hash)
    return f"<footer><p>{escaped(line)}</p><p>{said('candidate_line')}</p></footer>\n"
