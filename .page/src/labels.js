// Labels over the drawing that keep apart, each tied to its place by a line.

const SVG = "http://www.w3.org/2000/svg";
const REACHES = [16, 34, 60, 95, 140, 200];
const TURNS = [0.9, 2.2, 4.1, 5.3, 0, Math.PI, 1.57, 4.71];

export class Labels {
  constructor(holder, lines, stage, marks) {
    this.holder = holder;
    this.lines = lines;
    this.stage = stage;
    this.shownKinds = new Set();
    this.items = marks.map((mark) => {
      const box = document.createElement("div");
      box.className = `mark mark-${mark.kind}`;
      box.textContent = mark.text;
      holder.append(box);
      const line = document.createElementNS(SVG, "line");
      const dot = document.createElementNS(SVG, "circle");
      dot.setAttribute("r", "4.5");
      dot.setAttribute("fill", mark.colour);
      lines.append(line, dot);
      return { ...mark, box, line, dot, size: null };
    });
    stage.listeners.push(() => this.place());
  }

  show(kind, on) {
    if (on) this.shownKinds.add(kind);
    else this.shownKinds.delete(kind);
    this.stage.draw();
  }

  place() {
    const width = this.stage.canvas.clientWidth;
    const height = this.stage.canvas.clientHeight;
    this.lines.setAttribute("viewBox", `0 0 ${width} ${height}`);
    const taken = [];
    const wanted = [];
    for (const item of this.items) {
      const [x, y] = this.stage.pixelOf(item.point);
      const inside = x > 0 && y > 0 && x < width && y < height && !this.stage.isCutAway(item.point);
      const on = inside && this.shownKinds.has(item.kind);
      item.box.hidden = !on;
      item.line.setAttribute("visibility", "hidden");
      item.dot.setAttribute("visibility", on ? "visible" : "hidden");
      if (!on) continue;
      item.size ??= [item.box.offsetWidth, item.box.offsetHeight];
      item.dot.setAttribute("cx", x);
      item.dot.setAttribute("cy", y);
      taken.push([x - 6, y - 6, x + 6, y + 6]);
      wanted.push([item, x, y]);
    }
    for (const [item, x, y] of wanted) {
      const box = freeBox(item.size, x, y, width, height, taken);
      item.box.hidden = !box;
      if (!box) continue;
      taken.push(box);
      item.box.style.transform = `translate(${box[0]}px, ${box[1]}px)`;
      item.line.setAttribute("visibility", "visible");
      item.line.setAttribute("x1", x);
      item.line.setAttribute("y1", y);
      item.line.setAttribute("x2", Math.min(Math.max(x, box[0]), box[2]));
      item.line.setAttribute("y2", Math.min(Math.max(y, box[1]), box[3]));
    }
  }
}

function freeBox([wide, high], x, y, width, height, taken) {
  for (const reach of REACHES) {
    for (const turn of TURNS) {
      const left = x + Math.cos(turn) * (reach + wide / 2) - wide / 2;
      const top = y - Math.sin(turn) * (reach + high / 2) - high / 2;
      const box = [left, top, left + wide, top + high];
      if (left < 2 || top < 2 || box[2] > width - 2 || box[3] > height - 2) continue;
      if (taken.every((other) => box[0] >= other[2] || other[0] >= box[2] || box[1] >= other[3] || other[1] >= box[3])) {
        return box;
      }
    }
  }
  return null;
}
