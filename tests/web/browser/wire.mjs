// What lies between a phone and the shop, made bad on purpose: a small proxy that is told how to behave, from one request to the
// next. It keeps nothing.

import { createServer, request as ask } from "node:http";
import { once } from "node:events";

const PORTAL = "<!doctype html><title>Free network</title><h1>Welcome. Please accept our terms.</h1>";

/**
 * How it behaves: `pass`; `down` (nobody listens, as far as a browser can tell); `slow` (latency a request, milliseconds);
 * `lossy` (`share` of the connections break, the rest crawl); `cut` (uploads break after so many bytes); `portal` (200 with a
 * page, whatever was asked); `answer` (a status with a page, for the methods named).
 * @typedef {{ kind: "pass" } | { kind: "down" } | { kind: "slow", ms: number } | { kind: "lossy", share: number, ms: number, bytes: number, chance: () => number }
 *   | { kind: "cut", after: number } | { kind: "portal" } | { kind: "answer", status: number, methods: string[] }} How
 */

export class Wire {
  /** @param {number} port the shop's */
  constructor(port) {
    this.to = port;
    /** @type {How} */
    this.how = { kind: "pass" };
    /** Changes what the server says, on its way: by path, text to text. @type {((path: string, text: string) => string) | null} */
    this.rewrite = null;
    /** The path that is asked of the server. @type {(path: string) => string} */
    this.path = (path) => path;
    this.broken = 0;
    /** @type {Set<import("node:net").Socket>} */
    this.sockets = new Set();
  }

  async start() {
    this.server = createServer((req, res) => this.#answer(req, res).catch(() => res.destroy()));
    this.server.on("connection", (socket) => {
      this.sockets.add(socket);
      socket.on("error", () => {});
      socket.on("close", () => this.sockets.delete(socket));
    });
    this.server.listen(0, "127.0.0.1");
    await once(this.server, "listening");
    this.address = `http://127.0.0.1:${/** @type {import("node:net").AddressInfo} */ (this.server.address()).port}`;
    return this;
  }

  /** From now on. What is open breaks: a network that changes takes its connections along. @param {How} how */
  set(how) {
    this.how = how;
    for (const socket of this.sockets) socket.destroy();
  }

  async stop() {
    for (const socket of this.sockets) socket.destroy();
    this.server?.close();
  }

  /** @param {import("node:http").IncomingMessage} req @param {import("node:http").ServerResponse} res */
  async #answer(req, res) {
    const { how } = this;
    const page = (/** @type {number} */ status) => {
      req.resume();
      res.writeHead(status, { "Content-Type": "text/html" }).end(PORTAL);
    };
    if (how.kind === "down") return this.#break(req);
    if (how.kind === "portal") return page(200);
    if (how.kind === "answer" && how.methods.includes(req.method ?? "")) return page(how.status);
    if (how.kind === "slow") await wait(how.ms);
    if (how.kind === "lossy") {
      if (how.chance() < how.share) return this.#break(req);
      await wait(how.ms);
    }
    const path = this.path(req.url ?? "/");
    const headers = { ...req.headers, ...(this.rewrite ? { "accept-encoding": "identity" } : {}) };
    const on = ask({ host: "127.0.0.1", port: this.to, method: req.method, path, headers });
    on.on("error", () => res.destroy());
    res.on("close", () => on.destroy());
    on.on("response", (from) => this.#back(req, from, res).catch(() => res.destroy()));
    let passed = 0;
    for await (const chunk of req) {
      passed += chunk.length;
      if (how.kind === "cut" && passed > how.after) {
        on.destroy();
        return this.#break(req);
      }
      if (how.kind === "lossy") await wait((chunk.length / how.bytes) * 1000);
      on.write(chunk);
    }
    on.end();
  }

  /** @param {import("node:http").IncomingMessage} req */
  #break(req) {
    this.broken += 1;
    req.socket.destroy();
  }

  /** @param {import("node:http").IncomingMessage} req @param {import("node:http").IncomingMessage} from @param {import("node:http").ServerResponse} res */
  async #back(req, from, res) {
    const type = from.headers["content-type"] ?? "";
    if (!this.rewrite || !/html|javascript|json/.test(type)) {
      res.writeHead(from.statusCode ?? 502, from.headers);
      from.pipe(res);
      return;
    }
    const chunks = [];
    for await (const chunk of from) chunks.push(chunk);
    const text = this.rewrite(req.url ?? "/", Buffer.concat(chunks).toString());
    const { "content-length": _, "transfer-encoding": __, ...headers } = from.headers;
    res.writeHead(from.statusCode ?? 502, { ...headers, "content-length": Buffer.byteLength(text) });
    res.end(text);
  }
}

/** @param {number} ms */
const wait = (ms) => new Promise((on) => setTimeout(on, ms));
