// How much of the coverslip this picture shows, as a map: of its fields for a mosaic, of its parts otherwise.

import { get } from "../api.js";
import { byId, fill } from "../dom.js";
import { pictureMap, scanMap } from "../scan-map.js";

let stitchings;

export async function showSeenArea(area, desk) {
  const place = byId("seen-area");
  place.hidden = !area;
  if (!area) return;
  const { image, specimen } = desk;
  const preparation = specimen.preparations.find(({ id }) => id === image.preparation_id);
  // The map is worth no error of its own: without the stitching the picture's parts are shown.
  stitchings ??= get(`/api/preparations/${image.preparation_id}/stitchings`).catch(() => []);
  const row = (await stitchings).findLast(({ image_id: id, report }) => id === image.id && report);
  fill(place, row ? scanMap(row.report) : pictureMap(area, image, preparation?.coverslip_mm ?? null));
}
