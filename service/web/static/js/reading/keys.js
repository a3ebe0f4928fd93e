// Single keys for the reading page. They can be switched off, and never act while somebody types.

import { byId, el, fill, svg } from "../dom.js";
import { ANSWERS } from "../words.js";
import { closeReasons, openReasons } from "./candidate-panel.js";
import { openContactSheet } from "./contact-sheet.js";
import { openCall } from "./doctor-call.js";
import { colorOf, MARK_LINES } from "./mark-lines.js";
import { togglePace } from "./pace.js";
import { takeBack } from "./take-back.js";

const SETTING = "single-keys";

export const KEYS = [
  { keys: ["j", "ArrowRight"], shown: "J or →", words: "Next candidate", act: (desk) => desk.step(1) },
  { keys: ["k", "ArrowLeft"], shown: "K or ←", words: "Previous candidate", act: (desk) => desk.step(-1) },
  { keys: ["n"], shown: "N", words: "Next unmarked candidate", act: (desk) => desk.stepToUnmarked() },
  { keys: ["c"], shown: "C", words: "Confirm, as the group shown", marks: true, act: (desk) => desk.confirm() },
  { keys: ["r"], shown: "R", words: "Reject; then 1 to 6 says what it is instead", marks: true, act: () => openReasons() },
  { keys: ["u"], shown: "U", words: "Unsure", marks: true, act: (desk) => desk.mark({ answer: "unsure" }) },
  { keys: ["x"], shown: "X", words: "Take back my last mark; it stays on record", act: (desk) => takeBack(desk) },
  { keys: ["d"], shown: "D", words: "Unlike anything I know: call the veterinarian", marks: true, act: () => openCall() },
  { keys: ["p"], shown: "P", words: "Go on to the next unmarked after each mark, or not", act: () => togglePace() },
  { keys: ["t"], shown: "T", words: "Contact sheet of the tail, from the current candidate on", act: (desk) => openContactSheet(desk) },
  { keys: ["g"], shown: "G", words: "Change the group", marks: true, act: () => byId("mark-group").focus() },
  { keys: ["m"], shown: "M", words: "Write a remark", marks: true, act: () => byId("mark-remark").focus() },
  { keys: ["a"], shown: "A", words: "Add an object: drag a box, or use arrow keys, Shift with arrows to size, Enter to finish", act: (desk) => desk.toggleDrawing() },
  { keys: ["s"], shown: "S", words: "Next stop of the guided read, pass by pass", act: (desk) => desk.guide?.step(1) },
  { keys: ["w"], shown: "W", words: "Stop before", act: (desk) => desk.guide?.step(-1) },
  { keys: ["z"], shown: "Z", words: "Zoom to the candidate", act: (desk) => desk.showCurrent() },
  { keys: ["f"], shown: "F", words: "Whole picture", act: (desk) => desk.viewer.showWhole() },
  { keys: ["o"], shown: "O", words: "Show or hide outlines", act: (desk) => desk.toggleOutlines() },
  { keys: ["?"], shown: "?", words: "This help", act: () => byId("help-dialog").showModal() },
];

export function startKeys(desk) {
  const isOn = byId("single-keys");
  isOn.checked = readSetting();
  isOn.addEventListener("change", () => keepSetting(isOn.checked));
  fill(byId("keys-table"), KEYS.map(({ shown, words }) => el("tr", {}, el("th", { scope: "row" }, keyCaps(shown)), el("td", {}, words))));
  fill(byId("legend"), Object.entries(MARK_LINES).map(legendRow));
  byId("help-button").addEventListener("click", () => byId("help-dialog").showModal());
  document.addEventListener("keydown", (event) => isOn.checked && press(event, desk));
}

function keyCaps(shown) {
  return shown.split(" or ").flatMap((key, place) => [place ? " or " : null, el("kbd", {}, key)]);
}

function press(event, desk) {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || isBusyElsewhere(event)) return;
  if (pressReason(event)) return;
  const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  const found = KEYS.find((row) => row.keys.includes(key));
  if (!found || !desk.viewer || (found.marks && !(desk.canMark() && desk.current()))) return;
  event.preventDefault();
  found.act(desk);
}

/** Somebody types, a dialog is open, or the arrow belongs to the picture or to a control. */
function isBusyElsewhere(event) {
  const { target } = event;
  if (document.querySelector("dialog[open]")) return true;
  if (target.closest("input, textarea, select")) return true;
  return event.key.startsWith("Arrow") && Boolean(target.closest("#viewer"));
}

function pressReason(event) {
  const place = byId("reasons-to-reject");
  if (!place || place.hidden) return false;
  if (event.key === "Escape") { closeReasons(); return true; }
  const button = place.querySelectorAll("button")[Number(event.key) - 1];
  button?.click();
  return Boolean(button);
}

function legendRow([answer, { color, dash, words }]) {
  const line = svg("path", { d: "M2 10h36", stroke: colorOf(color), "stroke-width": 4, "stroke-dasharray": dash ?? "none" });
  return el("li", {}, svg("svg", { viewBox: "0 0 40 20", "aria-hidden": "true" }, line), `${ANSWERS[answer].symbol} ${words}`);
}

function readSetting() {
  try { return localStorage.getItem(SETTING) !== "off"; } catch { return true; }
}

function keepSetting(isOn) {
  try { localStorage.setItem(SETTING, isOn ? "on" : "off"); } catch { /* storage is off: holds for this page only */ }
}
