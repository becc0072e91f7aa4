// Wires the page: every control of the markup to the drawing, and what is drawn back to the markup.
import { BufferAttribute, BufferGeometry, LineBasicMaterial, LineLoop, LineSegments } from "three";
import { listen } from "./gestures.js";
import { Labels } from "./labels.js";
import { middlesOf, unpacked } from "./pack.js";
import { bandOf, layerOf, paintSides } from "./paint.js";
import { bandAt, tipAt, WandLine, wettingTimes } from "./play.js";
import { Stage } from "./stage.js";
import { placeShown, rewrite, shown } from "./units.js";

const byId = (id) => document.getElementById(id);
const page = JSON.parse(byId("case").textContent);
const words = page.words;
const state = { layer: "film", system: "metric", until: Infinity, measuring: false, taps: [], touched: null };

function said(key, gaps = {}) {
  return words[key].replace(/\{(\w+)\}/g, (_, name) => String(gaps[name] ?? ""));
}

function hasWebGl() {
  try {
    return Boolean(document.createElement("canvas").getContext("webgl2"));
  } catch {
    return false;
  }
}

function start() {
  const data = unpacked(byId("pack").textContent.trim(), page.arrays, page.numbers);
  const about = (point) => point.map((value, k) => value - data.middle[k]);
  const stage = new Stage(byId("view"), data, page.down);
  const view = { data, stage, about, middles: middlesOf(data.corners), hiddenParts: new Set(), hiddenBays: new Set() };
  view.passes = page.passes.map((one) => ({ ...one, path: one.path.map(about) }));
  view.when = wettingTimes(data, view.middles, view.passes);
  view.wand = new WandLine(stage, Math.max(0.012 * stage.radius, 1e-4));
  view.isHidden = hider(view);
  addBoxes(view);
  view.labels = new Labels(byId("labels"), byId("leaders"), stage, marksOf(view));
  view.outline = triangleOf(view);
  document.documentElement.classList.add("drawn");
  wireLayers(view);
  wireSection(view);
  wireParts(view);
  wireLabels(view);
  wireTouch(view);
  wirePasses(view);
  wirePlaces(view);
  wireUnits(view);
  wirePrint(view);
  repaint(view);
  new ResizeObserver(() => stage.draw()).observe(byId("view"));
  const head = document.querySelector("header");
  const fit = () => document.documentElement.style.setProperty("--head", `${head.offsetHeight}px`);
  new ResizeObserver(fit).observe(head);
  fit();
  stage.home();
  stage.drawNow();
  window.bayreachPage = { state, view, pick: (x, y) => touch(view, x, y), ready: performance.now() };
}

function hider(view) {
  const { data, hiddenParts, hiddenBays } = view;
  return (side) => {
    if (hiddenParts.has(data.part[side >> 1])) return true;
    const bay = data.bay[side];
    return bay < 0 ? byId("see-through").checked : hiddenBays.has(bay);
  };
}

function repaint(view) {
  const { data, stage } = view;
  view.layer = layerOf(state.layer, data, page.look);
  if (state.until < Infinity && data.built.length && (state.layer === "film" || state.layer === "status")) {
    buildUp(view);
  } else if (state.until < Infinity) {
    const empty = state.layer === "film" ? 0 : state.layer === "status" ? page.look.dry : state.layer === "pass" ? 0 : null;
    if (empty !== null) {
      for (let s = 0; s < view.when.length; s += 1) {
        if (data.bay[s] >= 0 && view.when[s] > state.until) view.layer.row[s] = empty;
      }
    }
  }
  paintSides(stage.bytes, view.layer, state.layer, data, page.look, view.isHidden);
  stage.repaint();
}

/** Film and status as far as the passes played have brought them. */
function buildUp(view) {
  const { data, layer } = view;
  const { dry, low, covered, keepOut } = page.look;
  const wanted = bandOf(page.look.scale.required_um, page.look.scale.edges_um);
  for (let s = 0; s < layer.row.length; s += 1) {
    if (data.bay[s] < 0) continue;
    const band = bandAt(data, view.middles, view.passes, state.until, s);
    if (state.layer === "film") layer.row[s] = band;
    else if (data.status[s] !== keepOut) layer.row[s] = band === 0 ? dry : band < wanted ? low : covered;
  }
}

