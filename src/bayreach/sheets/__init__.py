"""Documents for the people who do the work: page, pass cards, hole templates, treatment record."""

from pathlib import Path

from bayreach.report import Case, read_case
from bayreach.sheets._form import RecordForm

__all__ = ["RecordForm", "documents", "write_sheets"]


def write_sheets(folder: Path) -> list[Path]:
    """Write every document of a result into its folder, all or none, and return their paths.

    No other command writes a result there meanwhile, so that all are of the one that stays.
    sheet.html, cards.pdf, record.pdf, record.json; with candidate holes also template.pdf and one DXF each.

    Raises
    ------
    StoreError
        When the folder holds no result that can be read, or cannot be written.
    SheetError
        When a document cannot be set.
    """
    from bayreach import store
    from bayreach.sheets._record import plan_hash

    with store.reserved_result(folder):
        return list(store.place_documents(folder, documents(read_case(folder), plan_hash(folder))))


def documents(case: Case, plan_sha256: str) -> dict[str, bytes]:
    """Return file name and bytes of every document of a case."""
    from bayreach.paper import pdf
    from bayreach.picture import opening_pictures, stills
    from bayreach.sheets._cards import cards_data
    from bayreach.sheets._page import page
    from bayreach.sheets._record import record_data, record_json
    from bayreach.sheets._template import template_of
    from bayreach.sheets._template_sheet import template_dxf, templates_data

    drawn = opening_pictures(case)
    names = {opening: f"opening_{number}.png" for number, opening in enumerate(drawn, start=1)}
    pictures = {names[opening]: picture for opening, picture in drawn.items()}
    found = {
        "sheet.html": page(case, stills(case)).encode(),
        "cards.pdf": pdf("cards", cards_data(case, names), pictures),
        "record.pdf": pdf("record", record_data(case, plan_sha256)),
        "record.json": record_json(case, plan_sha256),
    }
    templates = [template_of(case, hole) for hole in case.holes]
    if templates:
        found["template.pdf"] = pdf("template", templates_data(case, templates))
    for number, template in enumerate(templates, start=1):
        found[f"template_{number}.dxf"] = template_dxf(case, template)
    return found
