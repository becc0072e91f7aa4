// The pieces of a bent wand as rows: straight lengths, and bends by angle, radius and roll.
import { look } from "./studio-fields.js";

const COLUMNS = [
  ["straight", "length", "length"],
  ["arc", "bend", "angle"],
  ["radius", "radius", "length"],
  ["roll", "roll", "angle"],
];

function cell(tag, ...content) {
  const made = document.createElement(tag);
  made.append(...content);
  return made;
}

/** Fill the table with a row a piece; `onChange` gets the whole new chain. */
export function showChain(table, pieces, system, onChange) {
  const heads = COLUMNS.map(([, title, kind]) => cell("th", `${title}, ${look(kind, system).unit}`));
  const line = document.createElement("tr");
  line.append(cell("th", "piece"), ...heads, cell("td", ""));
  table.tHead.replaceChildren(line);
  const rows = pieces.map((piece, at) => {
    const row = document.createElement("tr");
    row.append(cell("td", `${at + 1} ${"arc" in piece ? "bend" : "straight"}`));
    for (const [name, title, kind] of COLUMNS) row.append(cell("td", ...inputOf(pieces, at, name, title, kind, system, onChange)));
    const drop = cell("button", "×");
    drop.type = "button";
    drop.setAttribute("aria-label", `Remove piece ${at + 1}`);
    drop.addEventListener("click", () => onChange(pieces.filter((_, k) => k !== at)));
    row.append(cell("td", drop));
    return row;
  });
  table.tBodies[0].replaceChildren(...rows);
}

function inputOf(pieces, at, name, title, kind, system, onChange) {
  const piece = pieces[at];
  if (!(name in piece)) return [];
  const { factor, digits } = look(kind, system);
  const input = document.createElement("input");
  input.type = "number";
  input.step = "any";
  input.id = `piece-${at}-${name}`;
  input.setAttribute("aria-label", `${title} of piece ${at + 1}`);
  input.value = String(Number((piece[name] * factor).toFixed(digits)));
  input.addEventListener("change", () => {
    const typed = Number(input.value) / factor;
    if (input.value === "" || !Number.isFinite(typed) || (name !== "roll" && typed <= 0)) {
      input.value = String(Number((piece[name] * factor).toFixed(digits)));
      return;
    }
    onChange(pieces.map((one, k) => (k === at ? { ...one, [name]: typed } : one)));
  });
  return [input];
}
