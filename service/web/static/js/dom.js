// Builds elements from text, never from markup, so that what people type stays text.

export const byId = (id) => document.getElementById(id);

/** An element; `properties` sets `class`, `data-*`/`aria-*` and other attributes, and `on…` listeners. */
export function el(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

export function fill(element, ...children) {
  element.replaceChildren(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  element.removeAttribute("aria-busy");
}

export function facts(list, pairs) {
  fill(list, pairs.filter(([, value]) => value !== null && value !== undefined && value !== "")
    .flatMap(([term, value]) => [el("dt", {}, term), el("dd", {}, value)]));
}

/** Repaints without taking the focus from a link that is still there. */
export function keepFocus(place, repaint) {
  const focused = place.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
  repaint();
  if (focused) place.querySelector(`a[href="${focused}"]`)?.focus();
}

/** A small SVG drawing; attributes only, since the page allows no inline style. */
export function svg(tag, attributes, ...children) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, String(value));
  element.append(...children);
  return element;
}

/** A state as symbol and words; `kind` is waits, works, done, empty or failed. */
export function stateMark(kind, symbol, words) {
  return el("span", { class: `state state-${kind}`, "data-symbol": symbol }, words);
}

/** Says a sentence to people who listen to the page. */
export function announce(sentence) {
  byId("announcer").textContent = sentence;
}
