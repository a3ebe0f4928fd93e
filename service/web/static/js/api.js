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
let csrfToken = "";

export const get = (path) => send("GET", path);
/** `limitMs` is how long to wait for the answer; without it, as long as the browser does. */
export const post = (path, body = {}, limitMs = undefined) => send("POST", path, body, limitMs);
export const remove = (path) => send("DELETE", path);

export async function openSession() {
  return rememberToken(await get("/api/session"));
}

export async function signIn(userName, password) {
  return rememberToken(await post("/api/session", { user_name: userName, password }));
}

async function send(method, path, body, limitMs) {
  const headers = { Accept: "application/json" };
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
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("X-CSRF-Token", csrfToken);
    request.setRequestHeader("Content-Type", file.type || "application/octet-stream");
    request.upload.onprogress = (event) => event.lengthComputable && onProgress(event.loaded / event.total);
    request.onerror = () => reject(new ConnectionLost());
    request.onload = () => {
      try { resolve(readAnswer(request.status, request.responseText)); } catch (error) { reject(error); }
    };
    request.send(file);
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

function rememberToken(session) {
  csrfToken = session.csrf_token;
  return session;
}
