"""Stroked paths of a PDF page, in mm from its lower left corner: a small reader of content streams."""

from dataclasses import dataclass
from typing import Any

import numpy as np

MM = 25.4 / 72.0


@dataclass(frozen=True)
class Stroke:
    """One stroked path: its colour as "#rrggbb", its corners and control points (k, 2) in mm."""

    colour: str
    points: Any

    @property
    def size(self) -> Any:
        """Width and height of the box of its points, in mm."""
        return np.ptp(self.points, axis=0)


def strokes_of(page: Any) -> list[Stroke]:
    """Return the strokes of a pypdf page; q, Q, cm, m, l, c, h, re, RG, S and scn with rgb are understood."""
    from pypdf.generic import ContentStream

    matrix, stack, path, colour, found = np.eye(3), [], [], "#000000", []
    for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
        numbers = [float(value) for value in operands if isinstance(value, int | float)]
        if operator == b"q":
            stack.append((matrix, colour))
        elif operator == b"Q":
            matrix, colour = stack.pop()
        elif operator == b"cm":
            a, b, c, d, e, f = numbers
            matrix = np.array([[a, b, 0], [c, d, 0], [e, f, 1]]) @ matrix
        elif operator in (b"RG", b"SCN") and len(numbers) == 3:
            colour = "#" + "".join(f"{round(value * 255):02x}" for value in numbers)
        elif operator in (b"m", b"l", b"c"):
            path += [matrix_times(matrix, pair) for pair in zip(numbers[::2], numbers[1::2], strict=True)]
        elif operator == b"re":
            x, y, w, h = numbers
            path += [matrix_times(matrix, corner) for corner in ((x, y), (x + w, y + h))]
        elif operator in (b"S", b"s", b"B"):
            found.append(Stroke(colour, np.array(path) * MM))
            path = []
        elif operator in (b"n", b"f", b"W"):
            path = [] if operator != b"W" else path
    return found


def matrix_times(matrix: Any, point: tuple[float, float]) -> Any:
    """Return the point after the current transformation."""
    return (np.array([*point, 1.0]) @ matrix)[:2]
