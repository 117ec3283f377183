// A ply's triangles: values at a place on one, and the place of a flat point.

export class Sheet {
  constructor({ points, flat, shear_deg: shear, triangles }) {
    Object.assign(this, { points, flat, shear, triangles });
  }

  corner(face, k) {
    return this.triangles[3 * face + k];
  }

  // All that is known of a place: face and weights of its three corners.
  at(face, weights) {
    const mix = (values, width) => {
      const out = new Array(width).fill(0);
      for (let k = 0; k < 3; k++) {
        const v = this.corner(face, k);
        for (let c = 0; c < width; c++) out[c] += weights[k] * values[width * v + c];
      }
      return out;
    };
    return {
      face,
      point: mix(this.points, 3),
      flat: mix(this.flat, 2),
      shear: Math.abs(mix(this.shear, 1)[0]),
      ...this.yarns(face),
    };
  }

  // Unit directions of warp and weft on a triangle: how its points move along x and y.
  yarns(face) {
    const [a, b, c] = [0, 1, 2].map((k) => this.corner(face, k));
    const flat = (v) => [this.flat[2 * v], this.flat[2 * v + 1]];
    const point = (v) => [0, 1, 2].map((k) => this.points[3 * v + k]);
    const [fa, fb, fc] = [a, b, c].map(flat);
    const [pa, pb, pc] = [a, b, c].map(point);
    const [x1, y1] = [fb[0] - fa[0], fb[1] - fa[1]];
    const [x2, y2] = [fc[0] - fa[0], fc[1] - fa[1]];
    const det = x1 * y2 - x2 * y1;
    const warp = [0, 1, 2].map((k) => ((pb[k] - pa[k]) * y2 - (pc[k] - pa[k]) * y1) / det);
    const weft = [0, 1, 2].map((k) => ((pc[k] - pa[k]) * x1 - (pb[k] - pa[k]) * x2) / det);
    return { warp: unit(warp), weft: unit(weft) };
  }

  // The place of a flat point, or null off the cloth.
  find(x, y) {
    for (let face = 0; face < this.triangles.length / 3; face++) {
      const [a, b, c] = [0, 1, 2].map((k) => this.corner(face, k));
      const w = weightsIn(x, y, this.flat, a, b, c);
      if (w && Math.min(...w) >= -1e-6) return this.at(face, w);
    }
    return null;
  }

  // Weights of a point of a face, by areas in space.
  weights(face, p) {
    const [a, b, c] = [0, 1, 2].map((k) => this.corner(face, k));
    const corner = (v) => [0, 1, 2].map((k) => this.points[3 * v + k]);
    const [pa, pb, pc] = [a, b, c].map(corner);
    const normal = cross(less(pb, pa), less(pc, pa));
    const whole = dot(normal, normal);
    const u = dot(cross(less(pc, pb), less(p, pb)), normal) / whole;
    const v = dot(cross(less(pa, pc), less(p, pc)), normal) / whole;
    return [u, v, 1 - u - v];
  }
}

function weightsIn(x, y, flat, a, b, c) {
  const [ax, ay, bx, by, cx, cy] = [a, b, c].flatMap((v) => [flat[2 * v], flat[2 * v + 1]]);
  const det = (bx - ax) * (cy - ay) - (cx - ax) * (by - ay);
  if (det === 0) return null;
  const u = ((x - ax) * (cy - ay) - (cx - ax) * (y - ay)) / det;
  const v = ((bx - ax) * (y - ay) - (x - ax) * (by - ay)) / det;
  return [1 - u - v, u, v];
}

export const less = (a, b) => a.map((x, k) => x - b[k]);
export const dot = (a, b) => a.reduce((sum, x, k) => sum + x * b[k], 0);
export const length = (a) => Math.sqrt(dot(a, a));
export const unit = (a) => a.map((x) => x / length(a));
export const cross = (a, b) => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
