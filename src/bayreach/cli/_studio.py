"""The command that opens the studio."""

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from bayreach.cli._app import DONE, Json, app, say, say_json


@app.command
def studio(
    job: Path,
    /,
    *,
    port: int = 0,
    browser: Annotated[bool, Parameter(negative="--no-browser")] = True,
    json: Json = False,
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
    from bayreach.cli._schemas import Serving
    from bayreach.studio import Running, serve

    def ready(running: Running) -> None:
        if json:
            say_json(Serving(address=running.address))
        else:
            say(f"studio: {running.address}")

    serve(job, port=port, open_browser=browser, ready=ready)
    return DONE
