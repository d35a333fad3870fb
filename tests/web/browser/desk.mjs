// The desk in a real browser: what is due, a forgiving search, places and moves, a tag read by a camera, the log, and a kind of
// the shop's own. The shop has machines in care already (intake.mjs and again.mjs ran before).
//
//   node browser/desk.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { DESK, PHONE, begin, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
const run = await begin({ shots });
const { faults, look } = run;
const page = await run.someone(DESK);
const phone = await run.someone(PHONE);

/** Everything a hand has to hit is large enough. @param {import("./lib.mjs").Page} at @param {string} where */
async function large(at, where) {
  const small = await at.evaluate(() => [...document.querySelectorAll("main button, main input:not([type=file]), main select, main summary, dialog button, dialog input, .bar button")]
    .filter((e) => e.getClientRects().length > 0 && e.getBoundingClientRect().height < 47.5).map((e) => `${e.tagName} ${e.id || e.textContent}`));
  for (const what of small) faults.push(`${where}: too small for a glove: ${what}`);
}

try {
  await signIn(page, address, name, password);
  await signIn(phone, address, name, password);
  await page.locator(".hang").first().waitFor();
  await look(page, "desk");
  await look(phone, "desk-phone");
  const first = page.locator(".hang__group").first();
  const id = /\/machine\/([0-9a-f-]+)/.exec((await first.locator("a.hang").getAttribute("href")) ?? "")?.[1] ?? "";
  const tag = (await first.locator(".hang__number").innerText()).trim();

  // A search with a typo, without an accent, by digits inside a number.
  for (const q of ["Okafro", "motorsage", "+44 151 555 0142", "20931"]) {
    await page.locator("#search").fill(q);
    await page.waitForURL(/\?q=/);
    await page.getByRole("heading", { name: /Found: [1-9]/ }).waitFor();
  }
  await page.locator("#search").fill("no such machine");
  await page.getByText("Nothing found").waitFor();
  await look(page, "search-nothing");

  // Another day has come: what was promised for it is due.
  const later = new Date(Date.now() + 30 * 86_400_000).toISOString().slice(0, 10);
  for (const [who, as] of [[page, "due"], [phone, "due-phone"]]) {
    await who.goto(`${address}/due?on=${later}`);
    await who.getByText("diagnosis promised").first().waitFor();
    await large(who, as);
    await look(who, as);
  }

  // Places: one added, renamed, put higher; a machine moved to it from the desk stays when it is renamed and when it is removed.
  await page.goto(`${address}/settings`);
  await page.locator("#new-place").fill("Loft");
  await page.getByRole("button", { name: "Add it" }).click();
  await page.getByLabel("Name of Loft").waitFor();
  await page.goto(address);
  await page.getByRole("button", { name: `Move it ${tag}` }).click();
  await look(page, "move");
  await page.locator("dialog").getByRole("radio", { name: "Loft" }).click();
  await page.locator('[data-key="rail-Loft"]').locator(".hang__number", { hasText: tag }).waitFor();
  await page.goto(`${address}/settings`);
  await page.getByLabel("Name of Loft").fill("Attic");
  await page.keyboard.press("Tab");
  await page.getByRole("button", { name: "Attic: higher" }).click();
  await large(page, "settings");
  await look(page, "places");
  await phone.goto(`${address}/settings#places`);
  await phone.getByLabel("Name of Attic").waitFor();
  await look(phone, "places-phone");
  await page.goto(address);
  await page.locator('[data-key="rail-Attic"]').locator(".hang__number", { hasText: tag }).waitFor();
  await page.goto(`${address}/settings`);
  await page.getByRole("button", { name: "Attic: take away" }).click();
  await page.getByLabel("Name of Attic").waitFor({ state: "detached" });
  await page.goto(address);
  await page.locator('[data-key="rail-Attic"]').locator(".hang__number", { hasText: tag }).waitFor();

  // The log's key is changed: not without a reason and a choice; what leaves the shop afterwards is checked by pack.mjs.
  await page.goto(`${address}/settings`);
  const change = page.locator("#key-change");
  const before = await change.locator("code").innerText();
  await page.locator("#key-change-say").click();
  await page.getByText(/^Still needed: Why;/).waitFor();
  await page.locator("#key-change-because").fill("As every year.");
  await change.getByRole("radio", { name: "signs beside it for 30 days" }).click();
  await large(page, "key-change");
  await look(page, "key-change");
  await page.locator("#key-change-say").click();
  await change.getByText(/^The key was changed on .* the old one signs beside it\.$/).waitFor();
  if ((await change.locator("code").innerText()) === before) faults.push("the key is the same after it was changed");
  await look(page, "key-changed");
  await page.goto(address);

  // A tag typed, from any page; then one read by a camera, which moves the machine at once.
  await phone.goto(`${address}/due`);
  await phone.getByRole("button", { name: "Find a tag" }).click();
  await phone.locator("#scan-tag").fill(tag.replace(/^0+/, ""));
  await phone.getByRole("button", { name: "Find it" }).click();
  await phone.getByRole("button", { name: "Open it" }).waitFor();
  await large(phone, "scan");
  await look(phone, "scan", false);
  await phone.getByRole("button", { name: "Open it" }).click();
  await phone.waitForURL(new RegExp(`/machine/${id}`));
  await phone.addInitScript((said) => {
    // A camera and a detector that see a printed tag, whatever address it was printed with.
    Object.defineProperty(navigator, "mediaDevices", { value: { getUserMedia: async () => document.createElement("canvas").captureStream(1) } });
    HTMLMediaElement.prototype.play = async () => {};
    /** @type {any} */ (window).BarcodeDetector = class {
      async detect() {
        return [{ rawValue: said }];
      }
    };
  }, `https://shop.example/machine/${id}`);
  await phone.goto(`${address}/due`);
  await phone.getByRole("button", { name: "Find a tag" }).click();
  await phone.locator("dialog").getByRole("radio", { name: "Bench 1" }).click();
  await page.locator('[data-key="rail-Bench 1"]').locator(".hang__number", { hasText: tag }).waitFor();

  // The log, page by page, nobody's name in what is fetched.
  await page.goto(`${address}/log`);
  await page.getByText("kind of entry").waitFor();
  await page.locator(".log > li").first().waitFor();
  for (let older = page.getByRole("button", { name: "Older ones" }); await older.count();) {
    const before = await page.locator(".log > li").count();
    await older.click();
    await page.waitForFunction((n) => document.querySelectorAll(".log > li").length > n, before);
  }
  await page.getByText("log opened").waitFor();
  await look(page, "log", false);
  await phone.goto(`${address}/log`);
  await phone.locator(".log > li").first().waitFor();
  await look(phone, "log-phone", false);

  // A kind copied, broken, mended, saved; offered to the counter; retired.
  await page.goto(`${address}/kinds`);
  await look(page, "kinds");
  await phone.goto(`${address}/kinds`);
  await phone.locator(".step").first().waitFor();
  await look(phone, "kinds-phone");
  const saw = page.locator(".steps > li").filter({ hasText: "Chainsaw" }).first();
  await saw.getByRole("button", { name: "Copy" }).click();
  await page.getByText("Nothing is wrong with it.").waitFor();
  const toml = await page.locator("#toml").inputValue();
  await page.locator("#toml").fill(toml.replace('due = "at counter"', 'due = "soon"'));
  await page.getByRole("button", { name: /^Line \d+: .*due/ }).waitFor();
  await look(page, "kind-faults", false);
  const example = '\n[[example]]\nname = "told it was rebuilt"\nanswers = { "question:told-rebuilt" = "yes" }\nasks = []\n';
  await page.locator("#toml").fill(toml + example);
  const asks = /ask for (.*)$/.exec(await page.getByRole("button", { name: /these answers ask for/ }).innerText())?.[1] ?? "";
  const list = asks.trim() === "nothing" ? [] : asks.trim().split(", ");
  await page.locator("#toml").fill((toml + example).replace("asks = []", `asks = ${JSON.stringify(list)}`).replace('en = "Chainsaw"', 'en = "Pole saw"'));
  await page.getByText("Server and device ask for the same.").waitFor();
  await look(page, "kind-editor");
  await page.getByRole("button", { name: "Save" }).click();
  await page.locator(".steps > li").filter({ hasText: "Pole saw" }).waitFor();
  await page.goto(`${address}/take-in`);
  await page.getByText("Pole saw").waitFor();
  await page.goto(`${address}/kinds`);
  const own = page.locator(".steps > li").filter({ hasText: "Pole saw" });
  await own.getByRole("button", { name: "Retire" }).click();
  await page.getByRole("button", { name: /Yes, offer Pole saw no more/ }).click();
  await own.getByText("retired").waitFor();
  // Kinds from files: with one fault in one of them none, mended both; what is offered as it is stays.
  const kinds = { name: "kinds.toml", mimeType: "application/toml" };
  const named = (/** @type {string} */ id, /** @type {string} */ name) => toml.replace(/^id = ".*"/m, `id = "${id}"`).replace('en = "Chainsaw"', `en = "${name}"`);
  const [hedge, broken] = [named("own-hedge", "Hedge shears"), named("own-auger", "Post auger").replace('due = "at counter"', 'due = "soon"')];
  const choose = async (/** @type {string[]} */ ...texts) => {
    const chooser = page.waitForEvent("filechooser");
    await page.locator("button").filter({ hasText: "Add kinds from files" }).click();
    await (await chooser).setFiles(texts.map((text, n) => ({ ...kinds, name: `${n}.toml`, buffer: Buffer.from(text) })));
  };
  await choose(hedge, broken);
  await page.getByText(/^1\.toml: Line \d+: .*due/).waitFor();
  await look(page, "kind-files-fault", false);
  if (await page.locator(".steps > li").filter({ hasText: "Hedge shears" }).count()) faults.push("a kind was added beside a broken one");
  await choose(hedge, hedge);
  await page.getByText("is the kind of 0.toml too").waitFor();
  await choose(hedge, named("own-auger", "Post auger"));
  await page.getByText("2 kinds added.").waitFor();
  for (const name of ["Hedge shears", "Post auger"]) await page.locator(".steps > li").filter({ hasText: name }).waitFor();
  await choose(hedge);
  await page.getByText("0 kinds added.").waitFor();
} catch (e) {
  faults.push(String(e));
  await look(page, "fault");
  await look(phone, "fault-phone");
  console.log((await page.locator("body").innerText()).slice(0, 1200));
}
process.exit(await run.end());
