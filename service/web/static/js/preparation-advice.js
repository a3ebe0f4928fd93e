// What practice says of a preparation; the service knows the rules and their sources. It never stops anybody.

import { get } from "./api.js";
import { el } from "./dom.js";

const PREPARATION_FACTS = [
  "method", "solution", "specific_gravity", "sample_g", "consistency", "standing_min", "coverslip_mm", "vial_ml", "vial_mouth_mm",
  "objectives", "prepared_at",
];

/** Advice on a specimen as it is filed; on one without `created_at`, as of now. */
export function getAdvice({ species, collected_on, created_at, preparation }) {
  const known = PREPARATION_FACTS.map((name) => [name, preparation[name]]);
  const facts = [["species", species], ["collected_on", collected_on], ["filed_at", created_at], ...known];
  const single = facts.flatMap(([name, value]) => [value].flat().map((one) => [name, one]));
  return get(`/api/preparation-advice?${new URLSearchParams(single.filter(([, value]) => value || value === 0))}`);
}

/** What there is to consider, and beside it what other sources say under the same rule. */
export function toConsider(advice) {
  const rules = new Set(advice.filter(({ level }) => level === "consider").map(({ rule }) => rule));
  return advice.filter(({ field, rule }) => field && rules.has(rule));
}

export function adviceItem({ text, source, level }) {
  return el("li", { class: level === "consider" ? "take-note" : null }, text, " ", el("cite", {}, source));
}
