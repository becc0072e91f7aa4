// One drawing, or two beside each other that turn together.
import { listen } from "./gestures.js";
import { Stage } from "./stage.js";
import { coloursOf } from "./studio-paint.js";
import { DrawnWand } from "./studio-wand.js";

const byId = (id) => document.getElementById(id);

export class Views {
  constructor(site, onPointer) {
    this.site = site;
    const { faces, half, arrays } = site;
    this.data = { faces, half, ...arrays };
    this.now = this.view(byId("view"));
    this.a = null;
    this.wireDrag(byId("view"), onPointer);
    listen(byId("view"), this.now.stage, (x, y) => onPointer(this.now.stage, x, y, true), () => false);
    new ResizeObserver(() => this.now.stage.draw()).observe(byId("view"));
  }

  view(canvas) {
    const stage = new Stage(canvas, this.data, this.site.down);
    return { stage, wand: new DrawnWand(stage) };
  }

  /** With the box ticked a drag aims the wand at what is under the pointer instead of turning the view. */
  wireDrag(canvas, onPointer) {
    const drag = (event) => {
      if (!byId("dragging").checked) return;
      event.stopImmediatePropagation();
      const box = canvas.getBoundingClientRect();
      if (event.type === "pointerup" || event.buttons & 1) {
        onPointer(this.now.stage, event.clientX - box.left, event.clientY - box.top, event.type === "pointerup");
      }
    };
    for (const type of ["pointerdown", "pointermove", "pointerup"]) canvas.addEventListener(type, drag);
  }

  /** Show A beside the drawing, or put it away. */
  beside(isOn) {
    byId("side-a").hidden = !isOn;
    byId("side-now").hidden = !isOn;
    if (!isOn) return;
    if (!this.a) {
      this.a = this.view(byId("view-a"));
      listen(byId("view-a"), this.a.stage, () => {}, () => false);
      this.follow(this.now.stage, this.a.stage);
      this.follow(this.a.stage, this.now.stage);
      new ResizeObserver(() => this.a.stage.draw()).observe(byId("view-a"));
    }
    this.copy(this.now.stage, this.a.stage);
  }

  copy(from, to) {
    to.look(from.direction.toArray(), from.target.toArray(), from.span);
  }

  follow(from, to) {
    from.listeners.push(() => {
      const same = from.span === to.span && from.direction.equals(to.direction) && from.target.equals(to.target);
      if (!same && !byId("side-a").hidden) this.copy(from, to);
    });
  }

  paint(layer, answer, kept) {
    coloursOf(this.now.stage.bytes, layer, this.site, answer, kept);
    this.now.stage.repaint();
    if (!this.a) return;
    coloursOf(this.a.stage.bytes, layer === "difference" ? "film" : layer, this.site, kept, null);
    this.a.wand.show(kept);
    this.a.stage.repaint();
  }
}
