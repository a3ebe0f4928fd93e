import { byId, el, fill } from "../dom.js";
import { countOf } from "../words.js";

/** A notice while marks could not be stored; it goes when the last of them is. */
export function showOutbox(entries, isWaiting, { isSignedOut, onSignIn, onTryNow }) {
  const notice = byId("outbox-notice");
  if (!entries.length) notice.hidden = true;
  if (!isWaiting) return;
  notice.hidden = false;
  const count = `${countOf(entries.length, "mark")} could not be stored yet. ${entries.length === 1 ? "It is" : "They are"} kept in this browser`;
  if (isSignedOut) fill(notice, el("span", {}, `You are signed out. ${count} and sent once you sign in again; nothing is lost.`), el("button", { type: "button", onclick: onSignIn }, "Sign in again"));
  else fill(notice, el("span", {}, `${count} and sent again by itself. Check the network.`), el("button", { type: "button", onclick: onTryNow }, "Try now"));
}
