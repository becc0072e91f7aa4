"""The demo's job files and the folder they are written to."""

from pathlib import Path

from bayreach.demo._control_surface import CONTROL_SURFACE, control_surface
from bayreach.demo._tail_boom import TAIL_BOOM, tail_boom
from bayreach.demo._wing_box import WING_BOX, WingBoxSize, wing_box
from bayreach.files import write_whole
from bayreach.meshfile import write_mesh

SHORT_BOX = WingBoxSize(bays=3, port_bay=1)
"""The wing box of a quick demo: its inner half."""

_HEAD = """\
# An invented structure: no real type, no approved data. Lengths without a unit are in the mesh's mm.
title = "{title}"
mesh = "meshes/{mesh}.obj"
units = "mm"
down = [0, 0, -1]

[target]
film_min = "5 um"
film_max = "60 um"
film_is = "dry"
coverage = 0.9

[liquid]
density = "870 kg/m^3"
viscosity = "12 mPa s"
surface_tension = "28 mN/m"
volume_solids = 0.5
"""

_LONG_RADIAL = """
[[wand]]
name = "long radial"
shape = "straight"
length = "{length}"
diameter = "6 mm"
tip_diameter = "8 mm"
pull_speed = "60 mm/s"

[wand.tip]
pattern = "radial"
spread = "40 deg"
flow = "150 mL/min"
throw = "0.5 m"
droplet = "60 um"
droplet_spread = 1.8
"""

_SIDE_TIP = """
[[wand]]
name = "side tip"
shape = "straight"
length = "{length}"
diameter = "{diameter}"
pull_speed = "60 mm/s"

[wand.tip]
pattern = "side"
spread = "70 deg"
angle = "90 deg"
flow = "80 mL/min"
throw = "0.4 m"
droplet = "60 um"
droplet_spread = 1.8
"""

_FORWARD = """
[[wand]]
name = "forward"
shape = "straight"
length = "{length}"
diameter = "{diameter}"
pull_speed = "60 mm/s"

[wand.tip]
pattern = "forward"
spread = "90 deg"
flow = "100 mL/min"
throw = "0.5 m"
droplet = "60 um"
droplet_spread = 1.8
"""

_OPENING = """
[[opening]]
name = "{name}"
center = [{center}]
diameter = "{diameter:g} mm"
"""

_PASS = """
[[pass]]
wand = "{wand}"
opening = "{opening}"
aim = [{aim}]
from = "{deepest}"
to = "{shallowest}"
clock = "{clock}"
count = {count}
"""

_FILM = """
[film]
mechanisms = ["direct", "settled"]
error = 0.02
"""


_HINGE = """
[[hinge]]
name = "hinge line"
point = [0, 0, 0]
axis = [{axis}]
"""


def _numbers(*values: float) -> str:
    return ", ".join(f"{value:.6g}" for value in values)


def wing_box_job(size: WingBoxSize = WING_BOX, *, longest: float = 1.6) -> str:
    """Return the demo wing box's job file: two openings, three wands, two passes, drilling allowed.

    `longest` is the length of the long wand in m.
    """
    fore = size.lightening[0] * size.chord
    slope = (fore * (size.taper - 1.0)) / size.span + size.sweep
    x = (size.port_bay - 0.5) * size.rib_pitch
    scale = float(size.scale(x))
    y = scale * size.port_chord * size.chord + size.sweep * x
    z = scale * float(size.profile(size.port_chord, upper=False))
    return "".join(
        [
            _HEAD.format(title="Outboard wing box, demo", mesh="wing_box"),
            _LONG_RADIAL.format(length=f"{longest:g} m"),
            _SIDE_TIP.format(length="0.6 m", diameter="6 mm"),
            _FORWARD.format(length=f"{min(0.9, longest):g} m", diameter="6 mm"),
            _OPENING.format(
                name="root port", center=_numbers(0.0, fore, 0.0), diameter=2.0 * size.root_port_radius
            ),
            _OPENING.format(
                name="inspection port", center=_numbers(x, y, z), diameter=2.0 * size.port_radius
            ),
            _PASS.format(
                wand="long radial",
                opening="root port",
                aim=_numbers(1.0, slope, 0.0),
                deepest=f"{longest - 0.1:g} m",
                shallowest="0.05 m",
                clock="0 deg",
                count=1,
            ),
            _PASS.format(
                wand="side tip",
                opening="inspection port",
                aim=_numbers(0.0, 0.0, 1.0),
                deepest="0.12 m",
                shallowest="0.03 m",
                clock="90 deg",
                count=1,
            ),
            _FILM,
            _WING_BOX_END.format(
                oxygen=_box((355.0, 30.0, -120.0), (695.0, 75.0, -60.0)),
                harness=_box((700.0, 200.0, 50.0), (1400.0, 240.0, 110.0)),
            ),
        ]
    )


