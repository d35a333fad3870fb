// The next free tag, as a proposal.

import { leasedTag, list } from "../core/app.js";

/**
 * One of the tags set apart for this device. Where it has none, one more than the highest number among the newest tags, as wide
 * as it; somebody may have taken that meanwhile: then another is asked for.
 */
export async function nextFree() {
  try {
    const leased = await leasedTag();
    if (leased) return leased;
    const { items } = await list();
    const tags = items.flatMap((i) => [i.tag, ...(i.tags_before ?? [])]).filter((tag) => /^\d{1,9}$/.test(tag));
    const highest = tags.reduce((a, b) => (Number(b) > Number(a) ? b : a), "0000");
    return String(Number(highest) + 1).padStart(highest.length, "0");
  } catch {
    return "";
  }
}
