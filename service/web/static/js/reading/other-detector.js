// Candidates by another detector beside those that are there.

import { get, post } from "../api.js";
import { byId, el, fill } from "../dom.js";
import { submitting, withProblem } from "../page.js";

/** Offers it where the hospital has more than the detector that came with the service. */
export async function offerOtherDetector(desk) {
  const [form, problem, choice] = [byId("detector-form"), byId("detector-problem"), byId("detector-choice")];
  const { detectors } = await withProblem(problem, () => get("/api/detectors")) ?? { detectors: [] };
  form.hidden = detectors.length < 2;
  fill(choice, detectors.map((one) => el("option", { value: one.weights_sha256 }, one.is_in_use ? `${one.name} (in use)` : one.name)));
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { detector_sha256: choice.value };
    if (await submitting(form, problem, () => post(`/api/images/${desk.image.id}/proposals`, body))) location.assign(`/reading/${desk.image.id}`);
  });
}
