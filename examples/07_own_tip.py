"""My tip sprays unevenly: what does it wet? A pattern measured on a bench in place of the ideal ring."""

import shutil
import sys
from pathlib import Path

from bayreach import demo, run
from bayreach.job import load_job
from bayreach.outcome import Result
from bayreach.units import percent_text

TABLE = Path(__file__).with_name("measured_tip.csv")


def main(folder: Path) -> tuple[Result, Result]:
    """Spray the tail boom with the ideal tip and with the measured one; print what each covers."""
    demo.write_demo(folder, quick=True)
    shutil.copy(TABLE, folder)
    text = (folder / "tail_boom.toml").read_text(encoding="utf-8")
    own = text.replace('pattern = "radial"\nspread = "40 deg"', f'pattern = "table"\ntable = "{TABLE.name}"')
    (folder / "own_tip.toml").write_text(own, encoding="utf-8")
    ideal, measured = (run.spray(load_job(folder / name)) for name in ("tail_boom.toml", "own_tip.toml"))
    for name, result in (("ideal ring", ideal), ("measured tip", measured)):
        print(f"{name}: {percent_text(result.outcome.coverage.fraction)} covered")
    return ideal, measured


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "example_out"))
