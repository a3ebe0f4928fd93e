// The panel of a candidate is painted anew whenever something was stored: what hands are at meanwhile stays.

/** Repaints `place`. The focus stays on its button; with `isSame`, so does what is typed, chosen and open. */
export function repaintUnderHands(place, isSame, repaint) {
  const focused = place.contains(document.activeElement) ? document.activeElement : null;
  const goesOn = focused && (isSame || focused.tagName === "BUTTON") ? selectorOf(focused) : null;
  const changed = isSame ? changesOf(place) : null;
  repaint();
  if (changed) restore(place, changed);
  if (goesOn) focusOn(place, goesOn);
}

function selectorOf(element) {
  if (element.id) return `#${element.id}`;
  const { answer, reason } = element.dataset;
  if (answer || reason) return answer ? `[data-answer="${answer}"]` : `[data-reason="${reason}"]`;
  const label = element.getAttribute("aria-label");
  return label && `[aria-label="${label}"]`;
}

/** A reason given has closed its list, which the answer to reject opens. */
function focusOn(place, selector) {
  const element = place.querySelector(selector);
  const target = element?.checkVisibility() ? element : place.querySelector('[data-answer="reject"]');
  if (element) target?.focus({ preventScroll: true });
}

function changesOf(place) {
  const fields = [...place.querySelectorAll("input[id], textarea[id], select[id]")].filter(isChanged);
  return {
    values: fields.map(({ id, value }) => [id, value]),
    folds: [...place.querySelectorAll("details[open] > summary")].map((summary) => summary.textContent),
    hasReasons: place.querySelector("#reasons-to-reject")?.hidden === false,
  };
}

function isChanged(field) {
  if (field.tagName !== "SELECT") return field.value !== field.defaultValue;
  return [...field.options].some((option) => option.selected !== option.defaultSelected);
}

function restore(place, { values, folds, hasReasons }) {
  for (const [id, value] of values) {
    const field = place.querySelector(`#${id}`);
    if (field) field.value = value;
  }
  for (const summary of place.querySelectorAll("details > summary")) {
    if (folds.includes(summary.textContent)) summary.parentElement.open = true;
  }
  const reasons = place.querySelector("#reasons-to-reject");
  if (reasons) reasons.hidden = !hasReasons;
}