function wireLayers(view) {
  for (const input of document.querySelectorAll("input[name=layer]")) {
    input.addEventListener("change", () => {
      state.layer = input.value;
      for (const legend of document.querySelectorAll(".legend")) legend.hidden = legend.dataset.layer !== state.layer;
      repaint(view);
    });
  }
  byId("see-through").addEventListener("change", () => repaint(view));
  byId("whole").addEventListener("click", () => view.stage.home());
}

function wireSection(view) {
  const inputs = ["x", "y", "z"].map((axis) => [byId(`cut-${axis}`), byId(`flip-${axis}`)]);
  const cut = () => {
    const from = [0, 0, 0];
    const to = [1, 1, 1];
    inputs.forEach(([slider, flip], k) => {
      const share = Number(slider.value) / Number(slider.max);
      if (flip.checked) from[k] = 1 - share;
      else to[k] = share;
      const place = view.data.middle[k] + (2 * (flip.checked ? from[k] : to[k]) - 1) * view.data.half[k];
      byId(`cut-${"xyz"[k]}-at`).textContent = shown("length", place, state.system);
    });
    view.stage.section(from, to);
  };
  for (const [slider, flip] of inputs) {
    slider.addEventListener("input", cut);
    flip.addEventListener("change", cut);
  }
  view.cut = cut;
  cut();
}

function wireParts(view) {
  for (const [name, hidden] of [
    ["part", view.hiddenParts],
    ["bay", view.hiddenBays],
  ]) {
    for (const input of document.querySelectorAll(`input[name=${name}]`)) {
      input.addEventListener("change", () => {
        if (input.checked) hidden.delete(Number(input.value));
        else hidden.add(Number(input.value));
        repaint(view);
      });
    }
  }
}

function marksOf(view) {
  return page.marks.map((mark) => ({ ...mark, point: view.about(mark.center) }));
}

function wireLabels(view) {
  for (const input of document.querySelectorAll("input[name=mark]")) {
    const show = () => {
      if (input.value === "keep_out" && view.boxes) view.boxes.visible = input.checked;
      view.labels.show(input.value, input.checked);
    };
    input.addEventListener("change", show);
    show();
  }
}

function addBoxes(view) {
  const ends = [];
  for (const { box } of page.boxes) {
    const [least, most] = box.map(view.about);
    const corner = (bits) => least.map((value, k) => (bits & (1 << k) ? most[k] : value));
    for (let bits = 0; bits < 8; bits += 1) {
      for (let k = 0; k < 3; k += 1) if (!(bits & (1 << k))) ends.push(...corner(bits), ...corner(bits | (1 << k)));
    }
  }
  if (!ends.length) return;
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(ends), 3));
  const lines = new LineSegments(geometry, new LineBasicMaterial({ color: 0x7a0000 }));
  lines.frustumCulled = false;
  lines.visible = false;
  view.boxes = lines;
  view.stage.scene.add(lines);
}

function triangleOf(view) {
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(new Float32Array(9), 3));
  const outline = new LineLoop(geometry, new LineBasicMaterial({ color: 0xd4006a, depthTest: false }));
  outline.frustumCulled = false;
  outline.visible = false;
  outline.renderOrder = 1;
  view.stage.scene.add(outline);
  return outline;
}

function wireTouch(view) {
  const keys = { 1: "film", 2: "status", 3: "pass", 4: "check", 5: "chance" };
  const onKey = (key) => {
    const input = document.querySelector(`input[name=layer][value=${keys[key] ?? "none"}]`);
    input?.click();
    return Boolean(input);
  };
  listen(byId("view"), view.stage, (x, y) => touch(view, x, y), onKey);
  byId("measure").addEventListener("click", () => {
    state.measuring = !state.measuring;
    state.taps = [];
    byId("measure").setAttribute("aria-pressed", String(state.measuring));
    byId("measured").textContent = state.measuring ? said("measure_first") : "";
  });
}

