// How a specimen is to be read: unaided first, or with proposals at once; a veterinarian may say so, with a reason.

import { get, post } from "../api.js";
import { byId } from "../dom.js";
import { submitting } from "../page.js";
import { dateTime, personName } from "../words.js";

/** Shows the rule where the read is chosen; `null` where each reader chooses. */
export async function showRule(desk) {
  const show = (rule) => {
    byId("start-aided").disabled = rule?.rule === "unaided_first";
    byId("rule-words").textContent = ruleWords(rule);
    byId("rule-words").hidden = !rule;
  };
  const rules = await get(`/api/specimens/${desk.specimen.id}/reading-rules`).catch(() => []);
  show(rules.at(-1));
  offerRule(desk, show);
}

function ruleWords(rule) {
  if (!rule) return "";
  const what = rule.rule === "unaided_first" ? "This specimen is read unaided first" : "Reading with proposals at once is allowed for this specimen";
  const whose = rule.of_hospital ? ", by the hospital's rule" : "";
  return `${what}${whose}: ${personName(rule.created_by)}, ${dateTime(rule.created_at)}, “${rule.reason}”. The record says so.`;
}

function offerRule(desk, show) {
  const [part, form] = [byId("rule-part"), byId("rule-form")];
  part.hidden = !["veterinarian", "administrator"].includes(desk.session.user.role);
  form.onsubmit = async (event) => {
    event.preventDefault();
    const body = { rule: byId("rule-choice").value, reason: byId("rule-reason").value.trim() };
    const rule = await submitting(form, byId("rule-problem"), () => post(`/api/specimens/${desk.specimen.id}/reading-rules`, body));
    if (!rule) return;
    form.reset();
    part.open = false;
    show(rule);
  };
}
