// Tiles of one picture. Leaflet stretches each tile to a full square; tiles at the right and lower edge are cut,
// so each keeps the size that it came with, and half a pixel over so that no seam shows between zoom levels.

const SEAM_PX = 0.5;

/** `image.tiles_path` says where the tiles are, when it is no image of a specimen. */
export function cutEdgeTiles(image, bounds) {
  const L = window.L;
  const layer = L.tileLayer(`${image.tiles_path ?? `/api/images/${image.id}/tiles`}/{z}/{x}/{y}.jpg`, {
    tileSize: image.tile_size, minNativeZoom: 0, maxNativeZoom: image.zoom_levels - 1, minZoom: -10,
    maxZoom: image.zoom_levels + 10, bounds, noWrap: true,
  });
  layer.on("tileload", ({ tile }) => {
    tile.style.width = `${tile.naturalWidth + SEAM_PX}px`;
    tile.style.height = `${tile.naturalHeight + SEAM_PX}px`;
  });
  return layer;
}
