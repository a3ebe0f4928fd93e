import { post } from "./api.js";
import { byId } from "./dom.js";
import { openMain, startTheme, submitting, withProblem } from "./page.js";

startTheme();
const secret = location.hash.slice(1);
const problem = byId("join-problem");
const form = byId("join-form");
openMain();
const seen = await withProblem(problem, () => plainly(() => post("/api/links/look", { secret: secret || "none" })));
if (seen) offer(seen);

function offer({ kind, hospital, display_name: name, role, user_name: userName }) {
  const isInvitation = kind === "invitation";
  byId("join-heading").textContent = isInvitation ? `Welcome, ${name}` : "Set a new password";
  byId("join-lead").textContent = isInvitation
    ? `You are invited to ${hospital} as ${role}. Choose a user name and a password.`
    : `For ${name} (user name ${userName}) at ${hospital}. It ends all sign-ins with the old password.`;
  byId("user-name-field").hidden = byId("has-account-field").hidden = !isInvitation;
  byId("user-name").required = isInvitation;
  form.hidden = false;
  byId("has-account").addEventListener("change", (event) => {
    byId("password-label").textContent = event.target.checked ? "Your password" : "New password, 10 characters or more";
  });
  form.addEventListener("submit", (event) => use(event, isInvitation));
}

async function use(event, isInvitation) {
  event.preventDefault();
  const body = { secret, password: byId("password").value };
  if (isInvitation) Object.assign(body, { user_name: byId("user-name").value, has_account: byId("has-account").checked });
  const used = await submitting(form, problem, () => plainly(() => post("/api/links/use", body)));
  if (used) location.assign("/sign-in");
}

/** A wrong password answers 401 as well, and nobody here is signed in yet. */
function plainly(action) {
  return action().catch((error) => { throw new Error(error.message); });
}
