import { get, post } from "./api.js";
import { curveChart } from "./curve-chart.js";
import { byId, el, facts, fill, stateMark } from "./dom.js";
import { breakdown, mainFigures } from "./judged-words.js";
import { startPage, submitting, withProblem } from "./page.js";
import { isVeterinarian } from "./roles.js";
import { percent } from "./shares.js";
import { table } from "./tables.js";
import { countOf, dateTime } from "./words.js";

const PLOTS = {
  recall: "Found against candidates, for each coverslip and each mm² (free-response curve); the dot is the working point",
  size: "Lengths: difference against mean, with bias and 95 % limits of agreement (Bland-Altman)",
  counts: "Candidates above the working point against objects, a dot for each coverslip",
  scores: "Reliability: the share on an object against the mean score",
};
const SHORT_HASH = 16;

const session = await startPage();
const path = `/api/detectors/${document.body.dataset.detectorId}`;
const maySign = isVeterinarian(session);
let shown;
byId("use-form").addEventListener("submit", sign);
byId("compare-form").addEventListener("submit", compareAgain);
await show();
if (maySign) await offerSets();

async function show() {
  shown = await withProblem(byId("detector-problem"), () => get(path));
  if (!shown) return;
  const { brief, figures, plots } = shown;
  byId("detector-name").textContent = brief.name;
  showRecord(shown);
  showComparison(shown);
  byId("judged").hidden = !figures;
  if (!figures) return;
  byId("judged-words").textContent = `${countOf(figures.pictures, "picture")} of ${countOf(figures.specimens, "animal or specimen", "animals or specimens")}, which no training read; working point: score ${figures.cut.toFixed(3)} and above. Intervals are 95 %: Wilson's, and those of drawing whole specimens anew.`;
  fill(byId("judged-figures"), mainFigures(figures));
  fill(byId("judged-plots"), plots.map((name) => el("figure", { class: name === "recall" ? "wide" : null },
    el("img", { src: `${path}/plots/${name}.png`, alt: `${PLOTS[name]}.` }), el("figcaption", { class: "hint" }, `${PLOTS[name]}.`))));
  fill(byId("judged-by"), breakdown(figures) ?? el("p", { class: "empty" }, "The set doesn't say by what its slides differ."));
}

function showRecord({ brief, record, training, manifest_sha256: manifest, curve }) {
  const { recipe } = record;
  const ending = recipe.ending ?? {};
  facts(byId("detector-facts"), [
    ["State", brief.is_in_use ? stateMark("done", "■", "In use") : stateMark("empty", "–", "Not in use")],
    ["Made", `${dateTime(brief.created_at)}, started by ${training.created_by.display_name}`],
    ["Learnt from", el("a", { href: `/labelled-sets/${brief.set_id}` }, `Labelled set ${brief.set_id}`)],
    ["The set's manifest", manifest && hash(manifest)],
    ["Weights (SHA-256)", hash(brief.weights_sha256)],
    ["Began from", hash(training.started_from)],
    ["Code (SHA-256)", recipe.code_sha256 && hash(recipe.code_sha256)],
    ["Default cut", cutWords(record.scores?.default_cut)],
    ["Scores", scoreWords(record.score_calibration)],
    ["Seed", recipe.settings?.seed],
    ["Ended", ending.why && `Step ${ending.stopped_at} of at most ${ending.steps_asked}. ${ending.why}`],
    ["All settings", recipe.settings && el("details", {}, el("summary", {}, "Show"), table(["Setting", "Value"], Object.entries(recipe.settings)))],
    ["File", el("a", { href: `${path}/record.json`, download: "" }, "Download record.json")],
  ]);
  fill(byId("detector-curve"), curve.losses.length > 0 && curveChart(curve));
}

/** What its own cut was chosen on, and what pictures without objects show above it, before and now. */
function cutWords(cut) {
  if (!cut?.before) return null;
  const empty = cut.candidates_on_empty;
  return `${cut.score.toFixed(3)} (before: ${cut.before.score.toFixed(3)}), chosen on ${cut.chosen_on}, which it never learnt: ${cut.found} of ${cut.of} objects stand above it. On ${countOf(empty.pictures_and_tiles, "picture and tile", "pictures and tiles")} without objects ${countOf(empty.after, "candidate")} stand above it; before it was ${empty.before}.`;
}