function touch(view, x, y) {
  const hit = view.stage.pick(x, y);
  if (state.measuring) return measure(view, hit);
  state.touched = hit;
  showTouched(view);
  return hit;
}

function measure(view, hit) {
  if (!hit) return null;
  state.taps = state.taps.length === 2 ? [hit.point] : [...state.taps, hit.point];
  showMeasured();
  return hit;
}

function showMeasured() {
  if (!state.taps.length) return;
  if (state.taps.length === 1) {
    byId("measured").textContent = said("measure_second");
    return;
  }
  const steps = state.taps[1].map((value, k) => value - state.taps[0][k]);
  const length = Math.hypot(...steps);
  byId("measured").textContent = said("measured", {
    length: shown("length", length, state.system),
    steps: placeShown(steps, state.system),
  });
  byId("measured").dataset.metres = String(length);
}

function showTouched(view) {
  const { data } = view;
  const hit = state.touched;
  view.outline.visible = Boolean(hit);
  byId("touched-none").hidden = Boolean(hit);
  byId("touched").hidden = !hit;
  if (!hit) return view.stage.draw();
  const { side, point } = hit;
  const face = side >> 1;
  view.outline.geometry.attributes.position.array.set(data.corners.subarray(9 * face, 9 * face + 9));
  view.outline.geometry.attributes.position.needsUpdate = true;
  const place = point.map((value, k) => value + data.middle[k]);
  const film = data.film[side];
  const direct = (film * data.share[side]) / 255;
  const rows = {
    film: shown("film_um", film, state.system),
    direct: shown("film_um", direct, state.system),
    settled: shown("film_um", film - direct, state.system),
    status: data.bay[side] < 0 ? said("outside") : said(`status_${page.statusNames[data.status[side]]}`),
    why: why(data, side),
    part: page.partNames[data.part[face]] ?? "",
    bay: page.bayNames[data.bay[side]] ?? said("outside"),
    pass: passText(data.firstPass[side]),
    passes: passesText(data, side),
    check: said(`check_${data.check[side] + 1}`),
    chance: chanceText(data, side),
    place: placeShown(place, state.system),
    near: nearestOpening(place),
  };
  for (const [name, text] of Object.entries(rows)) byId(`touched-${name}`).textContent = text;
  Object.assign(byId("touched").dataset, { side: String(side), film, direct, status: page.statusNames[data.status[side]] });
  view.stage.draw();
  return hit;
}

function why(data, side) {
  if (data.bay[side] < 0) return "";
  const reason = page.reasonNames[data.reason[side]];
  if (reason) return reason;
  return said(`why_${page.statusNames[data.status[side]]}`);
}

function passText(place) {
  const one = page.passes[place];
  return one ? said("pass_text", { number: place + 1, wand: one.wand, opening: one.opening }) : said("no_pass");
}

function chanceText(data, side) {
  if (!data.chance) return said("not_known");
  return data.chance[side] < 0 ? said("chance_0") : `${data.chance[side]} %`;
}

function passesText(data, side) {
  if (!data.wetBy.length) return said("not_known");
  const numbers = page.passes.map((_, k) => k).filter((k) => (data.wetBy[k >> 3]?.[side] >> (k & 7)) & 1);
  return numbers.length ? numbers.map((k) => k + 1).join(", ") : said("no_pass");
}

function nearestOpening(place) {
  let best = null;
  for (const one of page.openings) {
    const steps = place.map((value, k) => value - one.center[k]);
    const length = Math.hypot(...steps);
    if (!best || length < best.length) best = { length, steps, name: one.name };
  }
  if (!best) return said("no_opening");
  return said("near_text", {
    length: shown("length", best.length, state.system),
    name: best.name,
    steps: placeShown(best.steps, state.system),
  });
}

