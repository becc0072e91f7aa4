// The wand as a tube of its true sizes: solid where it can be, red and see-through where it cannot.
import { BackSide, BufferAttribute, BufferGeometry, DoubleSide, Line, LineBasicMaterial, Mesh, MeshBasicMaterial, SphereGeometry, Vector3 } from "three";

const ROUND = 12;
const LOOK = { in: { tube: "#ffffff", line: 0x000000 }, out: { tube: "#b00020", line: 0x8b0000 } };

/** Corners and shades of a tube through `points` with one radius a stretch. */
function tube(points, radii, more = 0) {
  const corners = [];
  const shades = [];
  const light = new Vector3(0.3, -0.5, 0.8).normalize();
  for (let k = 0; k + 1 < points.length; k += 1) {
    const start = new Vector3(...points[k]);
    const end = new Vector3(...points[k + 1]);
    const along = end.clone().sub(start);
    if (along.length() < 1e-9) continue;
    along.normalize();
    const one = new Vector3(Math.abs(along.x) < 0.9 ? 1 : 0, Math.abs(along.x) < 0.9 ? 0 : 1, 0).cross(along).normalize();
    const two = along.clone().cross(one);
    const ring = [];
    for (let j = 0; j <= ROUND; j += 1) {
      const turn = (2 * Math.PI * j) / ROUND;
      ring.push(one.clone().multiplyScalar(Math.cos(turn)).addScaledVector(two, Math.sin(turn)));
    }
    for (let j = 0; j < ROUND; j += 1) {
      const [a, b] = [ring[j], ring[j + 1]];
      const at = (middle, out) => middle.clone().addScaledVector(out, radii[k] + more);
      const quad = [at(start, a), at(start, b), at(end, b), at(start, a), at(end, b), at(end, a)];
      const shade = 0.65 + 0.35 * a.clone().add(b).normalize().dot(light);
      for (const corner of quad) {
        corners.push(corner.x, corner.y, corner.z);
        shades.push(shade, shade, shade);
      }
    }
  }
  return { corners: new Float32Array(corners), shades: new Float32Array(shades) };
}

export class DrawnWand {
  constructor(stage) {
    this.stage = stage;
    const tubeOf = (opacity, depthTest) =>
      new Mesh(
        new BufferGeometry(),
        new MeshBasicMaterial({ vertexColors: true, transparent: true, opacity, depthTest, depthWrite: false, side: DoubleSide }),
      );
    this.solid = tubeOf(1, true);
    this.ghost = tubeOf(0.35, false);
    // Its rim, a hair wider than the wand, tells it from any colour behind.
    this.rim = new Mesh(new BufferGeometry(), new MeshBasicMaterial({ color: 0x000000, side: BackSide }));
    this.line = new Line(new BufferGeometry(), new LineBasicMaterial({ depthTest: false }));
    const mark = new MeshBasicMaterial({ color: 0xb00020, depthTest: false, transparent: true, opacity: 0.75 });
    this.clash = new Mesh(new SphereGeometry(0.012 * stage.radius, 16, 12), mark);
    [this.rim, this.ghost, this.solid, this.line, this.clash].forEach((item, order) => {
      item.renderOrder = 10 + order;
      item.frustumCulled = false;
      item.visible = false;
      stage.scene.add(item);
    });
  }

  /** Draw an answer's wand; a wand that cannot be there is see-through, with a ball where it meets something. */
  show(answer) {
    const wand = answer?.wand;
    for (const item of [this.rim, this.ghost, this.solid, this.line]) item.visible = Boolean(wand);
    this.clash.visible = Boolean(wand) && !answer.fits;
    if (!wand) return;
    const look = answer.fits ? LOOK.in : LOOK.out;
    const { corners, shades } = tube(wand.points, wand.radii);
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(corners, 3));
    geometry.setAttribute("color", new BufferAttribute(shades, 3));
    this.solid.geometry.dispose();
    for (const item of [this.solid, this.ghost]) {
      item.geometry = geometry;
      item.material.color.set(look.tube);
    }
    this.solid.visible = answer.fits;
    this.rim.visible = answer.fits;
    this.rim.geometry.dispose();
    this.rim.geometry = new BufferGeometry();
    const rim = tube(wand.points, wand.radii, 0.0016 * this.stage.radius);
    this.rim.geometry.setAttribute("position", new BufferAttribute(rim.corners, 3));
    this.line.geometry.dispose();
    this.line.geometry = new BufferGeometry();
    this.line.geometry.setAttribute("position", new BufferAttribute(new Float32Array(wand.points.flat()), 3));
    this.line.material.color.set(look.line);
    if (!answer.fits) this.clash.position.set(...answer.place);
  }
}
