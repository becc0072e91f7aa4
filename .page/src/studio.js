// The studio: a wand is tried, and the server answers whether it goes in and what it wets.
import { BufferAttribute, BufferGeometry, Line, LineBasicMaterial, Mesh, MeshBasicMaterial, SphereGeometry } from "three";
import { listen } from "./gestures.js";
import { Stage } from "./stage.js";
import { Field } from "./studio-fields.js";
import { Link, unframed } from "./studio-link.js";
import { coloursOf, legendOf } from "./studio-paint.js";
import { placeShown, shown } from "./units.js";

const byId = (id) => document.getElementById(id);
const FIGURES = [
  ["length", "length", "length", 0.1, 4],
  ["diameter", "diameter", "length", 0.001, 0.05],
  ["tip_diameter", "tip diameter", "length", 0.001, 0.05],
  ["bend_radius", "bend radius", "length", 0.01, 0.5],
  ["bend_angle", "bend angle", "angle", 0.05, Math.PI],
  ["pull_speed", "pull speed", "speed", 0.005, 0.3],
  ["spread", "spread", "angle", 0.05, Math.PI],
  ["angle", "tip angle", "angle", 0.05, Math.PI],
  ["flow", "flow", "flow", 1e-7, 2e-5],
  ["throw", "throw", "length", 0.05, 3],
];
const PLACES = [
  ["aim-0", "aim x", "plain", -1, 1],
  ["aim-1", "aim y", "plain", -1, 1],
  ["aim-2", "aim z", "plain", -1, 1],
  ["from", "from depth", "length", 0, 3],
  ["to", "to depth", "length", 0, 3],
  ["clock", "clock", "angle", -Math.PI, Math.PI],
];

function liquidShown(value, system) {
  const [factor, unit] = system === "inch" ? [1 / 29.5735295625e-6, "fl oz"] : [1e6, "mL"];
  return `${Number((value * factor).toPrecision(3))} ${unit}`;
}

class Studio {
  constructor(site) {
    this.site = site;
    this.system = "metric";
    this.layer = "film";
    this.past = [];
    this.future = [];
    this.state = site.state;
    this.answer = null;
    this.kept = null;
    this.shownNumber = 0;
    const { faces, half, arrays } = site;
    this.stage = new Stage(byId("view"), { faces, half, ...arrays }, site.down);
    this.addWand();
    this.fill();
    this.wire();
    this.link = new Link(
      (table) => this.take(table),
      () => this.opened(),
      () => this.lost(),
    );
    this.refresh();
    this.repaint();
  }

  fill() {
    byId("title").textContent = this.site.title || "bayreach studio";
    const options = (id, names) => byId(id).replaceChildren(...names.map((name) => new Option(name, name)));
    options("opening", Object.keys(this.site.openings));
    options("wand", Object.keys(this.site.wands));
    options("bay", this.site.bays);
    const field = (parent, change) => ([name, ...rest]) => {
      const one = new Field(byId(parent), name, ...rest, (value, done) => change(name, value, done));
      return [name, one];
    };
    this.places = new Map(PLACES.map(field("places", (name, value, done) => this.changePlace(name, value, done))));
    this.figures = new Map(FIGURES.map(field("figures", (name, value, done) => this.changeFigure(name, value, done))));
  }

  wire() {
    const on = (id, event, action) => byId(id).addEventListener(event, action);
    byId("panel").addEventListener("submit", (event) => event.preventDefault());
    on("opening", "change", () => this.change({ opening: byId("opening").value }));
    on("wand", "change", () => this.change({ wand: byId("wand").value, figures: {}, pattern: null }));
    on("pattern", "change", () => this.change({ pattern: byId("pattern").value }));
    on("system", "change", () => {
      this.system = byId("system").value;
      this.refresh();
      this.tell();
    });
    on("undo", "click", () => this.step(this.past, this.future));
    on("redo", "click", () => this.step(this.future, this.past));
    on("best", "click", () => this.ask("best"));
    on("ask", "click", () => this.ask("changes", byId("bay").value));
    on("sweep", "click", () => this.ask("sweep", byId("vary").value));
    on("save", "click", () => this.ask("save", byId("name").value));
    on("keep", "click", () => this.keep());
    on("swap", "click", () => this.swap());
    on("picture", "click", () => this.savePicture());
    for (const input of document.querySelectorAll("input[name=layer]")) {
      input.addEventListener("change", () => {
        this.layer = input.value;
        this.repaint();
      });
    }
    this.wireDrag();
    listen(byId("view"), this.stage, (x, y) => this.aimAt(x, y, true), () => false);
    new ResizeObserver(() => this.stage.draw()).observe(byId("view"));
  }

