"""Numbers as documents print them: both unit systems, never rounded into a claim."""

import math

from bayreach.units import INCH, percent_text, significant

GALLON_L = 3.785411784


def percent(fraction: float) -> str:
    """Return a share as the commands print it, whole per cents without a decimal; no share of nothing.

    >>> percent(0.9996), percent(1.0), percent(float("nan"))
    ('99.9 %', '100 %', 'n/a')
    """
    if not math.isfinite(fraction):
        return "n/a"
    return percent_text(fraction).replace(".0 %", " %")


def length_text(metres: float) -> str:
    """Return a length in mm and inches.

    >>> length_text(0.0127)
    '12.7 mm (0.50 in)'
    """
    if not math.isfinite(metres):
        return "n/a"
    mm = metres * 1e3
    return (
        f"{mm:.1f} mm ({metres / INCH:.2f} in)" if abs(mm) < 100 else f"{mm:.0f} mm ({metres / INCH:.1f} in)"
    )


def area_text(square_metres: float) -> str:
    """Return an area in m², or cm² below a tenth of a square metre, and square inches.

    >>> area_text(0.0021)
    '21 cm² (3.3 in²)'
    """
    inches = square_metres / INCH**2
    if abs(square_metres) < 0.1:
        return f"{significant(square_metres * 1e4)} cm² ({significant(inches, 2)} in²)"
    return f"{significant(square_metres)} m² ({significant(inches / 144)} ft²)"


def volume_text(cubic_metres: float) -> str:
    """Return a volume of liquid in mL and US fluid ounces, from a litre on in L and US gallons.

    A US gallon is 3.785411784 L, 128 fluid ounces (NIST SP 811, appendix B.8).

    >>> volume_text(200e-6), volume_text(0.01234)
    ('200 mL (6.76 fl oz)', '12.3 L (3.26 gal)')
    """
    litres = cubic_metres * 1e3
    if litres < 1:
        return f"{significant(litres * 1e3)} mL ({significant(litres / GALLON_L * 128)} fl oz)"
    return f"{significant(litres)} L ({significant(litres / GALLON_L)} gal)"


def place_text(point: tuple[float, float, float]) -> str:
    """Return a place in mm along the mesh's axes.

    >>> place_text((1.2, 0.0, -0.05))
    'x 1200, y 0, z -50 mm'
    """
    x, y, z = (
        f"{value * 1e3:.0f}".replace("-0", "0") if abs(value) < 5e-4 else f"{value * 1e3:.0f}"
        for value in point
    )
    return f"x {x}, y {y}, z {z} mm"
