"""Documents for the people who do the work: page, pass cards, hole templates, treatment record."""

from pathlib import Path

from bayreach.report import read_case

__all__ = ["write_sheet"]


def write_sheet(folder: Path) -> Path:
    """Write the technician's page into the result folder and return its path.

    Raises
    ------
    StoreError
        When the folder holds no result that can be read, or cannot be written.
    """
    from bayreach import store
    from bayreach.picture import stills
    from bayreach.sheets._page import page

    case = read_case(folder)
    store.write_documents(folder, {"sheet.html": page(case, stills(case)).encode()})
    return folder / "sheet.html"
