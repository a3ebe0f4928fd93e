// The stops of a guided read: pass by pass, there and back, each stop showing a little of the one before.

const SHARED = 0.15;
const ZOOM_STEPS = 4;

/**
 * Stops as `{x, y, zoom, pass, passes}` in pixels of the picture. `sizeXY` is the viewer's on the screen, `least` the
 * screen pixels that one pixel of the picture needs, `cellPx` the cell that must fit whole into what stops share.
 */
export function planStops({ width, height, zoomLevels, sizeXY, least, cellPx }) {
  const steps = Math.ceil(ZOOM_STEPS * Math.log2(least) - 1e-6);
  const zoom = zoomLevels - 1 + steps / ZOOM_STEPS;
  const scale = 2 ** (steps / ZOOM_STEPS);
  const columns = middles(width, sizeXY[0] / scale, cellPx);
  const rows = middles(height, sizeXY[1] / scale, cellPx);
  return rows.flatMap((y, pass) => (pass % 2 ? [...columns].reverse() : columns).map((x) => ({ x, y, zoom, pass, passes: rows.length })));
}

function middles(length, view, cellPx) {
  if (view >= length) return [length / 2];
  const step = Math.max(view / 4, Math.min(view * (1 - SHARED), view - 1.05 * cellPx));
  const count = Math.ceil((length - view) / step) + 1;
  return Array.from({ length: count }, (_, index) => view / 2 + (index * (length - view)) / (count - 1));
}

/** The stop whose middle lies nearest to a place. */
export function nearestStop(stops, { x, y }) {
  const far = stops.map((stop) => Math.hypot(stop.x - x, stop.y - y));
  return far.indexOf(Math.min(...far));
}
