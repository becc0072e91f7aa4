"""The page's panel: what can be read and pressed beside the drawing."""

from bayreach import heatmap
from bayreach.picture import layer_rows
from bayreach.report import (
    Bay,
    Case,
    Hole,
    Holiday,
    Opening,
    SprayPass,
    air_limits,
    air_of,
    area_text,
    balance_lines,
    length_text,
    mass_line,
    percent,
    place_text,
    short,
    volume_text,
    words,
)
from bayreach.sheets._look import MARK_COLOURS, MOST_PLACES
from bayreach.sheets._markup import choice, clock_face, escaped, quantity, row, said, section, swatch, table
from bayreach.units import significant

TOUCHED = (
    "film",
    "direct",
    "settled",
    "status",
    "why",
    "part",
    "bay",
    "pass",
    "passes",
    "check",
    "chance",
    "place",
    "near",
)


def panel(case: Case) -> str:
    """Return the panel's markup."""
    return "".join(
        [
            section("colours", words("colours_title"), _layers(case), css="needs-drawing"),
            section("touch", words("touched_title"), _touched(), css="needs-drawing no-print"),
            section(
                "inside", words("inside_title"), _inside(case), is_open=False, css="needs-drawing no-print"
            ),
            section("bays", words("bays_table_title"), _bays(case)),
            section("passes", words("passes_title"), _passes(case)),
            section("places", words("places_title"), _places(case)),
            section("openings", words("openings_title"), _openings(case)),
            section("holes", words("holes_title"), _holes(case)) if case.holes else "",
            section("masks", words("masks_title"), _masks(case)),
            section("drains", words("drains_title"), _drains(case)),
            section("air", words("air_title"), _air(case), is_open=False) if air_of(case) else "",
        ]
    )


def _layers(case: Case) -> str:
    rows = layer_rows(case)
    radios = "".join(choice("layer", name, words(f"layer_{name}"), checked=name == "film") for name in rows)
    legends = "".join(_legend(name, rows[name], case) for name in rows)
    marks = "".join(
        choice(
            "mark", kind, words(f"marks_{kind}"), checked=kind in ("hole", "opening", "dry"), kind="checkbox"
        )
        for kind in MARK_COLOURS
    )
    return (
        f'<fieldset class="no-print"><legend>{said("colour_by")}</legend>{radios}</fieldset>{legends}'
        f'<fieldset class="no-print"><legend>{said("labels_title")}</legend>{marks}</fieldset>'
    )


def _legend(name: str, rows: list[tuple[str, int, str]], case: Case) -> str:
    places = range(len(rows) - 1, -1, -1) if name == "film" else range(len(rows))
    items = []
    for place in places:
        colour, hatch, text = rows[place]
        items.append(f"<li>{swatch(colour, hatch)}<span>{escaped(text)}</span></li>")
        bands = case.scale.bands
        if name == "film" and bands[place].enough and not bands[place - 1].enough:
            mark = said("required_mark", film=heatmap.film_text(case.target.film_min_um))
            items.append(f'<li class="mark-required">{mark}</li>')
    hidden = "" if name == "film" else " hidden"
    return f'<div class="legend" data-layer="{name}"{hidden}><ul>{"".join(items)}</ul></div>'


def _touched() -> str:
    rows = ""
    for name in TOUCHED:
        rows += f'<dt>{said(f"touched_{name}")}</dt><dd id="touched-{name}"></dd>'
    button = f'<button type="button" id="measure" aria-pressed="false">{said("measure")}</button>'
    return (
        f'<p id="touched-none">{said("touched_none")}</p>'
        f'<dl id="touched" aria-live="polite" hidden>{rows}</dl><div class="buttons">{button}</div>'
        f'<p id="measured" role="status"></p><p class="no-print">{said("keys_help")}</p>'
    )


