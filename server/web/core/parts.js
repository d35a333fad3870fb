// A large file goes in parts: what the server has stays there, and after a kill on either side it goes on where they end.
// @ts-check

import { base64 } from "./bytes.js";
import { sha256 } from "./sha256.js";
import { Trouble, isTrouble, trouble } from "./trouble.js";

/** @import {Kept} from "./kept.js" */
/** @import {Answer, Transport} from "./transport.js" */

/** A file up to so many bytes goes whole. */
export const WHOLE = 8 * 1024 * 1024;
/** Bytes of the first part: little is lost on a bad line, and a good one soon gets larger ones. */
export const FIRST = 1024 * 1024;
/** How often the server may send us elsewhere before it is left for later: another tab may be sending the same. */
const ELSEWHERE = 8;

/**
 * Sends what the server does not have yet of a file.
 * @param {Transport} transport @param {string} path the file's
 * @param {Kept} file
 * @param {{pace: {part: number}, begins: (bytes: number) => Promise<unknown>, progress: (share: number) => void, goesOn: () => Promise<boolean>}} how
 *   `pace`: bytes a part, grown and halved here; `begins` is told before each; `goesOn` is asked between two
 * @returns {Promise<Answer | undefined>} the answer that repeats the digest of the whole; nothing when it does not go on
 */
export async function sendParts(transport, path, file, { pace, begins, progress, goesOn }) {
  const { json } = await transport.send("GET", `${path}/parts`);
  const bound = (/** @type {unknown} */ n, /** @type {number} */ least) => Number.isSafeInteger(n) && Number(n) >= least && Number(n) <= file.size;
  const { shortest, longest } = json ?? {};
  if (json?.digest !== file.digest || json.size !== file.size || !bound(json.offset, 0) || !bound(shortest, 1) || !Number.isSafeInteger(longest) || longest < shortest) throw trouble("not-the-server");
  let at = /** @type {number} */ (json.offset);
  for (let elsewhere = 0; ;) {
    const part = Math.min(Math.max(pace.part, shortest), longest);
    // An empty one at the end asks for the whole to be finished.
    const bytes = await file.read(at, Math.min(at + part, file.size));
    const from = at;
    progress(from / file.size);
    await begins(bytes.byteLength);
    /** @type {Answer} */
    let answer;
    try {
      answer = await transport.put(`${path}/parts/${from}`, bytes, { "Content-Digest": `sha-256=:${base64(sha256(new Uint8Array(bytes)))}:` },
        (share) => progress((from + share * bytes.byteLength) / file.size));
    } catch (error) {
      pace.part = Math.max(shortest, Math.floor(part / 2));
      if (!isTrouble(error, "parts-elsewhere")) throw error;
      const { problem } = /** @type {Trouble} */ (error);
      elsewhere += 1;
      // It says where to go on; where that leads nowhere, it is tried again later.
      if (!bound(problem.offset, 0) || problem.offset === at || elsewhere > ELSEWHERE) throw new Trouble({ ...problem, retry: "same" }, error);
      at = Number(problem.offset);
      continue;
    }
    if (answer.json?.digest !== file.digest) throw trouble("not-the-server");
    if (answer.status === 200) return answer;
    if (answer.status !== 202 || !bound(answer.json.offset, from + 1)) throw trouble("not-the-server");
    at = answer.json.offset;
    pace.part = Math.min(longest, part * 2);
    if (!(await goesOn())) return undefined;
  }
}
