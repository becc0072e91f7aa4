"""Which pull speed, which spray angle? A job with a [vary] table is answered once for every combination."""

import sys
from pathlib import Path

from bayreach import demo, study
from bayreach.units import percent_text

VARY = """
[vary]
"wand.long radial.pull_speed" = ["30 mm/s", "60 mm/s"]
"wand.long radial.tip.spread" = ["40 deg", "90 deg"]
"""


def main(folder: Path) -> study.Overview:
    """Vary the tail boom's long wand on two processes; print coverage and liquid of each variant."""
    demo.write_demo(folder, quick=True)
    job = folder / "tail_boom.toml"
    job.write_text(job.read_text(encoding="utf-8") + VARY, encoding="utf-8")
    overview = study.study([job], folder / "study", command="spray", workers=2)
    for row in overview.jobs:
        print(f"{row.job}: {percent_text(row.coverage)} with {1e3 * row.litres:.0f} mL")
    print(f"table and page: {folder / 'study'}")
    return overview


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
