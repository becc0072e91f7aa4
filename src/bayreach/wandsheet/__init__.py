"""A wand's data sheet: its dimensions drawn to be made, as DXF and PDF, with what it reaches."""

from bayreach.wandsheet._documents import WandSheet, sheet_dxf, sheet_pdf, wand_sheet
from bayreach.wandsheet._layout import Arc, Layout, Line, layout_of

__all__ = ["Arc", "Layout", "Line", "WandSheet", "layout_of", "sheet_dxf", "sheet_pdf", "wand_sheet"]
