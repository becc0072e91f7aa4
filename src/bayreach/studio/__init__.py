"""A local page where a wand is tried: whether it goes in, what stops it and what it wets."""

from bayreach.studio._server import Running, serve
from bayreach.studio._state import StudioError

__all__ = ["Running", "StudioError", "serve"]
