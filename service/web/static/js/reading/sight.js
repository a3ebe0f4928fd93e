// What of the picture is on the screen, and where the reader is: kept on the server, for this reader alone.

import { get, post } from "../api.js";

const SETTLED_MS = 500;

export class Sight {
  /** `onChange(state)` gets the server's answer: cells that were large enough on the screen, and the place. */
  constructor(desk, onChange) {
    Object.assign(this, { desk, onChange, path: `/api/images/${desk.image.id}/reading-place`, stop: null, group: null });
  }

  /** Resolves with the place of the last time; then what is in sight is noted at every stop of the picture. */
  async start() {
    this.#take(await get(this.path).catch(() => null));
    const place = this.state?.place ?? null;
    const wasFor = this.state?.groups.find((one) => one.name === place?.group && one.least_screen_per_px !== null);
    if (wasFor) await this.chooseGroup(wasFor.name);
    this.hasLeftStop = (place?.stop ?? null) !== null;
    const { map } = this.desk.viewer;
    map.on("moveend zoomend resize", () => this.#later());
    this.#later();
    return place;
  }

  async chooseGroup(group) {
    this.group = group;
    this.#take(await get(this.#address()).catch(() => null));
  }

  #later() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.#note(), SETTLED_MS);
  }

  /** Tiles that have not come show nothing, so a view counts once they are there. */
  async #note() {
    const { map, tiles } = this.desk.viewer;
    if (tiles.isLoading() || document.hidden) return this.#later();
    const view = viewOf(this.desk.viewer);
    const [x, y, width, height] = view.bbox;
    const inside = (value, most) => Math.min(Math.max(value, 0), most);
    // The stop of the last time is kept until the guide goes on.
    const place = this.hasLeftStop && this.stop === null ? null : {
      x: inside(x + width / 2, this.desk.image.width), y: inside(y + height / 2, this.desk.image.height),
      screen_per_px: view.screen_per_px, stop: this.stop, group: this.group ?? this.state?.group ?? null,
    };
    if (!map.getContainer().isConnected || width <= 0 || height <= 0) return undefined;
    // A lost answer costs a few cells of the map, which a look back brings again.
    return this.#take(await post(this.#address(), { views: [view], place }).catch(() => null));
  }

  #address() {
    const group = this.group ?? this.state?.group;
    return group ? `${this.path}?group=${encodeURIComponent(group)}` : this.path;
  }

  #take(state) {
    if (!state) return;
    this.state = state;
    this.onChange(state);
  }
}

/** The part of the picture in sight, and screen pixels for one of its own. */
export function viewOf({ map, image }) {
  const sight = map.getBounds();
  const bbox = [sight.getWest(), sight.getSouth(), sight.getEast() - sight.getWest(), sight.getNorth() - sight.getSouth()];
  return { bbox, screen_per_px: map.getZoomScale(map.getZoom(), image.zoom_levels - 1) };
}
