"""The demo: three invented structures and a job for each."""

from bayreach.demo._control_surface import CONTROL_SURFACE, ControlSurfaceSize, control_surface
from bayreach.demo._jobs import write_demo
from bayreach.demo._tail_boom import TAIL_BOOM, TailBoomSize, tail_boom
from bayreach.demo._wing_box import WING_BOX, WingBoxSize, wing_box

__all__ = [
    "CONTROL_SURFACE",
    "TAIL_BOOM",
    "WING_BOX",
    "ControlSurfaceSize",
    "TailBoomSize",
    "WingBoxSize",
    "control_surface",
    "tail_boom",
    "wing_box",
    "write_demo",
]
