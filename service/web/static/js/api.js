// The one place that talks to the service.

/** The service answered with a problem document; `message` is its sentence. */
export class ApiProblem extends Error {
  constructor(status, document) {
    super(sentenceOf(document, status));
    this.status = status;
    this.document = document;
  }
}

/** No answer came; what was sent may or may not have arrived. */
export class ConnectionLost extends Error {
  constructor() {
    super("The service can't be reached. Check the network; nothing was removed from this page.");
  }
}

const UNREACHABLE = [502, 503, 504];
// A connection that has died without a word shows only by nothing moving.
const STALLED_MS = 30_000;
let csrfToken = "";

export const get = (path) => send("GET", path);
/** `limitMs` is how long to wait for the answer; without it, as long as the browser does. */
export const post = (path, body = {}, limitMs = undefined, more = {}) => send("POST", path, body, limitMs, more);
export const put = (path, body) => send("PUT", path, body);
export const remove = (path) => send("DELETE", path);

export async function openSession() {
  return rememberToken(await get("/api/session"));
}

export async function signIn(userName, password) {
  return rememberToken(await post("/api/session", { user_name: userName, password }));
}

/** A header of the answer to HEAD. */
export async function ask(path, name) {
  let response;
  try { response = await fetch(path, { method: "HEAD" }); } catch { throw new ConnectionLost(); }
  readAnswer(response.status, "");
  return response.headers.get(name);
}

async function send(method, path, body, limitMs, more = {}) {
  const headers = { Accept: "application/json", ...more };
  if (method !== "GET") headers["X-CSRF-Token"] = csrfToken;
  if (body !== undefined) headers["Content-Type"] = "application/json";
  const signal = limitMs === undefined ? undefined : AbortSignal.timeout(limitMs);
  let status, text;
  try {
    const response = await fetch(path, { method, headers, signal, body: body === undefined ? undefined : JSON.stringify(body) });
    [status, text] = [response.status, await response.text()];
  } catch {
    throw new ConnectionLost();
  }
  return readAnswer(status, text);
}

/** Sends a file as it is; `onProgress` gets the sent share, 0 to 1. */
export function upload(path, file, onProgress) {
  const headers = { "Content-Type": file.type || "application/octet-stream" };
  return sendBytes("POST", path, file, headers, (sent, all) => onProgress(sent / all));
}

/** Sends a part of a file; `onSent` gets the number of bytes that left, `signal` ends it. */
export function sendPart(path, part, headers, onSent, signal) {
  return sendBytes("PATCH", path, part, headers, onSent, signal);
}

function sendBytes(method, path, bytes, headers, onSent, signal) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    const abort = () => request.abort();
    let watch;
    const moves = () => { clearTimeout(watch); if (signal) watch = setTimeout(abort, STALLED_MS); };
    request.open(method, path);
    for (const [name, value] of Object.entries({ "X-CSRF-Token": csrfToken, ...headers })) request.setRequestHeader(name, value);
    request.upload.onprogress = (event) => { moves(); if (event.lengthComputable) onSent(event.loaded, event.total); };
    request.onerror = () => reject(new ConnectionLost());
    request.onabort = () => reject(signal.aborted ? signal.reason : new ConnectionLost());
    request.onload = () => {
      try { resolve(readAnswer(request.status, request.responseText)); } catch (error) { reject(error); }
    };
    request.onloadend = () => { clearTimeout(watch); signal?.removeEventListener("abort", abort); };
    signal?.addEventListener("abort", abort);
    moves();
    request.send(bytes);
  });
}

function readAnswer(status, text) {
  if (UNREACHABLE.includes(status)) throw new ConnectionLost();
  const document = parse(text);
  if (status >= 400) throw new ApiProblem(status, document);
  return document;
}

function parse(text) {
  try { return text ? JSON.parse(text) : null; } catch { return null; }
}

function sentenceOf(document, status) {
  if (typeof document?.detail === "string") return document.detail;
  return `The service answered with status ${status} and no explanation. Try again; if it stays, tell who runs the service.`;
}

/** What is changed from here on is changed in this session. */
export function rememberToken(session) {
  csrfToken = session.csrf_token;
  return session;
}
