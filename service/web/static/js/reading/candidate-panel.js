// All that is known of one candidate, and the answers a reader can give.

import { byId, el, fill, stateMark, svg } from "../dom.js";
import { ANSWERS, countOf, dateTime, personName, sizeLines } from "../words.js";
import { comparisonParts } from "./comparisons.js";
import { callPart } from "./doctor-call.js";
import { repaintUnderHands } from "./keep-hands.js";
import { markWords } from "./mark-words.js";
import { planCrop, ruledCrop, spanChoice } from "./ruled-crop.js";
import { settlePart } from "./settle.js";
import { sizeDrawing } from "./size-drawing.js";
import { ownMark, takeBack } from "./take-back.js";

const SCORES_SHOWN = 4;
const TAXA_SHOWN = 4;
const CHECK_SYMBOLS = { fits: "✓", "does not fit": "✕", "no reference": "–", "no calibration": "–", "drawn by hand": "–" };

export function showCandidatePanel(desk) {
  const item = desk.current();
  const place = byId("candidate-panel");
  const isSame = place.firstElementChild?.dataset.shown === String(item?.id);
  repaintUnderHands(place, isSame, () => fill(place, item ? candidatePanel(item, desk) : emptyPanel(desk)));
}

function emptyPanel(desk) {
  if (desk.isWithheld) return null;
  const words = "The tool points at no candidate above its cut here. That does not say that the slide is empty: look over the whole picture, and add what you see.";
  return el("div", { class: "panel candidate" }, el("h2", {}, "No candidate chosen"), el("p", {}, words));
}

function candidatePanel(item, desk) {
  return el("article", { class: "panel candidate", "aria-labelledby": "candidate-heading", "data-shown": item.id },
    head(item, desk), top(item, desk),
    el("p", { class: "problem", id: "mark-problem", role: "alert" }, desk.refusals.get(item.id) ?? ""),
    desk.canMark() && answers(item, desk),
    settlePart(item, desk), callPart(item, desk).filter(Boolean),
    sizePart(item), reasonsPart(item), ...comparisonParts(item, desk), scoresPart(item, desk), historyPart(item, desk));
}

function head(item, desk) {
  const step = (words, label, by) => el("button", { type: "button", class: "quiet", "aria-label": label, onclick: () => desk.step(by) }, words);
  return el("div", { class: "candidate-head" }, el("h2", { id: "candidate-heading" }, item.name),
    el("div", { class: "actions" }, step("‹ Prev", "Previous candidate", -1), step("Next ›", "Next candidate", 1)));
}

function top(item, desk) {
  const answer = desk.answerOf(item);
  const kind = { confirm: "done", reject: "failed", unsure: "works", none: "waits" }[answer];
  const given = item.current ? markWords(item.current, desk) : "Unmarked";
  return el("div", { class: "candidate-top" },
    el("div", { class: "stack" }, ruledCrop(planCrop(item, desk.image), `Crop of ${item.name.toLowerCase()}`), spanChoice(desk, () => showCandidatePanel(desk))),
    el("div", { class: "stack" },
      el("div", {}, el("p", { class: "small-label" }, item.origin === "reader" ? "Placed by a reader as" : "Resembles"),
        el("p", { class: "resembles" }, desk.labelOf(item.group)),
        el("p", { class: "hint" }, desk.appearanceOf(item.group))),
      el("div", { title: "± one standard uncertainty, found on drawn pictures; sizes drawn by hand in photographs were 2 % larger" }, sizeLines(item).map((line) => el("p", { class: "figure" }, line))),
      el("p", {}, desk.areApart(item) ? stateMark("waits", "≠", "Readers differ") : stateMark(kind, ANSWERS[answer].symbol, desk.isOnItsWay(item) ? "Not stored yet" : given)),
      desk.canMark() && ownMark(item, desk) && el("button", { type: "button", class: "quiet take-back", onclick: () => takeBack(desk) }, "Take back my last mark ", el("kbd", { "aria-hidden": "true" }, "X"))));
}

function answers(item, desk) {
  return el("div", { class: "stack" },
    el("div", { class: "answers", role: "group", "aria-label": "Your answer" },
      answerButton("confirm", "C", item, desk, () => desk.confirm()),
      answerButton("reject", "R", item, desk, () => openReasons()),
      answerButton("unsure", "U", item, desk, () => desk.mark({ answer: "unsure" }))),
    reasonsToReject(desk), groupRow(item, desk), remarkRow(item, desk));
}

