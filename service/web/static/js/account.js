import { get, post, remove } from "./api.js";
import { byId, el, facts, fill } from "./dom.js";
import { startPage, submitting, withProblem } from "./page.js";
import { dateTime } from "./words.js";

const form = byId("token-form");
const problem = byId("token-problem");

const session = await startPage();
facts(byId("account-facts"), [["Name", session.user.display_name], ["User name", session.user.user_name], ["Role", session.user.role]]);
byId("sign-out").addEventListener("click", signOut);
form.addEventListener("submit", makeToken);
await showTokens();

async function signOut() {
  const failed = await withProblem(problem, async () => { await remove("/api/session"); return false; });
  if (failed === false) location.assign("/sign-in");
}

async function makeToken(event) {
  event.preventDefault();
  const made = await submitting(form, problem, () => post("/api/tokens", { name: byId("token-name").value.trim() }));
  if (!made) return;
  form.reset();
  fill(byId("new-token"), el("div", { class: "stack" },
    el("p", {}, `Copy the token “${made.name}” now; it is shown this once.`), el("code", { class: "secret", id: "token-secret" }, made.token)));
  await showTokens();
}

async function showTokens() {
  const tokens = await withProblem(problem, () => get("/api/tokens")) ?? [];
  const open = tokens.filter((token) => !token.revoked_at);
  fill(byId("token-list"), open.length ? el("ul", { class: "plain-list" }, open.map(tokenItem)) : el("p", { class: "hint" }, "No token is in use."));
}

function tokenItem(token) {
  return el("li", { class: "second-look" },
    el("span", {}, el("strong", {}, token.name), ` ${token.created_at ? `made ${dateTime(token.created_at)}` : ""}`),
    el("button", { type: "button", onclick: () => revoke(token) }, `Revoke ${token.name}`));
}

async function revoke(token) {
  const done = await withProblem(problem, async () => { await remove(`/api/tokens/${token.id}`); return true; });
  if (done) await showTokens();
}
