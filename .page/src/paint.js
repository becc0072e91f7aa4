// Values to colours. The tables come from the program, so that page, picture and window agree.

// The fourth byte of a side's colour is a code for the shader: hidden, or which hatch.
export const HIDDEN = 0;
const HATCH_CODES = [255, 192, 128, 64];

function rgb(text) {
  return [1, 3, 5].map((at) => parseInt(text.slice(at, at + 2), 16));
}

/** Colour and hatch of every row of a layer's legend, and the row of every side. */
export function layerOf(name, data, look) {
  const { film, status, firstPass, check, bay } = data;
  const rows = rowsOf(name, look);
  const row = new Uint16Array(film.length);
  const edges = look.scale.edges_um;
  const outside = rows.length - 1;
  for (let s = 0; s < film.length; s += 1) {
    if (bay[s] < 0) row[s] = outside;
    else if (name === "film") row[s] = bandOf(film[s], edges);
    else if (name === "status") row[s] = status[s];
    else if (name === "pass") row[s] = firstPass[s] + 1;
    else if (name === "check") row[s] = check[s] + 1;
    else row[s] = chanceRow(data.chance[s], look.chanceEdges);
  }
  return { rows, row };
}

function chanceRow(chance, edges) {
  return chance < 0 ? 0 : 1 + edges.filter((edge) => chance >= edge).length;
}

export function bandOf(film, edges) {
  if (!(film > 0)) return 0;
  let band = 1;
  while (band < edges.length && film >= edges[band]) band += 1;
  return band;
}

/** Rows of the legend: { colour, hatch, text }; the last is what lies outside every bay. */
export function rowsOf(name, look) {
  const rows = look.layers[name].map(([colour, hatch, text]) => ({ colour, hatch, text }));
  rows.push({ colour: look.neutral, hatch: 0, text: look.outside });
  return rows;
}

/** Write the colours (4 bytes a side) of a layer; hatches of dry and keep-out sides stay in the film layer. */
export function paintSides(target, layer, name, data, look, isHidden) {
  const table = layer.rows.map(({ colour }) => rgb(colour));
  const codes = layer.rows.map(({ hatch }) => HATCH_CODES[hatch]);
  const statusCodes = look.layers.status.map(([, hatch]) => HATCH_CODES[hatch]);
  for (let s = 0; s < layer.row.length; s += 1) {
    const row = layer.row[s];
    const at = 4 * s;
    const [red, green, blue] = table[row];
    target[at] = red;
    target[at + 1] = green;
    target[at + 2] = blue;
    let code = codes[row];
    if (name === "film" && data.bay[s] >= 0 && look.hatched[data.status[s]]) code = statusCodes[data.status[s]];
    target[at + 3] = isHidden(s) ? HIDDEN : code;
  }
}
