// The best places found so far, while the picture is still looked through: to look at, not to mark.

import { get, post } from "../api.js";
import { byId, el, fill } from "../dom.js";
import { withProblem } from "../page.js";
import { countOf, timeLeft } from "../words.js";

let currentPlace = null;

/** Shows how far the search is, and the best so far; a reader whose unaided read is open sees none of them. */
export async function showSoFar(desk) {
  byId("proposal-progress").hidden = false;
  const soFar = await get(`/api/images/${desk.image.id}/proposals/so-far`).catch(() => null);
  byId("proposal-bar").value = soFar?.progress ?? desk.image.progress ?? 0;
  byId("proposal-words").textContent = searchWords(desk.image, soFar);
  byId("so-far").hidden = !soFar?.is_provisional || !soFar.candidates.length || !desk.viewer;
  if (byId("so-far").hidden) return;
  const items = soFar.candidates.map((one, index) => ({ ...one, id: `so-far-${index}`, name: `Place ${index + 1} so far`, groupLabel: desk.labelOf(one.group) }));
  byId("so-far-words").textContent = `${countOf(items.length, "place")} so far, best first. Still being looked through: ${tileWords(soFar)}. Nothing is measured yet, the order will change, and marks are taken once the candidates are final.`;
  repaint(desk, items);
  desk.viewer.showItems(items, items.find((item) => placeOf(item) === currentPlace)?.id ?? null);
}

/** Without taking the focus from a place that is still there. */
function repaint(desk, items) {
  const focused = document.activeElement?.closest(".so-far-item")?.dataset.place;
  fill(byId("so-far-list"), items.map((item) => el("li", {}, placeButton(desk, items, item))));
  if (focused) byId("so-far-list").querySelector(`[data-place="${focused}"]`)?.focus();
}

export function hideSoFar(desk) {
  byId("proposal-progress").hidden = true;
  byId("so-far").hidden = true;
  desk.viewer?.showItems([], null);
}

/** A search that goes on can be stopped, and one that ended without candidates tried again, at the same scale. */
export function startSearchButtons(desk, problem) {
  const ask = (what) => withProblem(problem, () => post(`/api/images/${desk.image.id}/proposals/${what}`));
  byId("stop-button").addEventListener("click", async () => { desk.image = (await ask("stop")) ?? desk.image; });
  byId("again-button").addEventListener("click", async () => { if (await ask("again")) location.assign(`/reading/${desk.image.id}`); });
}

const placeOf = (item) => item.bbox.map(Math.round).join(",");
const tileWords = ({ tiles_done: done, tiles_total: total }) => `${done.toLocaleString("en-US")} of ${total.toLocaleString("en-US")} tiles`;

function searchWords(image, soFar) {
  if (image.state === "waiting") return "Waits its turn for proposals";
  if (!soFar?.tiles_total) return "Opening the picture";
  if (soFar.tiles_done < soFar.tiles_total) return `Looking for candidates: ${tileWords(soFar)}${timeLeft(soFar.seconds_left)}`;
  return `Measuring the candidates, ${Math.floor(100 * soFar.progress)} %${timeLeft(soFar.seconds_left)}`;
}

function placeButton(desk, items, item) {
  return el("button", {
    type: "button", class: "so-far-item", "data-place": placeOf(item), "aria-pressed": String(placeOf(item) === currentPlace),
    "aria-label": `${item.name}, resembles ${item.groupLabel}, score ${item.score.toFixed(2)}`,
    onclick: ({ currentTarget }) => {
      currentPlace = placeOf(item);
      for (const button of byId("so-far-list").querySelectorAll("button")) button.setAttribute("aria-pressed", String(button === currentTarget));
      desk.viewer.showItems(items, item.id);
      desk.viewer.showItem(item);
    },
  }, ` ${item.groupLabel.replace(/ \(.*\)$/, "")} `, el("span", { class: "hint" }, item.score.toFixed(2)));
}
