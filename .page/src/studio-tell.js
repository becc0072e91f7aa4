// Answers in words and tables.
import { placeShown, shown } from "./units.js";

export function liquidShown(value, system) {
  const [factor, unit] = system === "inch" ? [1 / 29.5735295625e-6, "fl oz"] : [1e6, "mL"];
  const isNothing = Math.abs(value) < 1e-12; // a millionth of a mL: rounding alone
  return `${isNothing ? 0 : Number((value * factor).toPrecision(3))} ${unit}`;
}

/** Areas as the commands print them. */
export function areaShown(value, system, digits = 4) {
  return system === "inch" ? `${(value / 0.3048 ** 2).toFixed(digits - 1)} ft²` : `${value.toFixed(digits)} m²`;
}

export function row(cells, tag) {
  const line = document.createElement("tr");
  for (const text of cells) {
    const cell = document.createElement(tag);
    cell.textContent = text;
    line.append(cell);
  }
  return line;
}

const LOOKS = { coarse: " (first estimate)", refined: " (second estimate)", full: "" };

/** One sentence on whether it goes in, and what it wets. */
export function verdict(answer, middle, system) {
  if (!answer.fits) {
    const place = answer.place.map((value, k) => value + middle[k]);
    const isTold = system === "metric" && answer.reason.includes(" short of ");
    const short = isTold || answer.short_m === null ? "" : `${shown("length", answer.short_m, system)} short, `;
    return `Does not go in: ${answer.reason}; ${short}at ${placeShown(place, system)}.`;
  }
  const what = answer.pulls === undefined ? "Goes in. This pull alone" : `All ${answer.pulls} pulls`;
  const need = areaShown(answer.required_m2, system);
  return (
    `${what}: ${answer.covered_text} of ${need} covered, ${liquidShown(answer.liquid_m3, system)} in ` +
    `${answer.pull_seconds.toFixed(1)} s, sprays ${areaShown(answer.lit_m2, system)} directly` +
    LOOKS[answer.look]
  );
}

export function tellAreas(table, names, bays, system) {
  table.tHead.replaceChildren(row(["bay", ...names], "th"));
  const plain = (value) => areaShown(value, system).split(" ")[0];
  const lines = bays.map((bay) => row([bay.name, ...names.map((name) => plain(bay[name]))], "td"));
  table.tBodies[0].replaceChildren(...lines);
}

/** What `reach` says of a wand through an opening, in its own words and digits. */
export function reachSentence(told, system) {
  if (!told.fits) return told.searched ? `no way in was found: ${told.limit} (${told.searched})` : `does not fit: ${told.limit}`;
  const tilt = told.max_tilt_deg === null ? "" : `, tilts up to ${told.max_tilt_deg.toFixed(1)} deg`;
  const depth = system === "inch" ? `${(told.depth_m / 0.0254).toFixed(2)} in` : `${(1e3 * told.depth_m).toFixed(0)} mm`;
  const bays = told.bays_reached.join(", ") || "no bay";
  const aims = Number(told.aims_sr.toPrecision(3));
  return `fits along aims of ${aims} sr, ${depth} deep${tilt}, reaches ${bays}, sees ${areaShown(told.visible_m2, system, 3)}, ${areaShown(told.in_pattern_m2, system, 3)} within its spray; limit: ${told.limit}`;
}

const COMPARED = [
  ["covered", "covered_m2", areaShown],
  ["sprayed directly", "lit_m2", areaShown],
  ["liquid", "liquid_m3", liquidShown],
  ["gone outside", "escaped_m3", liquidShown],
  ["time", "pull_seconds", (value) => `${value.toFixed(1)} s`],
];

/** A beside now: what each is, and what it does, with the difference. */
export function tellCompared(table, kept, now, system) {
  table.tHead.replaceChildren();
  table.tBodies[0].replaceChildren();
  if (!kept) return;
  table.tHead.replaceChildren(row(["figure", "A", "now", "now - A"], "th"));
  const lines = [row(["wand", kept.name, now.name, ""], "td"), row(["opening", kept.opening, now.opening, ""], "td")];
  for (const [title, key, text] of COMPARED) {
    const [one, two] = [kept.answer, now.answer].map((answer) => (answer?.fits ? answer[key] : null));
    const both = one !== null && two !== null;
    const difference = both ? `${two < one ? "-" : "+"}${text(Math.abs(two - one), system)}` : "";
    const said = (value) => (value === null ? "does not go in" : text(value, system));
    lines.push(row([title, said(one), said(two), difference], "td"));
  }
  table.tBodies[0].replaceChildren(...lines);
}
