// The guided read: buttons and keys that go stop by stop, the group it is read for, and the map of what was shown.

import { announce, byId, el, fill } from "../dom.js";
import { planStops, nearestStop } from "./serpentine.js";
import { sightMap, shownWords } from "./sight-map.js";
import { Sight, viewOf } from "./sight.js";

export async function startGuide(desk) {
  if (!desk.canMark()) return;
  const guide = new Guide(desk);
  desk.guide = guide;
  byId("guide").hidden = false;
  byId("next-stop").addEventListener("click", () => guide.step(1));
  byId("previous-stop").addEventListener("click", () => guide.step(-1));
  byId("resume-stop").addEventListener("click", () => guide.resume());
  byId("guide-group").addEventListener("change", ({ target }) => guide.chooseGroup(target.value));
  desk.viewer.map.on("moveend", () => guide.showMap());
  await guide.start();
}

class Guide {
  constructor(desk) {
    this.desk = desk;
    this.sight = new Sight(desk, (state) => this.#show(state));
    this.at = null;
  }

  async start() {
    this.lastPlace = await this.sight.start();
    byId("guide-group").value = this.sight.state?.group ?? "";
    byId("resume-stop").hidden = !this.lastPlace || this.lastPlace.stop === null;
  }

  async chooseGroup(name) {
    await this.sight.chooseGroup(name);
    this.at = null;
  }

  /** The first step goes to the first stop; later ones from where the guide was. */
  step(by) {
    const stops = this.#stops();
    if (!stops.length) return;
    const next = this.at === null ? 0 : this.at + by;
    if (next < 0 || next >= stops.length) return announce(next < 0 ? "This is the first stop." : "This was the last stop: the whole picture has been passed.");
    this.#goTo(stops, next);
  }

  resume() {
    const stops = this.#stops();
    if (stops.length && this.lastPlace) this.#goTo(stops, nearestStop(stops, this.lastPlace));
  }

  #goTo(stops, index) {
    const { x, y, zoom, pass, passes } = stops[index];
    this.at = index;
    this.sight.stop = index;
    byId("resume-stop").hidden = true;
    this.desk.viewer.map.setView([y, x], zoom, { animate: false });
    const words = `Pass ${pass + 1} of ${passes}, stop ${index + 1} of ${stops.length}`;
    byId("guide-stop").textContent = words;
    announce(words);
  }

  #stops() {
    const { state } = this.sight;
    if (!state) return [];
    const { image, viewer } = this.desk;
    const { x, y } = viewer.map.getSize();
    return planStops({ width: image.width, height: image.height, zoomLevels: image.zoom_levels, sizeXY: [x, y], least: state.least_screen_per_px, cellPx: state.cell_px });
  }

  #show(state) {
    this.#showGroups(state);
    this.showMap();
  }

  showMap() {
    const { state } = this.sight;
    if (!state) return;
    const gaps = this.desk.gaps ?? [];
    fill(byId("guide-map"), sightMap(state, this.desk.image, viewOf(this.desk.viewer).bbox, gaps));
    byId("guide-words").textContent = shownWords(state, gaps);
  }

  #showGroups({ groups, group }) {
    const select = byId("guide-group");
    if (select.options.length) return;
    const fitting = groups.filter((one) => one.least_screen_per_px !== null).sort((a, b) => a.smallest_width_um - b.smallest_width_um);
    fill(select, fitting.map((one) => el("option", { value: one.name, selected: one.name === group }, `${one.label}, ${one.smallest_width_um} µm and more`)));
    byId("guide-group-field").hidden = fitting.length === 0;
  }
}
