// The ply in its half of the mould, in three dimensions: turn, zoom, tap.

import {
  AmbientLight, BufferAttribute, Color, DirectionalLight, DoubleSide, Group, Mesh,
  MeshLambertMaterial, OrthographicCamera, Raycaster, Scene, SRGBColorSpace, Vector2, Vector3,
  WebGLRenderer,
} from "three";
import { OrbitControls } from "three/examples/jsm/controls/OrbitControls.js";
import {
  arrow, ball, geometry, INK, label, lines, MARK, MOULD, PAPER, PARTING, ribbon, segments, tube,
  WHITE,
} from "./shapes3d.js";
import { cross, unit } from "./sheet.js";

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
    const lamp = new DirectionalLight(WHITE, 1.3);
    this.camera.add(lamp);
    lamp.position.set(0.3, 0.6, 1);
    this.scene.add(this.camera, new AmbientLight(WHITE, 2.0));
    this.layers = {};
    for (const name of ["mould", "ply", "yarns", "laps", "zones", "strokes", "runs", "mark"]) {
      this.layers[name] = new Group();
      this.scene.add(this.layers[name]);
    }
    this.layers.runs.add(lines(data.runs.map((run) => run.points), PARTING));
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
      const tap = far <= TAP && performance.now() - down.time < TAP_TIME;
      if (tap) this.onTap(this.pick(e.clientX, e.clientY));
      down = null;
    });
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

  // Where a point of space is in the window, whether it is hidden or not.
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
        lines(ply.yarns.warp, WHITE, 0.75), lines(ply.yarns.weft, WHITE, 0.45),
      );
      this.size = ply.view.size;
      group.add(...this.startMarks(ply.start));
      for (const mark of ply.pattern?.marks ?? []) {
        if (mark.point) group.add(label(String(mark.number), mark.point, this.size));
      }
      if (look) this.lookInto(ply.view);
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
    const at = Array.from(start.point, (x, k) => x + 0.3 * size * start.normal[k]);
    return [ball(at, 0.45 * size), ...arrow(at, start.warp, size)];
  }

  lookInto({ inward, across, centre }) {
    const up = unit(cross(inward, across));
    this.camera.up.set(...up);
    this.camera.position.set(
      ...Array.from(centre, (x, k) => x + 3 * this.size * (0.9 * inward[k] - 0.44 * up[k])));
    this.controls.target.set(...centre);
    this.camera.zoom = 1;
    this.controls.update();
    this.frame();
    this.paint();
  }

  frame() {
    const box = this.canvas.parentElement.getBoundingClientRect();
    const ratio = box.width / Math.max(box.height, 1);
    const half = 0.62 * (this.size || 1);
    const [w, h] = [half, half / ratio];
    Object.assign(this.camera, { left: -w, right: w, top: h, bottom: -h });
    this.camera.updateProjectionMatrix();
  }

  // Those of a ply, "folded_out" or "tucked"; null takes them away.
  laps(ply, which) {
    const group = this.clear("laps");
    for (const lap of which ? ply.laps : []) group.add(ribbon(lap[which]));
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
      group.add(ball(place.point, 0.006 * this.size));
    }
    this.paint();
  }
}