_WING_BOX_END = """
[[keep_out]]            # neither drilled nor wet
name = "oxygen line"
no = "both"
box = {oxygen}

[[keep_out]]
name = "harness"
no = "drill"
box = {harness}

[[surface]]
part = "skin_lower"
priority = 3
uptake = "1 um"

[supply]
tank = "9 L"

[drilling]
allowed = true
surface = "skin_lower"
skin = "1.2 mm"
"""


def _box(low: tuple[float, float, float], high: tuple[float, float, float]) -> str:
    return f"[[{_numbers(*low)}], [{_numbers(*high)}]]"


def tail_boom_job() -> str:
    """Return the demo tail boom's job file: in through the end whose cap is off; eight drains."""
    size = TAIL_BOOM
    end = float(size.scale(size.length))
    middle = size.rise * size.length
    return "".join(
        [
            _HEAD.format(title="Tail boom, cap removed, demo", mesh="tail_boom"),
            _LONG_RADIAL.format(length="1.8 m"),
            _FORWARD.format(length="0.9 m", diameter="6 mm"),
            _OPENING.format(
                name="cap end",
                center=_numbers(size.length, 0.0, middle),
                diameter=round(2.0 * end * size.half_width, 1),
            ),
            _OPENING.format(
                name="cable hole",
                center=_numbers(0.0, 0.0, 0.45 * size.half_height),
                diameter=2.0 * size.cable_hole_radius,
            ),
            *(
                _OPENING.format(
                    name=f"drain {bay + 1}",
                    center=_numbers(x, 0.0, size.rise * x - float(size.scale(x)) * size.half_height),
                    diameter=2.0 * size.drain_radius,
                )
                for bay in range(size.bays)
                for x in [bay * size.frame_pitch + size.drain_from_frame]
            ),
            _PASS.format(
                wand="long radial",
                opening="cap end",
                aim=_numbers(-1.0, 0.0, -size.rise),
                deepest="1.7 m",
                shallowest="0.05 m",
                clock="0 deg",
                count=2,
            ),
            _FILM,
            _TAIL_BOOM_END,
        ]
    )


_TAIL_BOOM_END = """
[[surface]]
part = "skin"
priority = 2

[supply]
tank = "9 L"

[drilling]
allowed = true
surface = "skin"
skin = "0.8 mm"
"""


def control_surface_job() -> str:
    """Return the demo control surface's job file: nothing may be drilled, its balance would change."""
    size = CONTROL_SURFACE
    hinges = [
        _OPENING.format(
            name=f"hinge cut-out {number}",
            center=_numbers(x, size.sweep * x - float(size.scale(x)) * size.nose, 0.0),
            diameter=40.0,
        )
        for number, x in enumerate(size.hinge_stations, start=1)
    ]
    passes = [
        _PASS.format(
            wand="side tip",
            opening=f"hinge cut-out {number}",
            aim=_numbers(0.0, 1.0, 0.0),
            deepest="0.2 m",
            shallowest="0.02 m",
            clock=clock,
            count=1,
        )
        for number in range(1, len(hinges) + 1)
        for clock in ("90 deg", "270 deg")
    ]
    return "".join(
        [
            _HEAD.format(title="Control surface, demo", mesh="control_surface"),
            _SIDE_TIP.format(length="0.35 m", diameter="4 mm"),
            _FORWARD.format(length="0.35 m", diameter="4 mm"),
            *hinges,
            *passes,
            _FILM,
            _HINGE.format(axis=_numbers(1.0, size.sweep, 0.0)),
            '\n[supply]\ntank = "2 L"\n\n[drilling]\nallowed = false\n',
        ]
    )


def write_demo(folder: Path, *, quick: bool = False) -> Path:
    """Write three job files and their meshes (`meshes/*.obj`, mm) into `folder`.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    quick : bool
        Coarser meshes, not refined any further, and a wing box of three bays with a shorter long wand: for a
        first look.

    Returns
    -------
    Path
        The wing box's job file.

    Raises
    ------
    StoreError
        When a file cannot be written.
    """
    edges = (35.0, 40.0, 24.0) if quick else (20.0, 18.0, 12.0)
    size, longest = (SHORT_BOX, 0.6) if quick else (WING_BOX, 1.6)
    for name, mesh, job in (
        ("wing_box", wing_box(edges[0], size), wing_box_job(size, longest=longest)),
        ("tail_boom", tail_boom(edges[1]), tail_boom_job()),
        ("control_surface", control_surface(edges[2]), control_surface_job()),
    ):
        write_mesh(folder / "meshes" / f"{name}.obj", mesh, units="mm")
        text = job.replace("error = 0.02\n", 'error = 0.05\nedge = "60 mm"\n') if quick else job
        write_whole(folder / f"{name}.toml", text.encode())
    return folder / "wing_box.toml"
