import { byId, el, fill } from "../dom.js";
import { countOf } from "../words.js";

/** A notice while marks could not be stored; it goes when the last of them is. */
export function showOutbox(entries, isWaiting, { isInStorage, isSignedOut, onSignIn, onTryNow }) {
  const notice = byId("outbox-notice");
  if (!entries.length) notice.hidden = true;
  if (!isWaiting) return;
  notice.hidden = false;
  const [itIs, itself] = entries.length === 1 ? ["It is", "it"] : ["They are", "them"];
  const told = `${countOf(entries.length, "mark")} could not be stored yet.`;
  // A browser that keeps nothing has them in this page alone, which must not be left to sign in.
  const kept = isInStorage ? `${itIs} kept in this browser` : `${itIs} kept by this page alone: leave it open`;
  if (!isSignedOut) fill(notice, el("span", {}, `${told} ${kept} and sent again by itself. Check the network.`), el("button", { type: "button", onclick: onTryNow }, "Try now"));
  else if (isInStorage) fill(notice, el("span", {}, `You are signed out. ${told} ${kept} and sent once you sign in again; nothing is lost.`), el("button", { type: "button", onclick: onSignIn }, "Sign in again"));
  else fill(notice, el("span", {}, `You are signed out. ${told} ${kept}, sign in in another tab, and this one sends ${itself}.`), el("button", { type: "button", onclick: onTryNow }, "Try now"));
}
