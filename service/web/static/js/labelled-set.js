import { get } from "./api.js";
import { byId, el, facts, fill, svg } from "./dom.js";
import { startPage, withProblem } from "./page.js";
import { importWords } from "./set-import.js";
import { table } from "./tables.js";
import { startTrainings } from "./trainings.js";
import { countOf, dateTime } from "./words.js";

const SPLITS = { train: "To learn from", held_out: "To end a training by", judging: "Judging (locked)" };
const CROP_PX = 192;
const CHART = { width: 360, bars: 110, side: 10, rangeHeight: 27 };

const session = await startPage();
const answer = await withProblem(byId("set-problem"), () => get(`/api/labelled-sets/${document.body.dataset.setId}`));
if (answer) {
  show(answer);
  await startTrainings(session, answer.set.id);
}

function show({ set, rule, report, ...hashes }) {
  facts(byId("set-facts"), [
    ["Made", `${dateTime(set.created_at)}, by ${set.created_by.display_name}`],
    ["Holds", `${countOf(set.images, "picture")}, ${countOf(set.annotations, "label")}`],
    ["Chosen by", rule ? ruleWords(rule) : "not kept for sets of that time"],
    ["SHA-256 of manifest.json", hashes.manifest_sha256 && el("span", { class: "hash" }, hashes.manifest_sha256)],
    ["SHA-256 of the file", hashes.zip_sha256 && el("span", { class: "hash" }, hashes.zip_sha256)],
    ["File", el("a", { href: set.download_url, download: "" }, `Download set ${set.id}`)],
  ]);
  if (!report) return;
  byId("set-report").hidden = false;
  fill(byId("set-splits"), table(["Split", "Specimens", "Pictures", "Labels"], Object.entries(SPLITS).map(([split, words]) => {
    const counts = report.splits[split];
    return [words, counts.specimens, counts.pictures, counts.labels];
  })));
  tellFewJudged(report.splits.judging.specimens, Number(document.body.dataset.leastJudged));
  fill(byId("set-groups"), report.groups.length
    ? table(["Group", ...Object.values(SPLITS)], report.groups.map((row) => [row.label, ...Object.keys(SPLITS).map((split) => row[split])]))
    : empty("The set has no labels."));
  fill(byId("set-sizes"), report.sizes.length ? report.sizes.map(sizeChart) : empty("No confirmed object was measured."));
  fill(byId("set-doubtful"), report.doubtful.length ? doubtfulTable(report) : empty("No mark is doubtful by these rules."));
  fill(byId("set-twins"), twins(set, report));
  byId("import-section").hidden = !report.import;
  if (report.import) fill(byId("set-import"), importWords(report.import));
  fill(byId("set-crops"), report.crops.length ? report.crops.map(cropRow) : empty("No object has been marked."));
}

/** Said before hours of training, not after. */
function tellFewJudged(count, least) {
  const few = byId("training-few");
  few.hidden = count >= least;
  few.textContent = `The locked split holds ${countOf(count, "specimen")}. A detector trained on this set can be looked at, but not taken into use: for that, objects of at least ${least} specimens must be locked. About one specimen in seven is; sign off more and make a new set.`;
}

function empty(words) {
  return el("p", { class: "empty" }, words);
}

function ruleWords(rule) {
  if (rule.imported) return "whoever marked it elsewhere; it came as a COCO file";
  const days = [rule.signed_from && `from ${rule.signed_from}`, rule.signed_until && `until ${rule.signed_until}`].filter(Boolean);
  return [
    rule.specimen_ids === null ? "all specimens that were signed off" : `${countOf(rule.specimen_ids, "signed-off specimen")} by choice`,
    days.length && `signed ${days.join(" ")}`,
    rule.microscopes && `measured with ${rule.microscopes.join(" or ")}`,
    rule.least_readers > 1 && `read by ${rule.least_readers} or more`,
    rule.settled_only && "without open differences",
  ].filter(Boolean).join(", ");
}

