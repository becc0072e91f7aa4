"""What would have to change: the smallest single change of wand or hole that lets the tip into a bay."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

from bayreach.errors import WandError
from bayreach.insertion import gets_into, hole_to_widen, paths_through
from bayreach.reach._ground import SHORTEST, Ground
from bayreach.wands import Piece, Wand

if TYPE_CHECKING:
    from bayreach.bays import Opening

Tried = Callable[[float], "tuple[Wand, Opening, tuple[Opening, ...]] | None"]


@dataclass(frozen=True, kw_only=True)
class Change:
    """One change that was verified to do, and the next smaller one that was found not to.

    Parameters
    ----------
    what : str
        "length", "diameter", "bend_radius", "bend_angle", or "hole" followed by the opening's name.
    unit : str
        "m" or "rad".
    now, needed : float
        The value now, and one with which the bay is reached.
    failed : float
        The value nearest to `needed` that was tried and did not do.
    """

    what: str
    unit: str
    now: float
    needed: float
    failed: float

    @property
    def relative(self) -> float:
        """Size of the change against the value now."""
        return abs(self.needed - self.now) / abs(self.now)

    def sentence(self) -> str:
        """Return the change in words, in mm or degrees."""
        scale, unit = (1e3, "mm") if self.unit == "m" else (180.0 / math.pi, "degrees")
        name = self.what.replace("_", " ")
        return f"{name} {scale * self.now:.1f} {unit} -> {scale * self.needed:.1f} {unit}"


def smallest_changes(ground: Ground, wand: Wand, opening: "Opening", bay: str) -> tuple[Change, ...]:
    """Return the single changes that let the tip of `wand` through `opening` into `bay`, the smallest first.

    Each of length, diameter, bend radius, bend angle and hole is changed alone: by steps twice as large
    each time until the bay is reached, then halved back to a tenth of a millimetre or of a degree, and told
    in whole tenths. What is returned was tried and reaches the bay; nothing is returned for a parameter that
    does not help, nor where the bay is reached already.
    """
    found = [change for change in each_change(ground, wand, opening, bay) if change is not None]
    return tuple(sorted(found, key=lambda change: change.relative))


def each_change(ground: Ground, wand: Wand, opening: "Opening", bay: str) -> Iterator[Change | None]:
    """Yield what `smallest_changes` returns one parameter at a time, None for one that does not help."""
    if _reaches(ground, bay, (wand, opening, ())):
        return
    for what, unit, now, direction, limit, tried in _parameters(ground, wand, opening, bay):
        yield _bracketed(ground, bay, tried, what=what, unit=unit, now=now, most=direction * abs(limit - now))


def _reaches(ground: Ground, bay: str, case: "tuple[Wand, Opening, tuple[Opening, ...]] | None") -> bool:
    if case is None:
        return False
    wand, opening, holes = case
    wanted = next(each.index for each in ground.space.bays.bays if each.name == bay)
    return gets_into(
        ground.space, wand, opening, wanted, count=ground.care.aims, shortest=SHORTEST, holes=holes,
        down=ground.down,
    )  # fmt: skip


def _bracketed(
    ground: Ground, bay: str, tried: Tried, *, what: str, unit: str, now: float, most: float
) -> Change | None:
    """Double the change until it does or reaches `most`, then halve the bracket to its tolerance."""
    tolerance = 1e-4 if unit == "m" else math.radians(0.1)
    fails, step = 0.0, math.copysign(max(4.0 * tolerance, abs(now) / 64.0), most)
    while True:
        step = math.copysign(min(abs(step), abs(most)), most)
        if _reaches(ground, bay, tried(now + step)):
            break
        fails = step
        if abs(step) >= abs(most):
            return None
        step *= 2.0
    does = step
    while abs(does - fails) > tolerance:
        middle = (does + fails) / 2.0
        if _reaches(ground, bay, tried(now + middle)):
            does = middle
        else:
            fails = middle
    # On screen a value has one decimal: the one told must be one that was tried.
    ticks = (now + does) / tolerance
    told = tolerance * (math.ceil(ticks - 1e-9) if most > 0.0 else math.floor(ticks + 1e-9))
    needed = told if _reaches(ground, bay, tried(told)) else now + does
    return Change(what=what, unit=unit, now=now, needed=needed, failed=now + fails)


def _parameters(
    ground: Ground, wand: Wand, opening: "Opening", bay: str
) -> "list[tuple[str, str, float, float, float, Tried]]":
    """Return name, unit, value, direction, furthest value and maker of each parameter worth changing."""
    rows: list[tuple[str, str, float, float, float, Tried]] = [
        ("length", "m", wand.length, 1.0, 4.0 * wand.length, lambda v: (_longer(wand, v), opening, ())),
        ("diameter", "m", wand.largest_section.diameter, -1.0, 0.2 * wand.largest_section.diameter,
         lambda v: (_thinner(wand, v), opening, ())),
    ]  # fmt: skip
    bend = _bend_of(wand)
    if bend is not None:
        rows.append(
            ("bend_radius", "m", bend, -1.0, max(0.1 * bend, 0.51 * wand.diameter),
             lambda v: _with_bend(wand, v, opening))
        )  # fmt: skip
    angle = sum(piece.angle for piece in wand.pieces)
    if angle:
        rows.append(("bend_angle", "rad", angle, -1.0, 0.1 * angle, lambda v: _with_angle(wand, v, opening)))
        rows.append(("bend_angle", "rad", angle, 1.0, 2.0 * angle, lambda v: _with_angle(wand, v, opening)))
    for hole in {opening.name: opening, **_stopping(ground, wand, opening, bay)}.values():
        rows.append(
            (f"hole {hole.name}", "m", hole.diameter, 1.0, 3.0 * hole.diameter,
             partial(_with_hole, wand, opening, hole))
        )  # fmt: skip
    return rows


def _stopping(ground: Ground, wand: Wand, opening: "Opening", bay: str) -> "dict[str, Opening]":
    """Return the opening in whose sheet the wand is stopped on its way to `bay`, if it is one."""
    _, refusals = paths_through(
        ground.space, wand, opening, count=ground.care.aims, shortest=SHORTEST, down=ground.down
    )
    named = [refusal for refusal in refusals if refusal.bay == bay]
    hole = hole_to_widen(ground.space, named[0].place) if named else None
    return {} if hole is None else {hole.name: hole}


def with_figure(wand: Wand, name: str, value: float) -> Wand:
    """Return the wand with one figure (SI) changed: a field, or the radius or angle of all its bends.

    Raises
    ------
    WandError
        When the wand has no such figure or cannot be with that value.
    """
    if name == "diameter":
        tip = wand.tip_diameter if wand.tip_diameter != wand.diameter else 0.0
        shank = wand.shank_diameter if wand.shank_diameter != wand.diameter else 0.0
        return replace(wand, diameter=value, tip_diameter=tip, shank_diameter=shank)
    if name not in {"bend_radius", "bend_angle"}:
        changes: dict[str, Any] = {name: value}
        return replace(wand, **changes)
    if wand.shape == "straight" or (wand.shape == "flexible" and name == "bend_angle"):
        message = f'wand "{wand.name}": a {wand.shape} wand has no {name} to vary.'
        raise WandError(message)
    if wand.shape == "flexible":
        return replace(wand, bend_radius=value)
    total = sum(piece.angle for piece in wand.pieces)

    def changed(piece: Piece) -> Piece:
        if math.isinf(piece.radius):
            return piece
        if name == "bend_radius":
            return replace(piece, radius=value, length=value * piece.angle)
        return replace(piece, length=piece.length * value / total)

    return _of_pieces(wand, tuple(changed(piece) for piece in wand.pieces))


def _of_pieces(wand: Wand, pieces: tuple[Piece, ...]) -> Wand:
    """Return a bent wand of other pieces; one made of its pieces alone becomes as long as they are."""
    before, after = (sum(piece.length for piece in each) for each in (wand.pieces, pieces))
    whole = wand.length - before < 1e-9
    return replace(wand, pieces=pieces, length=after if whole else wand.length)


def _longer(wand: Wand, length: float) -> Wand:
    return replace(wand, length=length)


def _thinner(wand: Wand, widest: float) -> Wand:
    """Return the wand with every part wider than `widest` (m) drawn in to it."""
    return replace(
        wand, diameter=min(wand.diameter, widest), tip_diameter=min(wand.tip_diameter, widest),
        shank_diameter=min(wand.shank_diameter, widest),
    )  # fmt: skip


def _bend_of(wand: Wand) -> float | None:
    if wand.shape == "flexible":
        return wand.bend_radius
    radii = [piece.radius for piece in wand.pieces if math.isfinite(piece.radius)]
    return max(radii) if radii else None


def _with_bend(
    wand: Wand, radius: float, opening: "Opening"
) -> "tuple[Wand, Opening, tuple[Opening, ...]] | None":
    if wand.shape == "flexible":
        return replace(wand, bend_radius=radius), opening, ()
    pieces = tuple(
        replace(piece, length=min(piece.radius, radius) * piece.angle, radius=min(piece.radius, radius))
        if math.isfinite(piece.radius)
        else piece
        for piece in wand.pieces
    )
    return _of_pieces(wand, pieces), opening, ()


def _with_angle(
    wand: Wand, angle: float, opening: "Opening"
) -> "tuple[Wand, Opening, tuple[Opening, ...]] | None":
    """Return the wand with all its bends' angles in proportion; None where they no longer fit its length."""
    try:
        return with_figure(wand, "bend_angle", angle), opening, ()
    except WandError:
        return None


def _with_hole(
    wand: Wand, opening: "Opening", hole: "Opening", diameter: float
) -> "tuple[Wand, Opening, tuple[Opening, ...]]":
    wider = replace(hole, diameter=diameter, kind="proposed")
    return (wand, wider, ()) if hole.name == opening.name else (wand, opening, (wider,))
