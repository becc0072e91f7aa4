"""Which wand goes in where, how far, and what stops it? Each wand through each opening that leads outside."""

import sys
from pathlib import Path

from bayreach import demo, run
from bayreach.job import load_job
from bayreach.outcome import ReachRecord


def main(folder: Path) -> tuple[ReachRecord, ...]:
    """Try the wing box's wands; print depth, bays reached, and the limit that stops each."""
    rows = run.reach(load_job(demo.write_demo(folder, quick=True)))
    for row in rows:
        bays = ", ".join(row.bays_reached) or "no bay"
        print(f"{row.wand} through {row.opening}: {1e3 * row.depth_m:.0f} mm in, reaches {bays}")
        print(f"  limit: {row.limit}")
    return rows


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
