// One picture being read: what is known, which candidate is current, and what the reader does.

import { get, post } from "../api.js";
import { announce, byId, el, fill } from "../dom.js";
import { goToSignIn, isSignedOut, withProblem } from "../page.js";
import { ANSWERS } from "../words.js";
import { showAdequacy } from "./adequacy.js";
import { clearAnswer, showCandidatePanel } from "./candidate-panel.js";
import { askAhead } from "./comparisons.js";
import { showTailButton } from "./contact-sheet.js";
import { showDifferences } from "./differences.js";
import { loadCalls } from "./doctor-call.js";
import { BoxDrawing } from "./draw-box.js";
import { openObjectForm, remindOfOpenBox } from "./object-form.js";
import { Outbox } from "./outbox.js";
import { showOutbox } from "./outbox-notice.js";
import { goesOn } from "./pace.js";
import { showCurrentInRail, showRail } from "./rail.js";
import { Viewer } from "./viewer.js";

export class Desk {
  constructor({ session, image, specimen, groups }) {
    Object.assign(this, { session, image, specimen, groups, candidates: [], belowCut: [], objects: [], refusals: new Map(), calls: [], marked: [], currentId: null, isWithheld: false });
    this.outbox = new Outbox(session.user.id, {
      onStored: (entry) => entry.imageId === this.image.id && this.reload(),
      onRefused: (entry, error) => this.#refuse(entry, error),
      onChange: (entries, isWaiting, error) => this.#outboxChanged(entries, isWaiting, error),
    });
  }

  openViewer() {
    byId("desk").hidden = false;
    this.viewer ??= new Viewer(byId("viewer"), this.image, (id) => this.select(id));
  }

  async reload() {
    const [answer, calls] = await Promise.all([withProblem(byId("page-problem"), () => get(`/api/images/${this.image.id}/candidates`)), loadCalls(this)]);
    if (!answer) return;
    this.calls = calls;
    this.#take(answer);
    this.repaint();
    await showDifferences(this);
  }

  #take({ candidates, below_cut: belowCut, objects, withheld, adequacy, caution, detector }) {
    byId("detector-words").textContent = detector && !withheld ? `Proposed by the detector ${detector.name}.` : "";
    const ranked = (item) => this.#named(item, `Candidate ${item.rank}`, `${item.rank}`);
    this.candidates = candidates.map(ranked);
    this.belowCut = belowCut.map(ranked);
    this.objects = objects.map((item, index) => this.#named(item, `Added object ${index + 1}`, `+${index + 1}`));
    this.isWithheld = Boolean(withheld);
    if (!this.current()) this.currentId = this.mainItems()[0]?.id ?? null;
    this.gaps = adequacy?.area?.gaps ?? [];
    showAdequacy(adequacy, caution, this);
    this.guide?.showMap();
  }