def _inside(case: Case) -> str:
    cuts = "".join(
        f'<div class="cut"><label for="cut-{axis}">{axis}</label>'
        f'<input type="range" id="cut-{axis}" min="0" max="1000" value="1000">'
        f'<output id="cut-{axis}-at" for="cut-{axis}"></output>'
        f'<label><input type="checkbox" id="flip-{axis}">{said("flip")}'
        f'<span class="hidden-words"> {axis}</span></label></div>'
        for axis in "xyz"
    )
    parts = "".join(
        choice("part", str(place), short(name), checked=True, kind="checkbox")
        for place, name in enumerate(case.mesh.part_names)
    )
    bays = "".join(
        choice("bay", str(place), short(bay.name), checked=True, kind="checkbox")
        for place, bay in enumerate(case.bays)
    )
    return (
        f'<label><input type="checkbox" id="see-through" checked>{said("see_through")}</label>'
        f'<div class="buttons"><button type="button" id="whole">{said("whole_view")}</button></div>'
        f"<fieldset><legend>{said('section_title')}</legend>{cuts}</fieldset>"
        f'<fieldset><legend>{said("bays_shown")}</legend><div class="names">{bays}</div></fieldset>'
        f'<fieldset><legend>{said("parts_shown")}</legend><div class="names">{parts}</div></fieldset>'
    )


def area(value: float) -> str:
    """Return an area that changes with the unit system."""
    return quantity("area", value, area_text(value).split(" (")[0])


def length(value: float) -> str:
    """Return a length that changes with the unit system."""
    return quantity("length", value, length_text(value).split(" (")[0])


def place(point: tuple[float, float, float]) -> str:
    """Return a place that changes with the unit system."""
    return quantity("place", point, place_text(point))


def _bays(case: Case) -> str:
    def cells(bay: Bay) -> list[str]:
        share = percent(bay.covered / bay.required) if bay.required > 0 else words("no_required")
        name = escaped(bay.name)
        if not bay.is_reached:
            name = f"<strong>{name}: {said('not_reached')}</strong>"
        return [name, area(bay.required), escaped(share), area(bay.dry), area(bay.low), area(bay.heavy)]

    ordered = sorted(case.bays, key=lambda bay: bay.is_reached)
    heads = [words(f"head_{name}") for name in ("bay", "required", "covered", "dry", "low", "heavy")]
    return table(heads, [row(cells(bay)) for bay in ordered], name=words("bays_table_title"))


def _passes(case: Case) -> str:
    if not case.passes:
        return f"<p>{said('no_passes')}</p>"
    rows = [
        row(_pass_cells(case, number, one), attributes=f' data-pass="{number}"')
        for number, one in enumerate(case.passes)
    ]
    heads = [words(f"head_{name}") for name in ("pass", "clock", "depths", "time")]
    total = len(case.passes)
    note = f"<p>{said('progress_note')}</p>" if case.pass_films else ""
    player = (
        f'<div class="needs-drawing no-print"><label for="progress">{said("progress")}</label>'
        f'<input type="range" id="progress" min="0" max="{total}" step="0.001" value="{total}">'
        f'<p id="progress-text" role="status"></p>{note}<div class="buttons">'
        f'<button type="button" id="step-back">{said("step_back")}</button>'
        f'<button type="button" id="play">{said("play")}</button>'
        f'<button type="button" id="step-on">{said("step_on")}</button>'
        f'<button type="button" id="all-done">{said("all_done")}</button></div>'
        f"<p>{said('play_note')}</p></div>"
    )
    return player + table(heads, rows, name=words("passes_title"))


def _pass_cells(case: Case, number: int, one: SprayPass) -> list[str]:
    turned = case.clock_matters(one)
    angle = f"{one.clock_deg:.0f}°" if turned else words("any_clock")
    title = escaped(words("pass_text", number=number + 1, wand=one.wand, opening=one.opening))
    button = (
        f'<button type="button" class="needs-drawing no-print" data-pass="{number}" '
        f'aria-label="{said("show_pass", number=number + 1)}">{said("show")}</button>'
    )
    liquid = quantity("liquid", one.liquid, volume_text(one.liquid).split(" (")[0])
    speed = quantity("speed", one.pull_speed, f"{significant(one.pull_speed * 1e3)} mm/s")
    return [
        f"{title}<br>{button}",
        clock_face(one.clock_deg if turned else None, label=words("clock_label", angle=angle))
        + f"<br>{escaped(angle)}",
        f"{length(one.deepest)} {said('to')} {length(one.shallowest)}",
        f"{one.count} × {said('pulls')}<br>{one.seconds:.3g} s<br>{speed}<br>{liquid}",
    ]


