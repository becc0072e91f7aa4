"""A job file becomes frozen objects in SI units, or one sentence with file, table, key and mend."""

import hashlib
import json
import math
import re
from dataclasses import FrozenInstanceError
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from bayreach.errors import JobError
from bayreach.job import Job, job_schema, load_job
from bayreach.tips import orifice_flow

# The example of the job file's description, key for key.
WHOLE = """
title = "Outboard bay, demo"
mesh = "meshes/box.stl"
units = "mm"
down = [0, 0, -2]

[target]
film_min = "8 um"
film_max = "25 um"
film_is = "dry"
coverage = 0.95

[liquid]
density = "870 kg/m^3"
viscosity = "12 mPa s"
surface_tension = "28 mN/m"
volume_solids = 0.5

[[wand]]
name = "long radial"
shape = "straight"
length = "1.5 m"
diameter = "6 mm"
pull_speed = "50 mm/s"
lag = "0 s"

[wand.tip]
pattern = "radial"
spread = "40 deg"
flow = "200 mL/min"
throw = "0.4 m"
droplet = "60 um"
droplet_spread = 1.8

[[opening]]
name = "root port"
center = [12, 200, 60]
diameter = "80 mm"

[[pass]]
wand = "long radial"
opening = "root port"
aim = [1, 0, 0]
from = "1.2 m"
to = "0.1 m"
clock = "90 deg"
count = 2

[film]
mechanisms = ["direct", "settled"]
error = 0.02

[[keep_out]]
name = "oxygen line"
no = "both"
box = [[0, 0, 0], [100, 40, 40]]

[[surface]]
part = "skin_lower"
priority = 3
uptake = "2 um"

[supply]
tank = "9 L"

[drilling]
allowed = true
surface = "skin_lower"
skin = "1.2 mm"
"""

SMALL = 'mesh = "meshes/box.stl"\nunits = "mm"\n[target]\nfilm_min = "8 um"\n'

WAND = """
[[wand]]
name = "w"
length = "1 m"
diameter = "6 mm"
pull_speed = "50 mm/s"
tip = { pattern = "forward", spread = "40 deg", flow = "200 mL/min" }
"""


def written(folder: Path, text: str | bytes) -> Path:
    (folder / "meshes").mkdir(exist_ok=True)
    (folder / "meshes" / "box.stl").write_bytes(b"")
    path = folder / "job.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def loaded(folder: Path, text: str | bytes) -> Job:
    return load_job(written(folder, text))


def test_every_key_of_the_example_arrives_in_si_units(tmp_path: Path) -> None:
    job = loaded(tmp_path, WHOLE)
    assert (job.title, job.units, job.mesh_path.name) == ("Outboard bay, demo", "mm", "box.stl")
    assert job.down.tolist() == [0.0, 0.0, -1.0]  # made a unit vector
    assert (job.target.film_min, job.target.film_max, job.target.coverage) == (8e-6, 25e-6, 0.95)
    assert (job.liquid.density, job.liquid.viscosity, job.liquid.volume_solids) == (870.0, 12e-3, 0.5)
    wand = job.wand_named("long radial")
    assert (wand.length, wand.diameter, wand.pull_speed, wand.lag) == (1.5, 6e-3, 0.05, 0.0)
    assert wand.tip.flow == pytest.approx(200e-6 / 60, rel=1e-12)
    assert (wand.tip.throw, wand.tip.droplet, wand.tip.spread) == (
        0.4,
        60e-6,
        pytest.approx(math.radians(40)),
    )
    # Coordinates are in mesh units: 12, 200, 60 mm.
    assert job.openings[0].center.tolist() == pytest.approx([0.012, 0.2, 0.06])
    assert job.openings[0].diameter == 0.08
    first = job.passes[0]
    assert (first.deepest, first.shallowest, first.count) == (1.2, 0.1, 2)
    assert first.clock == pytest.approx(math.pi / 2)
    assert job.keep_outs[0].box is not None
    assert job.keep_outs[0].box.tolist() == [[0, 0, 0], [0.1, 0.04, 0.04]]
    assert (job.surfaces[0].priority, job.surfaces[0].uptake) == (3.0, 2e-6)
    assert (job.supply.tank, job.drilling.part, job.drilling.skin) == (9e-3, "skin_lower", 1.2e-3)
    assert job.assumed == ()