function answerButton(answer, key, item, desk, onclick) {
  const { symbol, verb } = ANSWERS[answer];
  const given = desk.areApart(item) ? ownMark(item, desk)?.answer : desk.answerOf(item);
  const isPressed = String(given === answer);
  return el("button", { type: "button", class: `answer-${answer}`, "aria-pressed": isPressed, "data-answer": answer, onclick },
    el("span", { class: "sign", "aria-hidden": "true" }, symbol), el("span", {}, `${verb} `, el("kbd", { "aria-hidden": "true" }, key)));
}

function reasonsToReject(desk) {
  return el("div", { class: "reasons-to-reject", id: "reasons-to-reject", role: "group", "aria-label": "What is it instead?", hidden: true },
    el("p", {}, "What is it instead?"),
    desk.lookAlikes().map((group, index) => el("button", {
      type: "button", "data-reason": group.name, title: group.appearance, onclick: () => desk.mark({ answer: "reject", reason: group.name }),
    }, el("kbd", { "aria-hidden": "true" }, String(index + 1)), group.label)));
}

/** What was typed or opened for an answer, once it is given. */
export function clearAnswer() {
  byId("mark-remark").value = "";
  byId("reasons-to-reject").hidden = true;
}

export function closeReasons() {
  byId("reasons-to-reject").hidden = true;
  byId("candidate-panel").querySelector("[data-answer=reject]").focus();
}

export function openReasons() {
  const place = byId("reasons-to-reject");
  place.hidden = false;
  place.querySelector("button").focus();
}

function groupRow(item, desk) {
  const chosen = item.current?.group ?? item.group;
  const select = el("select", { id: "mark-group" }, desk.candidateGroups().map((group) => el("option", { value: group.name, selected: group.name === chosen }, group.label)));
  return el("div", { class: "group-row" },
    el("div", { class: "field" }, el("label", { for: "mark-group" }, "Group to confirm it as"), select),
    el("button", { type: "button", id: "confirm-group", onclick: () => desk.confirm() }, "Confirm as this"));
}

function remarkRow(item, desk) {
  const save = el("button", { type: "button", id: "save-remark", disabled: !item.current, onclick: () => desk.repeatWithRemark() }, "Save remark");
  return el("div", { class: "group-row" },
    el("div", { class: "field" }, el("label", { for: "mark-remark" }, "Remark"), el("input", { id: "mark-remark", autocomplete: "off" })), save);
}

function scoresPart(item, desk) {
  const ranked = Object.entries({ ...item.group_scores, ...item.look_alike_scores }).sort(([, a], [, b]) => b - a).slice(0, SCORES_SHOWN);
  if (!ranked.length) return null;
  return el("div", { class: "part" }, el("h3", {}, "What it resembles, scores of the detector"),
    el("ul", { class: "scores" }, ranked.map(([group, score]) => scoreRow(scoreLabel(group, desk), score))),
    el("p", { class: "hint" }, `Object score ${item.score.toFixed(2)}. Scores order the list; they are not probabilities.`));
}

function scoreLabel(group, desk) {
  const isLookAlike = desk.lookAlikes().some((row) => row.name === group);
  return isLookAlike ? `${desk.labelOf(group)} (look-alike)` : desk.labelOf(group);
}

function scoreRow(label, score) {
  return el("li", {}, el("span", {}, label),
    svg("svg", { class: "score-bar", viewBox: "0 0 100 8", preserveAspectRatio: "none", "aria-hidden": "true" }, svg("rect", { width: 100 * score, height: 8 })),
    el("span", { class: "figure" }, score.toFixed(2)));
}

function sizePart(item) {
  const { result, taxa, kept_together: together = [] } = item.size_check ?? { result: item.origin === "reader" ? "drawn by hand" : "no calibration", taxa: [] };
  return el("div", { class: "part" }, el("h3", {}, "Size check"),
    el("p", {}, `${CHECK_SYMBOLS[result] ?? ""} ${sizeCheckWords(result, item.cut_off)}`),
    sizeDrawing(item),
    taxa.length > 0 && taxaList(taxa, together, item.cut_off));
}

