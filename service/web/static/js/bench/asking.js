// A form that asks anew at every change; a late answer never undoes a later one.

import { get } from "../api.js";
import { withProblem } from "../page.js";

const DELAY_MS = 200;

/** Asks `path` with what `read` gives, at once and after every change, and hands each answer to `show`. */
export function askOnChange(form, { path, read, show, problem }) {
  let timer;
  let timesAsked = 0;
  async function ask() {
    const mine = ++timesAsked;
    const wrong = [...form.elements].find((field) => field.willValidate && !field.validity.valid);
    for (const field of form.elements) field.toggleAttribute("aria-invalid", field === wrong);
    if (wrong) {
      problem.textContent = `${wrong.labels[0].textContent}: ${wrong.validationMessage}`;
      return;
    }
    const asked = Object.entries(read(form)).filter(([, value]) => value !== "" && value !== null && value !== undefined);
    const answer = await withProblem(problem, () => get(`${path}?${new URLSearchParams(asked)}`));
    if (answer && mine === timesAsked) show(answer);
  }
  form.addEventListener("submit", (event) => { event.preventDefault(); ask(); });
  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(ask, DELAY_MS);
  });
  return ask();
}

export const fieldsOf = (form) => Object.fromEntries(new FormData(form));
