// What the picture can show and what it can't: all of it below the picture, its limits above it as well.

import { byId, el, fill } from "../dom.js";

export function showAdequacy(adequacy, caution, desk) {
  fill(byId("adequacy"), adequacy ? adequacyParts(adequacy, caution, desk) : el("p", { class: "hint" }, "Told once the proposals are made."));
  const limits = adequacy ? [unresolvable(adequacy, desk), ...adequacy.notes.map((note) => el("p", {}, note))].filter(Boolean) : [];
  fill(byId("limits-notice"), limits);
  byId("limits-notice").hidden = limits.length === 0;
}

function unresolvable({ groups_not_resolvable: groups }, desk) {
  return groups.length > 0 && el("p", {}, el("strong", {}, "Can't be assessed in this picture: "), `${groups.map((name) => desk.labelOf(name)).join("; ")}. Too few pixels across them: use a higher objective, 40x for cysts and oocysts.`);
}

function adequacyParts(adequacy, caution, desk) {
  const assessed = `${Math.round(100 * adequacy.assessed_fraction)} % of the picture was assessed.`;
  return [
    el("ul", {}, [assessed, ...adequacy.notes].map((sentence) => el("li", {}, sentence))),
    unresolvable(adequacy, desk),
    el("p", { class: "caution" }, caution),
  ];
}
