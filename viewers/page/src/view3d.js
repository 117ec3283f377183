// The ply in its half of the mould, in three dimensions: turn, zoom, tap.

import {
  AmbientLight, BufferAttribute, BufferGeometry, Color, DirectionalLight, DoubleSide, Group,
  LineBasicMaterial, LineSegments, Mesh, MeshBasicMaterial, MeshLambertMaterial,
  OrthographicCamera, Raycaster, Scene, SphereGeometry, SRGBColorSpace, Vector2, Vector3,
  WebGLRenderer, ConeGeometry, CylinderGeometry, Quaternion, Sprite, SpriteMaterial, CanvasTexture,
} from "three";
import { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";
import { cross, unit } from "./sheet.js";

const PAPER = "#f6f3ec", MOULD = "#d6d0c4", INK = "#22303a", MARK = "#c8502a", LINE = "#7a3b1d";
const TAP = 7; // pixels and
const TAP_TIME = 600; // milliseconds: more is a turn, not a tap

export class View3D {
  constructor(canvas, data, onTap) {
    this.canvas = canvas;
    this.data = data;
    this.onTap = onTap;
    this.renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
    this.scene = new Scene();
    this.scene.background = new Color(PAPER);
    this.camera = new OrthographicCamera(-1, 1, 1, -1, -1e5, 1e5);
    this.controls = new OrbitControls(this.camera, canvas);
    this.controls.enableDamping = false;
    this.controls.addEventListener("change", () => this.paint());
    const lamp = new DirectionalLight("#ffffff", 1.3);
    this.camera.add(lamp);
    lamp.position.set(0.3, 0.6, 1);
    this.scene.add(this.camera, new AmbientLight("#ffffff", 2.0));
    this.layers = {};
    for (const name of ["mould", "ply", "yarns", "laps", "zones", "strokes", "runs", "mark"]) {
      this.layers[name] = new Group();
      this.scene.add(this.layers[name]);
    }
    this.runLines();
    this.listen();
    new ResizeObserver(() => this.resize()).observe(canvas.parentElement);
  }

  listen() {
    let down = null;
    this.canvas.addEventListener("pointerdown", (e) => {
      down = { x: e.clientX, y: e.clientY, time: performance.now() };
    });
    this.canvas.addEventListener("pointerup", (e) => {
      if (!down) return;
      const far = Math.hypot(e.clientX - down.x, e.clientY - down.y);
      if (far <= TAP && performance.now() - down.time < TAP_TIME) this.tap(e.clientX, e.clientY);
      down = null;
    });
  }

  tap(x, y) {
    const hit = this.pick(x, y);
    this.onTap(hit);
  }

  // Face and place of the ply under a point of the window, or null.
  pick(x, y) {
    if (!this.plyMesh) return null;
    const box = this.canvas.getBoundingClientRect();
    const at = new Vector2(
      (2 * (x - box.left)) / box.width - 1, 1 - (2 * (y - box.top)) / box.height,
    );
    this.camera.updateMatrixWorld();
    const ray = new Raycaster();
    ray.setFromCamera(at, this.camera);
    const hits = ray.intersectObject(this.plyMesh, false);
    if (!hits.length) return null;
    return { face: hits[0].faceIndex, point: hits[0].point.toArray() };
  }

  // Where a point of space is in the window, and whether the ply there is the one seen.
  project(point) {
    this.camera.updateMatrixWorld();
    const v = new Vector3(...point).project(this.camera);
    const box = this.canvas.getBoundingClientRect();
    return [box.left + ((v.x + 1) / 2) * box.width, box.top + ((1 - v.y) / 2) * box.height];
  }

  resize() {
    const box = this.canvas.parentElement.getBoundingClientRect();
    if (!box.width || !box.height) return;
    this.renderer.setPixelRatio(Math.min(window.devicePixelRatio || 1, 2));
    this.renderer.setSize(box.width, box.height, false);
    this.frame();
    this.paint();
  }

  // However much has changed, one picture a frame.
  paint() {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => {
      this.waiting = false;
      this.renderer.render(this.scene, this.camera);
    });
  }

  clear(name) {
    const group = this.layers[name];
    group.traverse((child) => {
      child.geometry?.dispose();
      child.material?.map?.dispose();
      child.material?.dispose();
    });
    group.clear();
    return group;
  }

  // look: turn the view so that one sees into the ply from the hollow.
  show(ply, sheet, look) {
    const half = this.data.halves.find((h) => h.name === ply.half) ?? this.data.halves[0];
    const mould = this.clear("mould");
    if (half) {
      const material = new MeshLambertMaterial({
        color: MOULD, side: DoubleSide, flatShading: false, polygonOffset: true,
        polygonOffsetFactor: 4, polygonOffsetUnits: 4,
      });
      mould.add(new Mesh(geometry(half.points, half.triangles), material));
    }
    const group = this.clear("ply");
    this.clear("yarns");
    this.clear("mark");
    this.plyMesh = null;
    if (sheet) {
      const shape = geometry(sheet.points, sheet.triangles);
      shape.setAttribute("color", this.colours(sheet.shear));
      const material = new MeshLambertMaterial({
        vertexColors: true, side: DoubleSide, polygonOffset: true, polygonOffsetFactor: 2,
        polygonOffsetUnits: 2,
      });
      this.plyMesh = new Mesh(shape, material);
      group.add(this.plyMesh, segments(ply.limit, INK), lines(ply.cut_line, INK));
      this.layers.yarns.add(
        lines(ply.yarns.warp, "#ffffff", 0.75), lines(ply.yarns.weft, "#ffffff", 0.45),
      );
      this.size = extent(sheet.points);
      group.add(...this.startMarks(ply.start));
      for (const mark of ply.pattern?.marks ?? []) {
        if (mark.point) group.add(label(String(mark.number), mark.point, this.size));
      }
      if (look) this.lookInto(sheet);
    }
    this.paint();
  }

  colours(shear) {
    const table = this.data.colours;
    const out = new Float32Array(3 * shear.length);
    const colour = new Color();
    for (let i = 0; i < shear.length; i++) {
      const place = Math.min(Math.abs(shear[i]) / this.data.range_deg, 1);
      const k = 3 * Math.round(255 * place);
      colour.setRGB(table[k] / 255, table[k + 1] / 255, table[k + 2] / 255, SRGBColorSpace);
      colour.toArray(out, 3 * i);
    }
    return new BufferAttribute(out, 3);
  }

  startMarks(start) {
    const size = 0.02 * this.size;
    const material = new MeshBasicMaterial({ color: MARK });
    const ball = new Mesh(new SphereGeometry(0.45 * size, 24, 16), material);
    const at = new Vector3(...start.point).addScaledVector(new Vector3(...start.normal), 0.3 * size);
    ball.position.copy(at);
    return [ball, ...arrow(at.toArray(), start.warp, size)];
  }

  lookInto(sheet) {
    const { inward, across, centre } = axes(sheet);
    const up = unit(cross(inward, across));
    const eye = inward.map((x, k) => 0.9 * x - 0.44 * up[k]);
    this.camera.up.set(...up);
    this.camera.position.set(...centre.map((x, k) => x + 3 * this.size * eye[k]));
    this.controls.target.set(...centre);
    this.camera.zoom = 1;
    this.controls.update();
    this.frame();
  }

  frame() {
    const box = this.canvas.parentElement.getBoundingClientRect();
    const ratio = box.width / Math.max(box.height, 1);
    const half = 0.62 * (this.size || 1);
    const [w, h] = [half, half / ratio];
    Object.assign(this.camera, { left: -w, right: w, top: h, bottom: -h });
    this.camera.updateProjectionMatrix();
  }

  runLines() {
    this.layers.runs.add(lines(this.data.runs.map((r) => r.points), LINE));
  }

  laps(ply, which) {
    const group = this.clear("laps");
    for (const lap of which ? ply.laps ?? [] : []) group.add(ribbon(lap[which]));
    this.paint();
  }

  zones(zones) {
    const group = this.clear("zones");
    for (const zone of zones) group.add(lines(zone.outlines, MARK), lines(zone.hatching, MARK, 0.8));
    this.paint();
  }

  strokes(strokes, current) {
    const group = this.clear("strokes");
    strokes.forEach((stroke, k) => {
      if (k > current) return;
      const now = k === current;
      group.add(tube(stroke.points, (now ? 0.006 : 0.003) * this.size, now ? MARK : INK));
      group.add(label(String(stroke.number), stroke.points.slice(0, 3), this.size, now));
      if (now && stroke.pull) {
        group.add(...arrow(stroke.points.slice(-3), stroke.pull, 0.011 * this.size));
      }
    });
    this.paint();
  }

  // A cross along warp and weft at a place that was tapped.
  mark(place) {
    const group = this.clear("mark");
    if (place) {
      const reach = 0.035 * this.size;
      const arm = (way) =>
        [-1, 1].map((s) => place.point.map((x, k) => x + s * reach * way[k]));
      for (const way of [place.warp, place.weft]) {
        group.add(tube(Float32Array.from(arm(way).flat()), 0.0025 * this.size, MARK));
      }
      const ball = new Mesh(
        new SphereGeometry(0.006 * this.size, 16, 12), new MeshBasicMaterial({ color: MARK }),
      );
      ball.position.set(...place.point);
      group.add(ball);
    }
    this.paint();
  }
}

