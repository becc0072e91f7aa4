"""Every command, registered: importing this is what makes the application whole."""

from bayreach.cli import _results, _studio, _work
from bayreach.cli._app import app

__all__ = ["_results", "_studio", "_work", "app"]
