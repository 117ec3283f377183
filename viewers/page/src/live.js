// Another start, computed by the program that served the page; nothing of it in a saved page.

import { make, number } from "./dom.js";

export class Live {
  constructor(access) {
    this.access = access;
    this.busy = false;
    this.turn = 0;
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

  panel(node, page) {
    if (!this.access) return;
    const { state, ply } = page;
    const here = ply();
    const tried = here.before !== undefined;
    const angle = make("input", { type: "range", min: -90, max: 90, step: 1,
      value: Math.round(here.angle_deg), "aria-label": "angle of the warp, degrees" });
    const shown = make("span", {}, `${angle.value}°`);
    angle.addEventListener("input", () => (shown.textContent = `${angle.value}°`));
    const ask = async () => {
      if (this.busy) return;
      this.busy = true;
      const began = performance.now();
      try {
        const point = state.place ? state.place.point : Array.from(here.start.point);
        const value = await this.post("drape", { ply: state.ply, point, angle_deg: +angle.value });
        page.replace(value.ply);
        this.took = performance.now() - began;
      } catch (error) {
        page.say(error.message);
      } finally {
        this.busy = false;
      }
    };
    const keep = async () => {
      try {
        await this.post("keep", { ply: state.ply, point: Array.from(here.start.point),
          angle_deg: here.angle_deg });
        page.say("Written to the job. Run it again for patterns to cut.");
      } catch (error) {
        page.say(error.message);
      }
    };
    const start = make("button", { disabled: !here.start, on: { click: ask } },
      state.place ? "start it here" : "turn it");
    start.id = "start-here";
    const write = make("button", { disabled: !tried, on: { click: keep } }, "write to the job");
    write.id = "keep";
    const rows = tried && here.figures && here.before.figures
      ? make("p", { className: "note" },
        `greatest shear ${number(here.before.figures.max_shear_deg)}° → ${
          number(here.figures.max_shear_deg)}°`)
      : null;
    node.replaceChildren(make("h2", {}, "Try another start"),
      make("p", { className: "note" }, "Tap a place, set the angle."),
      make("label", {}, "warp at ", shown, angle),
      make("div", { className: "row" }, start, write), rows ?? "");
  }
}
