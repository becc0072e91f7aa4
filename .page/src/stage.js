// The drawn structure: one triangle soup, one colour a side from a texture, sections, picking and views.
import {
  BufferAttribute,
  BufferGeometry,
  Color,
  DataTexture,
  DoubleSide,
  GLSL3,
  LineSegments,
  Mesh,
  NearestFilter,
  OrthographicCamera,
  RGBAFormat,
  Scene,
  ShaderMaterial,
  UnsignedByteType,
  Vector2,
  Vector3,
  WebGLRenderer,
  WebGLRenderTarget,
} from "three";

const ROW = 2048;

const VERTEX = `
out vec3 where;
flat out int face;
void main() {
  face = gl_VertexID / 3;
  where = position;
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
}`;

const SHARED = `
precision highp float;
precision highp int;
uniform sampler2D colours;
uniform vec3 lowest;
uniform vec3 highest;
in vec3 where;
flat in int face;
vec4 sideColour() {
  if (any(lessThan(where, lowest)) || any(greaterThan(where, highest))) discard;
  int side = 2 * face + (gl_FrontFacing ? 0 : 1);
  vec4 colour = texelFetch(colours, ivec2(side % ${ROW}, side / ${ROW}), 0);
  if (colour.a == 0.0) discard;
  return colour;
}`;

const SHOWN = `${SHARED}
uniform float dots;
out vec4 drawn;
void main() {
  vec4 colour = sideColour();
  int code = int(colour.a * 255.0 + 0.5);
  vec2 at = floor(gl_FragCoord.xy / dots);
  vec3 mixed = colour.rgb;
  bool slanted = mod(at.x - at.y, 9.0) < 2.0;
  bool rising = mod(at.x + at.y, 9.0) < 2.0;
  bool dot = mod(at.x, 9.0) < 2.0 && mod(at.y, 9.0) < 2.0;
  if (code == 192 && slanted) mixed = vec3(1.0);
  if (code == 128 && (slanted || rising)) mixed = vec3(0.35);
  if (code == 64 && dot) mixed = vec3(1.0);
  vec3 room = min(where - lowest, highest - where) / max(fwidth(where), vec3(1e-9));
  if (min(room.x, min(room.y, room.z)) < 1.6) mixed = vec3(0.1);
  drawn = vec4(mixed, 1.0);
}`;

const PICKED = `${SHARED}
out vec4 drawn;
void main() {
  sideColour();
  int number = 2 * face + (gl_FrontFacing ? 0 : 1) + 1;
  drawn = vec4(float(number & 255), float((number >> 8) & 255), float((number >> 16) & 255), 255.0) / 255.0;
}`;

const EDGE_VERTEX = `
in float owner;
in vec3 facing;
uniform vec3 ahead;
out vec3 where;
flat out int side;
void main() {
  where = position;
  side = 2 * int(owner) + (dot(facing, ahead) < 0.0 ? 0 : 1);
  gl_Position = projectionMatrix * modelViewMatrix * vec4(position, 1.0);
  gl_Position.z -= 0.0006 * gl_Position.w;
}`;

const EDGE_SHOWN = `
precision highp float;
precision highp int;
uniform vec3 lowest;
uniform vec3 highest;
uniform sampler2D colours;
in vec3 where;
flat in int side;
out vec4 drawn;
// Dark lines on light colours, light lines on dark ones.
void main() {
  if (any(lessThan(where, lowest)) || any(greaterThan(where, highest))) discard;
  vec4 under = texelFetch(colours, ivec2(side % ${ROW}, side / ${ROW}), 0);
  bool dark = under.a > 0.0 && dot(under.rgb, vec3(0.2126, 0.7152, 0.0722)) < 0.35;
  drawn = vec4(vec3(dark ? 0.8 : 0.15), 1.0);
}`;

/** For both ends of each edge: a face it bounds, and that face's normal. */
function ownersOf({ edgeFaces, corners }) {
  const owner = new Float32Array(2 * edgeFaces.length);
  const facing = new Float32Array(6 * edgeFaces.length);
  const [a, b, c] = [new Vector3(), new Vector3(), new Vector3()];
  edgeFaces.forEach((face, e) => {
    owner.fill(face, 2 * e, 2 * e + 2);
    a.fromArray(corners, 9 * face);
    b.fromArray(corners, 9 * face + 3).sub(a);
    c.fromArray(corners, 9 * face + 6).sub(a);
    const normal = b.cross(c).normalize();
    normal.toArray(facing, 6 * e);
    normal.toArray(facing, 6 * e + 3);
  });
  return { owner, facing };
}

