// Going on to the next unmarked candidate after each mark, for readers who want the pace.

import { byId } from "../dom.js";

const SETTING = "goes-on-after-mark";

export function startPace() {
  const box = byId("goes-on");
  try { box.checked = localStorage.getItem(SETTING) === "on"; } catch { /* storage is off: off */ }
  box.addEventListener("change", () => {
    try { localStorage.setItem(SETTING, box.checked ? "on" : "off"); } catch { /* holds for this page only */ }
  });
}

export const goesOn = () => byId("goes-on").checked;

export function togglePace() {
  byId("goes-on").click();
}