  /** With the box ticked a drag aims the wand at what is under the pointer instead of turning the view. */
  wireDrag() {
    const canvas = byId("view");
    const drag = (event) => {
      if (!byId("dragging").checked) return;
      event.stopImmediatePropagation();
      const box = canvas.getBoundingClientRect();
      if (event.type === "pointerup" || event.buttons & 1) {
        this.aimAt(event.clientX - box.left, event.clientY - box.top, event.type === "pointerup");
      }
    };
    for (const type of ["pointerdown", "pointermove", "pointerup"]) canvas.addEventListener(type, drag);
  }

  aimAt(x, y, done) {
    if (!byId("dragging").checked) return;
    const found = this.stage.pick(x, y);
    if (!found) return;
    const { center } = this.site.openings[this.state.opening];
    const aim = found.point.map((value, k) => value - center[k]);
    const length = Math.hypot(...aim);
    if (length > 1e-6) this.change({ aim: aim.map((value) => value / length) }, done);
  }

  changePlace(name, value, done) {
    if (!name.startsWith("aim-")) this.change({ [name]: value }, done);
    else this.change({ aim: this.state.aim.map((old, k) => (k === Number(name.slice(4)) ? value : old)) }, done);
  }

  changeFigure(name, value, done) {
    this.change({ figures: { ...this.state.figures, [name]: value } }, done);
  }

  /** Take a change; a step of undo is kept when it is done. */
  change(part, done = true) {
    this.before ??= this.state;
    this.state = { ...this.state, ...part };
    if (done) {
      this.past.push(this.before);
      this.before = null;
      this.future.length = 0;
    }
    this.refresh();
    this.try();
  }

  step(from, to) {
    if (!from.length) return;
    to.push(this.state);
    this.state = from.pop();
    this.refresh();
    this.try();
  }

  refresh() {
    const { state } = this;
    const wand = this.site.wands[state.wand];
    byId("opening").value = state.opening;
    byId("wand").value = state.wand;
    byId("pattern").value = state.pattern ?? wand.pattern;
    for (const [name, field] of this.places) {
      field.set(name.startsWith("aim-") ? state.aim[Number(name.slice(4))] : state[name], this.system);
    }
    for (const [name, field] of this.figures) {
      const value = state.figures[name] ?? wand.figures[name];
      field.row.hidden = value === undefined && name !== "throw";
      if (value !== undefined) field.set(value, this.system);
    }
    byId("undo").disabled = !this.past.length;
    byId("redo").disabled = !this.future.length;
  }

  try() {
    byId("answer").dataset.state = "asked";
    this.asked = this.link.ask("try", this.state);
  }

  ask(kind, word) {
    byId("saved").textContent = "working …";
    if (this.link.ask(kind, this.state, word) === null) byId("saved").textContent = "no connection";
  }

  opened() {
    const link = byId("link");
    link.textContent = "connected";
    link.classList.remove("lost");
    this.try();
  }

  lost() {
    const link = byId("link");
    link.textContent = "The connection to the studio is lost: what is shown is old. Trying again …";
    link.classList.add("lost");
  }

  take(table) {
    if (table.kind === "film") this.takeFilm(table);
    else if (table.kind === "refused") this.takeRefusal(table);
    else if (table.kind === "best") {
      const { aim, clock, from, to } = table;
      byId("saved").textContent = `${table.tried} aims tried`;
      this.change({ aim, clock, from, to });
    } else if (table.kind === "changes") this.takeChanges(table);
    else if (table.kind === "sweep") {
      byId("plot").src = `data:image/svg+xml,${encodeURIComponent(table.svg)}`;
      byId("plot").hidden = false;
      byId("saved").textContent = "";
    } else if (table.kind === "save") byId("saved").textContent = `saved as ${table.name}; it holds this pull alone`;
  }

  takeFilm(table) {
    if (table.number !== this.asked) return;
    this.answer = table;
    this.tell();
    this.drawWand();
    this.repaint();
    byId("answer").dataset.state = table.fine ? "fine" : "coarse";
  }

  takeRefusal(table) {
    if (table.number === undefined || table.number !== this.asked) byId("saved").textContent = table.reason;
    else {
      this.answer = null;
      byId("answer").textContent = table.reason;
      byId("answer").className = "no";
      byId("answer").dataset.state = "refused";
    }
  }

  takeChanges({ changes, bay }) {
    byId("saved").textContent = "";
    const rows = changes.map((one) => {
      const item = document.createElement("li");
      item.textContent = `${one.text} `;
      if (one.what in this.site.wands[this.state.wand].figures) {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = "Use";
        button.addEventListener("click", () => this.changeFigure(one.what, one.needed, true));
        item.append(button);
      }
      return item;
    });
    if (!rows.length) {
      rows.push(document.createElement("li"));
      rows[0].textContent = `no single change was found that is needed or helps into ${bay}`;
    }
    byId("changes").replaceChildren(...rows);
  }

