"""One small result that the tests of outcome, store and command line share, every key of it filled."""

import dataclasses

import numpy as np

from bayreach.cautions import cautions
from bayreach.mesh import Mesh
from bayreach.outcome import (
    BayRecord,
    HoleRecord,
    HolidayRecord,
    InputsRecord,
    KeepOutRecord,
    LiquidRecord,
    MaskRecord,
    MeshRecord,
    NoDrillRecord,
    OpeningRecord,
    Outcome,
    PassRecord,
    PlaceRecord,
    PlanRecord,
    RepairRecord,
    Result,
    Sides,
    TargetRecord,
    TradeOffRecord,
    WandRecord,
    coverage_of,
)

STATUSES = ("covered", "low", "dry", "heavy", "keep-out")


def small_sides() -> Sides:
    """Return the film of two triangles that make a unit square: four sides, the front ones wet."""
    mesh = Mesh(
        points=np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], dtype=float),
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
        face_parts=np.array([0, 1]),
        part_names=("skin <lower>", "web"),
    )
    return Sides(
        mesh=mesh,
        source_faces=np.array([0, 0]),
        side_bay=np.array([0, -1, 0, -1]),
        film=np.array([10e-6, 0, 4e-6, 0]),
        direct=np.array([9e-6, 0, 4e-6, 0]),
        settled=np.array([1e-6, 0, 0, 0]),
        status=np.array([0, 2, 1, 2]),
        status_names=STATUSES,
        extra={"first_pass": np.array([0, -1, 0, -1]), "creep_um": np.array([0.0, 0.0, 0.5, 0.0])},
        names={"reason_names": ("none", "shadow")},
    )


def small_outcome() -> Outcome:
    """Return the outcome of a spray over the square: half of it covered."""
    return Outcome(
        title="Square, demo",
        inputs=InputsRecord(mesh_sha256="a" * 64, job_sha256="b" * 64, settings={"seed": 0}),
        warnings=("one edge is open",),
        cautions=cautions(),
        mesh=MeshRecord(
            faces=2,
            box_m=((0.0, 0.0, 0.0), (1.0, 1.0, 0.0)),
            units="m",
            repairs=(RepairRecord(kind="merged vertices", count=2),),
        ),
        bays=(
            BayRecord(
                name="bay 1", area_m2=1.0, volume_m3=0.5, required_m2=1.0, covered_m2=0.5, openings=("port",)
            ),
        ),
        openings=(
            OpeningRecord(
                name="port",
                kind="found",
                center_m=(0.0, 0.5, 0.5),
                normal=(1.0, 0.0, 0.0),
                diameter_m=0.08,
                area_m2=0.005,
                links=("outside", "bay 1"),
            ),
        ),
        passes=(
            PassRecord(
                wand="long",
                opening="port",
                aim=(1.0, 0.0, 0.0),
                clock_deg=90.0,
                from_m=0.9,
                to_m=0.1,
                pull_speed_m_s=0.05,
                count=2,
                seconds=32.0,
                liquid_m3=1e-4,
            ),
        ),
        coverage=coverage_of(
            required_m2=1.0, covered_m2=0.5, direct_m2=0.5, settled_only_m2=0.0, dry_m2=0.25, target=0.95
        ),
        liquid=LiquidRecord(
            sprayed_m3=1e-4,
            direct_m3=6e-5,
            settled_m3=1e-5,
            escaped_m3=2e-5,
            suspended_m3=1e-5,
            retained_m3=7e-5,
            run_off_m3=0.0,
        ),
        holidays=(HolidayRecord(bay="bay 1", area_m2=0.5, center_m=(0.3, 0.6, 0.0), reason="in shadow"),),
        masks=(MaskRecord(name="oxygen line", film_m=0.0, touched=False),),
        target=TargetRecord(film_min_m=8e-6, film_max_m=25e-6, film_is="dry", coverage=0.95),
        wands=(
            WandRecord(
                name="long",
                shape="straight",
                length_m=1.0,
                diameter_m=0.006,
                tip_diameter_m=0.006,
                pattern="radial",
                spread_deg=40.0,
                flow_m3_s=3e-6,
            ),
        ),
        keep_outs=(KeepOutRecord(name="oxygen line", no="both", box_m=((0, 0, 0), (0.1, 0.1, 0.1))),),
        drains=(PlaceRecord(name="drain 1", center_m=(0.5, 0.5, 0.0)),),
    )


def small_plan() -> Outcome:
    """Return the outcome of a plan over the square: one candidate hole."""
    return dataclasses.replace(
        small_outcome(),
        cautions=cautions(holes=True),
        plan=PlanRecord(
            objective=3.0,
            bound=2.97,
            gap=0.01,
            new_holes=1,
            new_holes_bound=1,
            proven=True,
            no_drill=NoDrillRecord(coverage=0.4),
            statement="1 new hole; 0 proven not enough with these wands",
            trade_off=(
                TradeOffRecord(new_holes=0, coverage=0.4, bound=0.4, proven=True),
                TradeOffRecord(new_holes=1, coverage=0.6, bound=0.65, proven=False),
            ),
            coverage_by_passes=(0.0, 0.5, 0.6),
        ),
        holes=(
            HoleRecord(
                center_m=(0.5, 0.5, 0.0),
                normal=(0.0, 0.0, 1.0),
                drill_mm=9.5,
                drill_name="9.5 mm",
                edge_distance_m=0.03,
                closes_with="plug",
                why="reaches bay 1",
            ),
        ),
    )


def small_result(outcome: Outcome | None = None) -> Result:
    """Return the result of the spray over the square."""
    return Result(outcome=outcome or small_outcome(), sides=small_sides())