export class Stage {
  constructor(canvas, data, down) {
    this.canvas = canvas;
    this.data = data;
    this.renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
    this.renderer.setClearColor(new Color("#ffffff"), 1);
    this.scene = new Scene();
    this.camera = new OrthographicCamera(-1, 1, 1, -1, -1, 1);
    this.up = new Vector3(...down).multiplyScalar(-1).normalize();
    this.radius = Math.hypot(...data.half) || 1;
    this.target = new Vector3();
    this.direction = new Vector3();
    this.span = 2.2 * this.radius;
    const rows = Math.ceil((2 * data.faces) / ROW) || 1;
    this.bytes = new Uint8Array(4 * ROW * rows);
    this.texture = new DataTexture(this.bytes, ROW, rows, RGBAFormat, UnsignedByteType);
    this.texture.minFilter = NearestFilter;
    this.texture.magFilter = NearestFilter;
    this.limits = { lowest: { value: new Vector3() }, highest: { value: new Vector3() } };
    this.addStructure(data);
    this.pickTarget = new WebGLRenderTarget(1, 1);
    this.drawLater = false;
    this.listeners = [];
    this.home();
    this.section([0, 0, 0], [1, 1, 1]);
  }

  addStructure(data) {
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(data.corners, 3));
    const uniforms = { colours: { value: this.texture }, dots: { value: 1 }, ...this.limits };
    const options = { glslVersion: GLSL3, vertexShader: VERTEX, uniforms, side: DoubleSide };
    this.shown = new ShaderMaterial({ ...options, fragmentShader: SHOWN });
    this.picked = new ShaderMaterial({ ...options, fragmentShader: PICKED });
    this.structure = new Mesh(geometry, this.shown);
    this.structure.frustumCulled = false;
    const lines = new BufferGeometry();
    lines.setAttribute("position", new BufferAttribute(data.edges, 3));
    const { owner, facing } = ownersOf(data);
    lines.setAttribute("owner", new BufferAttribute(owner, 1));
    lines.setAttribute("facing", new BufferAttribute(facing, 3));
    const material = new ShaderMaterial({
      glslVersion: GLSL3,
      vertexShader: EDGE_VERTEX,
      fragmentShader: EDGE_SHOWN,
      uniforms: { ...this.limits, colours: { value: this.texture }, ahead: { value: this.direction } },
    });
    this.edges = new LineSegments(lines, material);
    this.edges.frustumCulled = false;
    this.scene.add(this.structure, this.edges);
  }

  /** Look along a direction (from the eye) at a place (about the middle) with a span in metres. */
  look(direction, target, span) {
    this.direction.set(...direction).normalize();
    this.target.set(...target);
    this.span = span;
    this.draw();
  }

  /** The whole structure, longest level axis across, from above: the picture's own view. */
  home() {
    const { half } = this.data;
    const up = this.up.toArray();
    const level = half.map((value, k) => value * (1 - Math.abs(up[k])));
    const along = new Vector3();
    along.setComponent(level.indexOf(Math.max(...level)), 1);
    const across = new Vector3().crossVectors(along, this.up);
    const from = across.multiplyScalar(0.72).addScaledVector(this.up, 0.55).addScaledVector(along, 0.3);
    const frame = this.frameOf(from.clone().negate().normalize());
    let wide = 0;
    let high = 0;
    for (let corner = 0; corner < 8; corner += 1) {
      const point = new Vector3(...half.map((value, k) => (corner & (1 << k) ? value : -value)));
      wide = Math.max(wide, Math.abs(point.dot(frame.right)));
      high = Math.max(high, Math.abs(point.dot(frame.up)));
    }
    const aspect = this.canvas.clientWidth / Math.max(1, this.canvas.clientHeight) || 1.5;
    this.look(from.negate().toArray(), [0, 0, 0], 2.2 * Math.max(wide, high * aspect, 1e-6));
  }

  frameOf(forward) {
    const up = this.up.clone().addScaledVector(forward, -this.up.dot(forward));
    if (up.length() < 1e-4) up.set(0, 1, 0).addScaledVector(forward, -forward.y);
    if (up.length() < 1e-4) up.set(1, 0, 0);
    up.normalize();
    return { up, right: new Vector3().crossVectors(forward, up).normalize() };
  }

  /** Cut: shares 0 to 1 of the box kept on each axis. */
  section(from, to) {
    const { half } = this.data;
    const slack = 1e-4 * this.radius;
    const edge = (share, k, open) => (open ? Math.sign(share - 0.5) * (half[k] + slack) : (2 * share - 1) * half[k]);
    const lowest = from.map((share, k) => edge(share, k, share <= 0));
    const highest = to.map((share, k) => edge(share, k, share >= 1));
    // An open end keeps the whole wall and draws no cut line.
    from.forEach((share, k) => {
      if (share <= 0) lowest[k] = -1e6;
    });
    to.forEach((share, k) => {
      if (share >= 1) highest[k] = 1e6;
    });
    this.limits.lowest.value.set(...lowest);
    this.limits.highest.value.set(...highest);
    this.draw();
  }

  isCutAway(point) {
    const { lowest, highest } = this.limits;
    return point.some((value, k) => value < lowest.value.getComponent(k) || value > highest.value.getComponent(k));
  }

  repaint() {
    this.texture.needsUpdate = true;
    this.draw();
  }

  turn(across, upward) {
    const { right } = this.frameOf(this.direction);
    const before = this.direction.clone();
    this.direction.applyAxisAngle(this.up, -across);
    this.direction.applyAxisAngle(right.applyAxisAngle(this.up, -across), -upward);
    if (Math.abs(this.direction.dot(this.up)) > 0.995) this.direction.copy(before);
    this.draw();
  }

  shift(pixelsX, pixelsY) {
    const { up, right } = this.frameOf(this.direction);
    const size = this.span / Math.max(1, this.canvas.clientWidth);
    this.target.addScaledVector(right, -pixelsX * size).addScaledVector(up, pixelsY * size);
    this.draw();
  }

  zoom(factor) {
    this.span = Math.min(Math.max(this.span * factor, 1e-3 * this.radius), 20 * this.radius);
    this.draw();
  }

  draw() {
    if (this.drawLater) return;
    this.drawLater = true;
    requestAnimationFrame(() => this.drawNow());
  }

  placeCamera() {
    const { clientWidth: width, clientHeight: height } = this.canvas;
    const { camera } = this;
    camera.left = -this.span / 2;
    camera.right = this.span / 2;
    camera.top = ((this.span / 2) * height) / Math.max(1, width);
    camera.bottom = -camera.top;
    const far = 4 * this.radius + this.span + this.target.length();
    camera.near = -far;
    camera.far = far;
    camera.up.copy(this.frameOf(this.direction).up);
    camera.position.copy(this.target);
    camera.lookAt(this.target.clone().add(this.direction));
    camera.updateProjectionMatrix();
    camera.updateMatrixWorld(true);
  }

  drawNow() {
    this.drawLater = false;
    const { clientWidth: width, clientHeight: height } = this.canvas;
    if (!width || !height) return;
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    const size = this.renderer.getSize(new Vector2());
    if (size.x !== width || size.y !== height || this.renderer.getPixelRatio() !== ratio) {
      this.renderer.setPixelRatio(ratio);
      this.renderer.setSize(width, height, false);
    }
    this.shown.uniforms.dots.value = ratio;
    this.placeCamera();
    this.renderer.render(this.scene, this.camera);
    for (const listener of this.listeners) listener();
  }

  /** Pixels from the left and top of a place about the middle. */
  pixelOf(point) {
    const at = new Vector3(...point).project(this.camera);
    return [((at.x + 1) / 2) * this.canvas.clientWidth, ((1 - at.y) / 2) * this.canvas.clientHeight];
  }

  /** The side under a pixel and the place on it, or nothing. */
  pick(x, y) {
    this.placeCamera();
    const { clientWidth: width, clientHeight: height } = this.canvas;
    const others = this.scene.children.filter((child) => child !== this.structure && child.visible);
    for (const other of others) other.visible = false;
    this.structure.material = this.picked;
    this.camera.setViewOffset(width, height, Math.floor(x), Math.floor(y), 1, 1);
    const clear = this.renderer.getClearColor(new Color());
    this.renderer.setClearColor(0x000000, 0);
    this.renderer.setRenderTarget(this.pickTarget);
    this.renderer.clear();
    this.renderer.render(this.scene, this.camera);
    const pixel = new Uint8Array(4);
    this.renderer.readRenderTargetPixels(this.pickTarget, 0, 0, 1, 1, pixel);
    this.renderer.setRenderTarget(null);
    this.renderer.setClearColor(clear, 1);
    this.camera.clearViewOffset();
    this.structure.material = this.shown;
    for (const other of others) other.visible = true;
    const side = pixel[0] + 256 * pixel[1] + 65536 * pixel[2] - 1;
    if (side < 0) return null;
    return { side, point: this.placeOn(side >> 1, x, y) };
  }

  /** Where the line of sight of a pixel meets the plane of a face. */
  placeOn(face, x, y) {
    const at = 9 * face;
    const [a, b, c] = [0, 3, 6].map((k) => new Vector3().fromArray(this.data.corners, at + k));
    const normal = b.clone().sub(a).cross(c.clone().sub(a));
    const { clientWidth: width, clientHeight: height } = this.canvas;
    const start = new Vector3((2 * x) / width - 1, 1 - (2 * y) / height, -1).unproject(this.camera);
    const slope = normal.dot(this.direction);
    if (Math.abs(slope) < 1e-12) return a.add(b).add(c).divideScalar(3).toArray();
    const along = normal.dot(a.sub(start)) / slope;
    return start.addScaledVector(this.direction, along).toArray();
  }

  picture() {
    this.drawNow();
    return this.canvas.toDataURL("image/png");
  }
}
