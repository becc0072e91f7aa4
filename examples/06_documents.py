"""What does the technician get? Page, pass cards, record and hole template of a result, beside it."""

import sys
from pathlib import Path

from bayreach import demo, run, sheets, store
from bayreach.job import load_job


def main(folder: Path) -> list[Path]:
    """Spray the tail boom's written passes, store the result, write its documents; print their names."""
    demo.write_demo(folder, quick=True)
    job = load_job(folder / "tail_boom.toml")
    out = folder / "tail_boom"
    with store.reserved(out):
        store.write_result(out, run.spray(job), origin={"mesh": job.mesh_path, "job": job.path})
    written = sheets.write_sheets(out)
    for path in written:
        print(f"{path.name}: {path.stat().st_size / 1000:.0f} kB")
    return written


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
