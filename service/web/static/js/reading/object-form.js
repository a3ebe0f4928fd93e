// The form that gives a drawn box its group. It stays open, with the box, until the object is stored or given up.

import { byId, el, fill } from "../dom.js";
import { submitting } from "../page.js";

export function openObjectForm(desk, bbox) {
  const form = byId("object-form");
  byId("object-problem").textContent = "";
  byId("object-size").textContent = sizeWords(bbox, desk.image.calibration);
  fill(byId("object-group"), el("option", { value: "" }, "Choose a group"), desk.groupOptions());
  form.hidden = false;
  byId("object-group").focus();
  return new Promise((resolve) => waitForForm(form, resolve, () => send(form, desk, bbox)));
}

/** Whether a drawn box still waits for its group: then it says so, and leads to it. */
export function remindOfOpenBox() {
  if (byId("object-form").hidden) return false;
  byId("object-problem").textContent = "Add this object or cancel it first.";
  byId("object-group").focus();
  return true;
}

function waitForForm(form, resolve, onSubmit) {
  const listeners = new AbortController();
  const close = (result) => {
    listeners.abort();
    form.hidden = true;
    form.reset();
    resolve(result);
  };
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const stored = await onSubmit();
    if (stored) close(stored);
  }, { signal: listeners.signal });
  byId("object-cancel").addEventListener("click", () => close(null), { signal: listeners.signal });
}

function send(form, desk, bbox) {
  const body = { bbox, group: byId("object-group").value, remark: byId("object-remark")?.value.trim() || null };
  return submitting(form, byId("object-problem"), () => desk.addObject(body));
}

function sizeWords([, , width, height], calibration) {
  if (!calibration) return `Box of ${width.toFixed(0)} × ${height.toFixed(0)} px.`;
  const um = (value) => (value * calibration.um_per_px).toFixed(0);
  return `Box of ${um(width)} × ${um(height)} µm. A box around a tilted object is not its length and width.`;
}
