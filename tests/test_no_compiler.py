"""Without the compiler the same loops run as plain Python: the same ways in, reach and film."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ASKED = """
import math
from dataclasses import asdict
from punched import bays_of, opening, plate
from small_job import small_job
from bayreach.arrays import OUTSIDE
from bayreach.insertion import gets_into, paths_through, space_of
from bayreach.job import load_job
from bayreach.mesh import joined
from bayreach.run import reach, spray
from bayreach.tips import Tip
from bayreach.wands import Wand, arc_piece, straight_piece

def answers(folder):
    tip, along = Tip(pattern="radial", spread=0.7, flow=3e-6), (1.0, 0, 0)
    told = {}
    sheet = plate(center=(0, 0, 0), normal=along, holes=[(0, 0, 0.02)], thickness=0.002)
    web = plate(center=(0.06, 0, 0), normal=along, part="web")
    hole = opening("hole", (0, 0, 0), along, 0.02, (OUTSIDE, 0), thickness=0.002)
    space = space_of(joined([sheet, web]), bays_of(joined([sheet, web]), ["bay"], [hole]))
    pieces = (arc_piece(0.02, 1.5), straight_piece(0.01))
    rod = Wand(name="rod", shape="straight", length=0.2, diameter=0.006, tip=tip)
    hook = Wand(name="hook", shape="bent", length=0.06, diameter=0.006, tip=tip, pieces=pieces, clearance=0.0)
    for wand, aims in ((rod, None), (hook, [along])):
        paths, refusals = paths_through(space, wand, hole, aims=aims)
        told[wand.name] = [[path.deepest, *path.tip_path.points[0]] for path in paths]
        told[wand.name + " refused"] = [refusal.reason for refusal in refusals]
    gate = plate(center=(0.08, 0.08, 0), normal=(0, 1.0, 0), holes=[(0, 0, 0.0062)], size=(0.04, 0.04))
    mesh = joined([plate(center=(0, 0, 0), normal=along, holes=[(0, 0, 0.0062)]), gate])
    ways = [
        opening("port", (0, 0, 0), along, 0.0062, (OUTSIDE, 0)),
        opening("gate", (0.08, 0.08, 0), (0, 1.0, 0), 0.0062, (0, 1)),
    ]
    corner = space_of(mesh, bays_of(mesh, ["near", "far"], ways))
    for more in (1e-4, -1e-4):
        length = 0.08 * math.pi / 2 + more
        hose = Wand(name="hose", shape="flexible", length=length, diameter=0.006, bend_radius=0.0799, tip=tip)
        told[f"hose {more}"] = gets_into(corner, hose, ways[0], 1)
    path = small_job(folder)
    # Nothing lies along the axes, so that no sample is just on the edge of the pattern.
    text = path.read_text().replace('edge = "80 mm"', 'edge = "300 mm"')
    path.write_text(text.replace("aim = [1, 0, 0]", "aim = [1, 0.031, 0.017]"))
    job = load_job(path)
    told["reach"] = [asdict(row) for row in reach(job)]
    sprayed = spray(job)
    told["film"] = (1e6 * sprayed.sides.direct).tolist()
    told["engine"] = sprayed.outcome.inputs.settings["ray_engine"]
    return told
"""


WITHOUT = (
    """
import sys
sys.modules["numba"] = None  # as if it were not installed
"""
    + ASKED
    + """
import json
from pathlib import Path
from bayreach.rays.compiling import COMPILER
assert COMPILER is None
print(json.dumps(answers(Path(sys.argv[1]))))
"""
)


def alike(one, two):
    """Return whether two answers say the same, their numbers to a millionth."""
    if isinstance(one, dict):
        return one.keys() == two.keys() and all(alike(one[key], two[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(two) and all(map(alike, one, two))
    if isinstance(one, float) and isinstance(two, float):
        return one == pytest.approx(two, rel=1e-6, abs=1e-9)
    return one == two


def test_ways_in_reach_and_film_are_the_same_without_the_compiler_and_the_engine_is_named(tmp_path):
    names: dict = {}
    exec(ASKED, names)
    (tmp_path / "with").mkdir()
    told = json.loads(json.dumps(names["answers"](tmp_path / "with")))
    place = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    run = subprocess.run(
        [sys.executable, "-c", WITHOUT, str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": place},
    )
    without = json.loads(run.stdout)
    assert "packets" in told.pop("engine")
    assert "packets" not in without.pop("engine")
    film, other = told.pop("film"), without.pop("film")
    # Film in um: the kernel sums in single precision, its stand-in in double.
    assert other == pytest.approx(film, rel=1e-4, abs=1e-4 * max(film))
    for name in told:
        assert alike(told[name], without[name]), (name, told[name], without[name])
    # Something was asked: rods and a hook get in, and a hose a tenth of a millimetre too short does not.
    assert min(len(told["rod"]), len(told["hook"]), len(told["reach"])) > 0
    assert told["hose 0.0001"] > told["hose -0.0001"]
