// Number fields with sliders: each shows an SI value in the reader's units.

const ANGLE = { factor: 180 / Math.PI, unit: { metric: "deg", inch: "deg" }, digits: 2 };
const LENGTH = { metric: 1e3, inch: 1 / 0.0254 };
const KINDS = {
  length: (system) => ({ factor: LENGTH[system], unit: system === "inch" ? "in" : "mm", digits: system === "inch" ? 4 : 2 }),
  speed: (system) => ({ factor: LENGTH[system], unit: system === "inch" ? "in/s" : "mm/s", digits: 3 }),
  angle: (system) => ({ factor: ANGLE.factor, unit: ANGLE.unit[system], digits: ANGLE.digits }),
  flow: (system) => ({
    factor: system === "inch" ? 60 / 29.5735295625e-6 : 6e7,
    unit: system === "inch" ? "floz/min" : "mL/min",
    digits: 3,
  }),
  plain: () => ({ factor: 1, unit: "", digits: 4 }),
};

/** Factor from SI, unit and digits of a kind of quantity. */
export function look(kind, system) {
  return KINDS[kind](system);
}

export class Field {
  constructor(parent, name, label, kind, low, high, onChange) {
    Object.assign(this, { kind, low, high, onChange, system: "metric", value: 0 });
    const row = document.createElement("div");
    row.className = "row";
    const title = document.createElement("label");
    title.textContent = label;
    title.htmlFor = name;
    this.slider = document.createElement("input");
    this.slider.type = "range";
    this.slider.min = 0;
    this.slider.max = 1000;
    this.slider.setAttribute("aria-label", `${label}, slider`);
    this.box = document.createElement("input");
    this.box.type = "number";
    this.box.step = "any";
    this.box.id = name;
    this.unit = document.createElement("span");
    row.append(title, this.slider, this.box, this.unit);
    parent.append(row);
    this.row = row;
    this.slider.addEventListener("input", () => this.take(this.low + ((this.high - this.low) * this.slider.value) / 1000, false));
    this.slider.addEventListener("change", () => this.onChange(this.value, true));
    this.box.addEventListener("change", () => {
      const typed = Number(this.box.value);
      if (this.box.value === "" && this.endless) this.onChange(null, true);
      else if (this.box.value !== "" && Number.isFinite(typed)) this.take(typed / this.look().factor, true);
      else this.show();
    });
  }

  /** An empty box means that there is no end. */
  mayBeEndless() {
    this.endless = true;
    this.box.placeholder = "endless";
  }

  look() {
    return look(this.kind, this.system);
  }

  take(value, done) {
    this.value = value;
    this.show();
    this.onChange(value, done);
  }

  set(value, system) {
    this.value = value;
    this.system = system;
    this.show();
  }

  /** Show that there is no value: endless, until one is typed. */
  clear(system) {
    this.set(this.high, system);
    this.box.value = "";
  }

  show() {
    const { factor, unit, digits } = this.look();
    this.box.value = String(Number((this.value * factor).toFixed(digits)));
    this.unit.textContent = unit;
    this.slider.value = Math.round((1000 * (this.value - this.low)) / (this.high - this.low || 1));
  }
}
