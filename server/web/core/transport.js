// The wire: one request, its answer as JSON or a problem. An answer that is not the server's (a network's sign-in page) is
// never taken for success. Clock, fetch and timers are arguments.
// @ts-check

import { base64url, utf8 } from "./bytes.js";
import { Trouble, trouble } from "./trouble.js";
import { language } from "./words.js";

/** @import {Problem} from "./types.js" */

/** Longest wait for an answer to something small, milliseconds. */
export const PATIENCE = 20_000;
/** Slowest upload waited for, bytes a millisecond (8 kB a second). */
const SLOWEST = 8;

/**
 * @typedef {{
 *   fetch: typeof fetch,
 *   now: () => number,
 *   after: (ms: number, run: () => void) => () => void,
 *   client: string,
 *   upload?: (url: string, headers: {[name: string]: string}, bytes: ArrayBuffer, patience: number, progress: (share: number) => void) => Promise<Response>,
 * }} Wire
 *   `after` runs something later and returns what stops it; `client` is `web/<build>`; `upload` tells progress where fetch cannot.
 *
 * @typedef {{status: number, json: any, text: string, headers: Headers}} Answer
 * @typedef {{json?: any, body?: BodyInit, headers?: {[name: string]: string}, patience?: number, accept?: string}} Request
 */

export class Transport {
  /** @param {Wire} wire */
  constructor(wire) {
    this.wire = wire;
    /** Newest checkpoint note seen; sent along, so that a server that fell behind notices. @type {string | undefined} */
    this.checkpoint = undefined;
    /** Server clock minus device clock, and the round trip it was measured with. @type {{offset_ms: number, round_trip_ms: number} | undefined} */
    this.measured = undefined;
    /** Whether the last request reached the server; null before the first. @type {boolean | null} */
    this.reachable = null;
    /** Why it did not. @type {Problem | undefined} */
    this.why = undefined;
  }

