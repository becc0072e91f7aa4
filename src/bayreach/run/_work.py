"""The order of work of a job's pulls, by the clock, as result.json tells it."""

from collections.abc import Sequence

from bayreach.outcome import PlaceRecord, WorkRecord, WorkStepRecord
from bayreach.plan import Pulled, steps_of
from bayreach.run._pulls import Pull
from bayreach.run._site import Site


def work_record(site: Site, pulls: Sequence[Pull], drains: Sequence[PlaceRecord]) -> WorkRecord:
    """Return the work of `pulls` in the order given: masks first, then openings and wands, drains last."""
    steps = steps_of(
        [
            Pulled(
                opening=pull.opening,
                wand=pull.wand.name,
                seconds=pull.count * pull.seconds,
                liquid=pull.count * pull.volume,
            )
            for pull in pulls
        ],
        masks=[entry.name for entry in site.job.keep_outs if entry.no != "drill"],
        drains=[drain.name for drain in drains],
        tank=site.job.supply.tank,
    )
    kinds = [step.kind for step in steps]
    return WorkRecord(
        seconds=sum(step.seconds for step in steps),
        liquid_m3=sum(pull.count * pull.volume for pull in pulls),
        openings=kinds.count("opening"),
        wand_changes=max(0, kinds.count("wand") - 1),
        refills=kinds.count("refill"),
        steps=tuple(
            WorkStepRecord(
                kind=step.kind,
                name=step.name,
                order=step.order,
                start_s=step.start,
                seconds=step.seconds,
                liquid_m3=step.liquid,
                tank_left_m3=step.left,
            )
            for step in steps
        ),
    )
