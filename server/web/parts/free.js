// The next free tag, as a proposal.

import { list } from "../core/app.js";

/** One more than the highest number among the newest tags, as wide as it. Somebody may have taken it meanwhile: then another is asked for. */
export async function nextFree() {
  try {
    const { items } = await list();
    const tags = items.map((i) => i.tag).filter((tag) => /^\d{1,9}$/.test(tag));
    const highest = tags.reduce((a, b) => (Number(b) > Number(a) ? b : a), "0000");
    return String(Number(highest) + 1).padStart(highest.length, "0");
  } catch {
    return "";
  }
}