  /** @param {string} method @param {string} path @param {Request} [request] @returns {Promise<Answer>} */
  async send(method, path, request = {}) {
    const { json, body, patience = PATIENCE, accept = "application/json" } = request;
    const headers = this.headers({ Accept: accept, ...request.headers });
    if (json !== undefined) headers["Content-Type"] = "application/json";
    const exchange = await this.#bounded(patience, (signal) =>
      this.wire.fetch(path, { method, headers, body: json === undefined ? body : JSON.stringify(json), signal, cache: "no-store", credentials: "same-origin" }));
    return this.#answer(exchange, accept);
  }

  /**
   * PUTs a file's bytes under their digest.
   * @param {string} path @param {ArrayBuffer} bytes @param {{[name: string]: string}} extra @param {(share: number) => void} progress
   * @returns {Promise<Answer>}
   */
  async put(path, bytes, extra, progress) {
    const headers = this.headers({ Accept: "application/json", "Content-Type": "application/octet-stream", ...extra });
    const patience = patienceFor(bytes.byteLength);
    const { upload } = this.wire;
    if (!upload) return this.send("PUT", path, { body: bytes, headers: { "Content-Type": "application/octet-stream", ...extra }, patience });
    let response;
    try {
      response = await upload(path, headers, bytes, patience, progress);
    } catch (error) {
      throw this.#unreached(error);
    }
    return this.#answer({ response, text: await response.text() }, "application/json");
  }

  /** @param {{[name: string]: string}} more @returns {{[name: string]: string}} */
  headers(more) {
    /** @type {{[name: string]: string}} */
    const headers = { "Counterfoil-Client": this.wire.client, "Accept-Language": language(), ...more };
    if (this.checkpoint) headers["Counterfoil-Checkpoint"] = base64url(utf8(this.checkpoint));
    return headers;
  }

  /** Asks `GET /v1` and measures clock offset and round trip by it. @returns {Promise<any>} */
  async about() {
    const before = this.wire.now();
    const { json } = await this.send("GET", "/v1");
    const after = this.wire.now();
    if (json?.name !== "counterfoil" || typeof json.now !== "string") throw this.#unreached(trouble("not-the-server"));
    const round = after - before;
    this.measured = { offset_ms: Math.round(Date.parse(json.now) - (before + round / 2)), round_trip_ms: Math.round(round) };
    return json;
  }

  /**
   * The whole exchange, body included, within a time.
   * @param {number} patience @param {(signal: AbortSignal) => Promise<Response>} start
   * @returns {Promise<{response: Response, text: string}>}
   */
  async #bounded(patience, start) {
    const abort = new AbortController();
    let late = false;
    const stop = this.wire.after(patience, () => {
      late = true;
      abort.abort();
    });
    try {
      const response = await start(abort.signal);
      return { response, text: await response.text() };
    } catch (error) {
      throw this.#unreached(late ? trouble("too-slow", { cause: error }) : error);
    } finally {
      stop();
    }
  }

  /** @param {unknown} error @returns {Trouble} */
  #unreached(error) {
    const named = error instanceof Trouble ? error : trouble("no-network", { cause: error });
    this.reachable = false;
    this.why = named.problem;
    return named;
  }

  /** @param {{response: Response, text: string}} exchange @param {string} accept @returns {Answer} */
  #answer({ response, text }, accept) {
    const type = (response.headers.get("Content-Type") ?? "").split(";")[0].trim().toLowerCase();
    const problem = type === "application/problem+json" ? parse(text) : undefined;
    // A problem of somebody between (`about:blank`, a status phrase in English) says nothing to a person.
    if (!response.ok && String(problem?.type).startsWith("/problems/")) {
      this.reachable = true;
      throw new Trouble(problemOf(problem, response));
    }
    const empty = response.status === 204;
    const json = type === "application/json" ? parse(text) : undefined;
    const expected = accept === "application/json" ? json !== undefined : type === accept;
    if (!response.ok || response.redirected || !(empty || expected)) {
      // Neither an answer of ours nor a problem of ours: a gateway, a proxy, a sign-in page. Nothing is known of the request.
      throw this.#unreached(trouble("not-the-server", { cause: new Error(`status ${response.status}, ${type || "no type"}`) }));
    }
    this.reachable = true;
    if (typeof json?.checkpoint === "string" && json.checkpoint) this.checkpoint = newer(this.checkpoint, json.checkpoint);
    return { status: response.status, json, text, headers: response.headers };
  }
}

/** Longest wait for an upload of so many bytes, milliseconds. @param {number} bytes */
export function patienceFor(bytes) {
  return PATIENCE + Math.ceil(bytes / SLOWEST);
}

/** @param {string} text @returns {any} */
function parse(text) {
  try {
    return JSON.parse(text);
  } catch {
    return undefined;
  }
}

/** @param {any} raw @param {Response} response @returns {Problem} */
function problemOf(raw, response) {
  const known = ["same", "changed", "later", "never"];
  const after = Number(response.headers.get("Retry-After"));
  return {
    ...raw,
    title: String(raw.title ?? raw.type),
    detail: String(raw.detail ?? raw.title ?? raw.type),
    status: response.status,
    retry: known.includes(raw.retry) ? raw.retry : response.status >= 500 ? "same" : "changed",
    ...(Number.isFinite(after) && after > 0 ? { after_s: after } : {}),
  };
}

/**
 * The newer of two checkpoint notes (C2SP tlog-checkpoint: origin, then size): of the later epoch, else with the larger tree.
 * An origin is `<name>/<shop>/<epoch>`.
 * @param {string | undefined} held @param {string} came @returns {string}
 */
export function newer(held, came) {
  if (!held) return came;
  const [epochHeld, sizeHeld] = standing(held);
  const [epoch, size] = standing(came);
  return epochHeld > epoch || (epochHeld === epoch && sizeHeld > size) ? held : came;
}

/** @param {string} note @returns {[number, number]} */
function standing(note) {
  const [origin, size] = note.split("\n");
  return [Number(origin.slice(origin.lastIndexOf("/") + 1)) || 0, Number(size) || 0];
}
