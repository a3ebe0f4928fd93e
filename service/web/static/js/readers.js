import { get } from "./api.js";
import { byId, el, fill } from "./dom.js";
import { startPage, withProblem } from "./page.js";
import { shareCell } from "./shares.js";
import { table } from "./tables.js";
import { countOf } from "./words.js";

const SEES_ALL = ["veterinarian", "administrator"];

const session = await startPage();
const seesAll = SEES_ALL.includes(session.hospital.role);
if (!seesAll) byId("readers-lead").textContent += " You see your own figures; a veterinarian sees everybody's.";
const answer = await withProblem(byId("readers-problem"), () => get(seesAll ? "/api/readers-measured" : "/api/readers-measured/me"));
fill(byId("agreement"), answer ? agreementParts(answer.agreement) : "");
fill(byId("figures"), answer ? figureParts(answer.readers) : "");
fill(byId("readers-notes"), (answer?.notes ?? []).map((words) => el("li", {}, words)));

function agreementParts(agreement) {
  if (!agreement.n_objects) {
    return [el("p", { class: "empty" }, "No object of a signed specimen was answered by two readers, each on their own. Ask for blind second looks.")];
  }
  const { n_objects: objects, n_readers: readers, n_specimens: specimens } = agreement;
  return [
    el("p", {}, `${countOf(objects, "object")} of ${countOf(specimens, "specimen")}, answered by ${countOf(readers, "reader")}, each on their own.`,
      agreement.is_few && " These are few objects: the figures can change with the next slide."),
    table(["Agreement beyond chance", "Figure", "Over"], [
      ["Krippendorff's alpha", coefficient(agreement.alpha), countOf(objects, "object")],
      ["Fleiss' kappa", coefficient(agreement.fleiss), `${countOf(agreement.n_fleiss, "object")} with ${agreement.readers_each} answers each`],
    ]),
    el("p", { class: "hint" }, "1 is full agreement, 0 what chance alone would bring. No interval is given: objects of one slide hang together."),
    agreement.pairs.length > 0 && table(["Two readers", "Same answer", "Cohen's kappa"], agreement.pairs.map((pair) => [
      pair.readers.map((reader) => reader.display_name).join(" and "), shareCell(pair.same), coefficient(pair.kappa)])),
    agreement.differences.length > 0 && el("h3", {}, "Where they differ most"),
    agreement.differences.length > 0 && table(["One said", "Another said", "Times"], agreement.differences.map((row) => [row.one, row.other, row.n])),
  ];
}

function coefficient(value) {
  return value === null ? "not defined: all answers are alike" : value.toFixed(2);
}

function figureParts(readers) {
  return readers.length ? readers.map(readerPanel) : [el("p", { class: "empty" }, "No signed specimen with marks yet.")];
}

function readerPanel({ reader, unaided, aided, changed }) {
  return el("section", { class: "panel" },
    el("h3", {}, reader.display_name, reader.id === session.user.id ? " (you)" : ""),
    table(["Way of reading", "Found, of what held", "Right group, of those found", "Held, of own finds"], [
      findingRow("Unaided, locked", unaided), findingRow("With proposals", aided)]),
    el("p", {}, changedWords(changed)));
}

function findingRow(words, finding) {
  return [`${words} (${countOf(finding.n_pictures, "picture")})`, shareCell(finding.found), shareCell(finding.right_group), shareCell(finding.upheld)];
}

function changedWords(changed) {
  const { became_right: gained, became_wrong: lost, stayed_right: right, stayed_wrong: wrong } = changed;
  const all = gained + lost + right + wrong;
  if (!all) return "What the proposals changed is not known: no picture was first read unaided and then with proposals.";
  return `After seeing the proposals, of ${countOf(all, "object")} in ${countOf(changed.n_pictures, "picture")}: ${gained} went from wrong to right, ${lost} from right to wrong; ${right} stayed right and ${wrong} wrong.`;
}
