// Three phones on the same machines, every request at the mercy of the wire: nothing is lost, nothing stands twice, everybody sees
// the same. 10,000 seeds with COUNTERFOIL_LONG=1 (or `tests/run --long`), fewer otherwise. One seed again: COUNTERFOIL_SEED=n.
import assert from "node:assert/strict";
import { test } from "node:test";
import { Run } from "./model.mjs";

const { COUNTERFOIL_LONG: long, COUNTERFOIL_SEED: one } = process.env;
const STEPS = 90;

test("random interleavings with loss, duplication, reordering, kills and clocks that jump", async () => {
  const seeds = one ? [Number(one)] : Array.from({ length: long ? 10_000 : 150 }, (_, i) => i + 1);
  const counts = {};
  let said = 0;
  for (const seed of seeds) {
    const run = new Run(seed);
    await run.play(STEPS);
    assert.deepEqual(run.faults(), [], `seed ${seed}`);
    said += run.said.length;
    for (const [what, n] of Object.entries(run.counts)) counts[what] = (counts[what] ?? 0) + n;
  }
  console.log(`${seeds.length} seeds, ${said} entries; ${Object.entries(counts).map(([what, n]) => `${what} ${n}`).join(", ")}`);
  // A run in which nothing goes wrong shows nothing.
  if (!one) for (const [what, n] of Object.entries(counts)) assert.ok(n > seeds.length / 10, `${what}: ${n}`);
});

test("a server that does not know what it has already is found out within 100 seeds", async () => {
  for (let seed = 1; seed <= 100; seed += 1) {
    const run = new Run(seed, { once: false });
    await run.play(STEPS);
    if (run.faults().some((f) => /stands 2 times|stands 3 times/.test(f))) return console.log(`found out by seed ${seed}`);
  }
  assert.fail("100 seeds and nothing was noticed");
});
