// The picture under the lens: tiles, outlines, scale bar. One unit of the map is one pixel of the picture, y down.

import { cutEdgeTiles } from "./tiles.js";
import { scaleBar } from "./scale-bar.js";
import { MARK_LINES, colorOf } from "./mark-lines.js";

const L = window.L;
const OVERZOOM = 3;
const ROOM_AROUND = 5;
const LEAST_SIDE_PX = 18;
const LEAST_JUDGED_PX = 60;
const FLAG_ROOM_PX = 32;
const MARGIN_PX = 52;
const isCalm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;

export class Viewer {
  /** `onPick(id)` runs when an outline is clicked. */
  constructor(element, image, onPick) {
    this.image = image;
    this.onPick = onPick;
    this.map = createMap(element, image);
    this.bounds = L.latLngBounds([0, 0], [image.height, image.width]);
    this.tiles = cutEdgeTiles(image, this.bounds).addTo(this.map);
    this.outlines = L.layerGroup().addTo(this.map);
    scaleBar(image).addTo(this.map);
    this.map.setMaxBounds(this.bounds.pad(0.6));
    this.showWhole();
    this.map.on("zoomend", () => this.shown && this.showItems(...this.shown));
    new ResizeObserver(() => this.map.invalidateSize()).observe(element);
  }

  showWhole() {
    this.map.fitBounds(this.bounds, { animate: false });
  }

  toggleOutlines() {
    if (this.map.hasLayer(this.outlines)) this.outlines.remove();
    else this.outlines.addTo(this.map);
    return this.map.hasLayer(this.outlines);
  }

  /** Draws every item's box; the current one last, with its outline and rank. */
  showItems(items, currentId) {
    this.shown = [items, currentId];
    this.outlines.clearLayers();
    for (const item of items) if (item.id !== currentId) this.#drawBox(item, false);
    const current = items.find((item) => item.id === currentId);
    if (!current) return;
    this.#drawBox(current, true);
    if (current.ellipse) this.#drawEllipse(current.ellipse);
  }

  /** Moves so that the item is in sight, and zooms only if it is too small or too large to judge. */
  showItem(item) {
    const zoom = this.#zoomFor(item.bbox);
    this.map.setView(this.#centerFor(item.bbox, zoom), zoom, { animate: !isCalm });
  }

  isTooSmall({ bbox }) {
    return this.#sideOnScreen(bbox) < LEAST_JUDGED_PX;
  }

  #zoomFor(bbox) {
    const side = this.#sideOnScreen(bbox);
    const room = this.map.getSize();
    if (side >= LEAST_JUDGED_PX && side <= Math.min(room.x, room.y) / 1.5) return this.map.getZoom();
    return this.map.getBoundsZoom(boxBounds([0, 0, bbox[2] * ROOM_AROUND, bbox[3] * ROOM_AROUND]));
  }

  #sideOnScreen([, , width, height]) {
    return Math.max(width, height) * this.map.getZoomScale(this.map.getZoom(), this.image.zoom_levels - 1);
  }

  /** The middle of the box; near an edge, as far in as the picture fills the view but for a margin for the scale bar. */
  #centerFor([x, y, width, height], zoom) {
    const screenPerPixel = this.map.getZoomScale(zoom, this.image.zoom_levels - 1);
    const room = this.map.getSize().subtract([2 * MARGIN_PX, 2 * MARGIN_PX]).divideBy(2 * screenPerPixel);
    return [inside(y + height / 2, room.y, this.image.height), inside(x + width / 2, room.x, this.image.width)];
  }

  #drawBox(item, isCurrent) {
    const line = MARK_LINES[item.current?.answer ?? "none"];
    const box = boxBounds(this.#visibleBox(item.bbox));
    const weight = isCurrent ? 4 : 2.5;
    const casing = { color: colorOf("casing"), weight: weight + 2.5, opacity: 0.75, interactive: false, fill: false };
    L.rectangle(box, casing).addTo(this.outlines);
    L.rectangle(box, { color: colorOf(line.color), weight, dashArray: line.dash, lineCap: "butt", fillOpacity: 0 })
      .on("click", () => this.onPick(item.id))
      .bindTooltip(item.name, { className: "rank-flag", direction: "top", sticky: true })
      .addTo(this.outlines);
    if (isCurrent) this.#flag(item);
  }

  /** A small box is drawn larger while the picture is far away, or its line style could not be told. */
  #visibleBox([x, y, width, height]) {
    const least = LEAST_SIDE_PX / this.map.getZoomScale(this.map.getZoom(), this.image.zoom_levels - 1);
    const [growX, growY] = [Math.max(0, least - width), Math.max(0, least - height)];
    return [x - growX / 2, y - growY / 2, width + growX, height + growY];
  }

  /** Above the box, or below it where the picture leaves no room above. */
  #flag({ name, bbox: [x, y, width, height] }) {
    const isAbove = y * this.map.getZoomScale(this.map.getZoom(), this.image.zoom_levels - 1) > FLAG_ROOM_PX;
    const place = { direction: isAbove ? "top" : "bottom", offset: [0, isAbove ? -6 : 6] };
    L.tooltip([isAbove ? y : y + height, x + width / 2], { className: "rank-flag", permanent: true, content: name, ...place }).addTo(this.outlines);
  }

  #drawEllipse(ellipse) {
    const points = ellipsePoints(ellipse);
    L.polygon(points, { color: colorOf("casing"), weight: 3.5, opacity: 0.7, fill: false, interactive: false }).addTo(this.outlines);
    L.polygon(points, { color: colorOf("draw"), weight: 1.5, fill: false, interactive: false }).addTo(this.outlines);
  }
}

/** Leaflet's scale is 2^zoom; full size sits at the last zoom level. */
export function createMap(element, image) {
  const perPixel = 1 / 2 ** (image.zoom_levels - 1);
  const crs = L.extend({}, L.CRS.Simple, { transformation: new L.Transformation(perPixel, 0, perPixel, 0) });
  return L.map(element, {
    crs, preferCanvas: true, attributionControl: false, zoomSnap: 0.25, zoomDelta: 0.5, wheelPxPerZoomLevel: 90,
    minZoom: -3, maxZoom: image.zoom_levels - 1 + OVERZOOM, zoomAnimation: !isCalm, fadeAnimation: !isCalm,
    maxBoundsViscosity: 0.6,
  });
}

function inside(middle, halfRoom, length) {
  return halfRoom * 2 >= length ? length / 2 : Math.min(Math.max(middle, halfRoom), length - halfRoom);
}

export function boxBounds([x, y, width, height]) {
  return L.latLngBounds([y, x], [y + height, x + width]);
}

function ellipsePoints({ cx, cy, length_px: length, width_px: width, angle_deg: angle }) {
  const tilt = (angle * Math.PI) / 180;
  return Array.from({ length: 64 }, (_, step) => {
    const turn = (step / 64) * 2 * Math.PI;
    const along = (length / 2) * Math.cos(turn);
    const across = (width / 2) * Math.sin(turn);
    return [cy + along * Math.sin(tilt) + across * Math.cos(tilt), cx + along * Math.cos(tilt) - across * Math.sin(tilt)];
  });
}
