"""How sure is the map? Aim, depth, speed, flow and droplets vary in a hand: chances for every side."""

import sys
from pathlib import Path

from bayreach import demo, doubt, run, store
from bayreach.job import load_job
from bayreach.outcome import Outcome
from bayreach.units import percent_text


def main(folder: Path) -> Outcome:
    """Spray the tail boom's written passes and doubt the result; print shares, causes and worst places."""
    demo.write_demo(folder, quick=True)
    job = load_job(folder / "tail_boom.toml")
    out = folder / "tail_boom"
    with store.reserved(out):
        store.write_result(out, run.spray(job), origin={"mesh": job.mesh_path, "job": job.path})
    outcome = doubt.doubt_folder(out)
    record = outcome.doubt
    if record is not None:
        print(f"nominal {percent_text(outcome.coverage.fraction)}, mean {percent_text(record.covered_mean)}")
        print(f"area covered with 95 % chance: {percent_text(record.sure_fraction)}")
        for cause, share in sorted(record.matters.items(), key=lambda item: -item[1]):
            print(f"{cause}: first-order index {share:.2f}")
        for place in record.worst[:3]:
            print(f"{1e4 * place.area_m2:.0f} cm² of {place.part} in {place.bay}: {place.chance:.0%} likely")
    return outcome


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
