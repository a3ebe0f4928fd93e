// What every page does first: theme, menu, session.

import { ApiProblem, openSession } from "./api.js";
import { byId, el } from "./dom.js";
import { startWaitingCount } from "./waiting-count.js";

/** The session `{user, csrf_token}`; a signed-out reader is sent to sign in and back. */
export async function startPage() {
  startTheme();
  startMenu();
  try {
    const session = await openSession();
    byId("account-link").textContent = nameOf(session);
    openMain();
    startWaitingCount();
    return session;
  } catch (error) {
    if (isSignedOut(error)) goToSignIn();
    else showStartProblem(error);
    return new Promise(() => {});
  }
}

/** With the hospital, where a person works in several. */
const nameOf = ({ user, hospital, hospitals }) => hospitals.length > 1 ? `${user.display_name}, ${hospital.name}` : user.display_name;

function showStartProblem(error) {
  openMain();
  byId("main").prepend(el("p", { class: "problem", role: "alert" }, error.message));
}

/** Runs `action`; its problem is written into `place` as a sentence, and `null` comes back. */
export async function withProblem(place, action) {
  place.textContent = "";
  try {
    return await action();
  } catch (error) {
    if (isSignedOut(error)) goToSignIn();
    place.textContent = error.message;
    return null;
  }
}

/** Like `withProblem`, with the form's button off while it runs. */
export async function submitting(form, place, action) {
  const button = form.querySelector("button[type=submit]");
  button.disabled = true;
  const result = await withProblem(place, action);
  button.disabled = false;
  return result;
}

/** Until its script listens, a form would be sent the browser's own way, what was typed into the address. */
export function openMain() {
  byId("main").inert = false;
}

export const isSignedOut = (error) => error instanceof ApiProblem && error.status === 401;

export function goToSignIn() {
  const here = location.pathname + location.search;
  location.assign(`/sign-in?next=${encodeURIComponent(here)}`);
}

export function startTheme() {
  const choice = byId("theme-choice");
  choice.value = document.documentElement.dataset.theme ?? "";
  choice.addEventListener("change", () => {
    if (choice.value) document.documentElement.dataset.theme = choice.value;
    else delete document.documentElement.dataset.theme;
    try { localStorage.setItem("theme", choice.value); } catch { /* storage is off: holds for this page only */ }
  });
}

function startMenu() {
  const button = byId("menu-button");
  const navigation = byId("site-navigation");
  button.addEventListener("click", () => {
    const isOpen = navigation.classList.toggle("is-open");
    button.setAttribute("aria-expanded", String(isOpen));
  });
  for (const link of navigation.querySelectorAll("a")) {
    if (link.getAttribute("href") === location.pathname) link.setAttribute("aria-current", "page");
  }
}
