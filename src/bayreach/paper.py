"""Paper and drawings: data into PDF by a template, lines into DXF; typst and ezdxf are used here only."""

import io
import json
import re
import tempfile
from collections.abc import Iterable, Mapping
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from bayreach.errors import BayreachError

_LONG = re.compile(r"\S{18}(?=\S{6})")


class SheetError(BayreachError):
    """A document that cannot be set."""


def pdf(name: str, data: Mapping[str, Any], pictures: Mapping[str, bytes] | None = None) -> bytes:
    """Return the PDF of the template `name`.typ with its data; its print scaling is off.

    The data reach the template as JSON, so that no text of theirs can be read as markup.

    Raises
    ------
    SheetError
        When the document cannot be set.
    """
    return _unscaled(bytes(_set(name, data, pictures or {}, format="pdf")))


def png_pages(name: str, data: Mapping[str, Any], pictures: Mapping[str, bytes] | None = None) -> list[bytes]:
    """Return the pages of the same document as PNG, to look at."""
    pages = _set(name, data, pictures or {}, format="png", ppi=80)
    return pages if isinstance(pages, list) else [pages]


def _set(name: str, data: Mapping[str, Any], pictures: Mapping[str, bytes], **settings: Any) -> Any:
    import typst

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        for template in ("look.typ", f"{name}.typ"):
            text = files("bayreach").joinpath(f"data/sheets/{template}").read_text(encoding="utf-8")
            (root / template).write_text(text, encoding="utf-8")
        (root / "data.json").write_text(json.dumps(_breakable(data)), encoding="utf-8")
        for file, content in pictures.items():
            (root / file).write_bytes(content)
        try:
            return typst.compile(root / f"{name}.typ", root=root, font_paths=_fonts(), **settings)
        except RuntimeError as error:
            message = f"{name}: the document cannot be set ({error})."
            raise SheetError(message) from error


def _breakable(value: Any) -> Any:
    """Return data whose long words may break: a name of 200 letters must not run off the paper."""
    if isinstance(value, str):
        kept = "".join(letter for letter in value if letter.isprintable() or letter == " ")
        return _LONG.sub(lambda found: found[0] + "\u200b", kept)
    if isinstance(value, Mapping):
        return {key: _breakable(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_breakable(item) for item in value]
    return value


def _fonts() -> list[str]:
    """Return the folder of matplotlib's fonts; without it the serif font inside typst serves."""
    found = find_spec("matplotlib")
    if not found or not found.origin:
        return []
    folder = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf"
    return [str(folder)] if folder.is_dir() else []


def _unscaled(plain: bytes) -> bytes:
    """Return the PDF with its print scaling off: a viewer's "fit to page" would falsify every length."""
    from pypdf import PdfReader, PdfWriter
    from pypdf.generic import DictionaryObject, NameObject

    writer = PdfWriter(clone_from=PdfReader(io.BytesIO(plain)))
    wishes = DictionaryObject({NameObject("/PrintScaling"): NameObject("/None")})
    writer.root_object[NameObject("/ViewerPreferences")] = wishes
    kept = io.BytesIO()
    writer.write(kept)
    return kept.getvalue()


def new_drawing(layers: Iterable[str]) -> Any:
    """Return an empty DXF R2010 drawing in mm with these layers; dimensions of it are ezdxf's own style."""
    import ezdxf
    from ezdxf import units

    drawing = ezdxf.new("R2010", setup=["dimstyles"])
    drawing.units = units.MM
    drawing.header["$MEASUREMENT"] = 1
    for name in layers:
        drawing.layers.add(name)
    return drawing


def drawing_bytes(drawing: Any) -> bytes:
    """Return a drawing as the bytes of a DXF file."""
    kept = io.StringIO()
    drawing.write(kept)
    return kept.getvalue().encode(drawing.output_encoding, errors="replace")