def _places(case: Case) -> str:
    if not case.holidays:
        return f"<p>{said('no_places')}</p>"

    def cells(number: int, one: Holiday) -> list[str]:
        button = (
            f'<button type="button" class="needs-drawing no-print" data-place="{number}" '
            f'aria-label="{said("show_place", number=number + 1)}">{said("show")}</button>'
        )
        return [
            f"{number + 1} {button}",
            escaped(one.bay),
            area(one.area),
            escaped(one.reason),
            place(one.center),
        ]

    heads = [words(f"head_{name}") for name in ("number", "bay", "area", "why", "place")]
    rows = [row(cells(number, one)) for number, one in enumerate(case.holidays[:MOST_PLACES])]
    more = len(case.holidays) - MOST_PLACES
    note = f"<p>{said('more_rows', count=more)}</p>" if more > 0 else ""
    return table(heads, rows, name=words("places_title")) + note


def _openings(case: Case) -> str:
    def cells(one: Opening) -> list[str]:
        kind = said(f"kind_{one.kind}") if one.kind in ("found", "given", "proposed") else escaped(one.kind)
        return [
            escaped(one.name),
            kind,
            length(one.diameter),
            escaped(" – ".join(one.links)),
            place(one.center),
        ]

    heads = [words(f"head_{name}") for name in ("opening", "kind", "diameter", "links", "place")]
    return table(heads, [row(cells(one)) for one in case.openings], name=words("openings_title"))


def _holes(case: Case) -> str:
    def cells(one: Hole) -> list[str]:
        name = f'<span class="candidate">{escaped(one.name)}: {said("candidate")}</span>'
        drill = f"{length(one.drill_mm * 1e-3)} {escaped(one.drill_name)}"
        return [
            name,
            drill,
            length(one.edge_distance),
            escaped(one.closes_with),
            escaped(one.why),
            place(one.center),
        ]

    heads = [words(f"head_{name}") for name in ("hole", "drill", "edge", "closes", "why", "place")]
    rows = [row(cells(one)) for one in case.holes]
    return f'<p class="candidate">{said("candidate_line")}</p>' + table(
        heads, rows, name=words("holes_title")
    )


def _masks(case: Case) -> str:
    rows = [
        row(
            [
                escaped(one.name),
                quantity("film_um", one.film_um, f"{one.film_um:.3g} µm"),
                said("mask_touched" if one.touched else "mask_clear"),
            ]
        )
        for one in case.masks
    ]
    rows += [
        row(
            [
                escaped(one.name),
                said("not_known"),
                said(f"no_{one.no}") if one.no in ("drill", "spray", "both") else "",
            ]
        )
        for one in case.keep_outs
        if one.name not in {mask.name for mask in case.masks}
    ]
    if not rows:
        return f"<p>{said('no_masks')}</p>"
    return table(
        [words(f"head_{name}") for name in ("mask", "film", "mask_state")], rows, name=words("masks_title")
    )


def _drains(case: Case) -> str:
    rows = [row([escaped(one.name), said("drain_check"), place(one.center)]) for one in case.drains]
    rows += [
        row(
            [
                escaped(one.name or words("pool")),
                quantity("liquid", one.volume, volume_text(one.volume).split(" (")[0]),
                place(one.center),
            ]
        )
        for one in case.pools
    ]
    if not rows:
        return f"<p>{said('no_drains')}</p>"
    return table(
        [words(f"head_{name}") for name in ("drain", "drain_state", "place")],
        rows,
        name=words("drains_title"),
    )


def _air(case: Case) -> str:
    heads = [words(f"head_{name}") for name in ("bay", "mist", "vapour", "wet", "dried")]
    rows = [row(escaped(text) for text in one.texts()) for one in air_of(case)]
    limits = "".join(f"<li>{escaped(line)}</li>" for line in air_limits(case))
    masses = "".join(f"<p>{escaped(line)}</p>" for line in (mass_line(case), *balance_lines(case)))
    notes = f"{masses}<p>{said('air_note')}</p><ul>{limits}</ul>"
    return table(heads, rows, name=words("air_title")) + notes
