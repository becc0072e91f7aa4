"""How much surface is in there? Bays and openings of a wing box, from its mesh alone."""

import sys
from pathlib import Path

from bayreach import demo, run
from bayreach.outcome import Measurement


def main(folder: Path) -> Measurement:
    """Write the demo, measure its wing box, print bays and the openings that lead outside."""
    demo.write_demo(folder, quick=True)
    measured = run.measure(folder / "meshes" / "wing_box.obj", "mm")
    for bay in measured.bays:
        print(f"{bay.name}: {bay.area_m2:.3f} m² of sides, {1e3 * bay.volume_m3:.1f} L of air")
    for opening in measured.openings:
        if "outside" in opening.links:
            print(f"{opening.name}: {1e3 * opening.diameter_m:.0f} mm, into {' and '.join(opening.links)}")
    return measured


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