function geometry(points, triangles) {
  const out = new BufferGeometry();
  out.setAttribute("position", new BufferAttribute(Float32Array.from(points), 3));
  out.setIndex(Array.from(triangles));
  out.computeVertexNormals();
  return out;
}

function segments(values, color, opacity = 1) {
  const out = new BufferGeometry();
  out.setAttribute("position", new BufferAttribute(Float32Array.from(values), 3));
  const look = { color, transparent: opacity < 1, opacity };
  return new LineSegments(out, new LineBasicMaterial(look));
}

function lines(list, color, opacity = 1) {
  const values = [];
  for (const line of list) {
    for (let i = 0; i + 5 < line.length; i += 3) values.push(...line.slice(i, i + 6));
  }
  return segments(values, color, opacity);
}

// Shaft and tip from a point along a unit direction, four times `size` long.
function arrow(point, direction, size) {
  const material = new MeshBasicMaterial({ color: MARK });
  const [at, way] = [new Vector3(...point), new Vector3(...direction)];
  const turn = new Quaternion().setFromUnitVectors(new Vector3(0, 1, 0), way);
  const shaft = new Mesh(new CylinderGeometry(0.14 * size, 0.14 * size, 3 * size, 12), material);
  const tip = new Mesh(new ConeGeometry(0.4 * size, 1.2 * size, 16), material);
  shaft.position.copy(at).addScaledVector(way, 1.5 * size);
  tip.position.copy(at).addScaledVector(way, 3.4 * size);
  shaft.quaternion.copy(turn);
  tip.quaternion.copy(turn);
  return [shaft, tip];
}

