// A kind's own examples, run by the device's check beside the server's: what is asked for because of certain answers. Pure.
// @ts-check

import { check } from "./check.js";
import { fold } from "./fold.js";

/** @import {Kind} from "./types.js" */

/** What a kind asks for because of these answers, by gap. @param {Kind} kind @param {{[field: string]: string}} answers @returns {string[]} */
export function asked(kind, answers) {
  const state = fold([]);
  const mark = { id: "", digest: "", device_at: "1970-01-01T00:00:00.000Z" };
  for (const [field, said] of Object.entries(answers)) {
    const at = field.indexOf(":");
    const [group, id] = [field.slice(0, at), field.slice(at + 1)];
    if (group === "question") {
      const choices = kind.question?.find((q) => q.id === id)?.choices ?? [];
      const as = choices.some((c) => c.id === said) ? { choice: said } : ["does not know", "refused", "not asked"].includes(said) ? { not: said } : { text: said };
      state.answers[id] = { question: id, ...as, digest: "", mark };
    }
    if (group === "safety") state.safety[id] = { item: id, seen: said, digest: "", mark };
    if (group === "line") state.lines.push({ line: id, part: id, word: said, photos: [], digest: "", mark });
    if (group === "block") state.blocks[id] = { block: id, sentence: said, digest: "", mark };
  }
  const conditional = [
    ...kind.view.filter((v) => v.when).map((v) => `view:${v.id}`), ...(kind.question ?? []).filter((q) => q.when).map((q) => `question:${q.id}`),
    ...(kind.reading ?? []).filter((r) => r.when).map((r) => `reading:${r.id}`),
  ];
  return check(kind, state, "device").gaps.map((g) => g.gap).filter((g) => conditional.includes(g));
}
