// How old the calibration is that the sizes on this page rest on.

import { get } from "../api.js";
import { byId } from "../dom.js";
import { countOf } from "../words.js";

/** One line under the scale; with a reminder where the calibration counts as old. Empty without a calibration. */
export async function showCalibrationAge(image) {
  const days = image.calibration_age_days;
  byId("used-calibration-age").textContent = "";
  if (days === null) return;
  // The line is an extra: the page goes on without the reminder.
  const listed = await get("/api/calibrations").catch(() => []);
  const isOld = listed.some((one) => one.id === image.calibration.id && one.is_old);
  byId("used-calibration-age").textContent = `Sizes rest on a calibration made ${days === 0 ? "today" : `${countOf(days, "day")} ago`}`
    + (isOld ? "; photograph a stage micrometer again soon." : ".");
}