def test_the_hash_is_of_the_bytes_of_the_file(tmp_path: Path) -> None:
    assert loaded(tmp_path, WHOLE).sha256 == hashlib.sha256(WHOLE.encode()).hexdigest()


def test_a_job_cannot_be_changed(tmp_path: Path) -> None:
    job = loaded(tmp_path, SMALL)
    with pytest.raises(FrozenInstanceError):
        job.units = "in"
    with pytest.raises(ValueError, match="read-only"):
        job.down[0] = 1.0


def test_what_the_file_leaves_out_is_filled_and_said(tmp_path: Path) -> None:
    job = loaded(tmp_path, SMALL)
    assert job.target.film_max == math.inf
    assert not job.drilling.allowed
    assert "density, viscosity, surface tension, volume solids taken from the generic class" in job.assumed[0]


def test_a_preset_fills_the_limits_and_explicit_values_win(tmp_path: Path) -> None:
    job = loaded(tmp_path, SMALL.replace('film_min = "8 um"', 'preset = "wd_thin"\nfilm_max = "20 um"'))
    assert (job.target.film_min, job.target.film_max) == (3e-6, 20e-6)


def test_a_preset_of_dry_film_is_thicker_in_wet_terms(tmp_path: Path) -> None:
    text = SMALL.replace('film_min = "8 um"', 'preset = "wd_thin"\nfilm_is = "wet"')
    # wd_thin: 3 to 13 um dry; with volume solids 0.25 wet film is four times as thick.
    job = loaded(tmp_path, text + "[liquid]\nvolume_solids = 0.25\n")
    assert job.target.film_min == pytest.approx(12e-6)
    assert job.target.film_max == pytest.approx(52e-6)


def test_flow_goes_with_the_square_root_of_pressure(tmp_path: Path) -> None:
    tip = 'flow = "200 mL/min", flow_at = "2 bar"'
    text = SMALL + WAND.replace('flow = "200 mL/min"', tip) + '[supply]\npressure = "8 bar"\n'
    # Four times the pressure, twice the flow.
    assert loaded(tmp_path, text).wands[0].tip.flow == pytest.approx(400e-6 / 60)


ORIFICE = 'orifice = "0.5 mm", discharge_coefficient = 0.61'
DENSE = SMALL + '[liquid]\ndensity = "850 kg/m^3"\n'


def with_tip(keys: str) -> str:
    return DENSE + WAND.replace('flow = "200 mL/min"', keys)


def test_flow_follows_from_pressure_orifice_and_discharge_coefficient(tmp_path: Path) -> None:
    # Check values N1: 0.61 x pi/4 x (0.5 mm)^2 x sqrt(2 x 6 bar / 850 kg/m3) = 4.500294 mL/s.
    own = loaded(tmp_path, with_tip(f'{ORIFICE}, pressure = "6 bar"')).wands[0].tip.flow
    assert own == pytest.approx(4.500294e-6, rel=1e-6)
    supplied = with_tip(ORIFICE) + '[supply]\npressure = "6 bar"\n'
    assert loaded(tmp_path, supplied).wands[0].tip.flow == pytest.approx(own, rel=1e-12)
    # N3: twice the pressure, sqrt(2) times the flow; the tip's own pressure wins over the supply's.
    doubled = with_tip(f'{ORIFICE}, pressure = "12 bar"') + '[supply]\npressure = "6 bar"\n'
    assert loaded(tmp_path, doubled).wands[0].tip.flow == pytest.approx(2**0.5 * own, rel=1e-12)


