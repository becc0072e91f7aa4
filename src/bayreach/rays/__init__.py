"""The ray room: build once, then ask on arrays what is hit first and whether anything is in the way."""

from bayreach.rays._brute import BruteForce
from bayreach.rays._scene import Scene, engine_in_use
from bayreach.rays._segments import stop_short
from bayreach.rays._threads import cores, in_parallel

__all__ = ["BruteForce", "Scene", "cores", "engine_in_use", "in_parallel", "stop_short"]
