// What the view is made of: meshes, lines, arrows, tubes, ribbons and numbers.

import {
  BufferAttribute, BufferGeometry, CanvasTexture, ConeGeometry, CylinderGeometry, DoubleSide,
  Group, LineBasicMaterial, LineSegments, Mesh, MeshBasicMaterial, MeshLambertMaterial, Quaternion,
  SphereGeometry, Sprite, SpriteMaterial, SRGBColorSpace, Vector3,
} from "three";

// Colours come from viewers/scene/colours.py, by the page's style.
const style = getComputedStyle(document.documentElement);
export const [PAPER, MOULD, INK, MARK, PARTING, WHITE] =
  ["paper", "mould", "ink", "mark", "parting", "white"].map((name) =>
    style.getPropertyValue(`--${name}`).trim());

export function ball(point, radius) {
  const out = new Mesh(new SphereGeometry(radius, 24, 16), new MeshBasicMaterial({ color: MARK }));
  out.position.set(...point);
  return out;
}

export function geometry(points, triangles) {
  const out = new BufferGeometry();
  out.setAttribute("position", new BufferAttribute(Float32Array.from(points), 3));
  out.setIndex(Array.from(triangles));
  out.computeVertexNormals();
  return out;
}

export function segments(values, color, opacity = 1) {
  const out = new BufferGeometry();
  out.setAttribute("position", new BufferAttribute(Float32Array.from(values), 3));
  const look = { color, transparent: opacity < 1, opacity };
  return new LineSegments(out, new LineBasicMaterial(look));
}

export function lines(list, color, opacity = 1) {
  const values = [];
  for (const line of list) {
    for (let i = 0; i + 5 < line.length; i += 3) values.push(...line.slice(i, i + 6));
  }
  return segments(values, color, opacity);
}

// Shaft and tip from a point along a unit direction, four times `size` long.
export function arrow(point, direction, size) {
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

export function tube(points, radius, color) {
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

export function ribbon(values) {
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

export function label(text, point, size, strong = false) {
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
  pen.fillStyle = strong ? WHITE : INK;
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
