"""What do the passes I have in mind wet? Film of the passes written in a job, and where every drop went."""

import sys
from pathlib import Path

from bayreach import demo, run
from bayreach.job import load_job
from bayreach.outcome import Result
from bayreach.units import percent_text


def main(folder: Path) -> Result:
    """Spray the passes written for the control surface; print coverage, the ledger and the holidays."""
    demo.write_demo(folder, quick=True)
    result = run.spray(load_job(folder / "control_surface.toml"))
    outcome = result.outcome
    for bay in outcome.bays:
        print(f"{bay.name}: {bay.covered_m2:.3f} of {bay.required_m2:.3f} m² covered")
    liquid = outcome.liquid
    for name in ("sprayed", "direct", "settled", "escaped"):
        print(f"{name}: {1e6 * getattr(liquid, f'{name}_m3'):.2f} mL")
    for patch in outcome.holidays[:3]:
        print(f"uncovered: {1e4 * patch.area_m2:.0f} cm² in {patch.bay}: {patch.reason}")
    print(f"covered {percent_text(outcome.coverage.fraction)}, asked {percent_text(outcome.coverage.target)}")
    return result


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
