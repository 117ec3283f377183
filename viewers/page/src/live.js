// Another start, computed by the program that served the page; nothing of it in a saved page.

import { make, number } from "./dom.js";

const STEP = 0.5; // degrees the slider moves by; an angle that isn't on a step is kept as it is

export class Live {
  constructor(access) {
    this.access = access;
    this.busy = false;
    this.angles = new Map(); // ply -> the angle that is wanted, from the slider
  }

  async post(path, body) {
    const answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Plywright-Token": this.access.token },
      body: JSON.stringify(body),
    });
    const value = await answer.json();
    if (!answer.ok) throw new Error(value.error ?? `refused (${answer.status})`);
    return value;
  }

  // Drape the shown ply again; the answer belongs to it, whichever is shown when it comes.
  async ask(page, index, body) {
    this.busy = true;
    page.again();
    const began = performance.now();
    try {
      const value = await this.post("drape", { ply: index, ...body });
      this.angles.delete(index);
      page.replace(index, value.ply);
      this.took = performance.now() - began;
    } catch (error) {
      page.say(error.message);
    } finally {
      this.busy = false;
      page.again();
    }
  }

  async keep(page, index, here) {
    try {
      await this.post("keep", { ply: index, point: Array.from(here.start.point),
        angle_deg: here.angle_deg });
      page.say(`${here.name}: saved to the job. Run the job again for patterns to cut.`);
    } catch (error) {
      page.say(error.message);
    }
  }

  slider(index, here) {
    const wanted = () => this.angles.get(index) ?? here.angle_deg;
    const shown = make("span", {}, `${number(wanted())}°`);
    const input = make("input", { type: "range", "aria-label": "angle of the warp, degrees" });
    // the ends first: a value is cut to those that stand when it is set
    Object.assign(input, { min: -90, max: 90, step: STEP });
    input.value = halfTurn(wanted());
    input.id = "angle";
    input.addEventListener("input", () => {
      this.angles.set(index, +input.value);
      shown.textContent = `${number(wanted())}°`;
    });
    return { wanted, label: make("label", {}, "angle of the warp ", shown, input) };
  }

  panel(node, page) {
    if (!this.access) return;
    const { state, ply } = page;
    const index = state.ply;
    const here = ply();
    const given = here.before ?? here;
    const begin = here.start ?? given.start;
    const { wanted, label } = this.slider(index, here);
    const start = make("button", { disabled: !begin || this.busy, on: { click: () => {
      const point = state.place ? state.place.point : Array.from(begin.point);
      if (!this.busy) this.ask(page, index, { point, angle_deg: wanted() });
    } } }, this.busy ? "draping…" : state.place ? "start here" : "turn the warp");
    start.id = "start-here";
    const write = make("button", {
      disabled: !here.trial || !here.start || this.busy,
      on: { click: () => this.keep(page, index, here) },
    }, "save to the job");
    write.id = "keep";
    const rows = here.trial && here.figures && given.figures
      ? make("p", { className: "note" },
        `greatest shear ${number(given.figures.max_shear_deg)}° → ${
          number(here.figures.max_shear_deg)}°`)
      : "";
    node.replaceChildren(make("h2", {}, "Try another start"),
      make("p", { className: "note" }, "Tap a place and set the angle."),
      label, make("div", { className: "row" }, start, write), rows);
  }
}

// The same warp line between −90° and 90°.
function halfTurn(deg) {
  return deg - 180 * Math.round(deg / 180);
}
