// Trainings on a labelled set: start, watch, stop, go on.

import { get, post } from "./api.js";
import { announce, byId, el, fill, stateMark } from "./dom.js";
import { curveChart } from "./curve-chart.js";
import { submitting, withProblem } from "./page.js";
import { isVeterinarian } from "./roles.js";
import { dateTime, timeLeft } from "./words.js";

const LOOK_EVERY_MS = 2000;
const OPEN = ["waiting", "training", "exporting", "judging", "comparing"];
const MARKS = {
  waiting: ["works", "◷", "Waits for a machine"],
  training: ["works", "◐", "Training"],
  exporting: ["works", "◐", "Trained; being made ready for use"],
  judging: ["works", "◐", "Being judged on the locked split"],
  comparing: ["works", "◐", "Being compared with the one in use"],
  ready: ["done", "✓", "Done"],
  failed: ["failed", "!", "Failed"],
  stopped: ["failed", "□", "Stopped"],
};
const COUNTS = ["steps", "batch", "patience", "drawn_tiles", "seed"];

export async function startTrainings(session, setId) {
  const form = byId("training-form");
  const mayTrain = isVeterinarian(session);
  form.hidden = !mayTrain;
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const body = Object.fromEntries(COUNTS.map((name) => [name, Number(form.elements[name].value)]));
    body.margin = Number(form.margin_percent.value) / 100;
    const started = await submitting(form, byId("training-problem"), () => post(`/api/labelled-sets/${setId}/trainings`, body));
    if (started) await watch();
  });

  let timer;
  async function watch() {
    clearTimeout(timer);
    const runs = await withProblem(byId("training-problem"), () => get(`/api/labelled-sets/${setId}/trainings`)) ?? [];
    show(runs);
    if (runs.some((run) => OPEN.includes(run.state))) timer = setTimeout(watch, LOOK_EVERY_MS);
  }

  function show(runs) {
    const focused = document.activeElement?.dataset?.run;
    const open = new Set([...byId("training-list").querySelectorAll("details[open]")].map((one) => one.dataset.run));
    fill(byId("training-list"), runs.length ? runs.map((run) => runRow(run, mayTrain, act)) : el("li", { class: "empty" }, "Nothing was trained on this set yet."));
    for (const one of byId("training-list").querySelectorAll("details")) one.open = open.has(one.dataset.run);
    if (focused) byId("training-list").querySelector(`[data-run="${focused}"]`)?.focus();
  }

  async function act(run, verb, words) {
    if (await withProblem(byId("training-problem"), () => post(`/api/trainings/${run.id}/${verb}`))) announce(words);
    await watch();
  }

  await watch();
}

function runRow(run, mayTrain, act) {
  const isOpen = OPEN.includes(run.state);
  const kind = run.kind === "train" ? `Training ${run.id}` : `Comparison ${run.id}`;
  return el("li", {},
    el("div", { class: "run-head" },
      el("strong", {}, kind), stateMark(...MARKS[run.state]),
      el("span", { class: "hint" }, `${dateTime(run.created_at)}, by ${run.created_by.display_name}`)),
    isOpen && run.kind === "train" && progressLine(run),
    run.problem && el("p", { class: run.state === "ready" ? "hint" : "problem" }, run.problem),
    run.curve?.losses?.length > 0 && el("details", { "data-run": `${run.id}-losses` }, el("summary", {}, "Losses"), curveChart(run.curve)),
    el("div", { class: "actions" },
      run.detector_id && el("a", { class: "button", href: `/detectors/${run.detector_id}` }, "How it was judged"),
      mayTrain && isOpen && button(run, "stop", "Stop", act, "Stopped."),
      mayTrain && ["failed", "stopped"].includes(run.state) && button(run, "again", "Go on", act, "It goes on.")));
}

function button(run, verb, words, act, said) {
  return el("button", { type: "button", "data-run": `${run.id}-${verb}`, onclick: () => act(run, verb, said) }, words);
}

function progressLine(run) {
  if (run.state === "waiting") return null;
  if (run.state === "training" && run.step === null) return el("p", {}, "Reads the set, draws slides and judges the detector in use first.");
  if (run.state === "training" && run.step >= run.options.steps) return el("p", {}, "All steps are made; it looks at the held-out pictures once more.");
  const words = run.state === "training"
    ? `Step ${run.step} of at most ${run.options.steps}${timeLeft(run.seconds_left)}`
    : `All of its steps are made; what follows takes about as long as looking at the locked pictures ${run.state === "comparing" ? "twice" : "once"}`;
  return el("div", {}, el("progress", { max: 1, value: run.progress, "aria-label": `Training ${run.id}` }), el("p", { class: "hint" }, `${words}.`));
}
