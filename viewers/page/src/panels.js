// What stands round the part and its pattern: lists, buttons, readings, figures, findings.

import { make, number } from "./dom.js";
import { jointSection } from "./joint.js";
import { dot, length, less } from "./sheet.js";

const $ = (id) => document.getElementById(id);

// All that changes with the ply. `page` holds data, state, view, pattern, ply() and choose().
export function panels(page) {
  for (const panel of [list, scale, tools, readout, steps, figures, joint]) panel(page);
}

function list({ data, state, choose }) {
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

function scale({ data, ply }) {
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
  const clear = data.ticks_deg.filter((deg) => Math.abs(deg - limit) > 0.12 * data.range_deg);
  $("ticks").replaceChildren(...clear.map((deg) => at(deg, `${deg}°`)),
    at(limit, `limit ${number(limit, 0)}°`, "limit"));
}

function toggle(text, pressed, action) {
  return make("button", { "aria-pressed": String(pressed), on: { click: action } }, text);
}

function tools(page) {
  const { state, view, ply } = page;
  const layer = (key) => toggle(key, state[key], () => {
    state[key] = !state[key];
    view.layers[key].visible = state[key];
    view.paint();
    tools(page);
  });
  const laps = (text, which) => toggle(text, state.laps === which, () => {
    state.laps = state.laps === which ? null : which;
    view.laps(ply(), state.laps);
    tools(page);
  });
  const measure = toggle("measure", state.measuring, () => {
    state.measuring = !state.measuring;
    state.from = null;
    tools(page);
    readout(page);
  });
  const look = make("button", { on: { click: () => ply().view && view.lookInto(ply().view) } },
    "view into the hollow");
  const shown = ply().laps.length
    ? [laps("laps folded out", "folded_out"), laps("laps tucked", "tucked")] : [];
  $("tools").replaceChildren(look, layer("mould"), layer("yarns"), ...shown, measure);
}

const note = (text) => make("p", { className: "note" }, text);

function facts(entries) {
  return make("dl", {}, ...entries.flatMap(([name, value]) =>
    [make("dt", {}, name), make("dd", {}, value)]));
}

export function readout({ state, ply }) {
  const place = state.place;
  if (!state.sheet) {
    $("readout").replaceChildren(make("p", {}, ply().trial
      ? "From that start the cloth does not reach every edge. There is nothing to cut."
      : "This ply could not be draped; see the findings."));
    return;
  }
  if (!place) {
    $("readout").replaceChildren(make("h2", {}, "Tap the ply or the pattern"),
      note("Drag to turn, pinch or scroll to zoom."));
    return;
  }
  const margin = ply().locking_angle_deg - place.shear;
  const between = (Math.acos(dot(place.warp, place.weft)) * 180) / Math.PI;
  const entries = [
    [margin >= 0 ? "below the limit by" : "past the limit by", `${number(Math.abs(margin))}°`],
    ["between warp and weft", `${number(between)}°`],
    ["from the start, along the warp", `${number(place.flat[0])} mm`],
    ["from the start, along the weft", `${number(place.flat[1])} mm`],
    ["x, y, z in the mould", place.point.map((x) => number(x)).join(", ")],
  ];
  const shear = make("div", { className: `big${margin < 0 ? " over" : ""}`, id: "shear" },
    `${number(place.shear)}°`);
  $("readout").replaceChildren(make("h2", {}, "Shear here"), shear, facts(entries),
    ...measured(state));
}

function measured({ measuring, place, from }) {
  if (!measuring) return [];
  if (!from) return [note("Tap a second place.")];
  return [facts([
    ["distance on the flat cloth", `${number(length(less(place.flat, from.flat)))} mm`],
    ["straight line in the mould", `${number(length(less(place.point, from.point)))} mm`],
  ])];
}

function steps(page) {
  const { state, view, pattern, ply } = page;
  const strokes = ply().strokes;
  const last = strokes.length - 1;
  const go = (text, id, disabled, by) => make("button", { disabled, id, on: { click: () => {
    state.step += by;
    view.strokes(strokes, state.step);
    pattern.pressed(strokes[state.step] ?? null);
    steps(page);
  } } }, text);
  const now = strokes[state.step];
  $("steps").replaceChildren(...(strokes.length ? [
    make("h2", {}, "Pressing the ply down"),
    make("p", {}, now ? `${now.number} of ${strokes.length}: ${now.text}`
      : `${strokes.length} strokes, from the start point outward`),
    make("div", { className: "row" }, go("back", "last-stroke", state.step < 0, -1),
      go("next stroke", "next-stroke", state.step >= last, 1)),
  ] : []));
}

function figures({ data, ply }) {
  const { figures: f, ...p } = ply();
  if (!f) {
    $("figures").replaceChildren();
    return;
  }
  const laps = f.max_shear_in_laps_deg;
  const entries = [
    ["fabric", p.fabric],
    ["angle", `${number(p.angle_deg, Number.isInteger(p.angle_deg) ? 0 : 1)}° seen from the ${
      data.seen_from}`],
    ["greatest shear", `${number(f.max_shear_deg)}°`],
    ["99 % of the area is below", `${number(f.p99_shear_deg)}°`],
    ["greatest in the laps", laps === null ? "–" : `${number(laps)}°`],
    ["flat cloth", `${number(f.cloth_area_mm2 / 100, 0)} cm²`],
  ];
  const checked = p.trial ? "This is a trial: not checked, not for cutting."
    : p.valid ? "Its checks passed." : "Its checks failed: do not cut it.";
  const zones = p.zones.slice(0, 8).map((z) => make("li", {},
    `${z.kind}: ${z.text}, ${number(z.area_mm2, 0)} mm²`));
  $("figures").replaceChildren(make("h2", {}, p.name), facts(entries), note(checked),
    zones.length ? make("ul", {}, ...zones) : "");
}

function joint(page) {
  const { data, state, ply } = page;
  if (!data.joints.length) return;
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  jointSection(svg, data.joints[state.run], ply().name);
  const runs = data.joints.map((j, k) => toggle(j.run, k === state.run, () => {
    state.run = k;
    joint(page);
  }));
  $("joint").replaceChildren(make("h2", {}, "Across the joint, thickness not to scale"),
    make("div", { className: "row" }, ...runs), svg);
}

export function findings({ data }) {
  if (!data.findings.length) return;
  const order = ["error", "risk", "warning", "note"];
  const sorted = [...data.findings].sort((a, b) => order.indexOf(a.level) - order.indexOf(b.level));
  $("findings").replaceChildren(make("h2", {}, "Findings"), make("ul", {},
    ...sorted.map((f) => make("li", {}, `${f.level}: ${f.where}: ${f.message}`,
      f.remedy ? make("span", { className: "note" }, `; ${f.remedy}`) : ""))));
}
