"""What is the best without a new hole? The control surface: drilling would change its balance."""

import sys
from pathlib import Path

from bayreach import demo, run
from bayreach.job import load_job
from bayreach.outcome import Outcome
from bayreach.units import percent_text


def main(folder: Path) -> Outcome:
    """Plan the control surface with its own openings; print what stays short in each bay, and why."""
    demo.write_demo(folder, quick=True)
    outcome = run.plan(load_job(folder / "control_surface.toml"), no_drill=True).outcome
    print(f"{percent_text(outcome.coverage.fraction)} of {percent_text(outcome.coverage.target)} asked")
    for bay in outcome.bays:
        print(f"{bay.name}: {bay.required_m2 - bay.covered_m2:.4f} m² stay short")
    for line in outcome.warnings:
        print(f"- {line}")
    return outcome


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
