"""Estimate and plan the coating of the inside of structures.

The names below are the public ones: they stay within a major version. Each loads its room when it is first
asked for, so that importing the package costs next to nothing. Everything is in SI units.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bayreach.bays import Bays, find_bays
    from bayreach.compare import compare as compare_results
    from bayreach.errors import BayreachError
    from bayreach.job import Job, load_job
    from bayreach.liquids import Liquid
    from bayreach.mesh import Mesh, mesh_of
    from bayreach.meshfile import read_mesh, write_mesh
    from bayreach.outcome import Outcome, Result, Sides
    from bayreach.run import measure as measure_mesh
    from bayreach.run import plan as plan_job
    from bayreach.run import reach as reach_job
    from bayreach.run import spray as spray_job
    from bayreach.store import read_result, reserved, write_result
    from bayreach.tips import Tip
    from bayreach.viewer import polydata
    from bayreach.wands import Wand

__version__ = "0.1.0"

__all__ = [
    "BayreachError",
    "Bays",
    "Job",
    "Liquid",
    "Mesh",
    "Outcome",
    "Result",
    "Sides",
    "Tip",
    "Wand",
    "compare_results",
    "find_bays",
    "load_job",
    "measure_mesh",
    "mesh_of",
    "plan_job",
    "polydata",
    "reach_job",
    "read_mesh",
    "read_result",
    "reserved",
    "spray_job",
    "write_mesh",
    "write_result",
]

# A public name is never that of a room: importing a room would put the room in the name's place.
_PLACES = {
    "Bays": "bays.Bays",
    "BayreachError": "errors.BayreachError",
    "Job": "job.Job",
    "Liquid": "liquids.Liquid",
    "Mesh": "mesh.Mesh",
    "Outcome": "outcome.Outcome",
    "Result": "outcome.Result",
    "Sides": "outcome.Sides",
    "Tip": "tips.Tip",
    "Wand": "wands.Wand",
    "compare_results": "compare.compare",
    "find_bays": "bays.find_bays",
    "load_job": "job.load_job",
    "measure_mesh": "run.measure",
    "mesh_of": "mesh.mesh_of",
    "plan_job": "run.plan",
    "polydata": "viewer.polydata",
    "reach_job": "run.reach",
    "read_mesh": "meshfile.read_mesh",
    "read_result": "store.read_result",
    "reserved": "store.reserved",
    "spray_job": "run.spray",
    "write_mesh": "meshfile.write_mesh",
    "write_result": "store.write_result",
}


def __getattr__(name: str) -> Any:
    if name not in _PLACES:
        message = f"module 'bayreach' has no attribute '{name}'"
        raise AttributeError(message)
    room, attribute = _PLACES[name].split(".")
    return getattr(import_module(f"bayreach.{room}"), attribute)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
