// The flat pattern below the part: cut line, edges, numbered marks; taps answer on both.

import { draw, path } from "./dom.js";
import { rows } from "./unpack.js";

export class PatternView {
  constructor(svg, onTap) {
    this.svg = svg;
    this.onTap = onTap;
    svg.addEventListener("click", (e) => {
      const at = this.place(e.clientX, e.clientY);
      if (at) this.onTap(at);
    });
  }

  place(x, y) {
    const matrix = this.svg.getScreenCTM();
    if (!matrix || !this.turn) return null;
    const p = new DOMPoint(x, y).matrixTransform(matrix.inverse());
    const [c, s] = this.turn;
    return [c * p.x - s * -p.y, s * p.x + c * -p.y];
  }

  // The long way of the outline across the strip; numbers and letters stay upright.
  show(ply) {
    this.svg.replaceChildren();
    this.turn = this.spot = this.stroke = null;
    if (!ply.pattern) return;
    const outline = rows(ply.pattern.outline);
    this.turn = ply.pattern.turn; // cosine and sine
    const turned = (p) => this.turned(p);
    const flat = outline.map(turned);
    const [xs, ys] = [flat.map((p) => p[0]), flat.map((p) => p[1])];
    const [w, h] = [Math.max(...xs) - Math.min(...xs), Math.max(...ys) - Math.min(...ys)];
    const edge = 0.06 * Math.max(w, h);
    const box = [Math.min(...xs) - edge, -Math.max(...ys) - edge, w + 2 * edge, h + 2 * edge];
    this.svg.setAttribute("viewBox", box.map((x) => x.toFixed(2)).join(" "));
    this.unit = Math.max(w, h) / 100;
    const cut = [outline, ...ply.pattern.holes.map(rows)].map((r) => path(r.map(turned), true));
    this.svg.append(draw("path", { d: cut.join(""), class: "cloth" }));
    for (const line of ply.pattern.lines) this.add(rows(line.points), "edge");
    for (const snip of ply.pattern.snips) this.add(rows(snip), "snip");
    for (const zone of ply.zones) {
      for (const ring of zone.flat) this.add(rows(ring), "zone");
    }
    this.warp(outline);
    for (const mark of ply.pattern.marks) this.number(mark);
    this.spot = draw("circle", { r: 0.9 * this.unit, class: "spot", visibility: "hidden" });
    this.stroke = draw("path", { class: "stroke", d: "M0 0" });
    this.svg.append(this.stroke, this.spot);
  }

  turned([x, y]) {
    const [c, s] = this.turn;
    return [c * x + s * y, -s * x + c * y];
  }

  add(points, name) {
    this.svg.append(draw("path", { d: path(points.map((p) => this.turned(p)), false), class: name }));
  }

  // Start point, and an arrow along the warp from it.
  warp(outline) {
    const reach = 0.12 * Math.max(...outline.map((p) => Math.hypot(...p)));
    const tip = 0.25 * reach;
    this.add([[0, 0], [reach, 0]], "warp");
    this.add([[reach - tip, 0.5 * tip], [reach, 0], [reach - tip, -0.5 * tip]], "warp");
    this.svg.append(draw("circle", { r: 1.1 * this.unit, class: "start" }));
  }

  number(mark) {
    const [x, y] = this.turned(Array.from(mark.flat));
    const size = 2.0 * this.unit;
    this.svg.append(
      draw("circle", { cx: x, cy: -y, r: size, class: "mark" }),
      draw("text", { x, y: -y, class: "mark", "font-size": 2.4 * this.unit }, String(mark.number)),
    );
  }

  point(flat) {
    if (!this.spot) return;
    this.spot.setAttribute("visibility", flat ? "visible" : "hidden");
    if (!flat) return;
    const [x, y] = this.turned(flat);
    this.spot.setAttribute("cx", x);
    this.spot.setAttribute("cy", -y);
  }

  // A smoothing stroke, and at its end the way to pull.
  pressed(stroke) {
    if (!this.stroke) return;
    this.stroke.setAttribute("d", "M0 0");
    if (!stroke) return;
    const flat = rows(stroke.flat);
    const parts = [flat];
    if (stroke.pull_flat) parts.push(arrow(flat.at(-1), stroke.pull_flat, 8 * this.unit));
    const drawn = parts.map((part) => path(part.map((p) => this.turned(p)), false));
    this.stroke.setAttribute("d", drawn.join(""));
  }
}

// Shaft and barbs, one stroke of the pen.
function arrow([x, y], [u, v], size) {
  const at = (along, aside) => [x + size * (along * u - aside * v), y + size * (along * v + aside * u)];
  return [[x, y], at(1, 0), at(0.7, 0.2), at(1, 0), at(0.7, -0.2)];
}
