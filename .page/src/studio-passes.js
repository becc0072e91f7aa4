// The list of pulls that are saved together.
import { shown } from "./units.js";

export function alike(one, other) {
  return JSON.stringify(ordered(one)) === JSON.stringify(ordered(other));
}

function ordered(state) {
  const figures = Object.fromEntries(Object.entries(state.figures).sort());
  return Object.keys(state).sort().map((key) => (key === "figures" ? figures : state[key]));
}

function button(text, label, action) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.setAttribute("aria-label", `${text} ${label}`);
  made.addEventListener("click", action);
  return made;
}

/** Rows with what each pull is; `take` puts one on the screen, `drop` takes it off the list. */
export function showPasses(list, passes, current, system, { take, drop }) {
  const rows = passes.map((state, at) => {
    const item = document.createElement("li");
    const changed = Object.keys(state.figures).length || state.pattern || state.shape || state.pieces ? " (changed)" : "";
    const depths = `${shown("length", state.from, system)} to ${shown("length", state.to, system)}`;
    const times = state.count > 1 ? `, ${state.count} times` : "";
    item.textContent = `${state.wand}${changed} through ${state.opening}, ${depths}${times} `;
    if (alike(state, current)) item.className = "on";
    item.append(button("Show", `pull ${at + 1}`, () => take(state)), " ", button("Remove", `pull ${at + 1}`, () => drop(at)));
    return item;
  });
  list.replaceChildren(...rows);
}
