// Quantities as text, in the system the reader has chosen; both systems follow the same rules as the program's.

const GALLON = 3.785411784e-3; // the US gallon, m³ (NIST SP 811)
const FLUID_OUNCE = GALLON / 128;
const LENGTH = { metric: [1e3, "mm"], inch: [1 / 0.0254, "in"] };

function rounded(value, digits) {
  return Number.isFinite(value) ? value.toFixed(digits) : "n/a";
}

function significant(value, digits) {
  if (!Number.isFinite(value)) return "n/a";
  if (value === 0) return "0";
  return String(Number(value.toPrecision(digits)));
}

const KINDS = {
  length(value, system) {
    const [factor, unit] = LENGTH[system];
    return `${rounded(value * factor, system === "inch" ? 2 : value < 0.1 ? 1 : 0)} ${unit}`;
  },
  film_um(value, system) {
    if (value > 0 && value < 0.01) return system === "inch" ? "under 0.0004 mil" : "under 0.01 µm";
    return system === "inch" ? `${significant(value / 25.4, 3)} mil` : `${significant(value, 3)} µm`;
  },
  area(value, system) {
    if (system === "inch") {
      const inches = value / 0.0254 ** 2;
      return inches < 144 ? `${significant(inches, 3)} in²` : `${significant(inches / 144, 3)} ft²`;
    }
    return value < 0.1 ? `${significant(value * 1e4, 3)} cm²` : `${significant(value, 3)} m²`;
  },
  liquid(value, system) {
    if (system === "inch") {
      return value < GALLON ? `${significant(value / FLUID_OUNCE, 3)} fl oz` : `${significant(value / GALLON, 3)} gal`;
    }
    return value < 1e-3 ? `${significant(value * 1e6, 3)} mL` : `${significant(value * 1e3, 3)} L`;
  },
  speed(value, system) {
    const [factor, unit] = LENGTH[system];
    return `${significant(value * factor, 3)} ${unit}/s`;
  },
  seconds(value) {
    return `${significant(value, 3)} s`;
  },
};

export function shown(kind, value, system) {
  return KINDS[kind](value, system);
}

/** A place in mesh axes. */
export function placeShown(point, system) {
  const [factor, unit] = LENGTH[system];
  const [x, y, z] = point.map((value) => {
    const text = rounded(value * factor, system === "inch" ? 2 : 0);
    return Number(text) === 0 ? "0" : text;
  });
  return `x ${x}, y ${y}, z ${z} ${unit}`;
}

/** Rewrite every marked quantity of the page. */
export function rewrite(root, system) {
  for (const item of root.querySelectorAll("[data-kind]")) {
    const values = item.dataset.value.split(" ").map(Number);
    item.textContent =
      item.dataset.kind === "place" ? placeShown(values, system) : shown(item.dataset.kind, values[0], system);
  }
}
