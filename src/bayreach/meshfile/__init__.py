"""Reads and writes mesh files; the unit is stated, never guessed."""

from bayreach.meshfile._read import MeshRead, read_mesh
from bayreach.meshfile._write import write_mesh

__all__ = ["MeshRead", "read_mesh", "write_mesh"]
