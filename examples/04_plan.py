"""Which holes, wands and passes, and could fewer holes do? A plan with its proof, stored in a folder."""

import sys
from pathlib import Path

from bayreach import demo, run, store
from bayreach.job import load_job
from bayreach.outcome import Outcome
from bayreach.units import percent_text


def main(folder: Path) -> Outcome:
    """Plan the wing box, store the result, print the statement, the candidate holes and the passes."""
    path = demo.write_demo(folder, quick=True)
    job = load_job(path)
    result = run.plan(job)
    with store.reserved(folder / "plan"):
        origin = {"mesh": job.mesh_path, "job": path}
        outcome = store.write_result(folder / "plan", result, origin=origin)
    if outcome.plan is not None:
        print(outcome.plan.statement)
        print(f"without drilling: {percent_text(outcome.plan.no_drill.coverage)}")
    for hole in outcome.holes or ():
        print(f"{hole.name}: {hole.drill_name} into {hole.bay}, {hole.status}")
    for one in outcome.passes:
        print(f"{one.count} x {one.wand} through {one.opening}, {one.seconds:.0f} s")
    return outcome


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
