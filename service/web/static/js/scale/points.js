// Two end points on a picture: clicked, dragged or typed; the numbers are what counts.

import { createMap } from "../reading/viewer.js";
import { cutEdgeTiles } from "../reading/tiles.js";
import { byId } from "../dom.js";
import { colorOf } from "../reading/mark-lines.js";

const L = window.L;
const FIELDS = [["x1", "y1"], ["x2", "y2"]];

export class Points {
  /** `picture` has `tiles_path`, `width`, `height`, `tile_size` and `zoom_levels`; `onChange()` runs when a number changed. */
  constructor(element, picture, onChange) {
    this.picture = picture;
    this.element = element;
    this.onChange = onChange;
    this.isOn = false;
    this.map = createMap(element, picture);
    const bounds = L.latLngBounds([0, 0], [picture.height, picture.width]);
    cutEdgeTiles(picture, bounds).addTo(this.map);
    this.drawn = L.layerGroup().addTo(this.map);
    this.map.setMaxBounds(bounds.pad(0.6));
    this.map.fitBounds(bounds, { animate: false });
    this.map.on("click", (event) => this.isOn && this.#place(event.latlng));
    new ResizeObserver(() => this.map.invalidateSize()).observe(element);
    for (const id of FIELDS.flat()) byId(id).addEventListener("input", () => this.#repaint());
  }

  /** Clicks set points only while this way of measuring is chosen. */
  turn(isOn) {
    this.isOn = isOn;
    this.element.classList.toggle("is-pointing", isOn);
    this.#repaint();
  }

  /** Both points as `[[x, y], [x, y]]`; a point is null until both its numbers are there. */
  read() {
    return FIELDS.map((ids) => {
      const values = ids.map((id) => byId(id).value);
      return values.includes("") ? null : values.map(Number);
    });
  }

  #place(latlng) {
    const [first, second] = this.read();
    const which = first && !second ? 1 : 0;
    if (first && second) for (const id of FIELDS[1]) byId(id).value = "";
    this.#write(which, latlng);
  }

  #write(which, { lat: y, lng: x }) {
    const inside = (value, most) => Math.round(Math.min(Math.max(value, 0), most) * 10) / 10;
    const [idX, idY] = FIELDS[which];
    byId(idX).value = inside(x, this.picture.width);
    byId(idY).value = inside(y, this.picture.height);
    this.#repaint();
  }

  #repaint() {
    this.drawn.clearLayers();
    const points = this.isOn ? this.read() : [null, null];
    if (points[0] && points[1]) {
      const line = points.map(([x, y]) => [y, x]);
      L.polyline(line, { color: colorOf("casing"), weight: 5, opacity: 0.7, interactive: false }).addTo(this.drawn);
      L.polyline(line, { color: colorOf("draw"), weight: 2, interactive: false }).addTo(this.drawn);
    }
    points.forEach((point, which) => point && this.#pin(point, which));
    this.onChange();
  }

  #pin([x, y], which) {
    const icon = L.divIcon({ className: "end-point", html: String(which + 1), iconSize: [22, 22], iconAnchor: [11, 32] });
    L.marker([y, x], { icon, draggable: true, keyboard: false, title: which ? "Second point" : "First point" })
      .on("dragend", (event) => this.#write(which, event.target.getLatLng()))
      .addTo(this.drawn);
  }
}