function tube(points, radius, color) {
  const group = new Group();
  const material = new MeshBasicMaterial({ color });
  for (let i = 0; i + 5 < points.length; i += 3) {
    const a = new Vector3(...points.slice(i, i + 3));
    const b = new Vector3(...points.slice(i + 3, i + 6));
    const way = b.clone().sub(a);
    if (way.length() < 1e-9) continue;
    const rod = new Mesh(new CylinderGeometry(radius, radius, way.length(), 8), material);
    rod.position.copy(a).addScaledVector(way, 0.5);
    rod.quaternion.setFromUnitVectors(new Vector3(0, 1, 0), way.normalize());
    group.add(rod);
  }
  return group;
}

function ribbon(values) {
  const [s, k] = values.shape;
  const index = [];
  for (let i = 0; i + 1 < s; i++) {
    for (let j = 0; j + 1 < k; j++) {
      const [a, b, c, d] = [i * k + j, (i + 1) * k + j, (i + 1) * k + j + 1, i * k + j + 1];
      index.push(a, b, c, a, c, d);
    }
  }
  const material = new MeshLambertMaterial({
    color: MARK, side: DoubleSide, transparent: true, opacity: 0.7,
  });
  return new Mesh(geometry(values, index), material);
}

function label(text, point, size, strong = false) {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 64;
  const pen = canvas.getContext("2d");
  pen.fillStyle = strong ? MARK : PAPER;
  pen.strokeStyle = strong ? MARK : INK;
  pen.lineWidth = 4;
  pen.beginPath();
  pen.arc(32, 32, 28, 0, 2 * Math.PI);
  pen.fill();
  pen.stroke();
  pen.fillStyle = strong ? "#ffffff" : INK;
  pen.font = "bold 34px system-ui, sans-serif";
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.fillText(text, 32, 34);
  const look = { map: new CanvasTexture(canvas), depthTest: false };
  look.map.colorSpace = SRGBColorSpace;
  const out = new Sprite(new SpriteMaterial(look));
  out.position.set(...point);
  out.scale.setScalar(0.032 * size);
  return out;
}

function extent(points) {
  const low = [Infinity, Infinity, Infinity], high = [-Infinity, -Infinity, -Infinity];
  for (let i = 0; i < points.length; i++) {
    low[i % 3] = Math.min(low[i % 3], points[i]);
    high[i % 3] = Math.max(high[i % 3], points[i]);
  }
  return Math.hypot(...high.map((x, k) => x - low[k]));
}

// The way into the hollow, the long way of the ply, and its middle.
function axes(sheet) {
  const { points, triangles } = sheet;
  const n = points.length / 3;
  const centre = [0, 0, 0];
  for (let i = 0; i < points.length; i++) centre[i % 3] += points[i] / n;
  const inward = [0, 0, 0];
  const corner = (v) => [0, 1, 2].map((k) => points[3 * v + k]);
  for (let f = 0; f < triangles.length; f += 3) {
    const [a, b, c] = [0, 1, 2].map((k) => corner(triangles[f + k]));
    const normal = cross(b.map((x, k) => x - a[k]), c.map((x, k) => x - a[k]));
    normal.forEach((x, k) => (inward[k] += x));
  }
  const way = unit(inward);
  return { inward: way, across: longest(points, centre, way), centre };
}

// Direction of greatest spread square to a way: power iteration on the covariance.
function longest(points, centre, way) {
  let v = unit(cross(way, Math.abs(way[0]) < 0.9 ? [1, 0, 0] : [0, 1, 0]));
  for (let round = 0; round < 60; round++) {
    const sum = [0, 0, 0];
    for (let i = 0; i < points.length; i += 3) {
      const d = [0, 1, 2].map((k) => points[i + k] - centre[k]);
      const along = d[0] * v[0] + d[1] * v[1] + d[2] * v[2];
      for (let k = 0; k < 3; k++) sum[k] += along * d[k];
    }
    const off = sum[0] * way[0] + sum[1] * way[1] + sum[2] * way[2];
    v = unit(sum.map((x, k) => x - off * way[k]));
  }
  const main = v.reduce((best, x, k) => (Math.abs(x) > Math.abs(v[best]) ? k : best), 0);
  return v[main] < 0 ? v.map((x) => -x) : v;
}
