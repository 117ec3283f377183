// The page: plies in the order of lay-up, each in its mould and flat; taps tell the shear.

import { make, number } from "./dom.js";
import { jointSection } from "./joint.js";
import { Live } from "./live.js";
import { PatternView } from "./pattern.js";
import { dot, length, less, Sheet } from "./sheet.js";
import { unpack } from "./unpack.js";
import { View3D } from "./view3d.js";

const $ = (id) => document.getElementById(id);
const data = unpack(JSON.parse($("scene").textContent));
const state = { ply: 0, sheet: null, place: null, from: null, laps: null, yarns: true, mould: true,
  step: -1, run: 0, measuring: false };

const view = new View3D($("view"), data, (hit) => tapped(hit));
const pattern = new PatternView($("pattern"), ([x, y]) => {
  told(state.sheet ? state.sheet.find(x, y) : null);
});
const live = new Live(data.live ?? null);

const ply = () => data.plies[state.ply];

function tapped(hit) {
  told(hit ? state.sheet.at(hit.face, state.sheet.weights(hit.face, hit.point)) : null);
}

function told(place) {
  if (state.measuring && place && state.place) state.from = state.place;
  else if (!state.measuring) state.from = null;
  state.place = place;
  view.mark(place);
  pattern.point(place ? place.flat : null);
  readout();
  tryOut();
}

function choose(index, look = true) {
  Object.assign(state, { ply: index, place: null, from: null, step: -1 });
  state.sheet = ply().sheet ? new Sheet(ply()) : null;
  view.show(ply(), state.sheet, look);
  view.laps(ply(), state.laps);
  view.zones(ply().zones ?? []);
  view.strokes([], -1);
  pattern.show(ply());
  for (const f of [list, scale, tools, readout, tryOut, steps, figures, joint]) f();
}

function list() {
  const halves = [...new Set(data.plies.map((p) => p.half))]; // a strip may lie across both
  $("plies").replaceChildren(...halves.map((half) => make("div", { className: "half" },
    make("span", {}, half),
    make("div", { className: "row" }, ...data.plies.flatMap((p, k) => p.half !== half ? [] : [
      make("button", {
        "aria-current": String(k === state.ply), title: `${p.order} of ${p.of}`,
        on: { click: () => choose(k) },
      }, `${p.order}. ${p.name}`),
    ])))));
}

function scale() {
  const pen = $("scale").getContext("2d");
  for (let i = 0; i < 256; i++) {
    pen.fillStyle = `rgb(${data.colours.slice(3 * i, 3 * i + 3).join(",")})`;
    pen.fillRect(i, 0, 1, 1);
  }
  const at = (deg, text, name = "") => {
    const tick = make("span", { className: name }, text);
    tick.style.left = `${(100 * deg) / data.range_deg}%`;
    return tick;
  };
  const limit = ply().locking_angle_deg;
  const step = data.range_deg > 30 ? 10 : 5;
  const ticks = [];
  for (let deg = 0; deg <= data.range_deg; deg += step) {
    if (Math.abs(deg - limit) > 0.12 * data.range_deg) ticks.push(at(deg, `${deg}°`));
  }
  $("ticks").replaceChildren(...ticks, at(limit, `limit ${number(limit, 0)}°`, "limit"));
}

function toggle(text, pressed, action) {
  return make("button", { "aria-pressed": String(pressed), on: { click: action } }, text);
}

function tools() {
  const flip = (key) => () => {
    state[key] = !state[key];
    view.layers[key].visible = state[key];
    view.paint();
    tools();
  };
  const laps = (which) => () => {
    state.laps = state.laps === which ? null : which;
    view.laps(ply(), state.laps);
    tools();
  };
  const items = [
    toggle("look in", false, () => state.sheet && (view.lookInto(state.sheet), view.paint())),
    toggle("mould", state.mould, flip("mould")),
    toggle("yarns", state.yarns, flip("yarns")),
  ];
  if (ply().laps?.length) {
    items.push(
      toggle("laps folded out", state.laps === "folded_out", laps("folded_out")),
      toggle("laps tucked", state.laps === "tucked", laps("tucked")),
    );
  }
  items.push(toggle("measure", state.measuring, () => {
    state.measuring = !state.measuring;
    state.from = null;
    tools();
    readout();
  }));
  $("tools").replaceChildren(...items);
}

function facts(entries) {
  return make("dl", {}, ...entries.flatMap(([name, value]) =>
    [make("dt", {}, name), make("dd", {}, value)]));
}

