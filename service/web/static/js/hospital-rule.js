// How new specimens of a hospital are read: unaided first, or with proposals at once; an administrator says so.

import { get, post } from "./api.js";
import { announce, byId, fill } from "./dom.js";
import { submitting, withProblem } from "./page.js";
import { dateTime, personName } from "./words.js";

const problem = byId("hospital-rule-problem");

export async function showHospitalRule(isAdministrator) {
  await show();
  const form = byId("hospital-rule-form");
  form.hidden = !isAdministrator;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = { rule: byId("hospital-rule").value, reason: byId("hospital-rule-reason").value.trim() };
    if (!(await submitting(form, problem, () => post("/api/reading-rules", body)))) return;
    form.reset();
    await show();
    announce("New specimens begin so from now on.");
  });
}

async function show() {
  const rules = await withProblem(problem, () => get("/api/reading-rules"));
  fill(byId("hospital-rule-words"), rules ? ruleWords(rules.at(-1)) : "");
}

function ruleWords(rule) {
  if (!rule) return "There is no rule: each reader chooses.";
  const what = rule.rule === "unaided_first" ? "New specimens are read unaided first" : "New specimens may be read with proposals at once";
  return `${what}: ${personName(rule.created_by)}, ${dateTime(rule.created_at)}, “${rule.reason}”.`;
}