  #named(item, name, shortName) {
    return { ...item, name, shortName, groupLabel: this.labelOf(item.current?.group ?? item.group) };
  }

  repaint() {
    const focusedId = document.activeElement?.closest(".rail-item")?.dataset.candidateId;
    showRail(this);
    showCandidatePanel(this);
    showTailButton(this);
    this.#showOnPicture();
    showCurrentInRail(this.currentId);
    if (focusedId) document.querySelector(`.rail-item[data-candidate-id="${focusedId}"]`)?.focus();
  }

  #showOnPicture() {
    const shown = byId("below-cut").open ? this.items() : [...this.mainItems(), ...this.belowCut.filter((item) => item.id === this.currentId || item.current)];
    this.viewer.showItems(shown.map((item) => ({ ...item, current: this.areApart(item) ? null : (this.outbox.waitingMark(item.id) ?? item.current) })), this.currentId);
  }

  mainItems() { return [...this.candidates, ...this.objects]; }
  items() { return [...this.mainItems(), ...this.belowCut]; }
  current() { return this.items().find((item) => item.id === this.currentId); }
  canMark() { return !this.specimen.signed_off && this.session.user.role !== "assistant"; }
  canRead() { return this.session.user.role !== "assistant"; }
  answerOf(item) { return (this.outbox.waitingMark(item.id) ?? item.current)?.answer ?? "none"; }
  /** While readers differ no answer holds: each sees the own one pressed. */
  areApart(item) { return item.unsettled && !this.isOnItsWay(item); }
  isOnItsWay(item) { return Boolean(this.outbox.waitingMark(item.id)); }
  labelOf(name) { return this.groups.find((group) => group.name === name)?.label ?? name ?? ""; }
  appearanceOf(name) { return this.groups.find((group) => group.name === name)?.appearance ?? ""; }
  groupOptions() { return this.candidateGroups().map((group) => el("option", { value: group.name }, group.label)); }
  candidateGroups() { return this.groups.filter((group) => group.kind === "candidate"); }
  lookAlikes() { return this.groups.filter((group) => group.kind === "look_alike"); }

  select(id, { moves = false } = {}) {
    // A place found so far is no candidate yet.
    if (!this.items().some((item) => item.id === id)) return;
    this.currentId = id;
    if (this.belowCut.some((item) => item.id === id)) byId("below-cut").open = true;
    showCandidatePanel(this);
    showTailButton(this);
    this.#showOnPicture();
    showCurrentInRail(id);
    askAhead(this.mainItems()[this.mainItems().findIndex((item) => item.id === id) + 1], this.image);
    if (moves) this.showCurrent();
    const item = this.current();
    announce(`${item.name}, resembles ${item.groupLabel}, ${ANSWERS[this.answerOf(item)].done}`);
  }

  showCurrent() {
    if (this.current()) this.viewer.showItem(this.current());
  }

  /** The whole picture stays in sight where the current candidate can be judged in it. */
  showCurrentIfSmall() {
    if (this.current() && this.viewer.isTooSmall(this.current())) this.showCurrent();
  }

  /** Below-cut candidates are stepped through only while their fold is open. */
  step(by) {
    const items = byId("below-cut").open ? this.items() : this.mainItems();
    if (!items.length) return;
    const place = items.findIndex((item) => item.id === this.currentId);
    this.select(items[(place + by + items.length) % items.length].id, { moves: true });
  }

  stepToUnmarked() {
    const items = this.mainItems();
    const start = items.findIndex((item) => item.id === this.currentId) + 1;
    const next = [...items.slice(start), ...items.slice(0, start)].find((item) => this.answerOf(item) === "none");
    if (next) this.select(next.id, { moves: true });
    else announce("Every candidate of this picture is marked.");
  }

  confirm() {
    this.mark({ answer: "confirm", group: byId("mark-group").value });
  }

  mark({ answer, group = null, reason = null, remark = byId("mark-remark").value.trim() || null }) {
    const item = this.current();
    const lastMarkId = item.marks.at(-1)?.id ?? null;
    this.refusals.delete(item.id);
    clearAnswer();
    this.outbox.add({ imageId: this.image.id, candidateId: item.id, lastMarkId, mark: { answer, group, reason, remark, replaces: null } });
    this.marked.push(item.id);
    announce(`${item.name} ${ANSWERS[answer].done}`);
    this.repaint();
    if (goesOn()) this.stepToUnmarked();
  }

  /** The same answer once more, with the remark: a new mark beside the old. */
  repeatWithRemark() {
    const { answer, group, reason } = this.current().current;
    this.mark({ answer, group: answer === "confirm" ? group : null, reason });
  }

  #refuse(entry, error) {
    this.refusals.set(entry.candidateId, error.message);
    if (this.viewer) this.repaint();
  }

  #outboxChanged(entries, isWaiting, error) {
    showOutbox(entries, isWaiting, { isInStorage: this.outbox.isInStorage, isSignedOut: error && isSignedOut(error), onSignIn: () => this.#signInAgain(), onTryNow: () => this.outbox.sendNow() });
    if (this.viewer && isWaiting) this.repaint();
  }

  #signInAgain() {
    this.outbox.letGo();
    goToSignIn();
  }

  toggleOutlines() {
    byId("outlines-button").setAttribute("aria-pressed", String(this.viewer.toggleOutlines()));
  }

  toggleDrawing() {
    if (this.drawing) return this.stopDrawing();
    if (!this.canMark() || remindOfOpenBox()) return undefined;
    this.drawing = new BoxDrawing(this.viewer, { onDone: (bbox) => this.#placeObject(bbox), onCancel: () => this.stopDrawing() });
    byId("draw-button").setAttribute("aria-pressed", "true");
    byId("draw-hint").hidden = false;
    fill(byId("draw-hint"), "Drag a box around the object. Or press an arrow key for a box, arrows to move, Shift + arrows to size, Enter to finish. Esc stops.");
    return undefined;
  }

  stopDrawing() {
    this.drawing?.stop();
    this.drawing = null;
    byId("draw-button").setAttribute("aria-pressed", "false");
    byId("draw-hint").hidden = true;
  }

  async #placeObject(bbox) {
    const frame = this.drawing.frame;
    this.stopDrawing();
    frame.addTo(this.viewer.map);
    const placed = await openObjectForm(this, bbox);
    frame.remove();
    byId("draw-button").focus({ preventScroll: true });
    if (!placed) return;
    this.marked.push(placed.id);
    await this.reload();
    this.select(placed.id);
  }

  addObject(body) {
    return post(`/api/images/${this.image.id}/objects`, body);
  }
}
