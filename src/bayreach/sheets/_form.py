"""The treatment record as a form for machines: record.json, and the schema that is published of it."""

from dataclasses import dataclass, field, fields

from bayreach.report import Case, words

FORM_VERSION = 1

Blank = str | float | bool | None
"""What people fill in: text, a number, or yes or no; null until then."""


@dataclass(frozen=True, kw_only=True)
class TargetForm:
    """The film asked for, the share of area that is to have it, and whether it is wet or dry film."""

    film_min_um: float
    film_is: str
    coverage: float


@dataclass(frozen=True, kw_only=True)
class BayForm:
    """One bay: what is planned, and what an inspector finds."""

    name: str
    required_m2: float
    planned_covered_m2: float
    seen_wet: Blank = None
    film_unbroken: Blank = None
    touched_up: Blank = None
    not_seen: Blank = None
    method: Blank = None
    initials: Blank = None


@dataclass(frozen=True, kw_only=True)
class PassForm:
    """One pass: what is planned, and what was done."""

    number: int
    wand: str
    opening: str
    planned_count: int
    planned_seconds: float
    planned_liquid_m3: float
    done_count: Blank = None
    used_liquid_m3: Blank = None
    deviation: Blank = None


@dataclass(frozen=True, kw_only=True)
class MaskForm:
    """One mask: put on before the first pass, taken off after the last."""

    name: str
    on: Blank = None
    off: Blank = None


@dataclass(frozen=True, kw_only=True)
class DrainForm:
    """One drain: open before and after."""

    name: str
    open_before: Blank = None
    open_after: Blank = None


@dataclass(frozen=True, kw_only=True)
class HoleForm:
    """One candidate hole: not approved until a person has written by what."""

    name: str
    status: str
    drill_mm: float
    approval_reference: Blank = None
    drilled: Blank = None
    closed: Blank = None


@dataclass(frozen=True, kw_only=True)
class SignatureForm:
    """Who signs."""

    operator: Blank = None
    inspector: Blank = None
    certificate: Blank = None


@dataclass(frozen=True, kw_only=True)
class RecordForm:
    """The treatment record: the plan filled in, null for everything that people fill in later.

    `plan_sha256` is the hash of the result.json it is of.
    """

    form: str = "bayreach treatment record"
    form_version: int = FORM_VERSION
    title: str
    plan_sha256: str
    mesh_sha256: str | None
    job_sha256: str | None
    program_version: str
    result_version: int | None
    target: TargetForm
    planned_coverage: float | None
    aircraft: Blank = None
    zone: Blank = None
    authority: Blank = None
    liquid_name: Blank = None
    liquid_lot: Blank = None
    liquid_expiry: Blank = None
    cleaned: Blank = None
    dried: Blank = None
    temperature: Blank = None
    start: Blank = None
    end: Blank = None
    next_due: Blank = None
    deviations: tuple[str, ...] = ()
    bays: tuple[BayForm, ...]
    passes: tuple[PassForm, ...]
    masks: tuple[MaskForm, ...]
    drains: tuple[DrainForm, ...]
    holes: tuple[HoleForm, ...]
    signatures: SignatureForm = field(default_factory=SignatureForm)
    cautions: tuple[str, ...]


BLANKS = tuple(item.name for item in fields(RecordForm) if item.default is None)
SIGNATURES = tuple(item.name for item in fields(SignatureForm))


def form_of(case: Case, *, sha256: str, program_version: str) -> RecordForm:
    """Return the form of a case whose result.json has the hash `sha256`."""
    inputs = case.record.get("inputs") or {}
    return RecordForm(
        title=case.title,
        plan_sha256=sha256,
        mesh_sha256=inputs.get("mesh_sha256"),
        job_sha256=inputs.get("job_sha256"),
        program_version=program_version,
        result_version=case.record.get("version"),
        target=TargetForm(
            film_min_um=round(case.target.film_min_um, 6),
            film_is=case.target.film_is,
            coverage=case.target.coverage,
        ),
        planned_coverage=(case.record.get("coverage") or {}).get("fraction"),
        bays=tuple(
            BayForm(name=bay.name, required_m2=bay.required, planned_covered_m2=bay.covered)
            for bay in case.bays
        ),
        passes=_passes_of(case),
        masks=tuple(MaskForm(name=one.name) for one in case.masks),
        drains=tuple(DrainForm(name=one.name) for one in case.drains),
        holes=tuple(
            HoleForm(name=one.name, status=words("candidate"), drill_mm=one.drill_mm) for one in case.holes
        ),
        cautions=case.cautions,
    )


def _passes_of(case: Case) -> tuple[PassForm, ...]:
    return tuple(
        PassForm(
            number=number,
            wand=one.wand,
            opening=one.opening,
            planned_count=one.count,
            planned_seconds=one.seconds,
            planned_liquid_m3=one.liquid,
        )
        for number, one in enumerate(case.passes, start=1)
    )
