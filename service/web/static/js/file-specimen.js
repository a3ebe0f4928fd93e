import { post } from "./api.js";
import { byId } from "./dom.js";
import { startPage, submitting } from "./page.js";
import { adviseOn } from "./preparation-advice.js";

const form = byId("specimen-form");
const problem = byId("specimen-problem");

await startPage();
form.prepared_at.value = localNow();
form.addEventListener("input", showAdvice);
byId("solution").addEventListener("change", useSolution);
form.addEventListener("submit", fileSpecimen);
showAdvice();

function useSolution(event) {
  const option = event.target.selectedOptions[0];
  byId("other-solution-field").hidden = option.value !== "";
  if (option.dataset.sg) form.specific_gravity.value = option.dataset.sg;
  showAdvice();
}

function showAdvice() {
  const advice = adviseOn(readForm());
  for (const place of form.querySelectorAll("[data-advice]")) {
    const { words = "", isWarning = false } = advice[place.dataset.advice] ?? {};
    if (place.textContent !== words) place.textContent = words;
    place.classList.toggle("take-note", isWarning);
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
    standing_min: numberOrNull(form.standing_min),
    coverslip_mm: numberOrNull(form.coverslip_mm),
    prepared_at: form.prepared_at.value ? new Date(form.prepared_at.value).toISOString() : null,
  };
}

function numberOrNull(field) {
  return field.value === "" ? null : Number(field.value);
}

function localNow() {
  const now = new Date();
  return new Date(now.getTime() - now.getTimezoneOffset() * 60_000).toISOString().slice(0, 16);
}
