import { post } from "./api.js";
import { byId, fill } from "./dom.js";
import { startPage, submitting } from "./page.js";
import { adviceItem, getAdvice, toConsider } from "./preparation-advice.js";

const ADVICE_DELAY_MS = 300;
const form = byId("specimen-form");
const problem = byId("specimen-problem");
let adviceTimer;
let timesAsked = 0;

await startPage();
form.prepared_at.value = localNow();
form.addEventListener("input", askSoon);
byId("solution").addEventListener("change", useSolution);
form.addEventListener("submit", fileSpecimen);
askForAdvice();

function useSolution(event) {
  const option = event.target.selectedOptions[0];
  byId("other-solution-field").hidden = option.value !== "";
  if (option.dataset.sg) form.specific_gravity.value = option.dataset.sg;
  askSoon();
}

function askSoon() {
  clearTimeout(adviceTimer);
  adviceTimer = setTimeout(askForAdvice, ADVICE_DELAY_MS);
}

/** Without an answer the last advice stays: filing goes on without any. */
async function askForAdvice() {
  const asked = ++timesAsked;
  const advice = await getAdvice(readForm()).catch(() => null);
  if (advice && asked === timesAsked) showAdvice(toConsider(advice));
}

function showAdvice(advice) {
  for (const place of form.querySelectorAll("[data-advice]")) {
    const items = advice.filter(({ field }) => field === place.dataset.advice).map(adviceItem);
    // What still holds is left alone, so that it isn't read aloud again.
    if (place.textContent !== items.map((item) => item.textContent).join("")) fill(place, items);
  }
}

async function fileSpecimen(event) {
  event.preventDefault();
  const missing = [...form.elements].find((field) => field.willValidate && !field.validity.valid);
  if (missing) return complain(missing);
  const specimen = await submitting(form, problem, () => post("/api/specimens", readForm()));
  if (specimen) location.assign(`/specimens/${specimen.id}`);
}

function complain(field) {
  problem.textContent = `${form.querySelector(`label[for="${field.id}"]`).textContent}: ${field.validationMessage}`;
  field.setAttribute("aria-invalid", "true");
  field.addEventListener("input", () => field.removeAttribute("aria-invalid"), { once: true });
  field.focus();
}

function readForm() {
  return {
    code: form.code.value.trim(),
    species: form.species.value,
    animal_label: form.animal_label.value.trim(),
    collected_on: form.collected_on.value || null,
    remarks: form.remarks.value.trim(),
    preparation: readPreparation(),
  };
}

function readPreparation() {
  return {
    method: form.method.value,
    solution: form.solution.value || form.other_solution.value.trim(),
    specific_gravity: numberOrNull(form.specific_gravity),
    sample_g: numberOrNull(form.sample_g),
    consistency: form.consistency.value || null,
    standing_min: numberOrNull(form.standing_min),
    coverslip_mm: numberOrNull(form.coverslip_mm),
    vial_ml: numberOrNull(form.vial_ml),
    vial_mouth_mm: numberOrNull(form.vial_mouth_mm),
    objectives: readObjectives(),
    prepared_at: form.prepared_at.value ? new Date(form.prepared_at.value).toISOString() : null,
  };
}

function readObjectives() {
  const ticked = [...form.querySelectorAll("[name=objectives]:checked")].map((box) => Number(box.value));
  return ticked.length ? ticked : null;
}

/** What the field doesn't allow is told at filing; until then it counts as not filled in. */
function numberOrNull(field) {
  return field.value === "" || !field.validity.valid ? null : Number(field.value);
}

function localNow() {
  const now = new Date();
  return new Date(now.getTime() - now.getTimezoneOffset() * 60_000).toISOString().slice(0, 16);
}