  /** The answer in words and in the table. */
  tell() {
    const { answer, system } = this;
    if (!answer) return;
    const said = byId("answer");
    said.className = answer.fits ? "" : "no";
    if (!answer.fits) {
      const place = answer.place.map((value, k) => value + this.site.middle[k]);
      said.textContent = `Does not go in: ${answer.reason}; ${shown("length", answer.short_m, system)} short, at ${placeShown(place, system)}.`;
      byId("areas").tBodies[0].replaceChildren();
      return;
    }
    const share = answer.required_m2 ? (100 * answer.covered_m2) / answer.required_m2 : 0;
    said.textContent =
      `Goes in. ${share.toFixed(1)} % covered by this pull alone (${shown("area", answer.covered_m2, system)}); ` +
      `${liquidShown(answer.liquid_m3, system)} in ${answer.pull_seconds.toFixed(1)} s` +
      `${answer.fine ? "" : " (first estimate)"}`;
    this.tellAreas(answer.bays);
  }

  tellAreas(bays) {
    const names = this.site.statuses.map(([name]) => name);
    const row = (cells, tag) => {
      const line = document.createElement("tr");
      for (const text of cells) {
        const cell = document.createElement(tag);
        cell.textContent = text;
        line.append(cell);
      }
      return line;
    };
    byId("areas").tHead.replaceChildren(row(["bay", ...names], "th"));
    const lines = bays.map((bay) => row([bay.name, ...names.map((name) => shown("area", bay[name], this.system))], "td"));
    byId("areas").tBodies[0].replaceChildren(...lines);
  }

  keep() {
    if (!this.answer?.fits) return;
    this.kept = { state: this.state, answer: this.answer };
    document.querySelector("input[value=difference]").disabled = false;
    this.tellCompared();
    this.repaint();
  }

  swap() {
    if (!this.kept || !this.answer?.fits) return;
    const { state } = this.kept;
    this.kept = { state: this.state, answer: this.answer };
    this.change(state);
  }

  tellCompared() {
    const { kept, answer } = this;
    if (!kept) return;
    const line = ({ covered_m2, liquid_m3 }) =>
      `${shown("area", covered_m2, this.system)} covered with ${liquidShown(liquid_m3, this.system)}`;
    byId("compared").textContent = `A: ${line(kept.answer)}. Now: ${answer?.fits ? line(answer) : "does not go in"}.`;
  }

  repaint() {
    coloursOf(this.stage.bytes, this.layer, this.site, this.answer, this.kept?.answer);
    this.stage.repaint();
    legendOf(byId("legend"), this.layer, this.site);
    this.tellCompared();
  }

  addWand() {
    const dark = new LineBasicMaterial({ color: 0x000000, depthTest: false });
    const ghost = new LineBasicMaterial({ color: 0x8b0000, depthTest: false, transparent: true, opacity: 0.5 });
    this.wandLine = new Line(new BufferGeometry(), dark);
    this.materials = { dark, ghost };
    const size = 0.012 * this.stage.radius;
    const mark = new MeshBasicMaterial({ color: 0x8b0000, depthTest: false, transparent: true, opacity: 0.7 });
    this.clash = new Mesh(new SphereGeometry(size, 16, 12), mark);
    for (const item of [this.wandLine, this.clash]) {
      item.renderOrder = 10;
      item.frustumCulled = false;
      item.visible = false;
      this.stage.scene.add(item);
    }
  }

  drawWand() {
    const { answer } = this;
    const points = answer.fits ? [...answer.path, this.site.openings[this.state.opening].center] : answer.ghost;
    this.wandLine.geometry.dispose();
    this.wandLine.geometry = new BufferGeometry();
    this.wandLine.geometry.setAttribute("position", new BufferAttribute(new Float32Array(points.flat()), 3));
    this.wandLine.material = answer.fits ? this.materials.dark : this.materials.ghost;
    this.wandLine.visible = true;
    this.clash.visible = !answer.fits;
    if (!answer.fits) this.clash.position.set(...answer.place);
  }

  savePicture() {
    const anchor = document.createElement("a");
    anchor.href = this.stage.picture();
    anchor.download = "studio.png";
    anchor.click();
  }
}

async function start() {
  const reply = await fetch("site");
  if (!reply.ok) throw new Error(`the studio answered ${reply.status}`);
  const site = unframed(await reply.arrayBuffer());
  if (!site.state) {
    byId("link").textContent = "The job has no wand, or no opening leads in from outside: there is nothing to try.";
    return;
  }
  window.bayreachStudio = new Studio(site);
}

start().catch((error) => {
  byId("link").textContent = `The studio cannot be reached: ${error.message}. Start it again and use its new address.`;
  byId("link").classList.add("lost");
});
