import { signIn } from "./api.js";
import { byId } from "./dom.js";
import { openMain, startTheme, submitting } from "./page.js";

startTheme();
const form = byId("sign-in-form");

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const session = await submittingPlainly(() => signIn(form.user_name.value, form.password.value));
  if (session) location.assign(nextPage());
});

openMain();
byId("user-name").focus();

/** A wrong password answers 401 as well, so the usual way back to this page must not be taken. */
async function submittingPlainly(action) {
  const place = byId("sign-in-problem");
  return submitting(form, place, () => action().catch((error) => { throw new Error(error.message); }));
}

/** Only a path of this site; a whole address in `next` would lead elsewhere. */
function nextPage() {
  const next = new URLSearchParams(location.search).get("next") ?? "/";
  const target = new URL(next, location.origin);
  return target.origin === location.origin ? target.pathname + target.search : "/";
}
