"""Field types of the job tables: quantities with a unit become SI numbers, names and vectors are checked."""

from typing import Annotated, Any

from pydantic import BeforeValidator, Field, StringConstraints, WithJsonSchema

from bayreach.errors import UnitError
from bayreach.units import EXAMPLES, SI_UNITS, si


def _quantity(
    kind: str,
    *,
    least: float | None = None,
    above: float | None = None,
    infinite: bool = False,
) -> Any:
    def read(value: object) -> float:
        if not isinstance(value, str):
            example = EXAMPLES.get(kind, f'"1 {SI_UNITS[kind]}"')
            message = f"must be a quantity in quotes with its unit, like {example}; {_shown(value)} found"
            raise ValueError(message)
        try:
            number = si(value, kind, infinite=infinite)
        except UnitError as error:
            raise ValueError(str(error)) from None
        if least is not None and number < least:
            message = f'must be at least {least:g} {SI_UNITS[kind]}; "{value[:60]}" found'
            raise ValueError(message)
        if above is not None and not number > above:
            message = f'must be more than {above:g} {SI_UNITS[kind]}; "{value[:60]}" found'
            raise ValueError(message)
        return number

    examples = [EXAMPLES.get(kind, f"1 {SI_UNITS[kind]}").strip('"').split('" or "')[0]]
    described = f"a {kind.replace('_', ' ')} with its unit" + (', or "inf"' if infinite else "")
    schema = {"type": "string", "description": described, "examples": [*examples, *(["inf"] * infinite)]}
    return Annotated[float, BeforeValidator(read), WithJsonSchema(schema)]


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


Length = _quantity("length", least=0.0)
PositiveLength = _quantity("length", above=0.0)
PositiveOrInfiniteLength = _quantity("length", above=0.0, infinite=True)
Angle = _quantity("angle")
PositiveAngle = _quantity("angle", above=0.0)
Flow = _quantity("flow", above=0.0)
Speed = _quantity("speed", above=0.0)
Time = _quantity("time", least=0.0)
PositiveTime = _quantity("time", above=0.0)
SettleTime = _quantity("time", above=0.0, infinite=True)
Pressure = _quantity("pressure", above=0.0)
Density = _quantity("density", above=0.0)
Viscosity = _quantity("viscosity", above=0.0)
SurfaceTension = _quantity("surface_tension", above=0.0)
Stiffness = _quantity("stiffness", above=0.0, infinite=True)
MassPerLength = _quantity("mass_per_length", least=0.0)
Volume = _quantity("volume", above=0.0)
MolarMass = _quantity("molar_mass", above=0.0)

Name = Annotated[str, StringConstraints(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]+$")]
"""One line of text, up to 120 characters."""

FileName = Annotated[str, StringConstraints(min_length=1, max_length=500, pattern=r"^[^\x00-\x1f\x7f]+$")]

Number = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e12, le=1e12)]
Vector = tuple[Number, Number, Number]


def _direction(value: Vector) -> Vector:
    if not any(abs(part) > 1e-9 for part in value):
        message = "must be a direction, not three zeros"
        raise ValueError(message)
    return value


def _box(value: tuple[Vector, Vector]) -> tuple[Vector, Vector]:
    if not all(low <= high for low, high in zip(*value, strict=True)):
        message = "must be [[least x, y, z], [greatest x, y, z]]; a least is more than its greatest"
        raise ValueError(message)
    return value


def _after(check: Any) -> Any:
    from pydantic import AfterValidator

    return AfterValidator(check)


Direction = Annotated[Vector, _after(_direction)]
Box = Annotated[tuple[Vector, Vector], _after(_box)]
