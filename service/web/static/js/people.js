import { get, post, put, remove } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { showHospitalRule } from "./hospital-rule.js";
import { startPage, submitting, withProblem } from "./page.js";
import { ROLES } from "./roles.js";
import { dateTime } from "./words.js";

const session = await startPage();
const isAdministrator = session.hospital.role === "administrator";
byId("people-lead").textContent = isAdministrator
  ? `${session.hospital.name}: who works here, as what, and who is invited.`
  : `${session.hospital.name}: who works here. An administrator changes roles and invites people.`;
await Promise.all([showPeople(), showHospitalRule(isAdministrator)]);
if (isAdministrator) {
  byId("invite-panel").hidden = false;
  fill(byId("invite-role"), options("reader"));
  byId("invite-form").addEventListener("submit", invite);
  await showInvitations();
}

function options(chosen) {
  return ROLES.map((role) => el("option", { value: role, selected: role === chosen }, role));
}

async function showPeople() {
  const people = await withProblem(byId("people-problem"), () => get("/api/users")) ?? [];
  fill(byId("people-list"), el("ul", { class: "plain-list" }, people.map(personItem)));
}

function personItem(person) {
  const name = el("span", {}, el("strong", {}, person.display_name), `, ${person.role}`, person.id === session.user.id ? " (you)" : "");
  if (!isAdministrator) return el("li", { class: "second-look" }, name);
  const role = el("select", { "aria-label": `Role of ${person.display_name}`, onchange: () => changeRole(person, role) }, options(person.role));
  return el("li", { class: "second-look" }, name, el("span", { class: "actions" }, role,
    el("button", { type: "button", onclick: () => offerPassword(person) }, "New password", hidden(` for ${person.display_name}`)),
    el("button", { type: "button", onclick: (event) => endRole(person, event.currentTarget) }, "Remove", hidden(` ${person.display_name}`))));
}

function hidden(words) {
  return el("span", { class: "visually-hidden" }, words);
}

async function changeRole(person, choice) {
  await withProblem(byId("people-problem"), () => put(`/api/users/${person.id}/role`, { role: choice.value }));
  const sentence = byId("people-problem").textContent;
  await showPeople();
  byId("people-problem").textContent = sentence;
}

/** The first press asks, the second removes. */
async function endRole(person, button) {
  if (!button.dataset.asked) {
    button.dataset.asked = "yes";
    fill(button, `Remove ${person.display_name} for good?`);
    return;
  }
  const done = await withProblem(byId("people-problem"), async () => { await remove(`/api/users/${person.id}`); return true; });
  if (done) await showPeople();
}

async function offerPassword(person) {
  const link = await withProblem(byId("people-problem"), () => post(`/api/users/${person.id}/password-link`));
  if (link) showLink(`Link for a new password of ${person.display_name}`, link);
}

async function invite(event) {
  event.preventDefault();
  const body = { display_name: byId("invite-name").value.trim(), role: byId("invite-role").value };
  const link = await submitting(event.target, byId("invite-problem"), () => post("/api/invitations", body));
  if (!link) return;
  showLink(`Invitation for ${body.display_name}`, link);
  event.target.reset();
  await showInvitations();
}

function showLink(title, link) {
  fill(byId("new-link"), el("section", { class: "panel stack" }, el("h2", {}, title),
    el("p", {}, `Copy it now; it is shown this once, works once, and ends ${dateTime(link.expires_at)}.`),
    el("code", { class: "secret", id: "link-address" }, location.origin + link.path)));
}

async function showInvitations() {
  const open = await withProblem(byId("invite-problem"), () => get("/api/invitations")) ?? [];
  fill(byId("invitation-list"), open.length ? el("ul", { class: "plain-list" }, open.map(invitationItem)) : el("p", { class: "hint" }, "No invitation is open."));
}

function invitationItem(one) {
  return el("li", { class: "second-look" },
    el("span", {}, el("strong", {}, one.display_name), ` as ${one.role}, ends ${dateTime(one.expires_at)}`),
    el("button", { type: "button", onclick: () => takeBack(one) }, `Take back the invitation of ${one.display_name}`));
}

async function takeBack(one) {
  const done = await withProblem(byId("invite-problem"), async () => { await remove(`/api/invitations/${one.id}`); return true; });
  if (done) await showInvitations();
}
