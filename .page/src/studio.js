// The studio: a wand is tried, and the server answers whether it goes in and what it wets.
import { showChain } from "./studio-chain.js";
import { Field } from "./studio-fields.js";
import { Link, unframed } from "./studio-link.js";
import { legendOf } from "./studio-paint.js";
import { alike, showPasses } from "./studio-passes.js";
import { reachSentence, tellAreas, tellCompared, verdict } from "./studio-tell.js";
import { Views } from "./studio-views.js";

const byId = (id) => document.getElementById(id);
const FIGURES = [
  ["length", "length", "length", 0.1, 4],
  ["diameter", "diameter", "length", 0.001, 0.05],
  ["tip_diameter", "tip diameter", "length", 0.001, 0.05],
  ["tip_length", "tip length", "length", 0.001, 0.2],
  ["shank_diameter", "shank diameter", "length", 0.001, 0.05],
  ["shank_length", "shank length", "length", 0, 1],
  ["handle_diameter", "handle diameter", "length", 0, 0.15],
  ["handle_length", "handle length", "length", 0, 0.5],
  ["bend_radius", "least radius", "length", 0.01, 0.5],
  ["pull_speed", "pull speed", "speed", 0.005, 0.3],
];
const TIP = [
  ["spread", "spread", "angle", 0.05, Math.PI],
  ["angle", "angle to wand", "angle", 0.05, Math.PI],
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
const DOING = { best: "trying aims", changes: "trying changes", sweep: "varying", reach: "looking", all: "spraying", sheet: "drawing" };

const ENDED =
  "This studio has ended: what is shown is old and nothing more can be tried or saved here. Start it again and open the new address that it prints.";

function keep(name, type, bytes) {
  const anchor = document.createElement("a");
  anchor.href = URL.createObjectURL(new Blob([bytes], { type }));
  anchor.download = name;
  anchor.click();
  setTimeout(() => URL.revokeObjectURL(anchor.href), 10000);
}

class Studio {
  constructor(site) {
    Object.assign(this, { site, system: "metric", layer: "film", of: "one", past: [], future: [] });
    Object.assign(this, { state: site.state, passes: site.passes, answer: null, sum: null, kept: null });
    Object.assign(this, { waiting: [], busy: null });
    this.views = new Views(site, (stage, x, y, done) => this.aimAt(stage, x, y, done));
    this.fill();
    this.wire();
    this.link = new Link(
      (table) => this.take(table),
      () => this.opened(),
      () => this.lost(),
      () => this.ended(),
    );
    this.refresh();
    this.repaint();
  }

  fill() {
    const { site } = this;
    byId("title").textContent = site.title || "bayreach studio";
    if (site.faces < site.facesOfMesh) {
      byId("drawn").textContent = `The picture is coarser than the mesh: ${site.faces} of its ${site.facesOfMesh} faces are drawn. Every figure is worked out on all of them.`;
    }
    const options = (id, names) => byId(id).replaceChildren(...names.map((name) => new Option(name, name)));
    options("opening", Object.keys(site.openings));
    options("bay", site.bays);
    this.fillWands();
    const field = (parent, change) => ([name, ...rest]) => {
      const one = new Field(byId(parent), name, ...rest, (value, done) => change(name, value, done));
      return [name, one];
    };
    this.places = new Map(PLACES.map(field("places", (name, value, done) => this.changePlace(name, value, done))));
    const figure = (name, value, done) => this.changeFigure(name, value, done);
    this.figures = new Map([...FIGURES.map(field("figures", figure)), ...TIP.map(field("tip", figure))]);
    this.figures.get("throw").mayBeEndless();
  }

  fillWands() {
    const named = (wand) => (wand.file ? `${wand.name} (${wand.file})` : wand.name);
    byId("wand").replaceChildren(...this.site.wands.map((wand, at) => new Option(named(wand), at)));
  }

  wire() {
    const on = (id, event, action) => byId(id).addEventListener(event, action);
    const press = (id, action) => on(id, "click", action);
    byId("panel").addEventListener("submit", (event) => event.preventDefault());
    on("opening", "change", () => this.change({ opening: byId("opening").value, entry: null }));
    on("wand", "change", () => {
      const { name, file } = this.site.wands[byId("wand").value];
      this.change({ wand: name, file, figures: {}, pattern: null, shape: null, pieces: null });
    });
    on("shape", "change", () => this.changeShape(byId("shape").value));
    on("pattern", "change", () => this.change({ pattern: byId("pattern").value }));
    on("count", "change", () => this.change({ count: Math.min(1000, Math.max(1, Math.round(Number(byId("count").value)) || 1)) }));
    on("system", "change", () => {
      this.system = byId("system").value;
      this.refresh();
      this.tell();
      this.repaint();
    });
    press("undo", () => this.step(this.past, this.future));
    press("redo", () => this.step(this.future, this.past));
    press("best", () => this.ask("best"));
    press("reach", () => this.ask("reach"));
    press("ask", () => this.ask("changes", { word: byId("bay").value }));
    press("sweep", () => this.ask("sweep", { word: byId("vary").value }));
    press("save", () => this.ask("save", { word: byId("name").value, passes: this.passes }));
    press("open", () => this.ask("open", { word: byId("saved-jobs").value }));
    press("sheet-pdf", () => this.ask("sheet", { word: "pdf" }));
    press("sheet-dxf", () => this.ask("sheet", { word: "dxf" }));
    press("stop", () => this.link.ask("stop", this.state));
    press("add-straight", () => this.changePieces([...this.piecesNow(), { straight: 0.05 }]));
    press("add-arc", () => this.changePieces([...this.piecesNow(), this.newBend()]));
    press("add", () => this.list([...this.passes, this.state]));
    press("clear", () => this.list([]));
    press("keep", () => this.keep());
    press("swap", () => this.swap());
    press("picture", () => this.savePicture());
    on("beside", "change", () => {
      this.views.beside(byId("beside").checked);
      this.repaint();
    });
    for (const name of ["layer", "of"]) {
      for (const input of document.querySelectorAll(`input[name=${name}]`)) {
        input.addEventListener("change", () => this.choose(name, input.value));
      }
    }
  }

  choose(name, value) {
    this[name] = value;
    if (name === "of" && value === "all" && !this.sum) this.askAll();
    this.tell();
    this.repaint();
  }

  aimAt(stage, x, y, done) {
    if (!byId("dragging").checked) return;
    const found = stage.pick(x, y);
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

  wandNow() {
    const { wand, file } = this.state;
    return this.site.wands.find((one) => one.name === wand && one.file === file);
  }

  piecesNow() {
    return this.state.pieces ?? this.wandNow().pieces;
  }

  newBend() {
    const diameter = this.state.figures.diameter ?? this.wandNow().figures.diameter;
    return { arc: 0.5, radius: Math.max(0.1, 10 * diameter), roll: 0 };
  }

  changePieces(pieces) {
    const isBent = pieces.some((piece) => "arc" in piece);
    this.change(isBent ? { shape: "bent", pieces } : { shape: "straight", pieces: null });
  }

  changeShape(shape) {
    const figures = { ...this.state.figures };
    if (shape === "flexible") figures.bend_radius ??= this.wandNow().figures.bend_radius ?? 0.1;
    else delete figures.bend_radius;
    const pieces = shape !== "bent" ? null : this.piecesNow().length ? this.state.pieces : [this.newBend()];
    this.change({ shape, pieces, figures });
  }

  /** Take a change; a step of undo is kept when it is done. */
  change(part, done = true) {
    this.before ??= this.state;
    this.state = { ...this.state, ...part };
    if (this.state.from > this.state.to) this.state.dwell = null;
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
    const { state, system } = this;
    const wand = this.wandNow();
    const shape = state.shape ?? wand.shape;
    byId("opening").value = state.opening;
    byId("wand").value = this.site.wands.indexOf(wand);
    byId("shape").value = shape;
    byId("pattern").value = state.pattern ?? wand.pattern;
    byId("count").value = state.count;
    for (const [name, field] of this.places) {
      field.set(name.startsWith("aim-") ? state.aim[Number(name.slice(4))] : state[name], system);
    }
    for (const [name, field] of this.figures) {
      const value = name in state.figures ? state.figures[name] : wand.figures[name];
      const isKnown = value !== undefined && value !== null;
      field.row.hidden = (!isKnown && name !== "throw") || (name === "bend_radius" && shape !== "flexible");
      if (isKnown) field.set(value, system);
      else field.clear(system);
    }
    byId("chain").hidden = shape !== "bent";
    showChain(byId("pieces"), shape === "bent" ? this.piecesNow() : [], system, (pieces) => this.changePieces(pieces));
    byId("undo").disabled = !this.past.length;
    byId("redo").disabled = !this.future.length;
    this.showList();
  }

  list(passes) {
    this.passes = passes;
    this.sum = null;
    this.showList();
    if (this.of === "all") this.askAll();
  }

  showList() {
    showPasses(byId("passes"), this.passes, this.state, this.system, {
      take: (state) => this.change(state),
      drop: (at) => this.list(this.passes.filter((_, k) => k !== at)),
    });
    const isIn = this.passes.some((one) => alike(one, this.state));
    byId("listed").textContent = !this.passes.length
      ? "The list is empty: this pull alone would be saved."
      : isIn ? "" : "The pull on the screen is not in the list.";
  }

  try() {
    byId("answer").dataset.state = "asked";
    this.asked = this.link.ask("try", this.state);
  }

  /** Ask one question after the other; the studio works on one at a time. */
  ask(kind, more) {
    if (this.busy) {
      this.waiting.push([kind, this.state, more]);
      return;
    }
    this.send(kind, this.state, more);
  }

  askAll() {
    if (this.passes.length) this.ask("all", { passes: this.passes });
  }

  send(kind, state, more) {
    const number = this.link.ask(kind, state, more);
    if (number === null) byId("said").textContent = "no connection";
    else if (more?.word !== "") byId("said").textContent = ""; // the list of saved jobs is asked in silence
    if (number === null) return;
    this.busy = { number, kind, more };
    byId("doing").textContent = `${DOING[kind] ?? "working"} …`;
    byId("progress").value = 0;
    byId("work").hidden = false;
  }

  answered() {
    this.busy = null;
    byId("work").hidden = true;
    const next = this.waiting.shift();
    if (next) this.send(...next);
  }

  opened() {
    const link = byId("link");
    link.textContent = "connected";
    link.classList.remove("lost");
    byId("answer").classList.remove("old");
    this.waiting.length = 0;
    this.answered();
    this.try();
    this.ask("open", { word: "" });
  }

  lost() {
    const link = byId("link");
    link.textContent = "The connection to the studio is lost: what is shown is old. Trying again … If it has ended, start it again and open its new address.";
    link.classList.add("lost");
    byId("answer").classList.add("old");
    this.asked = null;
  }

  /** The studio has ended, or another one stands in its place: this page cannot come back. */
  ended() {
    this.lost();
    byId("link").textContent = ENDED;
    byId("work").hidden = true;
  }

  take(table) {
    if (table.kind === "film") this.takeFilm(table);
    else if (table.kind === "refused" && table.number === this.asked) this.takeRefusal(table);
    else if (table.kind === "progress") {
      if (this.busy?.number === table.number) byId("progress").value = table.share;
    } else if (this.busy && table.number === this.busy.number) {
      const { more } = this.busy;
      this.answered();
      if (table.kind === "refused") byId("said").textContent = table.reason;
      else this.takeAnswer(table, more);
    } else if (table.kind === "refused") byId("said").textContent = table.reason;
  }

  takeAnswer(table, more) {
    const say = (text) => {
      byId("said").textContent = text;
    };
    const takers = {
      best: ({ aim, clock, from, to, entry, tried }) => {
        say(`${tried} aims tried`);
        this.change({ aim, clock, from, to, entry });
      },
      changes: () => this.takeChanges(table),
      sweep: () => {
        byId("plot").src = `data:image/svg+xml,${encodeURIComponent(table.svg)}`;
        byId("plot").hidden = false;
      },
      reach: () => {
        this.reached = table.row;
        this.tell();
      },
      all: () => {
        if (more.passes !== this.passes) return;
        this.sum = table;
        this.tell();
        this.repaint();
      },
      save: () => {
        say(`saved as ${table.name}: ${table.pulls} ${table.pulls === 1 ? "pull" : "pulls"} with ${table.wands.join(", ")}`);
        this.ask("open", { word: "" });
      },
      open: () => this.takeOpened(table, say),
      sheet: () => {
        const isPdf = more.word === "pdf";
        const name = `wand_${table.name.replace(/[^a-z0-9]+/gi, "_")}.${more.word}`;
        keep(name, isPdf ? "application/pdf" : "image/vnd.dxf", table.arrays[more.word]);
        say(`${name} is in your downloads`);
      },
    };
    takers[table.kind](table);
  }

  takeOpened(table, say) {
    if (table.names) {
      byId("saved-jobs").replaceChildren(...table.names.map((name) => new Option(name, name)));
      return;
    }
    this.site.wands = [...this.site.wands.filter((wand) => !table.file || wand.file !== table.file), ...(table.file ? table.wands : [])];
    this.fillWands();
    this.list(table.passes);
    say(`${table.name} is open: ${table.passes.length} pulls`);
    if (table.passes.length) this.change(table.passes[0]);
  }

  takeFilm(table) {
    if (table.number !== this.asked) return;
    this.answer = table;
    this.reached = null;
    this.tell();
    this.views.now.wand.show(table);
    this.repaint();
    byId("answer").dataset.state = table.look;
  }

  takeRefusal(table) {
    this.answer = null;
    this.views.now.wand.show(null);
    byId("answer").textContent = table.reason;
    byId("answer").className = "no";
    byId("answer").dataset.state = "refused";
    this.repaint();
  }

  takeChanges({ changes, bay }) {
    const rows = changes.map((one) => {
      const item = document.createElement("li");
      item.textContent = `${one.text} `;
      if (one.state) {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = "Use";
        button.addEventListener("click", () => this.change(one.state));
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

  /** What is on the screen: this pull, or all of the list. */
  shownAnswer() {
    return this.of === "all" && this.sum ? this.sum : this.answer;
  }

  tell() {
    const answer = this.shownAnswer();
    const { system, site } = this;
    byId("reached").textContent = this.reached ? reachSentence(this.reached, system) : "";
    if (!answer) return;
    byId("answer").className = answer.fits ? "" : "no";
    byId("answer").textContent = verdict(answer, site.middle, system);
    const names = site.statuses.map(([name]) => name);
    byId("areas-of").textContent = `${answer.pulls === undefined ? "this pull alone" : `all ${answer.pulls} pulls`}, ${system === "inch" ? "ft²" : "m²"}`;
    tellAreas(byId("areas"), names, answer.fits ? answer.bays : [], system);
    this.tellCompared();
  }

  keep() {
    if (!this.answer?.fits) return;
    this.kept = { state: this.state, answer: this.answer };
    document.querySelector("input[value=difference]").disabled = false;
    byId("beside").disabled = false;
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
    const named = ({ wand, shape, opening, figures, pieces }, answer) => {
      const changed = Object.keys(figures).length || shape || pieces ? ", changed" : "";
      return { name: `${wand}${changed}`, opening, answer };
    };
    const { kept } = this;
    tellCompared(byId("compared"), kept && named(kept.state, kept.answer), named(this.state, this.answer), this.system);
  }

  repaint() {
    // The difference is that of two pulls, A and this one, whatever else is shown.
    const shown = this.layer === "difference" ? this.answer : this.shownAnswer();
    this.views.paint(this.layer, shown, this.kept?.answer);
    legendOf(byId("legend"), this.layer, this.site, this.system);
  }

  savePicture() {
    const anchor = document.createElement("a");
    anchor.href = this.views.now.stage.picture();
    anchor.download = "studio.png";
    anchor.click();
    byId("said").textContent = "studio.png is in your downloads";
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
