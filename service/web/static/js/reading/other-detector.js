// Candidates by another detector beside those that are there.

import { get, post } from "../api.js";
import { byId, el, fill } from "../dom.js";
import { submitting } from "../page.js";

let isOneOfSeveral = false;

/** Offers it where the hospital has more than the detector that came with the service. */
export async function offerOtherDetector(desk) {
  const [form, problem, choice] = [byId("detector-form"), byId("detector-problem"), byId("detector-choice")];
  const { detectors } = await get("/api/detectors").catch(() => ({ detectors: [] }));
  isOneOfSeveral = detectors.length > 1;
  showDetectorButton(desk);
  fill(choice, detectors.map((one) => el("option", { value: one.weights_sha256 }, one.is_in_use ? `${one.name} (in use)` : one.name)));
  byId("detector-button").addEventListener("click", () => byId("detector-dialog").showModal());
  byId("detector-cancel").addEventListener("click", () => byId("detector-dialog").close());
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { detector_sha256: choice.value };
    if (await submitting(form, problem, () => post(`/api/images/${desk.image.id}/proposals`, body))) location.assign(`/reading/${desk.image.id}`);
  });
}

/** A sign-off freezes it, as it does the scale. */
export function showDetectorButton(desk) {
  byId("detector-button").hidden = !isOneOfSeveral || Boolean(desk.specimen.signed_off);
}
