// A section across a run of the parting line: which ply ends where, and the thickness there.

import { draw, number } from "./dom.js";

const WIDTH = 640, HEIGHT = 260, LEFT = 96, RIGHT = 16, TOP = 18, ROW = 16;

export function jointSection(svg, joint, current) {
  svg.replaceChildren();
  const ends = joint.bars.flatMap((b) => [b.from_mm, b.to_mm]).filter((mm) => mm !== null);
  const reach = 1.25 * Math.max(5, ...ends.map(Math.abs));
  const x = (mm) => LEFT + ((WIDTH - LEFT - RIGHT) * (mm + reach)) / (2 * reach);
  const bars = joint.bars;
  bars.forEach((bar, k) => {
    const [from, to] = [bar.from_mm ?? -reach, bar.to_mm ?? reach];
    const y = TOP + k * ROW;
    const name = `bar${bar.half === joint.lap_half ? " own" : ""}${bar.ply === current ? " now" : ""}`;
    svg.append(
      draw("text", { x: LEFT - 8, y: y + 11, class: "end" }, bar.ply),
      draw("rect", {
        x: x(from), y: y + 2, width: Math.max(x(to) - x(from), 1), height: ROW - 5,
        class: name,
      }),
    );
  });
  const base = TOP + bars.length * ROW + 92;
  const most = Math.max(...joint.bands.map((b) => b.thickness_mm), 0.01);
  const height = (mm) => (72 * mm) / most;
  let line = "";
  const last = joint.bands.length - 1;
  for (const [k, band] of joint.bands.entries()) {
    const a = k === 0 ? -reach : Math.max(band.from_mm, -reach);
    const b = k === last ? reach : Math.min(band.to_mm, reach);
    if (b <= a) continue;
    const y = base - height(band.thickness_mm);
    line += `${line ? "L" : "M"}${x(a)} ${y}L${x(b)} ${y}`;
    if (x(b) - x(a) > 26) {
      const whole = `${band.plies}: ${number(band.thickness_mm, 2)} mm`;
      const put = x(b) - x(a) > 74 ? whole : String(band.plies);
      svg.append(draw("text", { x: (x(a) + x(b)) / 2, y: y - 4, class: "middle" }, put));
    }
  }
  svg.append(
    draw("path", { d: line, class: "build" }),
    draw("line", { x1: LEFT, x2: WIDTH - RIGHT, y1: base, y2: base, class: "axis" }),
    joint.at_mm === null ? "" : draw("text", { x: WIDTH - RIGHT, y: base + 38, class: "end" },
      `where it is thickest, ${number(joint.at_mm, 0)} mm along the run`),
    draw("line", { x1: x(0), x2: x(0), y1: TOP - 8, y2: base + 6, class: "parting" }),
    draw("text", { x: x(0), y: base + 20, class: "middle" }, "parting line"),
    draw("text", { x: LEFT, y: base + 20 }, `−${number(reach, 0)} mm`),
    draw("text", { x: WIDTH - RIGHT, y: base + 20, class: "end" }, `${number(reach, 0)} mm`),
  );
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${Math.max(base + 46, HEIGHT - 40)}`);
}
