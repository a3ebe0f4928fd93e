// Another scale for a picture: new candidates are made, the old ones and their marks stay on record.

import { post } from "../api.js";
import { byId } from "../dom.js";
import { submitting } from "../page.js";
import { readScale, startScaleChoice } from "../scale-choice.js";
import { figure, scaleWords } from "../words.js";

/** Offers it as long as nothing is frozen; a picture that could not be assessed gets another try this way. */
export async function offerScaleCorrection(desk) {
  const [button, form, problem] = [byId("scale-button"), byId("scale-form"), byId("scale-problem")];
  showScaleButton(desk);
  byId("scale-now").textContent = `Scale used so far: ${desk.image.calibration ? scaleWords(desk.image.calibration) : "unknown"}.`;
  button.addEventListener("click", () => byId("scale-dialog").showModal());
  byId("measure-in-picture").href = `/images/${desk.image.id}/scale`;
  offerFileScale(desk, form, problem);
  byId("scale-cancel").addEventListener("click", () => byId("scale-dialog").close());
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const scale = readScale(problem);
    if (scale && await submitting(form, problem, () => post(`/api/images/${desk.image.id}/proposals`, scale))) {
      location.assign(`/reading/${desk.image.id}`);
    }
  });
  await startScaleChoice(problem);
}

/** What the file says counts only once a person has confirmed it here. */
function offerFileScale(desk, form, problem) {
  const [button, stated] = [byId("file-scale-button"), desk.image.file_scale];
  button.hidden = !stated;
  if (!stated) return;
  button.textContent = `Confirm what the file says: ${figure(stated.um_per_px)} µm per pixel (${stated.source})`;
  button.addEventListener("click", async () => {
    if (await submitting(form, problem, () => post(`/api/images/${desk.image.id}/proposals`, { confirm_file_scale: true }))) {
      location.assign(`/reading/${desk.image.id}`);
    }
  });
}

/** Assistants may correct a scale as they may state it; a sign-off freezes it for all. */
export function showScaleButton(desk) {
  byId("scale-button").hidden = Boolean(desk.specimen.signed_off);
}
