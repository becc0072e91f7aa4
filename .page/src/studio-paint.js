// Values of sides to colours, by the program's own tables; sides that look outside are left out.
import { shown } from "./units.js";

const DIFFERENCE = [
  ["#b35806", "A has more, by over a quarter"],
  ["#d9d9d9", "alike"],
  ["#542788", "now has more, by over a quarter"],
];
const LIT = [
  ["#d9d9d9", "not sprayed"],
  ["#004488", "sprayed by this pull"],
];

function rgb(text) {
  return [1, 3, 5].map((at) => parseInt(text.slice(at, at + 2), 16));
}

function bandOf(film, edges) {
  if (!(film > 0)) return 0;
  let band = 1;
  while (band < edges.length && film >= edges[band]) band += 1;
  return band;
}

function rowsOf(layer, site, system = "metric") {
  if (layer === "status") return site.statuses;
  if (layer === "lit") return LIT;
  if (layer === "difference") return DIFFERENCE;
  const { edges, colours } = site.film;
  return colours.map((colour, k) => {
    if (k === 0) return [colour, "no film"];
    const to = k < edges.length ? `to ${shown("film_um", edges[k], system)}` : `over ${shown("film_um", edges[k - 1], system)}`;
    return [colour, `${to} ${site.film.is}`];
  });
}

/** Write four bytes a side. */
export function coloursOf(bytes, layer, site, answer, kept) {
  const { bay } = site.arrays;
  const film = answer?.arrays.film;
  const rows = rowsOf(layer, site);
  const table = layer === "status" ? rows.map((row) => rgb(row[1])) : rows.map((row) => rgb(row[0]));
  const neutral = rgb(site.neutral);
  const old = kept?.arrays.film;
  const least = site.film.edges[1];
  const rowOf = {
    film: (s) => bandOf(film[s], site.film.edges),
    status: (s) => answer.arrays.status[s],
    lit: (s) => answer.arrays.lit[s],
    difference: (s) => differenceRow(old ? old[s] : 0, film[s], least),
  }[layer];
  for (let s = 0; s < bay.length; s += 1) {
    const colour = film ? table[rowOf(s)] : neutral;
    const at = 4 * s;
    [bytes[at], bytes[at + 1], bytes[at + 2]] = colour;
    bytes[at + 3] = bay[s] < 0 ? 0 : 255;
  }
}

/** Films count as alike within a quarter of the larger, or of the required film. */
function differenceRow(before, now, least) {
  const room = Math.max(0.25 * Math.max(before, now), least);
  if (now - before > room) return 2;
  return before - now > room ? 0 : 1;
}

/** The mark between too little and enough. */
function markOf(site, system) {
  const mark = document.createElement("li");
  mark.className = "required";
  mark.textContent = `required: ${shown("film_um", site.film.required, system)} ${site.film.is}`;
  return mark;
}

export function legendOf(list, layer, site, system) {
  const rows = rowsOf(layer, site, system).map((row) => (layer === "status" ? [row[1], row[0]] : row));
  const items = rows.flatMap(([colour, text], k) => {
    const item = document.createElement("li");
    const space = "http://www.w3.org/2000/svg";
    const swatch = document.createElementNS(space, "svg");
    const square = document.createElementNS(space, "rect");
    square.setAttribute("width", "100%");
    square.setAttribute("height", "100%");
    square.setAttribute("fill", colour);
    swatch.append(square);
    item.append(swatch, text);
    return layer === "film" && k > 0 && site.film.edges[k - 1] === site.film.required ? [markOf(site, system), item] : [item];
  });
  list.replaceChildren(...items);
}
