import { get, post, put, remove } from "./api.js";
import { byId, el, facts, fill } from "./dom.js";
import { startPage, submitting, withProblem } from "./page.js";
import { rolesUpTo } from "./roles.js";
import { dateTime } from "./words.js";

const form = byId("token-form");
const problem = byId("token-problem");

const session = await startPage();
facts(byId("account-facts"), [["Name", session.user.display_name], ["User name", session.user.user_name],
  ["Hospital", session.hospital.name], ["Role", session.hospital.role]]);
byId("sign-out").addEventListener("click", signOut);
byId("password-user").value = session.user.user_name;
byId("password-form").addEventListener("submit", changePassword);
form.addEventListener("submit", makeToken);
fill(byId("token-role"), rolesUpTo(session.hospital.role).map((role) => el("option", { value: role }, role)));
offerHospitals();
await Promise.all([showTokens(), showSignIns()]);

function offerHospitals() {
  if (session.hospitals.length < 2) return;
  const choice = byId("hospital");
  fill(choice, session.hospitals.map((one) => el("option", { value: one.id, selected: one.id === session.hospital.id }, `${one.name} (${one.role})`)));
  byId("hospital-form").hidden = false;
  byId("hospital-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const moved = await submitting(event.target, byId("you-problem"),
      async () => { await put("/api/session/hospital", { hospital_id: Number(choice.value) }); return true; });
    if (moved) location.assign("/");
  });
}

async function signOut() {
  const failed = await withProblem(byId("you-problem"), async () => { await remove("/api/session"); return false; });
  if (failed === false) location.assign("/sign-in");
}

async function changePassword(event) {
  event.preventDefault();
  const body = { old: byId("old-password").value, new: byId("new-password").value };
  const done = await submitting(event.target, byId("password-problem"), async () => { await put("/api/password", body); return true; });
  if (done) location.assign("/sign-in");
}

async function showSignIns() {
  const place = byId("sign-ins-problem");
  const open = await withProblem(place, () => get("/api/sign-ins")) ?? [];
  fill(byId("sign-in-list"), el("ul", { class: "plain-list" }, open.map((one) => el("li", { class: "second-look" },
    el("span", {}, el("strong", {}, one.this_one ? "This browser" : one.address), ` since ${dateTime(one.created_at)}, last used ${dateTime(one.last_used_at)}. `,
      el("span", { class: "hint" }, one.browser)),
    one.this_one ? null : el("button", { type: "button", onclick: () => endSignIn(one) }, `End the sign-in from ${one.address}`)))));
}

async function endSignIn(one) {
  const done = await withProblem(byId("sign-ins-problem"), async () => { await remove(`/api/sign-ins/${one.id}`); return true; });
  if (done) await showSignIns();
}

async function makeToken(event) {
  event.preventDefault();
  const body = { name: byId("token-name").value.trim(), role: byId("token-role").value };
  const made = await submitting(form, problem, () => post("/api/tokens", body));
  if (!made) return;
  form.reset();
  fill(byId("new-token"), el("div", { class: "stack" },
    el("p", {}, `Copy the token “${made.name}” now; it is shown this once.`), el("code", { class: "secret", id: "token-secret" }, made.token)));
  await showTokens();
}

async function showTokens() {
  const tokens = await withProblem(problem, () => get("/api/tokens")) ?? [];
  fill(byId("token-list"), tokens.length ? el("ul", { class: "plain-list" }, tokens.map(tokenItem)) : el("p", { class: "hint" }, "No token is in use."));
}

function tokenItem(token) {
  const used = token.last_used_at ? `last used ${dateTime(token.last_used_at)}` : "never used";
  return el("li", { class: "second-look" },
    el("span", {}, el("strong", {}, token.name), ` as ${token.role}, made ${dateTime(token.created_at)}, ${used}`),
    el("button", { type: "button", onclick: () => revoke(token) }, `Revoke ${token.name}`));
}

async function revoke(token) {
  const done = await withProblem(problem, async () => { await remove(`/api/tokens/${token.id}`); return true; });
  if (done) await showTokens();
}
