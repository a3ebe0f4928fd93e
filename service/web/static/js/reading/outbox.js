// Marks on their way. A mark stays here, and in the browser's storage, until the service has answered; a lost network
// or a closed page does not lose it.

import { ApiProblem, ConnectionLost, get, post, rememberToken } from "../api.js";

const ANSWER_LIMIT_MS = 10_000;
const FIRST_WAIT_MS = 2000;
const LONGEST_WAIT_MS = 30_000;

export class Outbox {
  /** `onStored(entry)`, `onRefused(entry, error)` and `onChange(entries, isWaiting)` tell the page. */
  constructor(readerId, { onStored, onRefused, onChange }) {
    Object.assign(this, { readerId, onStored, onRefused, onChange });
    this.key = `marks-on-their-way-${readerId}`;
    this.entries = readStored(this.key);
    this.waitMs = FIRST_WAIT_MS;
    this.isInStorage = true;
    addEventListener("online", () => this.sendNow());
    addEventListener("beforeunload", (event) => { if (this.isWaiting) event.preventDefault(); });
    if (this.entries.length) this.sendNow();
  }

  add(entry) {
    this.entries.push({ ...entry, tried: false });
    this.#keep();
    this.sendNow();
  }

  /** The newest mark of a candidate that is not stored yet, or undefined. */
  waitingMark(candidateId) {
    return this.entries.findLast((entry) => entry.candidateId === candidateId)?.mark;
  }

  /** Lets the page go without a question, where the browser's storage holds what is not stored yet. */
  letGo() {
    if (this.isInStorage) this.isWaiting = false;
  }

  async sendNow() {
    clearTimeout(this.timer);
    if (this.isSending) return;
    this.isSending = true;
    this.isWaiting = false;
    while (this.entries.length && (await this.#sendFirst()));
    this.isSending = false;
  }

  async #sendFirst() {
    const [entry] = this.entries;
    try {
      if (this.asksSession) await this.#renewSession();
      if (!(entry.tried && (await isStoredAlready(entry)))) {
        entry.tried = true;
        await post(`/api/candidates/${entry.candidateId}/marks`, entry.mark, ANSWER_LIMIT_MS);
      }
    } catch (error) {
      return this.#fail(entry, error);
    }
    this.#drop();
    await this.onStored(entry);
    return true;
  }

  /** After a sign-in elsewhere in this browser: goes on as the same reader, and never as another. */
  async #renewSession() {
    const session = await get("/api/session");
    if (session.user.id !== this.readerId) throw new ApiProblem(401, { detail: "Somebody else is signed in." });
    rememberToken(session);
    this.asksSession = false;
  }

  #fail(entry, error) {
    if (error.status === 401) this.asksSession = true;
    if (error.status === 403 && !entry.isRenewed) {
      // The sign-in that this page knows of may have been followed by another one.
      this.asksSession = entry.isRenewed = true;
      return true;
    }
    if (error instanceof ConnectionLost || isForLater(error)) {
      this.isWaiting = true;
      this.onChange(this.entries, true, error);
      this.timer = setTimeout(() => this.sendNow(), this.waitMs);
      this.waitMs = Math.min(2 * this.waitMs, LONGEST_WAIT_MS);
      return false;
    }
    this.#drop();
    this.onRefused(entry, error);
    return true;
  }

  #drop() {
    this.waitMs = FIRST_WAIT_MS;
    this.entries.shift();
    this.#keep();
  }

  #keep() {
    try {
      localStorage.setItem(this.key, JSON.stringify(this.entries));
      this.isInStorage = true;
    } catch { this.isInStorage = false; /* kept by this page */ }
    this.onChange(this.entries, false);
  }
}

/** Signed out or a fault of the service: the mark itself was not refused. */
const isForLater = (error) => error instanceof ApiProblem && (error.status === 401 || error.status === 429 || error.status >= 500);

/** After a lost answer: did the service store the mark all the same? Sending it again would add it twice. */
async function isStoredAlready({ imageId, candidateId, mark, lastMarkId }) {
  const { candidates, below_cut: belowCut, objects } = await get(`/api/images/${imageId}/candidates`);
  const last = [...candidates, ...belowCut, ...objects].find((item) => item.id === candidateId)?.marks.at(-1);
  return Boolean(last) && last.id !== lastMarkId && ["answer", "reason", "remark"].every((field) => (last[field] ?? null) === mark[field]);
}

/** What an earlier page left; it may have been stored by the service just when that page closed. */
function readStored(key) {
  try { return (JSON.parse(localStorage.getItem(key)) ?? []).map((entry) => ({ ...entry, tried: true })); } catch { return []; }
}
