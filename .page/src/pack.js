// Bytes to arrays: the other half of the Python module that packs them.
import { inflateSync } from "fflate";

const TYPES = { 1: Uint8Array, 2: Uint16Array, 4: Uint32Array };

function bytesOf(text) {
  const letters = atob(text);
  const bytes = new Uint8Array(letters.length);
  for (let k = 0; k < letters.length; k += 1) bytes[k] = letters.charCodeAt(k);
  return bytes;
}

/** Numbers with a sign from byte planes; `sum` undoes differences. */
function column(bytes, { start, length, width }, sum) {
  const values = new Int32Array(length);
  for (let byte = 0; byte < width; byte += 1) {
    const plane = start + byte * length;
    const shift = 8 * byte;
    for (let k = 0; k < length; k += 1) values[k] |= bytes[plane + k] << shift;
  }
  let total = 0;
  for (let k = 0; k < length; k += 1) {
    const folded = values[k] >>> 0;
    const value = folded & 1 ? -((folded + 1) / 2) : folded / 2;
    total = sum ? total + value : value;
    values[k] = total;
  }
  return values;
}

/** Front and back values, side by side: side 2 f is the front of face f. */
function sidesOf(bytes, arrays, name, sum) {
  const front = column(bytes, arrays[`${name}_front`], sum);
  const back = column(bytes, arrays[`${name}_back`], sum);
  const both = new Int32Array(2 * front.length);
  for (let k = 0; k < front.length; k += 1) {
    both[2 * k] = front[k];
    both[2 * k + 1] = back[k];
  }
  return both;
}

/** The mesh about the middle of its box, in metres, and one value a side. */
export function unpacked(text, arrays, numbers) {
  const bytes = inflateSync(bytesOf(text), { out: new Uint8Array(numbers.bytes) });
  const { least, size, faces, points } = numbers;
  const place = new Float32Array(3 * points);
  ["x", "y", "z"].forEach((axis, k) => {
    const whole = column(bytes, arrays[axis], true);
    for (let p = 0; p < points; p += 1) place[3 * p + k] = (whole[p] / 65535 - 0.5) * size[k];
  });
  const a = column(bytes, arrays.a, true);
  const b = column(bytes, arrays.b, false);
  const c = column(bytes, arrays.c, false);
  const corners = new Float32Array(9 * faces);
  for (let f = 0; f < faces; f += 1) {
    const three = [a[f], a[f] + b[f], a[f] + c[f]];
    for (let k = 0; k < 3; k += 1) {
      const from = 3 * three[k];
      corners[9 * f + 3 * k] = place[from];
      corners[9 * f + 3 * k + 1] = place[from + 1];
      corners[9 * f + 3 * k + 2] = place[from + 2];
    }
  }
  const steps = sidesOf(bytes, arrays, "film", true);
  const share = sidesOf(bytes, arrays, "direct", false);
  const film = new Float64Array(steps.length);
  for (let s = 0; s < steps.length; s += 1) {
    film[s] = steps[s] ? numbers.film_least_um * numbers.film_ratio ** (steps[s] - 1) : 0;
  }
  return {
    faces,
    middle: least.map((value, k) => value + size[k] / 2),
    half: size.map((value) => value / 2),
    corners,
    edges: edgePoints(bytes, arrays, place),
    edgeFaces: column(bytes, arrays.edge_face, true),
    part: column(bytes, arrays.part, true),
    film,
    share,
    status: sidesOf(bytes, arrays, "status", false),
    bay: sidesOf(bytes, arrays, "bay", false),
    firstPass: sidesOf(bytes, arrays, "pass", false),
    check: sidesOf(bytes, arrays, "check", false),
    reason: sidesOf(bytes, arrays, "reason", false),
    chance: arrays.chance_front ? sidesOf(bytes, arrays, "chance", false) : null,
    wetBy: wetBy(bytes, arrays),
    built: built(bytes, arrays),
  };
}

/** Eight passes a column: bit k of column c is pass 8 c + k. */
function wetBy(bytes, arrays) {
  const columns = [];
  for (let k = 0; arrays[`wet${k}_front`]; k += 1) columns.push(sidesOf(bytes, arrays, `wet${k}`, false));
  return columns;
}

/** Band of the film scale that each side has reached after each pass. */
function built(bytes, arrays) {
  const bands = [];
  for (let k = 0; arrays[`built${k}_front`]; k += 1) {
    const more = sidesOf(bytes, arrays, `built${k}`, false);
    const before = bands[k - 1];
    bands.push(Uint8Array.from(more, (value, s) => value + (before ? before[s] : 0)));
  }
  return bands;
}

function edgePoints(bytes, arrays, place) {
  const from = column(bytes, arrays.edge_a, true);
  const to = column(bytes, arrays.edge_b, false);
  const ends = new Float32Array(6 * from.length);
  for (let e = 0; e < from.length; e += 1) {
    ends.set(place.subarray(3 * from[e], 3 * from[e] + 3), 6 * e);
    const other = 3 * (from[e] + to[e]);
    ends.set(place.subarray(other, other + 3), 6 * e + 3);
  }
  return ends;
}

/** Middle of each face (3 n). */
export function middlesOf(corners) {
  const middles = new Float32Array(corners.length / 3);
  for (let f = 0; f < corners.length / 9; f += 1) {
    for (let k = 0; k < 3; k += 1) {
      const at = 9 * f + k;
      middles[3 * f + k] = (corners[at] + corners[at + 3] + corners[at + 6]) / 3;
    }
  }
  return middles;
}