/** Whether its scores were made shares that hold, and on what, or why not. */
function scoreWords(calibration) {
  if (!calibration) return null;
  if (calibration.fitted_on?.length) return `Calibrated on ${calibration.fitted_on.join(" and ")}, which it never learnt: of candidates with a score of 0.7 some 70 in 100 are objects there.`;
  return `Not calibrated: a score says which candidate comes first, not how often such candidates are right. ${calibration.not_fitted ?? ""}`;
}

function showComparison({ brief, comparisons, problem }) {
  const form = byId("use-form");
  const newest = comparisons.find((one) => one.is_with_one_in_use) ?? comparisons[0];
  byId("compare-form").hidden = !maySign || brief.is_in_use;
  form.hidden = !maySign || brief.is_in_use || !(newest?.may_take_over && newest.is_with_one_in_use);
  if (!newest) {
    fill(byId("detector-comparison"), el("p", { class: "empty" }, problem ?? "It was not compared with another one yet."));
    return;
  }
  form.dataset.comparison = newest.id;
  byId("use-seen-words").textContent = newest.lost.length
    ? `I looked through the list of ${countOf(newest.lost.length, "object")} that it loses.`
    : "I read the comparison; nothing that the one in use found is lost.";
  fill(byId("detector-comparison"), comparisonWords(newest));
}

function comparisonWords(said) {
  const { result, lost } = said;
  const share = (value) => (value === null ? "unknown" : percent(value));
  return [
    el("p", {}, said.may_take_over ? stateMark("done", "✓", "May take over") : stateMark("failed", "✕", "May not take over"), ` ${result.sentence}`),
    !said.is_with_one_in_use && el("p", { class: "notice" }, otherDetectorWords(said)),
    table(["On the locked split", said.old.name, "This one"], [
      ["Found", share(result.recall.old), share(result.recall.new)],
      ["False candidates a picture", result.false_per_picture.old.toFixed(2), result.false_per_picture.new.toFixed(2)],
      ["Found by one alone", `${lost.length} lost by the new one`, `${result.gained} gained`],
    ]),
    el("p", { class: "hint" }, `${countOf(result.pictures, "picture")}, ${countOf(result.objects, "object")} of ${countOf(result.specimens, "animal or specimen", "animals or specimens")}, labelled set ${said.set_id}, margin ${(result.margin * 100).toFixed(1)} % (one-sided 95 %, specimens drawn anew for both at once); ${dateTime(said.created_at)}.`),
    lost.length > 0 && el("h3", {}, "Found by the one in use and confirmed by readers, and lost by this one"),
    lost.length > 0 && table(["Object", "Group", "Where"], lost.map(lostRow)),
  ];
}

function otherDetectorWords(said) {
  return `This compares it with ${said.old.name} (${said.old.weights_sha256.slice(0, SHORT_HASH)}), which is not in use now. Compare again before you sign.`;
}

function lostRow(row) {
  return [
    row.candidate_id ? el("img", { class: "lost-crop", loading: "lazy", alt: `Candidate ${row.candidate_id}`, src: `/api/candidates/${row.candidate_id}/crop.jpg?side_px=192` }) : `${row.file}, annotation ${row.annotation}`,
    row.group.replaceAll("_", " "),
    row.image_id ? el("a", { href: `/reading/${row.image_id}` }, `Open picture ${row.image_id}`) : `at ${row.box_xyxy.map(Math.round).join(", ")} px; not on record here`,
  ];
}

async function sign(event) {
  event.preventDefault();
  const form = byId("use-form");
  const id = Number(form.dataset.comparison);
  const { lost } = shown.comparisons.find((one) => one.id === id);
  const body = { comparison_id: id, lost: lost.length, remark: form.remark.value || null };
  if (await submitting(form, byId("use-problem"), () => post(`${path}/use`, body))) location.assign("/detectors");
}

async function offerSets() {
  const sets = await withProblem(byId("compare-problem"), () => get("/api/labelled-sets")) ?? [];
  fill(byId("compare-set"), sets.map((set) => el("option", { value: set.id }, `Labelled set ${set.id}, ${countOf(set.images, "picture")}`)));
}

async function compareAgain(event) {
  event.preventDefault();
  const setId = Number(byId("compare-set").value);
  const started = await submitting(byId("compare-form"), byId("compare-problem"), () => post(`${path}/comparisons`, { set_id: setId }));
  if (started) location.assign(`/labelled-sets/${setId}#training-heading`);
}

function hash(sha256) {
  return el("span", { class: "hash" }, sha256);
}