function wirePasses(view) {
  const slider = byId("progress");
  const total = view.passes.length;
  if (!total) return;
  let frame = 0;
  let last = 0;
  const showAt = (time) => {
    const place = Math.min(Math.floor(time), total - 1);
    const share = Math.min(time - place, 1);
    const one = view.passes[place];
    state.until = time >= total ? Infinity : time;
    const tip = tipAt(one.path, share);
    if (tip) view.wand.show(tip, view.about(one.entry), one.axis, one.mark);
    byId("progress-text").textContent = said("progress_text", {
      number: place + 1,
      total,
      wand: one.wand,
      opening: one.opening,
      seconds: shown("seconds", one.seconds * share, state.system),
    });
    for (const row of document.querySelectorAll("tr[data-pass]")) {
      if (Number(row.dataset.pass) === place) row.setAttribute("aria-current", "step");
      else row.removeAttribute("aria-current");
    }
    repaint(view);
  };
  const stop = () => {
    cancelAnimationFrame(frame);
    frame = 0;
    byId("play").textContent = said("play");
  };
  const tick = (now) => {
    const one = view.passes[Math.min(Math.floor(Number(slider.value)), total - 1)];
    // A pull plays ten times faster than it is sprayed, and in six seconds at most.
    const pace = Math.max(10 / Math.max(one.seconds, 0.1), 1 / 6);
    const time = Math.min(Number(slider.value) + (Math.max(now - last, 0) / 1000) * pace, total);
    last = Math.max(now, last);
    slider.value = String(time);
    showAt(time);
    if (time >= total) return stop();
    frame = requestAnimationFrame(tick);
  };
  slider.addEventListener("input", () => showAt(Number(slider.value)));
  byId("play").addEventListener("click", () => {
    if (frame) return stop();
    if (Number(slider.value) >= total) slider.value = "0";
    byId("play").textContent = said("pause");
    last = performance.now();
    frame = requestAnimationFrame(tick);
  });
  const step = (by) => {
    stop();
    slider.value = String(Math.min(Math.max(Math.floor(Number(slider.value) + 1e-6) + by, 0), total));
    showAt(Number(slider.value));
  };
  byId("step-back").addEventListener("click", () => step(-1));
  byId("step-on").addEventListener("click", () => step(1));
  for (const button of document.querySelectorAll("button[data-pass]")) {
    button.addEventListener("click", () => {
      stop();
      slider.value = button.dataset.pass;
      showAt(Number(slider.value));
      if (!inView(view, tipAt(view.passes[Number(button.dataset.pass)].path, 0))) view.stage.home();
    });
  }
  byId("all-done").addEventListener("click", () => {
    stop();
    slider.value = String(total);
    state.until = Infinity;
    view.wand.hide();
    byId("progress-text").textContent = "";
    repaint(view);
  });
}

function inView(view, point) {
  if (!point) return true;
  const [x, y] = view.stage.pixelOf(point);
  return x > 0 && y > 0 && x < view.stage.canvas.clientWidth && y < view.stage.canvas.clientHeight;
}

function wirePlaces(view) {
  for (const button of document.querySelectorAll("button[data-place]")) {
    button.addEventListener("click", () => {
      const { center, direction, span } = page.places[Number(button.dataset.place)];
      view.stage.look(direction, view.about(center), span);
      view.stage.drawNow();
      byId("view").focus({ preventScroll: true });
      byId("view").scrollIntoView({ block: "nearest" });
    });
  }
}

function wireUnits(view) {
  for (const input of document.querySelectorAll("input[name=system]")) {
    input.addEventListener("change", () => {
      state.system = input.value;
      rewrite(document, state.system);
      view?.cut();
      if (view) showTouched(view);
      showMeasured();
    });
  }
}

function wirePrint(view) {
  window.addEventListener("beforeprint", () => {
    byId("printed").src = view.stage.picture();
    byId("printed").hidden = false;
    document.documentElement.classList.add("printing");
  });
  window.addEventListener("afterprint", () => document.documentElement.classList.remove("printing"));
}

if (hasWebGl()) {
  try {
    start();
  } catch (error) {
    document.documentElement.classList.remove("drawn");
    byId("no-drawing").hidden = false;
    wireUnits(null);
    console.warn(error);
  }
} else {
  byId("no-drawing").hidden = false;
  wireUnits(null);
}