/** What fits first; a long rest is folded away. Taxa that size can't tell apart have one row. */
function taxaList(taxa, together, isCutOff) {
  const joined = new Set(together.flatMap((one) => one.taxa));
  const rows = [
    ...together.map((one) => ({ result: one.result, row: togetherRow(one, taxa, isCutOff) })),
    ...taxa.filter((one) => !joined.has(one.taxon)).map((one) => ({ result: one.result, row: taxonRow(one, isCutOff) })),
  ];
  const [first, rest] = [rows.filter(({ result }) => result === "fits"), rows.filter(({ result }) => result !== "fits")];
  const list = (some) => el("ul", { class: "taxa" }, some.map(({ row }) => row));
  if (rows.length <= TAXA_SHOWN) return list([...first, ...rest]);
  return el("div", { class: "stack" }, first.length > 0 && list(first),
    rest.length > 0 && el("details", { class: "part" }, el("summary", {}, `${countOf(rest.length, "other taxon", "other taxa")} of this group, with their sources`), list(rest)));
}

function sizeCheckWords(result, isCutOff) {
  if (isCutOff && result === "no reference") return "The picture's edge cuts it: the whole may be larger, so its size can't be compared.";
  return {
    fits: "Fits a published size of this group. A size that fits is not an identification.",
    "does not fit": "Fits no published size of this group. Measure it again before you decide.",
    "no reference": "There is no published range to compare with.",
    "no calibration": "The picture has no calibration, so its size is unknown.",
    "drawn by hand": "A box drawn by hand gives no length and width to compare.",
  }[result] ?? result;
}

function taxonRow(taxon, isCutOff) {
  return el("li", { class: taxon.result === "fits" ? "fits" : "misfit" },
    checkLine(taxon.taxon, taxon.result, isCutOff && rangesOf(taxon)), rangesPart(taxon), figuresParts(taxon));
}

/** No species of them has a result of its own here: only what is published of each. */
function togetherRow({ label, taxa: names, result, text, source }, taxa, isCutOff) {
  const members = taxa.filter(({ taxon }) => names.includes(taxon));
  return el("li", { class: result === "fits" ? "fits" : "misfit" },
    checkLine(label, result, isCutOff && members.some(rangesOf)), el("p", {}, text), el("cite", {}, source),
    members.map((taxon) => el("div", { class: "member" }, el("em", {}, taxon.taxon), rangesPart(taxon), figuresParts(taxon))));
}

function checkLine(name, result, isPart) {
  const words = isPart && result === "no reference" ? "not compared" : result;
  return el("span", {}, `${CHECK_SYMBOLS[result] ?? ""} `, el("em", {}, name), `: ${words}`);
}

function rangesOf(taxon) {
  const range = (name, pair) => pair && `${name} ${pair[0]}–${pair[1]} µm`;
  return [range("length", taxon.length_range_um), range("width", taxon.width_range_um)].filter(Boolean).join(", ");
}

function rangesPart(taxon) {
  return rangesOf(taxon) && el("span", { class: "small-label" }, ` (${rangesOf(taxon)})`);
}

/** Candidates of an older set have no figure for each source, only the sources. */
function figuresParts(taxon) {
  const deciding = taxon.source_figures?.length ? taxon.source_figures.join("; ") : taxon.source;
  return [
    deciding && el("cite", {}, deciding),
    taxon.other_figures?.length > 0 && el("cite", {}, `Other figures, not used for the check: ${taxon.other_figures.join("; ")}`),
  ];
}

function reasonsPart(item) {
  if (!item.reasons?.length) return null;
  return el("div", { class: "part" }, el("h3", {}, "Why the tool points here"),
    el("ul", { class: "words" }, item.reasons.map((reason) => el("li", {}, reason))));
}

function historyPart(item, desk) {
  const takenBack = new Set(item.withdrawn.map((mark) => mark.id));
  const marks = [...item.marks, ...item.withdrawn].sort((a, b) => a.id - b.id);
  if (!marks.length) return null;
  const replaced = new Set(item.marks.map((mark) => mark.replaces).filter(Boolean));
  const fate = ({ id }) => (takenBack.has(id) ? "taken back" : replaced.has(id) && "replaced by a later mark");
  return el("div", { class: "part" }, el("h3", {}, "Marks so far"),
    el("ol", { class: "history", id: "mark-history" }, marks.map((mark) => historyRow(mark, fate(mark), desk))));
}

function historyRow(mark, fate, desk) {
  return el("li", { class: fate ? "replaced" : null },
    el("div", {}, `${ANSWERS[mark.answer].symbol} ${markWords(mark, desk)}`, fate && el("span", { class: "replaced-words" }, ` (${fate})`)),
    mark.remark && el("div", {}, `“${mark.remark}”`),
    el("div", { class: "small-label" }, `${personName(mark.reader)}, ${dateTime(mark.created_at)}`));
}
