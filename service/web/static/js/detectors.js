import { get, post } from "./api.js";
import { byId, el, fill, stateMark } from "./dom.js";
import { judgedShare } from "./judged-words.js";
import { startPage, submitting, withProblem } from "./page.js";
import { isVeterinarian } from "./roles.js";
import { table } from "./tables.js";
import { dateTime } from "./words.js";

const session = await startPage();
const form = byId("back-form");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const body = { remark: form.remark.value || null };
  if (await submitting(form, byId("back-problem"), () => post("/api/detectors/go-back", body))) await show();
});
await show();

async function show() {
  const answer = await withProblem(byId("detectors-problem"), () => get("/api/detectors"));
  if (!answer) return;
  const { detectors, uses } = answer;
  fill(byId("detector-list"), table(["Detector", "State", "Found on the locked split", "Made", "Weights (SHA-256)"], detectors.map((one) => [
    one.id ? el("a", { href: `/detectors/${one.id}` }, one.name) : one.name,
    stateOf(one),
    one.recall ? judgedShare(one.recall) : "not judged here",
    one.id ? `${dateTime(one.created_at)}, on set ${one.set_id}` : "came with the service",
    hash(one.weights_sha256),
  ])));
  fill(byId("use-list"), uses.length ? table(["When", "Who", "What", "On", "Hashes, after and before"], uses.map(useRow)) : el("p", { class: "empty" }, "Only the detector that came with the service was ever in use."));
  form.hidden = !(uses.length && isVeterinarian(session));
  if (uses.length) byId("back-words").textContent = `Before the last signature ${uses[0].before.name} was in use. Going back needs no comparison; what was proposed stays as it is.`;
}

function stateOf(one) {
  if (one.is_in_use) return stateMark("done", "■", "In use");
  if (one.may_take_over === true) return stateMark("waits", "□", "May be signed into use");
  if (one.may_take_over === false) return stateMark("failed", "✕", "May not take over");
  return stateMark("empty", "–", "Not in use");
}

function useRow(use) {
  return [
    dateTime(use.created_at), use.created_by.display_name,
    el("span", {}, `${use.goes_back ? "Back to" : "Into use:"} ${use.detector.name}${use.remark ? ` (“${use.remark}”)` : ""}`),
    use.set_id ? el("span", {}, `set ${use.set_id}, `, hash(use.manifest_sha256 ?? "")) : "no comparison",
    el("span", {}, hash(use.detector.weights_sha256), " ← ", hash(use.before.weights_sha256)),
  ];
}

function hash(sha256) {
  return el("span", { class: "hash", title: sha256 }, sha256.slice(0, 12));
}
