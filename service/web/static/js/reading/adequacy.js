// What the picture can show and what it can't; always in sight.

import { byId, el, fill } from "../dom.js";

export function showAdequacy(adequacy, caution, desk) {
  fill(byId("adequacy"), adequacy ? adequacyParts(adequacy, caution, desk) : el("p", { class: "hint" }, "Told once the proposals are made."));
}

function adequacyParts({ assessed_fraction: share, notes, groups_not_resolvable: groups }, caution, desk) {
  const words = [
    `${Math.round(100 * share)} % of the picture was assessed${desk.image.calibration ? "" : "; its scale is unknown"}.`,
    ...notes,
  ];
  return [
    el("ul", {}, words.map((sentence) => el("li", {}, sentence))),
    groups.length > 0 && el("p", {}, el("strong", {}, "Can't be assessed in this picture: "), `${groups.map((name) => desk.labelOf(name)).join("; ")}. Too few pixels across them: use a higher objective, 40x for cysts and oocysts.`),
    el("p", { class: "caution" }, caution),
  ];
}
