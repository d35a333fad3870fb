// Every shipped kind taken in by one counted script: everything due at the counter is answered, the customer signs, the shop
// takes the machine in. Prints a table: taps beyond camera and typing, typed characters, requests, and the server's seconds.
//
// Server time is what each request to the API waited for its answer's first byte, on the loopback, added up; the live stream
// is not counted, the judgement of each photo is. A kind takes as many taps as its counter views and questions explain:
// one each, and REST for all that is the same for every machine.
//
//   node browser/kinds-table.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { readFileSync, readdirSync } from "node:fs";
import { parse } from "smol-toml";
import { PHONE, begin, cameraFiles, shootAll, sign, signIn } from "./lib.mjs";

const FOLDER = new URL("../../../schema/kinds/", import.meta.url);
/** Take in, kind, tag, to the words, who brings it, to the questions, three blocks by a sentence each, to the money, the usual, to the sheet, sign, take. */
const REST = 14;
const BUDGET = 24;
/** What is typed: the same for every kind, so that kinds compare. */
const TYPED = [["What do they say is wrong?", "Ran fine last winter, now it dies when I give it gas."], ["Make", "Alder"], ["Model", "46"], ["Owner's name", "M. Okafor"], ["Phone", "0151 555 0142"]];

const [address, name, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });
const page = await run.someone(PHONE);
const onward = (/** @type {string} */ words) => page.locator("a.act--heavy").filter({ hasText: words });

/** @type {{ requests: number, ms: number }} */
let server = { requests: 0, ms: 0 };
page.on("requestfinished", (request) => {
  const path = new URL(request.url()).pathname;
  if (!path.startsWith("/v1/") || path.endsWith("/stream")) return;
  const { requestStart, responseStart } = request.timing();
  server.requests += 1;
  if (requestStart >= 0 && responseStart >= 0) server.ms += responseStart - requestStart;
});

/** Answers, and waits until the answer stands. @param {import("playwright-core").Locator} what @param {string} why */
async function answer(what, why) {
  await run.tap(what, why);
  await page.waitForFunction((e) => !e?.isConnected || e.getAttribute("aria-checked") === "true" || e.getAttribute("aria-pressed") === "true", await what.elementHandle().catch(() => null));
}

/** One machine of a kind, from the desk to the shop's care. @param {any} kind @param {number} which */
async function takeIn(kind, which) {
  await page.goto(address);
  await page.locator("#search").waitFor();
  await page.locator('.bar__net[data-net="safe"]').waitFor();
  run.counted();
  server = { requests: 0, ms: 0 };
  await run.tap(page.getByRole("link", { name: "Take a machine in" }).last(), "Take a machine in");
  await run.tap(page.getByRole("button", { name: kind.name.en, exact: true }), kind.name.en);
  await run.tap(page.locator("#next-free"), "the next free tag");
  const views = await shootAll(page, files, run.tap);
  await run.look(page, `kinds-${kind.id}-shots`);
  await run.tap(onward("Words, machine, name"), "Words, machine, name");
  for (const [label, words] of TYPED) await run.type(page.getByLabel(label, { exact: !label.startsWith("What") && !label.startsWith("Owner") }), words);
  await run.type(page.getByLabel("Serial", { exact: true }), `QX-50-0${which}1`);
  await answer(page.locator(".pick").filter({ hasText: "The owner brings it" }), "The owner brings it");
  await run.tap(onward("Three questions"), "Three questions");
  const asked = kind.question.filter((/** @type {any} */ q) => q.due === "at counter" && !q.when);
  for (const q of asked) await answer(page.locator(`#question-${q.id}`).getByRole("radio").first(), q.id);
  for (const block of ["walk-round-photographed", "safety-not-tested", "accessories-nothing-else"]) await answer(page.locator(`#block-${block}`), block);
  await run.look(page, `kinds-${kind.id}-asked`);
  await run.tap(onward("Money and dates"), "Money and dates");
  await answer(page.locator("#usual"), "the shop's usual");
  await run.tap(onward("Show it to the customer"), "Show it to the customer");
  await sign(page);
  await run.tap(page.locator("#sign"), "I was shown this: sign");
  await page.locator("#take").waitFor();
  await run.tap(page.locator("#take"), "Take it into our care");
  await page.waitForURL(/\/done$/);
  await page.getByText(/Taken into our care on/).waitFor();
  await page.locator('.bar__net[data-net="safe"]').waitFor();
  await run.look(page, `kinds-${kind.id}-done`);
  const counted = run.counted();
  return { kind: kind.id, views, questions: asked.length, taps: counted.taps, typed: counted.typed, told: counted.told, ...server };
}

const rows = [];
let at = "";
try {
  await signIn(page, address, name, password);
  const all = readdirSync(FOLDER).filter((f) => f.endsWith(".toml")).sort().map((f) => /** @type {any} */ (parse(readFileSync(new URL(f, FOLDER), "utf8"))));
  if (all.length < 10) run.faults.push(`${all.length} kinds are shipped, not ten`);
  for (const [which, kind] of all.entries()) {
    at = kind.id;
    const row = await takeIn(kind, which);
    rows.push(row);
    const explained = row.views + row.questions + REST;
    if (row.taps > explained || row.taps > BUDGET) run.faults.push(`${at}: ${row.taps} taps; its views and questions explain ${explained}, the budget is ${BUDGET}\n${row.told.join("\n")}`);
  }
} catch (e) {
  run.faults.push(`${at}: ${e}`);
  // What cannot be drawn cannot be looked at either: the first fault is the one to be told.
  await run.look(page, "kinds-fault").catch(() => {});
  console.log(page.url(), (await page.locator("body").innerText()).slice(0, 1500));
}
console.log("| kind | views | questions | taps | typed | requests | server, s |\n| --- | --: | --: | --: | --: | --: | --: |");
for (const r of rows) console.log(`| ${r.kind} | ${r.views} | ${r.questions} | ${r.taps} | ${r.typed} | ${r.requests} | ${(r.ms / 1000).toFixed(2)} |`);
process.exit(await run.end());
