// The page: plies in the order of lay-up, each in its mould and flat; a tap shows the shear.

import { make } from "./dom.js";
import { Live } from "./live.js";
import { findings, panels, readout } from "./panels.js";
import { PatternView } from "./pattern.js";
import { Sheet } from "./sheet.js";
import { unpack } from "./unpack.js";
import { View3D } from "./view3d.js";

const $ = (id) => document.getElementById(id);
const data = unpack(JSON.parse($("scene").textContent));
const state = { ply: 0, sheet: null, place: null, from: null, laps: null, yarns: true, mould: true,
  step: -1, run: 0, measuring: false };
const view = new View3D($("view"), data, (hit) => {
  mark(hit ? state.sheet.at(hit.face, state.sheet.weights(hit.face, hit.point)) : null);
});
const pattern = new PatternView($("pattern"), ([x, y]) => tell(x, y));
const live = new Live(data.live ?? null);
const ply = () => data.plies[state.ply];
const page = { data, state, view, pattern, live, ply, choose, replace, say, again };

function mark(place) {
  if (state.measuring && place && state.place) state.from = state.place;
  else if (!state.measuring) state.from = null;
  state.place = place;
  view.mark(place);
  pattern.point(place ? place.flat : null);
  readout(page);
  again();
}

// A tap on the cloth by its coordinates.
function tell(x, y) {
  mark(state.sheet ? state.sheet.find(x, y) : null);
}

function choose(index, look = true) {
  Object.assign(state, { ply: index, place: null, from: null, step: -1 });
  state.sheet = ply().sheet ? new Sheet(ply().sheet) : null;
  view.show(ply(), state.sheet, look);
  view.laps(ply(), state.laps);
  view.zones(ply().zones);
  view.strokes([], -1);
  pattern.show(ply());
  panels(page);
  again();
}

function again() {
  live.panel($("try"), page);
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
$("caution").textContent = data.caution;
findings(page);
choose(0);
// For scripts that drive the page.
window.plywright = { ...page, tell, ready: true };