def test_the_law_of_the_orifice_is_that_of_fire_streams() -> None:
    # N2: 29.83 Cd d^2 sqrt(psi) US gallons a minute for water of 62.4 lb/ft3; 0.5 in, 60 psi, 0.97: 56.03.
    flow = orifice_flow(0.5 * 0.0254, 0.97, 60 * 6894.757293168, 62.4 * 0.45359237 / 0.3048**3)
    assert flow * 60 / 3.785411784e-3 == pytest.approx(56.03, rel=2e-4)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        (f'flow = "200 mL/min", {ORIFICE}', "either flow or orifice with discharge_coefficient, not both"),
        (
            'orifice = "0.5 mm", pressure = "6 bar"',
            "needs the key flow, or the keys orifice and discharge_co",
        ),
        ('droplet = "60 um"', "needs the key flow, or the keys orifice and discharge_coefficient"),
        (ORIFICE, r'key "tip.orifice" needs tip.pressure, or \[supply\] pressure'),
        (f'{ORIFICE}, flow_at = "2 bar"', "the key flow_at belongs to flow"),
        ('flow = "200 mL/min", pressure = "2 bar"', "the key pressure needs flow_at"),
        ('orifice = "0.5 mm", discharge_coefficient = 1.2, pressure = "1 bar"', "discharge_coefficient"),
    ],
)
def test_a_flow_told_twice_or_not_at_all_is_refused(tmp_path: Path, keys: str, words: str) -> None:
    with pytest.raises(JobError, match=words):
        loaded(tmp_path, with_tip(keys))


def test_a_bent_wand_is_as_long_as_its_pieces(tmp_path: Path) -> None:
    pieces = '[{ straight = "0.3 m" }, { arc = "90 deg", radius = "40 mm" }, { straight = "50 mm" }]'
    text = SMALL + WAND.replace('length = "1 m"', f'shape = "bent"\npieces = {pieces}')
    # 300 + pi / 2 * 40 + 50 mm
    assert loaded(tmp_path, text).wands[0].length == pytest.approx(0.35 + math.pi * 0.02)


def test_a_list_of_fasteners_is_read_in_mesh_units_and_a_bad_one_named(tmp_path: Path) -> None:
    (tmp_path / "rivets.csv").write_text("x,y,z,diameter\n100,0,50,3.2\n")
    found = loaded(tmp_path, SMALL + '[drilling]\nfasteners = "rivets.csv"\nsites = 90\n').drilling
    assert found.sites == 90
    assert found.fasteners is not None
    assert found.fasteners.centers.tolist() == [pytest.approx([0.1, 0.0, 0.05])]
    assert found.fasteners.diameters.tolist() == [pytest.approx(3.2e-3)]
    (tmp_path / "rivets.csv").write_text("x,y,z\n1,2,3\n")
    with pytest.raises(JobError, match=r'key "fasteners": rivets.csv: the column diameter is missing'):
        loaded(tmp_path, SMALL + '[drilling]\nfasteners = "rivets.csv"\n')


def test_drilling_may_be_bounded_by_a_plane(tmp_path: Path) -> None:
    text = SMALL + "[drilling]\nsurface = { plane = { point = [0, 0, 100], normal = [0, 0, 2] } }\n"
    plane = loaded(tmp_path, text).drilling.plane
    assert plane is not None
    assert (plane[0].tolist(), plane[1].tolist()) == ([0, 0, 0.1], [0, 0, 1])


def test_an_obstacle_is_a_box_in_metres(tmp_path: Path) -> None:
    text = SMALL + '[[obstacle]]\nname = "jack"\nbox = [[0, 0, -500], [100, 100, 0]]\n'
    (jack,) = loaded(tmp_path, text).obstacles
    assert (jack.name, jack.box.tolist()) == ("jack", [[0, 0, -0.5], [0.1, 0.1, 0]])


def test_doubt_fills_what_is_not_given(tmp_path: Path) -> None:
    job = loaded(
        tmp_path, SMALL + '[doubt]\naim = "3 deg"\nflow = 0.1\n[vary]\n"target.coverage" = [0.9, 0.95]\n'
    )
    assert (job.doubt.aim, job.doubt.flow) == (pytest.approx(math.radians(3)), 0.1)
    assert job.doubt.samples == 2048
    assert job.vary == {"target.coverage": (0.9, 0.95)}


def test_the_defaults_of_tables_and_records_agree(tmp_path: Path) -> None:
    from bayreach.job import DoubtSettings, Drilling, FilmSettings, Supply

    job = loaded(tmp_path, SMALL)
    assert (job.film, job.doubt, job.supply) == (FilmSettings(), DoubtSettings(), Supply())
    assert vars(job.drilling) == vars(Drilling())


