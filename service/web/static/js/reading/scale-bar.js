// A bar of round length: micrometres where the picture is calibrated, its own pixels otherwise.

const TARGET_PX = 130;

export function scaleBar(image) {
  const L = window.L;
  const ScaleBar = L.Control.extend({
    options: { position: "bottomleft" },
    onAdd(map) {
      this.box = L.DomUtil.create("div", "scale-bar");
      this.words = L.DomUtil.create("span", "", this.box);
      this.line = L.DomUtil.create("span", "scale-bar-line", this.box);
      map.on("zoom zoomend", this.update, this);
      map.whenReady(this.update, this);
      return this.box;
    },
    onRemove(map) { map.off("zoom zoomend", this.update, this); },
    update() { showLength(this, this._map, image); },
  });
  return new ScaleBar();
}

function showLength({ words, line }, map, image) {
  const screenPerPixel = map.getZoomScale(map.getZoom(), image.zoom_levels - 1);
  const unitsPerPixel = image.calibration?.um_per_px ?? 1;
  const length = roundDown(TARGET_PX / screenPerPixel * unitsPerPixel);
  words.textContent = image.calibration ? `${length} µm` : `${length} px of the picture`;
  line.style.width = `${(length / unitsPerPixel) * screenPerPixel}px`;
}

/** The largest 1, 2 or 5 times a power of ten that is not above `value`. */
export function roundDown(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  const lead = [5, 2, 1].find((step) => step * power <= value) ?? 1;
  return Number((lead * power).toPrecision(1));
}
