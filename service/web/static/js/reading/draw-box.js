// One box drawn by hand: dragged with mouse, pen or finger, or moved and sized with the arrow keys.

import { boxBounds } from "./viewer.js";
import { colorOf } from "./mark-lines.js";

const SMALLEST_PX = 4;
const START_SHARE = 0.15;

export class BoxDrawing {
  /** `onDone(bbox)` gets `[x, y, width, height]` in pixels of the picture; `onCancel` runs after Escape. */
  constructor(viewer, { onDone, onCancel }) {
    Object.assign(this, { viewer, map: viewer.map, onDone, onCancel, bbox: null });
    this.frame = window.L.rectangle([[0, 0], [0, 0]], { color: colorOf("draw"), weight: 3, dashArray: "6 3", interactive: false });
    this.listeners = new AbortController();
    this.#listen();
  }

  stop() {
    this.listeners.abort();
    this.frame.remove();
    this.map.dragging.enable();
    this.map.keyboard.enable();
    this.map.getContainer().classList.remove("is-drawing");
  }

  #listen() {
    const container = this.map.getContainer();
    const options = { signal: this.listeners.signal, capture: true };
    container.classList.add("is-drawing");
    this.map.dragging.disable();
    this.map.keyboard.disable();
    container.addEventListener("pointerdown", (event) => this.#begin(event), options);
    container.addEventListener("pointermove", (event) => this.#stretch(event), options);
    container.addEventListener("pointerup", () => this.#release(), options);
    document.addEventListener("keydown", (event) => this.#pressKey(event), options);
  }

  #begin(event) {
    if (event.button !== 0 || event.target.closest(".leaflet-control")) return;
    this.map.getContainer().setPointerCapture(event.pointerId);
    this.corner = this.#pointOf(event);
  }

  #stretch(event) {
    if (!this.corner) return;
    const point = this.#pointOf(event);
    const [x, y] = [Math.min(point.x, this.corner.x), Math.min(point.y, this.corner.y)];
    this.#show([x, y, Math.abs(point.x - this.corner.x), Math.abs(point.y - this.corner.y)]);
  }

  #release() {
    this.corner = null;
    if (this.bbox && this.bbox[2] >= SMALLEST_PX && this.bbox[3] >= SMALLEST_PX) this.#finish();
  }

  #pressKey(event) {
    if (event.key === "Escape") this.onCancel();
    else if (event.key === "Enter" && this.bbox) this.#finish();
    else if (event.key.startsWith("Arrow")) this.#nudge(event.key, event.shiftKey);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }

  #nudge(key, resizes) {
    if (!this.bbox) return this.#show(this.#boxInSight());
    const step = Math.max(1, this.#boxInSight()[2] / 15);
    const [dx, dy] = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[key];
    const [x, y, width, height] = this.bbox;
    const next = resizes ? [x, y, Math.max(SMALLEST_PX, width + dx), Math.max(SMALLEST_PX, height + dy)] : [x + dx, y + dy, width, height];
    return this.#show(next);
  }

  #boxInSight() {
    const sight = this.map.getBounds();
    const side = START_SHARE * Math.min(sight.getNorth() - sight.getSouth(), sight.getEast() - sight.getWest());
    const center = sight.getCenter();
    return [center.lng - side / 2, center.lat - side / 2, side, side];
  }

  #show(bbox) {
    this.bbox = this.#inside(bbox);
    this.frame.setBounds(boxBounds(this.bbox)).addTo(this.map);
  }

  #inside([x, y, width, height]) {
    const { width: imageWidth, height: imageHeight } = this.viewer.image;
    const [left, top] = [clamp(x, 0, imageWidth - 1), clamp(y, 0, imageHeight - 1)];
    return [left, top, Math.min(width, imageWidth - left), Math.min(height, imageHeight - top)];
  }

  #finish() {
    this.onDone(this.bbox.map((value) => Math.round(value * 10) / 10));
  }

  #pointOf(event) {
    const { width, height } = this.viewer.image;
    const place = this.map.mouseEventToLatLng(event);
    return { x: clamp(place.lng, 0, width), y: clamp(place.lat, 0, height) };
  }
}

const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