def test_points_in_a_keep_out_are_told(tmp_path: Path) -> None:
    job = loaded(tmp_path, WHOLE)
    inside = job.is_inside(job.keep_outs[0], np.array([[0.05, 0.02, 0.02], [0.05, 0.05, 0.02]]))
    assert inside.tolist() == [True, False]


def test_a_byte_order_mark_and_carriage_returns_do_no_harm(tmp_path: Path) -> None:
    text = b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode()
    assert loaded(tmp_path, text).units == "mm"


PASS = '[[pass]]\nwand = "w"\nopening = "opening 1"\naim = [1, 0, 0]\nfrom = "0.5 m"\nto = "0.1 m"\n'
WRONG = {
    "unknown key": (
        SMALL + 'film_mim = "8 um"',
        '[target], key "film_mim" is not known. Did you mean "film_min"?',
    ),
    "unknown table": (SMALL + "[targets]\na = 1", 'key "targets" is not known. Did you mean "target"?'),
    "unknown key in a wand": (
        SMALL + WAND.replace("diameter", "diamter"),
        '[[wand]] 1 "w", key "diamter" is not known. Did you mean "diameter"?',
    ),
    "unknown key in a tip": (
        SMALL + WAND.replace("spread", "spraed"),
        '[[wand]] 1 "w", key "tip.spraed" is not known. Did you mean "spread"?',
    ),
    "missing key": (SMALL.replace('units = "mm"', ""), 'key "units" is missing'),
    "missing film_min": (
        SMALL.replace('film_min = "8 um"', ""),
        'key "film_min" is missing; write it like "8 um"',
    ),
    "unknown unit of the mesh": (SMALL.replace('"mm"', '"mn"'), "key \"units\" must be 'm', 'cm', 'mm'"),
    "no unit": (
        SMALL.replace("8 um", "8"),
        '[target], key "film_min": "8" has no unit; a length is written like',
    ),
    "number for quantity": (
        SMALL.replace('"8 um"', "8"),
        'key "film_min" must be a quantity in quotes with its unit, like "6 mm" or "1/4 in"; 8 found',
    ),
    "wrong kind of unit": (SMALL.replace("8 um", "8 s"), '"8 s" is no length'),
    "negative length": (SMALL.replace("8 um", "-8 um"), 'must be more than 0 m; "-8 um" found'),
    "text for number": (
        SMALL + 'coverage = "0.9"',
        "[target], key \"coverage\" must be a valid number; '0.9' found",
    ),
    "number beyond its limit": (SMALL + "coverage = 95", "must be less than or equal to 1; 95 found"),
    "not finite": (
        SMALL.replace("[target]", "down = [0, 0, nan]\n[target]"),
        'key "down" item 3 must be a finite number',
    ),
    "zero direction": (
        SMALL.replace("[target]", "down = [0, 0, 0]\n[target]"),
        "must be a direction, not three zeros",
    ),
    "swapped limits": (SMALL + 'film_max = "5 um"', 'key "film_min" is 8 um and film_max is 5 um'),
    "unknown preset": (SMALL + 'preset = "wd_thn"', 'there is no liquid class "wd_thn"'),
    "same wand twice": (SMALL + WAND + WAND, '[[wand]] 1 and 2 have the same name "w"'),
    "pass of no wand": (SMALL + PASS, 'there is no [[wand]] "w"; the file has none'),
    "pass through no opening": (
        SMALL
        + WAND
        + PASS.replace("opening 1", "root prt")
        + '[[opening]]\nname = "root port"\ncenter = [0, 0, 0]\n',
        'there is no [[opening]] "root prt"; the file has "root port"',
    ),
    "push instead of pull": (
        SMALL + WAND + PASS.replace("0.5 m", "0.05 m"),
        "so from (0.05 m) must be at least to (0.1 m)",
    ),
    "flag for count": (SMALL + WAND + PASS + "count = true", "must be a valid integer; True found"),
    "half a pass": (SMALL + WAND + PASS + "count = 1.5", "must be a valid integer"),
    "thin liquid": (SMALL + '[liquid]\ndensity = "8 kg/m^3"', "density 8 kg/m³ is outside 100 to 3000"),
    "bent without pieces": (SMALL + WAND + 'shape = "bent"', '[[wand]] 1 "w": shape "bent" needs pieces'),
    "table without file": (SMALL + WAND.replace("forward", "table"), "needs the key table, a CSV file"),
    "mesh outside the folder": (SMALL.replace("meshes/", "../"), "leaves the folder of the job file"),
    "mesh at an absolute path": (SMALL.replace("meshes/", "/etc/"), "leaves the folder of the job file"),
    "no such mesh": (SMALL.replace("box.stl", "bx.stl"), 'there is no file "meshes/bx.stl"'),
    "name of two lines": (
        SMALL.replace("mesh =", 'title = "a\\nb"\nmesh ='),
        'key "title" must be one line of plain text',
    ),
    "not TOML": (SMALL + "= 3", "is not TOML: Invalid statement (at line 5"),
    "not UTF-8": (SMALL.encode() + b"# \xff", "is not UTF-8 text (byte"),
    "empty": ("", 'key "mesh" is missing. (2 more keys are wrong.)'),
    "deep nesting": ("a = " + "[" * 100_000, "is not TOML that can be read"),
    "a number too long": ("a = " + "9" * 10_000, "is not TOML that can be read"),
    "too long": (b"#" * 5_000_001, "is longer than 5 MB"),
    "keep-out of nothing": (SMALL + '[[keep_out]]\nname = "k"', "needs one of the keys box and part"),
    "keep-out inside out": (
        SMALL + '[[keep_out]]\nname = "k"\nbox = [[1, 0, 0], [0, 1, 1]]',
        "a least is more than its greatest",
    ),
    "mechanism unknown": (SMALL + '[film]\nmechanisms = ["drect"]', 'Did you mean "direct"?'),
}


