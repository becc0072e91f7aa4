"""STEP files written by hand: solids of flat faces and a round rod, one product each."""

from collections.abc import Sequence

import numpy as np

MILLIMETRE = "(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.))"
METRE = "(LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT($,.METRE.))"

HEAD = """ISO-10303-21;
HEADER;
FILE_DESCRIPTION((''),'2;1');
FILE_NAME('','',(''),(''),'','','');
FILE_SCHEMA(('AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }'));
ENDSEC;
DATA;
"""
BOX_SIDES = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]

Place = Sequence[float]


class StepFile:
    """A file in the making: each record is numbered as it is added."""

    def __init__(self, unit: str = MILLIMETRE) -> None:
        self.records: list[str] = []
        context = self.add("APPLICATION_CONTEXT('automotive_design')")
        self.of_product = self.add(f"PRODUCT_CONTEXT('',#{context},'mechanical')")
        self.of_design = self.add(f"PRODUCT_DEFINITION_CONTEXT('part definition',#{context},'design')")
        length = self.add(unit)
        angle = self.add("(NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.))")
        solid = self.add("(NAMED_UNIT(*) SI_UNIT($,.STERADIAN.) SOLID_ANGLE_UNIT())")
        near = self.add(f"UNCERTAINTY_MEASURE_WITH_UNIT(LENGTH_MEASURE(1.E-05),#{length},'','')")
        self.context = self.add(
            f"(GEOMETRIC_REPRESENTATION_CONTEXT(3) GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT((#{near})) "
            f"GLOBAL_UNIT_ASSIGNED_CONTEXT((#{length},#{angle},#{solid})) REPRESENTATION_CONTEXT('',''))"
        )

    def add(self, text: str) -> int:
        """Add a record and return its number."""
        self.records.append(text)
        return len(self.records)

    def text(self) -> str:
        """Return the whole file."""
        rows = "".join(f"#{number}={record};\n" for number, record in enumerate(self.records, 1))
        return f"{HEAD}{rows}ENDSEC;\nEND-ISO-10303-21;\n"

    def add_box(self, name: str, size: Place, at: Place = (0, 0, 0)) -> None:
        """Add a product that is a box from `at`."""
        grid = [(x, y, z) for z in (0, 1) for y in (0, 1) for x in (0, 1)]
        points = np.array(at) + np.array(grid) * np.array(size)
        numbers = [self._triple("CARTESIAN_POINT", point) for point in points]
        faces = []
        for side in BOX_SIDES:
            a, b, c = points[list(side[:3])]
            loop = self.add(f"POLY_LOOP('',({self._listed(numbers[k] for k in side)}))")
            bound = self.add(f"FACE_OUTER_BOUND('',#{loop},.T.)")
            plane = self.add(f"PLANE('',#{self._axes(a, np.cross(b - a, c - a), b - a)})")
            faces.append(self.add(f"FACE_SURFACE('',(#{bound}),#{plane},.T.)"))
        shell = self.add(f"CLOSED_SHELL('',({self._listed(faces)}))")
        self._add_product(name, self.add(f"FACETED_BREP('',#{shell})"), "FACETED_BREP")

    def add_rod(self, name: str, radius: float, height: float) -> None:
        """Add a product that is a round rod along z from the origin."""
        low, high = (
            self.add(f"VERTEX_POINT('',#{self._triple('CARTESIAN_POINT', (radius, 0, z))})")
            for z in (0, height)
        )
        rims = [
            self.add(f"EDGE_CURVE('',#{end},#{end},#{self._round('CIRCLE', z, radius)},.T.)")
            for end, z in ((low, 0.0), (high, height))
        ]
        along = self.add(f"VECTOR('',#{self._triple('DIRECTION', (0, 0, 1))},1.)")
        line = self.add(f"LINE('',#{self._triple('CARTESIAN_POINT', (radius, 0, 0))},#{along})")
        seam = self.add(f"EDGE_CURVE('',#{low},#{high},#{line},.T.)")
        wall = self._round("CYLINDRICAL_SURFACE", 0.0, radius)
        ends = [self.add(f"PLANE('',#{self._axes((0, 0, z), (0, 0, 1), (1, 0, 0))})") for z in (0, height)]
        bottom, top = rims
        faces = [
            self._face([(bottom, "T"), (seam, "T"), (top, "F"), (seam, "F")], wall, "T"),
            self._face([(bottom, "F")], ends[0], "F"),
            self._face([(top, "T")], ends[1], "T"),
        ]
        shell = self.add(f"CLOSED_SHELL('',({self._listed(faces)}))")
        self._add_product(name, self.add(f"MANIFOLD_SOLID_BREP('{name}',#{shell})"), "ADVANCED_BREP")

    def _face(self, edges: Sequence[tuple[int, str]], surface: int, same: str) -> int:
        turned = [self.add(f"ORIENTED_EDGE('',*,*,#{edge},.{sense}.)") for edge, sense in edges]
        loop = self.add(f"EDGE_LOOP('',({self._listed(turned)}))")
        bound = self.add(f"FACE_OUTER_BOUND('',#{loop},.T.)")
        return self.add(f"ADVANCED_FACE('',(#{bound}),#{surface},.{same}.)")

    def _round(self, kind: str, z: float, radius: float) -> int:
        return self.add(f"{kind}('',#{self._axes((0, 0, z), (0, 0, 1), (1, 0, 0))},{radius:.9E})")

    def _listed(self, numbers) -> str:
        return ",".join(f"#{number}" for number in numbers)

    def _triple(self, kind: str, values: Place) -> int:
        return self.add(f"{kind}('',({','.join(f'{value:.9E}' for value in values)}))")

    def _axes(self, at: Place, up: Place, along: Place) -> int:
        up, along = (np.array(way, dtype=float) / np.linalg.norm(way) for way in (up, along))
        origin = self._triple("CARTESIAN_POINT", at)
        ways = self._triple("DIRECTION", up), self._triple("DIRECTION", along)
        return self.add(f"AXIS2_PLACEMENT_3D('',#{origin},#{ways[0]},#{ways[1]})")

    def _add_product(self, name: str, item: int, kind: str) -> None:
        product = self.add(f"PRODUCT('{name}','{name}','',(#{self.of_product}))")
        formation = self.add(f"PRODUCT_DEFINITION_FORMATION('','',#{product})")
        design = self.add(f"PRODUCT_DEFINITION('design','',#{formation},#{self.of_design})")
        shape = self.add(f"PRODUCT_DEFINITION_SHAPE('','',#{design})")
        origin = self._axes((0, 0, 0), (0, 0, 1), (1, 0, 0))
        shown = self.add(f"{kind}_SHAPE_REPRESENTATION('{name}',(#{origin},#{item}),#{self.context})")
        self.add(f"SHAPE_DEFINITION_REPRESENTATION(#{shape},#{shown})")
