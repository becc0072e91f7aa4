"""Settings of the guide."""

from bayreach import __version__

project = "bayreach"
version = release = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
html_theme = "alabaster"
html_theme_options = {"description": "the coating of the inside of structures", "fixed_sidebar": True}
html_show_copyright = False
myst_enable_extensions = ["deflist"]
myst_heading_anchors = 3
autodoc_typehints = "description"
autodoc_member_order = "bysource"
napoleon_numpy_docstring = True
napoleon_use_ivar = True
suppress_warnings = ["myst.xref_missing"]