function readout() {
  const place = state.place;
  if (!state.sheet) {
    $("readout").replaceChildren(make("p", {}, ply().trial
      ? "From there the cloth doesn't reach every edge: nothing to cut."
      : "This ply couldn't be draped; see the findings."));
    return;
  }
  if (!place) {
    $("readout").replaceChildren(make("h2", {}, "Tap the ply or the pattern"),
      make("p", { className: "note" }, "Drag to turn, pinch or scroll to zoom."));
    return;
  }
  const margin = ply().locking_angle_deg - place.shear;
  const between = (Math.acos(dot(place.warp, place.weft)) * 180) / Math.PI;
  const entries = [
    [margin >= 0 ? "below the limit" : "past the limit", `${number(Math.abs(margin))}°`],
    ["warp to weft", `${number(between)}°`],
    ["along the warp", `${number(place.flat[0])} mm`],
    ["along the weft", `${number(place.flat[1])} mm`],
    ["in the mould", place.point.map((x) => number(x)).join(", ")],
  ];
  const shear = make("div", { className: `big${margin < 0 ? " over" : ""}` },
    `${number(place.shear)}°`);
  shear.id = "shear";
  $("readout").replaceChildren(make("h2", {}, "Shear here"), shear, facts(entries),
    ...measured());
}

function measured() {
  if (!state.measuring) return [];
  if (!state.from) return [make("p", { className: "note" }, "Tap a second place.")];
  const flat = length(less(state.place.flat, state.from.flat));
  const space = length(less(state.place.point, state.from.point));
  return [facts([["on the flat cloth", `${number(flat)} mm`], ["straight in the mould",
    `${number(space)} mm`]])];
}

function steps() {
  const strokes = ply().strokes ?? [];
  if (!strokes.length) {
    $("steps").replaceChildren();
    return;
  }
  const go = (by) => () => {
    state.step = Math.max(-1, Math.min(strokes.length - 1, state.step + by));
    view.strokes(strokes, state.step);
    pattern.pressed(strokes[state.step] ?? null);
    steps();
  };
  const now = strokes[state.step];
  const text = now ? `${now.number} of ${strokes.length}: ${now.text}`
    : `${strokes.length} strokes, from the start point outward`;
  const back = make("button", { disabled: state.step < 0, on: { click: go(-1) } }, "back");
  const next = make("button",
    { disabled: state.step >= strokes.length - 1, on: { click: go(1) } }, "next stroke");
  next.id = "next-stroke";
  $("steps").replaceChildren(make("h2", {}, "Pressing it down"), make("p", {}, text),
    make("div", { className: "row" }, back, next));
}

function zonesTold() {
  const zones = ply().zones ?? [];
  return zones.length ? make("ul", {}, ...zones.slice(0, 8).map((z) => make("li", {},
    `${z.kind}: ${z.text}, ${number(z.area_mm2, 0)} mm²`))) : "";
}

function figures() {
  const p = ply();
  if (!p.figures) {
    $("figures").replaceChildren();
    return;
  }
  const f = p.figures;
  const entries = [
    ["fabric", p.fabric],
    ["angle", `${number(p.angle_deg, Number.isInteger(p.angle_deg) ? 0 : 1)}° seen from the ${
      data.seen_from === "mould" ? "mould" : "inside"}`],
    ["greatest shear", `${number(f.max_shear_deg)}°`],
    ["99 % of it below", `${number(f.p99_shear_deg)}°`],
    ["in the laps", f.max_shear_in_laps_deg === null ? "–" : `${number(f.max_shear_in_laps_deg)}°`],
    ["flat cloth", `${number(f.cloth_area_mm2 / 100, 0)} cm²`],
  ];
  const state_ = p.trial ? "Tried from here: not checked, not for cutting."
    : p.valid ? "Its checks passed." : "Its checks failed: don't cut it.";
  $("figures").replaceChildren(make("h2", {}, p.name), facts(entries),
    make("p", { className: "note" }, state_), zonesTold());
}

function joint() {
  if (!data.joints.length) return;
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  const chosen = data.joints[state.run];
  jointSection(svg, chosen, ply().name);
  const runs = data.joints.map((j, k) => toggle(j.run, k === state.run, () => {
    state.run = k;
    joint();
  }));
  $("joint").replaceChildren(make("h2", {}, "Across the joint, thickness not to scale"),
    make("div", { className: "row" }, ...runs), svg);
}

function findings() {
  if (!data.findings.length) return;
  const order = ["error", "risk", "warning", "note"];
  const sorted = [...data.findings].sort((a, b) => order.indexOf(a.level) - order.indexOf(b.level));
  $("findings").replaceChildren(make("h2", {}, "Findings"), make("ul", {},
    ...sorted.map((f) => make("li", {}, `${f.level}: ${f.where}: ${f.message}`,
      make("span", { className: "note" }, f.remedy ? ` ${f.remedy}` : "")))));
}

function tryOut() {
  live.panel($("try"), { state, ply, replace, say, again: tryOut });
}

// Another net of the ply that was asked for, as the server computed it; by now another may be shown.
function replace(index, packed) {
  const before = data.plies[index].before ?? data.plies[index];
  data.plies[index] = { ...unpack(packed), laps: before.laps, trial: true, before };
  if (index === state.ply) choose(index, false);
}

function say(text) {
  $("readout").replaceChildren(make("p", { className: "over" }, text));
}

$("title").textContent = data.title;
document.title = data.title;
$("caution").textContent = data.caution;
findings();
choose(0);
// For scripts that drive the page: what it shows, and a tap on the cloth by its coordinates.
const tell = (x, y) => told(state.sheet ? state.sheet.find(x, y) : null);
window.plywright = { tell, data, state, view, pattern, live, choose, ready: true };
