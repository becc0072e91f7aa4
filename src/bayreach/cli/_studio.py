"""The command that opens the studio."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bayreach.cli._app import DONE, app, say


@app.command
def studio(
    job: Path,
    /,
    *,
    port: int = 0,
    browser: Annotated[bool, Parameter(negative="--no-browser")] = True,
) -> int:
    """Open a local page where a wand is tried and its film is seen at once; Ctrl-C ends it.

    Parameters
    ----------
    job
        job file (TOML)
    port
        port on this machine to listen on; 0 takes a free one
    browser
        open the page in the browser
    """
    from bayreach.studio import serve

    serve(job, port=port, open_browser=browser, ready=lambda running: say(f"studio: {running.address}"))
    return DONE