@pytest.mark.parametrize("defect", WRONG)
def test_a_defect_is_told_in_one_sentence_with_its_place(tmp_path: Path, defect: str) -> None:
    text, words = WRONG[defect]
    path = written(tmp_path, text)
    with pytest.raises(JobError, match=re.escape(words)) as failure:
        load_job(path)
    said = str(failure.value)
    assert said.startswith(f"{path}: ")
    assert len(said) < 500
    assert "\n" not in said


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    outside = tmp_path / "outside.stl"
    outside.write_bytes(b"")
    folder = tmp_path / "job"
    folder.mkdir()
    path = written(folder, SMALL.replace("box.stl", "link.stl"))
    (folder / "meshes" / "link.stl").symlink_to(outside)
    with pytest.raises(JobError, match="leaves the folder"):
        load_job(path)


def test_a_missing_file_is_answered_with_its_neighbour(tmp_path: Path) -> None:
    written(tmp_path, SMALL)
    with pytest.raises(JobError, match=r'there is no such file\. Did you mean "job.toml"\?'):
        load_job(tmp_path / "jb.toml")
    with pytest.raises(JobError, match="this is a folder"):
        load_job(tmp_path)


def test_the_schema_accepts_the_example_and_refuses_an_unknown_key(tmp_path: Path) -> None:
    import tomllib

    schema = job_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    checker = jsonschema.Draft202012Validator(schema)
    assert not list(checker.iter_errors(tomllib.loads(WHOLE)))
    faults = [fault.message for fault in checker.iter_errors(tomllib.loads(SMALL + "film_mim = 1"))]
    assert any("film_mim" in fault for fault in faults)
    assert json.loads(json.dumps(schema)) == schema


def test_the_schema_describes_every_key() -> None:
    schema = job_schema()
    tables = [schema, *schema["$defs"].values()]
    for table in tables:
        if table.get("type") != "object":
            continue
        for key, rule in table["properties"].items():
            assert rule.get("description"), f"{table['title']}: {key}"


def test_every_default_of_the_schema_fits_the_schema() -> None:
    schema = job_schema()
    for table in [schema, *schema["$defs"].values()]:
        for key, rule in table["properties"].items():
            if "default" in rule and "$ref" not in rule:
                checker = jsonschema.Draft202012Validator({**rule, "$defs": schema["$defs"]})
                assert not list(checker.iter_errors(rule["default"])), f"{table['title']}: {key}"
