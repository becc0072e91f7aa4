// The wand moving: passes one after another, and which sides have been wetted so far.
import { BufferAttribute, BufferGeometry, LineBasicMaterial, LineSegments, Vector3 } from "three";

const RING = 40;

/** When each side is first wetted: its pass plus the share of the pull after which the tip has been nearest. */
export function wettingTimes(data, middles, passes) {
  const when = new Float32Array(data.firstPass.length).fill(Infinity);
  for (let s = 0; s < when.length; s += 1) {
    const pass = data.firstPass[s];
    if (pass < 0 || !passes[pass]) continue;
    when[s] = pass + nearestShare(passes[pass].path, middles, s >> 1);
  }
  return when;
}

/** Share of a pull after which its tip has been nearest to a face. */
function nearestShare(path, middles, face) {
  if (path.length < 2) return 0;
  const [from, to] = [path[0], path[path.length - 1]];
  let along = 0;
  let square = 0;
  for (let k = 0; k < 3; k += 1) {
    const step = to[k] - from[k];
    along += (middles[3 * face + k] - from[k]) * step;
    square += step * step;
  }
  return square > 0 ? Math.min(Math.max(along / square, 0.001), 0.999) : 0;
}

/** Band of the film scale that a side has reached at a time, in passes: its pull is done once its tip has been nearest. */
export function bandAt(data, middles, passes, time, side) {
  const pass = Math.min(Math.floor(time), data.built.length - 1);
  const done = time - pass >= nearestShare(passes[pass].path, middles, side >> 1);
  if (done) return data.built[pass][side];
  return pass > 0 ? data.built[pass - 1][side] : 0;
}

/** Where the tip is, `share` of the way along a path. */
export function tipAt(path, share) {
  if (!path.length) return null;
  if (path.length === 1) return path[0];
  const lengths = path.slice(1).map((point, k) => Math.hypot(...point.map((value, axis) => value - path[k][axis])));
  let rest = share * lengths.reduce((sum, value) => sum + value, 0);
  for (let k = 0; k < lengths.length; k += 1) {
    if (rest <= lengths[k] || k === lengths.length - 1) {
      const part = lengths[k] > 0 ? Math.min(rest / lengths[k], 1) : 0;
      return path[k].map((value, axis) => value + part * (path[k + 1][axis] - value));
    }
    rest -= lengths[k];
  }
  return path[path.length - 1];
}

/** The wand drawn as a plain line to its opening, a ring at its tip and a tick at its clock mark. */
export class WandLine {
  constructor(stage, size) {
    this.stage = stage;
    this.size = size;
    this.geometry = new BufferGeometry();
    this.geometry.setAttribute("position", new BufferAttribute(new Float32Array(6 * (RING + 2)), 3));
    this.lines = new LineSegments(this.geometry, new LineBasicMaterial({ color: 0xd4006a, depthTest: false }));
    this.lines.frustumCulled = false;
    this.lines.renderOrder = 2;
    this.lines.visible = false;
    stage.scene.add(this.lines);
  }

  hide() {
    this.lines.visible = false;
    this.stage.draw();
  }

  show(tip, entry, aim, mark) {
    const axis = new Vector3(...aim).normalize();
    const across = new Vector3(...(mark.some((value) => value !== 0) ? mark : [0, 0, 1]));
    across.addScaledVector(axis, -across.dot(axis));
    if (across.length() < 1e-6) across.set(1, 0, 0).addScaledVector(axis, -axis.x);
    across.normalize();
    const other = new Vector3().crossVectors(axis, across);
    const place = this.geometry.attributes.position.array;
    place.set([...entry, ...tip], 0);
    const end = across.clone().multiplyScalar(1.8 * this.size).add(new Vector3(...tip));
    place.set([...tip, ...end.toArray()], 6);
    for (let k = 0; k < RING; k += 1) {
      const points = [k, k + 1].map((step) => {
        const turn = (2 * Math.PI * step) / RING;
        return new Vector3(...tip)
          .addScaledVector(across, this.size * Math.cos(turn))
          .addScaledVector(other, this.size * Math.sin(turn));
      });
      points.forEach((point, step) => point.toArray(place, 12 + 6 * k + 3 * step));
    }
    this.geometry.attributes.position.needsUpdate = true;
    this.lines.visible = true;
    this.stage.draw();
  }
}
