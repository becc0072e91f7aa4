"""Still pictures: cut-away views without lighting, by VTK in a process of its own or by the ray engine."""

from bayreach.picture._bays_sheet import bays_sheet
from bayreach.picture._camera import Camera, best_direction, box_corners, camera_toward, overview_direction
from bayreach.picture._edges import feature_edges
from bayreach.picture._legend import layer_rows, legend_picture
from bayreach.picture._paint import Paint, chance_paint, check_paint, film_paint, pass_paint, status_paint
from bayreach.picture._paper import Paper
from bayreach.picture._result_sheet import opening_pictures, result_sheet, stills
from bayreach.picture._seen import sides_seen
from bayreach.picture._shade import shaded

__all__ = [
    "Camera",
    "Paint",
    "Paper",
    "bays_sheet",
    "best_direction",
    "box_corners",
    "camera_toward",
    "chance_paint",
    "check_paint",
    "feature_edges",
    "film_paint",
    "layer_rows",
    "legend_picture",
    "opening_pictures",
    "overview_direction",
    "pass_paint",
    "result_sheet",
    "shaded",
    "sides_seen",
    "status_paint",
    "stills",
]
