"""A swept, tapering span of bays between ribs: common to the wing box and the control surface."""

from dataclasses import dataclass

import numpy as np

from bayreach.arrays import FloatArray


@dataclass(frozen=True, kw_only=True)
class TaperedSize:
    """Sizes in mm. x runs outboard; every section is the root's made smaller, by `taper` at the tip."""

    bays: int
    rib_pitch: float
    taper: float
    sweep: float

    @property
    def span(self) -> float:
        """Length from the first rib to the last, mm."""
        return self.bays * self.rib_pitch

    def scale(self, x: FloatArray | float) -> FloatArray:
        """Return the size of the section at x (mm) as a share of the root's."""
        return np.asarray(1.0 - (1.0 - self.taper) * np.asarray(x) / self.span)

    def placed(self, x: FloatArray | float, section: FloatArray) -> FloatArray:
        """Return (..., 3) points of root section points (..., 2) (y, z) put at station x."""
        x = np.asarray(x, dtype=np.float64)
        scaled = self.scale(x)[..., None] * section
        y = scaled[..., 0] + self.sweep * x
        return np.stack(np.broadcast_arrays(x, y, scaled[..., 1]), axis=-1)