function sizeChart(size) {
  const low = size.edges_um[0];
  const high = size.edges_um.at(-1);
  const toX = (um) => CHART.side + (CHART.width - 2 * CHART.side) * (um - low) / (high - low);
  const most = Math.max(...size.counts, 1);
  const height = CHART.bars + 22 + CHART.rangeHeight * size.ranges.length;
  const words = `${size.label}: ${countOf(size.n, "length")}, median ${size.median_um.toFixed(1)} µm, from ${low} to ${high} µm`;
  const drawing = svg("svg", { viewBox: `0 0 ${CHART.width} ${height}`, role: "img", "aria-label": words });
  size.counts.forEach((count, place) => {
    if (!count) return;
    const x = toX(size.edges_um[place]);
    const tall = (CHART.bars - 16) * count / most;
    drawing.append(svg("rect", { class: "bar", x, y: CHART.bars - tall, width: toX(size.edges_um[place + 1]) - x - 1, height: tall }));
  });
  drawing.append(
    svg("line", { class: "axis", x1: CHART.side, x2: CHART.width - CHART.side, y1: CHART.bars, y2: CHART.bars }),
    label(toX(low), CHART.bars + 14, `${Math.round(low)}`, "start"),
    label(toX(high), CHART.bars + 14, `${Math.round(high)} µm`, "end"),
    label(CHART.side, 11, `most in one bar: ${most}`, "start"));
  size.ranges.forEach((row, place) => {
    const y = CHART.bars + 40 + CHART.rangeHeight * place;
    const [from, to] = row.range_um.map(toX);
    drawing.append(
      svg("path", { class: "range", d: `M${from} ${y - 4}v8M${from} ${y}H${to}M${to} ${y - 4}v8` }),
      label(CHART.side, y - 8, row.taxon, "start", "taxon"));
  });
  return el("figure", { class: "panel size-chart" }, el("figcaption", {}, `${size.label} (${countOf(size.n, "length")}, median ${size.median_um.toFixed(1)} µm)`), drawing);
}

function label(x, y, words, anchor, name = "") {
  return svg("text", { x, y, "text-anchor": anchor, class: name }, words);
}

function crop(id, name) {
  return el("img", { class: name, loading: "lazy", alt: `Candidate ${id}`, src: `/api/candidates/${id}/crop.jpg?side_px=${CROP_PX}` });
}

function cropRow(row) {
  return el("section", {}, el("h3", {}, row.label), el("div", { class: "crop-row" }, row.candidate_ids.map((id) => crop(id))));
}

function doubtfulTable(report) {
  const rows = report.doubtful.map((row) => [
    row.candidate_id ? crop(row.candidate_id, "doubtful-crop") : `File ${row.file_name}`, row.why,
    row.image_id ? el("a", { href: `/reading/${row.image_id}` }, `Open picture ${row.image_id}`) : ""]);
  const more = report.doubtful_in_all - report.doubtful.length;
  return [table(["Object", "Why", "Picture"], rows), more > 0 && el("p", { class: "hint" }, `And ${more} more.`)];
}

function twins(set, report) {
  const pairs = report.look_alike_pictures.map(({ image_ids: ids, file_names: [oneFile, otherFile], one_specimen: isOne, splits, differing_bits: bits }) => [
    ids[0] ? `Pictures ${ids[0]} and ${ids[1]}` : `Files ${oneFile} and ${otherFile}`,
    `${isOne ? "Of one specimen" : "Of two specimens"}; hashes differ in ${bits} of 255 bits; splits: ${splits.map((split) => SPLITS[split]).join(" and ")}.`,
    el("span", {}, ids.filter(Boolean).map((id) => el("a", { href: `/reading/${id}` }, `Open ${id} `)))]);
  const leftOut = [
    ...set.left_out.map((id) => [id, "An older specimen holds the same bytes."]),
    ...report.left_out.map((row) => [row.image_id, row.why]),
  ].map(([id, why]) => [`Picture ${id}`, `Left out. ${why}`, el("a", { href: `/reading/${id}` }, `Open ${id}`)]);
  const rows = [...pairs, ...leftOut];
  return rows.length ? table(["Which", "What", "Picture"], rows) : empty("No two pictures look alike, and none was left out.");
}
