// Turning, shifting and zooming by mouse, finger and key; a short still press is a tap.

const STEP = 0.12;

export function listen(canvas, stage, onTap, onKey) {
  const held = new Map();
  let moved = 0;
  let spread = 0;

  const spreadOf = () => {
    const [one, two] = [...held.values()];
    return Math.hypot(one.x - two.x, one.y - two.y);
  };

  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    held.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (held.size === 1) moved = 0;
    if (held.size === 2) spread = spreadOf();
  });

  canvas.addEventListener("pointermove", (event) => {
    const last = held.get(event.pointerId);
    if (!last) return;
    const [x, y] = [event.clientX - last.x, event.clientY - last.y];
    moved += Math.abs(x) + Math.abs(y);
    held.set(event.pointerId, { x: event.clientX, y: event.clientY });
    if (held.size === 2) {
      const now = spreadOf();
      if (spread > 0 && now > 0) stage.zoom(spread / now);
      spread = now;
      stage.shift(x / 2, y / 2);
    } else if (event.shiftKey || event.buttons & 6) stage.shift(x, y);
    else if (moved > 4) stage.turn(x * 0.008, y * 0.008);
  });

  const release = (event) => {
    if (event.type === "pointerup" && held.size === 1 && moved <= 6) {
      const box = canvas.getBoundingClientRect();
      onTap(event.clientX - box.left, event.clientY - box.top);
    }
    held.delete(event.pointerId);
    if (held.size < 2) spread = 0;
  };
  canvas.addEventListener("pointerup", release);
  canvas.addEventListener("pointercancel", release);
  canvas.addEventListener("contextmenu", (event) => event.preventDefault());
  canvas.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      stage.zoom(Math.exp(event.deltaY * (event.deltaMode ? 0.04 : 0.0015)));
    },
    { passive: false },
  );

  const keys = {
    ArrowLeft: () => stage.turn(-STEP, 0),
    ArrowRight: () => stage.turn(STEP, 0),
    ArrowUp: () => stage.turn(0, -STEP),
    ArrowDown: () => stage.turn(0, STEP),
    "+": () => stage.zoom(1 / 1.2),
    "=": () => stage.zoom(1 / 1.2),
    "-": () => stage.zoom(1.2),
    Home: () => stage.home(),
    Enter: () => onTap(canvas.clientWidth / 2, canvas.clientHeight / 2),
  };
  canvas.addEventListener("keydown", (event) => {
    const action = event.shiftKey && event.key.startsWith("Arrow") ? shifted(stage, event.key) : keys[event.key];
    if (action) action();
    else if (!onKey(event.key)) return;
    event.preventDefault();
  });
}

function shifted(stage, key) {
  const steps = { ArrowLeft: [30, 0], ArrowRight: [-30, 0], ArrowUp: [0, 30], ArrowDown: [0, -30] };
  return () => stage.shift(...steps[key]);
}
