// A large file in parts: what has arrived stays when the connection, the page or the computer goes.

import { ApiProblem, ask, ConnectionLost, get, post, remove, sendPart } from "./api.js";

export const PART_BYTES = 4 * 1024 ** 2;
const POLL_MS = 1000;
const FIRST_WAIT_MS = 1000;
const LONGEST_WAIT_MS = 15_000;

/**
 * Sends a file to `begin` (the address that begins an upload) and resolves once it is an image, whose upload is
 * returned. `says` is told what goes on: `share(0 to 1)`, `lost(share)`, `checking()`. `signal` stops the sending;
 * `stop` removes what has arrived.
 */
export async function sendInParts(begin, file, says, signal) {
  let upload = await findBegun(begin, file) ?? await beginUpload(begin, file);
  for (let wait = FIRST_WAIT_MS; upload.state === "receiving" || upload.state === "held";) {
    signal.throwIfAborted();
    try {
      says.share(upload.offset / file.size);
      const from = upload.offset;
      upload = await sendNext(upload, file, (sent) => says.share((from + sent) / file.size), signal);
      wait = FIRST_WAIT_MS;
    } catch (error) {
      if (!canGoOn(error)) throw error;
      says.lost(upload.offset / file.size);
      await pause(wait, signal);
      wait = Math.min(2 * wait, LONGEST_WAIT_MS);
      upload = await readAgain(upload);
    }
  }
  says.checking();
  return follow(upload, signal);
}

/** Waits until an upload that is all there is an image. */
export async function follow(upload, signal) {
  let now = upload;
  while (now.state === "checking") {
    await pause(POLL_MS, signal);
    try { now = await get(now.upload_url); } catch (error) { if (!(error instanceof ConnectionLost)) throw error; }
  }
  if (now.state !== "held") forget(now);
  if (now.state === "stored") return now;
  throw new ApiProblem(409, { detail: now.problem ?? `${now.file_name} was not taken: the upload is ${now.state}. Send it again.` });
}

/** Uploads of this person to a preparation that have not ended. */
export function listBegun(begin) {
  return get(begin.split("?")[0]);
}

/** Ends an upload; what has arrived is removed. */
export async function stop(upload) {
  forget(upload);
  await remove(upload.upload_url);
}

/** The upload of this very file that was begun in this browser, as far as name, size and time of change can tell. */
export async function findBegun(begin, file) {
  const begun = await listBegun(begin);
  return begun.find((one) => one.file_name === file.name && one.bytes === file.size && recall(one) === String(file.lastModified));
}

async function beginUpload(begin, file) {
  const upload = await post(begin, undefined, undefined, { "Upload-Length": String(file.size) });
  remember(upload, file);
  return upload;
}

async function sendNext(upload, file, onSent, signal) {
  const part = file.slice(upload.offset, upload.offset + PART_BYTES);
  const headers = { "Content-Type": "application/partial-upload", "Upload-Offset": String(upload.offset), ...await digestOf(part) };
  return sendPart(upload.upload_url, part, headers, onSent, signal);
}

/** The hash of a part, where the browser gives one: only to pages of this computer or over HTTPS. */
async function digestOf(part) {
  if (!globalThis.crypto?.subtle) return {};
  const digest = new Uint8Array(await crypto.subtle.digest("SHA-256", await part.arrayBuffer()));
  return { "Content-Digest": `sha-256=:${btoa(String.fromCharCode(...digest))}:` };
}

/** Where an upload stands; while no answer comes, where it stood. */
async function readAgain(upload) {
  try {
    const offset = Number(await ask(upload.upload_url, "Upload-Offset"));
    return { ...await get(upload.upload_url), offset };
  } catch (error) {
    if (error instanceof ConnectionLost) return upload;
    throw error;
  }
}

// A browser that sends a part again by itself, unasked, can overtake its own request.
function canGoOn(error) {
  if (error instanceof ConnectionLost) return true;
  return error instanceof ApiProblem && (error.document?.["expected-offset"] !== undefined || error.document?.overtaken === true);
}

function pause(ms, signal) {
  return new Promise((resolve, reject) => {
    const end = () => { clearTimeout(timer); removeEventListener("online", done); signal?.removeEventListener("abort", fail); };
    const done = () => { end(); resolve(); };
    const fail = () => { end(); reject(signal.reason); };
    const timer = setTimeout(done, ms);
    addEventListener("online", done);
    signal?.addEventListener("abort", fail);
  });
}

// Which file an upload was begun with is known to this browser alone; without its memory the file is sent anew.
const keyOf = (upload) => `coverslip-upload-${upload.id}`;

function remember(upload, file) {
  try { localStorage.setItem(keyOf(upload), String(file.lastModified)); } catch { /* No room, or switched off. */ }
}

function recall(upload) {
  try { return localStorage.getItem(keyOf(upload)); } catch { return null; }
}

function forget(upload) {
  try { localStorage.removeItem(keyOf(upload)); } catch { /* Switched off. */ }
}
