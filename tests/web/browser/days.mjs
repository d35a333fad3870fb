// Days that go differently, in a real browser: a machine found outside hours, a lost tag, a look-alike, a photo of the wrong
// machine, a minor who brings it, nobody who signs, paper, and a phone that dies and another that goes on.
//
//   node browser/days.mjs ADDRESS SIGN_IN PASSWORD PICTURES_DIR [SHOTS_DIR]

import { DESK, PHONE, begin, cameraFiles, signIn } from "./lib.mjs";

const [address, name, password, pictures, shots] = process.argv.slice(2);
const files = cameraFiles(pictures);
const run = await begin({ shots });
const page = await run.someone(PHONE);
const link = (/** @type {string | RegExp} */ words) => page.getByRole("link", { name: words });
const button = (/** @type {string | RegExp} */ words) => page.getByRole("button", { name: words });
const pick = (/** @type {string | RegExp} */ words) => page.getByRole("radio", { name: words });
const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);
const says = async (/** @type {string} */ words) => page.getByText(words).first().waitFor();
/** The id of the intake whose page is open. */
const here = () => /[0-9a-f-]{36}/.exec(new URL(page.url()).pathname)?.[0] ?? "";

/** Opens an intake with the next free tag; gives its id and tag. @param {string} how */
async function open(how = "") {
  await page.goto(`${address}/take-in${how}`);
  await button(/Chainsaw/).click();
  const free = page.locator("#next-free");
  await free.waitFor();
  const tag = (await free.locator(".tag__number").innerText()).trim();
  await free.click();
  await page.waitForURL(/\/intake\//);
  return { id: here(), tag };
}

/** Taps what opens the camera, and gives it a picture. @param {import("playwright-core").Locator} what @param {number} which */
async function shoot(what, which) {
  const chooser = page.waitForEvent("filechooser");
  await what.click();
  await (await chooser).setFiles(files[which % files.length]);
}

/** Waits until everything is on the server. */
const sent = () => page.locator('.bar__net[data-net="safe"]').waitFor();

/** No target below 48 px. @param {string} what */
async function big(what) {
  const small = await page.evaluate(() => [...document.querySelectorAll("main button, main input:not([type=file]), main summary, main a.act")]
    .filter((e) => e.getClientRects().length > 0 && e.getBoundingClientRect().height < 47.5).map((e) => `${e.tagName} ${e.id || e.textContent}`));
  for (const one of small) run.faults.push(`${what}: too small: ${one}`);
}

try {
  await signIn(page, address, name, password);

  // Found outside hours: photographed where it stands, noted, moved; nobody answers; then the owner comes in.
  await page.goto(`${address}/take-in`);
  await link("It was left outside hours").waitFor();
  const left = await open("?how=found");
  await page.waitForURL(/\/found$/);
  await run.look(page, "days-found");
  await big("found");
  await link("Photograph it where it stands").click();
  await shoot(page.locator("#shoot"), 0);
  await page.getByText(/1 safe|1 sending|one safe/).first().waitFor();
  await page.goto(`${address}/intake/${left.id}/found`);
  await page.getByLabel("Where did it stand?").fill("in front of the roller door");
  await page.getByLabel("When was it seen?").fill("2026-11-24T06:40");
  await page.locator("#note-find").click();
  await says("Found at: in front of the roller door");
  await pick("no answer").click();
  await says("No answer on");
  await sent();
  await run.look(page, "days-found-noted");
  const list = await link("Open the list for the customer").getAttribute("href");
  await page.goto(new URL(list ?? "", address).href);
  await says("Found outside our hours");
  await run.look(page, "days-found-list");
  await page.goto(address);
  const hangs = page.locator(".rail", { hasText: "Counter" }).locator("a.hang", { hasText: left.tag });
  await hangs.waitFor();
  expect((await hangs.innerText()).includes("roller door"), "the desk does not say where it was found");
  await hangs.click();
  await pick("The owner is here").click();
  await page.waitForURL(new RegExp(`/intake/${left.id}$`));
  await page.getByRole("navigation", { name: /pages/i }).or(page.locator("ul.steps")).first().waitFor();

  // A lost tag: the new one shows, the old one is still found and is not offered again.
  await link("The tag is lost").click();
  await page.locator("#next-free").click();
  const number = await page.getByLabel("Number on the new tag").inputValue();
  await pick("it fell off").click();
  await run.look(page, "days-lost-tag");
  await big("lost tag");
  await page.locator("#replace-tag").click();
  await says(`before ${left.tag}`);
  await sent();
  await page.goto(`${address}/?q=${left.tag}`);
  await page.locator("a.hang", { hasText: number }).waitFor();

  // A look-alike: the same kind is shown before the first photo, the same serial once it is typed.
  await page.goto(`${address}/intake/${left.id}/told`);
  await page.getByLabel("Serial", { exact: true }).fill("QX-5-0091");
  await page.keyboard.press("Tab");
  await says("serial QX-5-0091");
  await sent();
  const second = await open();
  await page.locator("#similar").getByText(number).waitFor();
  await run.look(page, "days-similar");
  await page.goto(`${address}/intake/${second.id}/told`);
  await page.getByLabel("Serial", { exact: true }).fill("qx 50091");
  await page.keyboard.press("Tab");
  await page.locator("#similar").getByText("QX-5-0091").waitFor();

  // A photo of the wrong machine: taken for the second, it shows the first.
  await page.goto(`${address}/intake/${second.id}`);
  const view = (await page.locator("#shoot").innerText()).trim();
  await shoot(page.locator("#shoot"), 1);
  await page.waitForFunction((was) => document.querySelector("#shoot")?.textContent?.trim() !== was, view);
  await sent();
  await page.locator(".tile[data-look=taken]").first().click();
  await button("It shows another machine").click();
  await pick(new RegExp(number)).click();
  await page.getByRole("radiogroup", { name: /What does it show of/ }).getByRole("radio").nth(1).click();
  await pick("the wrong intake was open").click();
  await run.look(page, "days-move-photo");
  await big("move photo");
  await page.locator("#move-photo").click();
  await says(`shows the machine with tag ${number}`);
  await sent();
  await run.look(page, "days-moved");
  await page.goto(`${address}/intake/${second.id}`);
  await page.locator("#shoot").filter({ hasText: view }).waitFor();
  await page.goto(`${address}/machine/${left.id}`);
  await says(`was taken under tag ${second.tag}`);

  // Who brings it: a minor, without phone or email. Nobody signs; who read it out is named.
  await page.goto(`${address}/intake/${second.id}/told`);
  await page.getByLabel("Owner's name").fill("A. Lindqvist");
  await button("gives no phone").click();
  await button("gives no email").click();
  await pick("Somebody else brings it").click();
  await page.getByLabel("Name of who brings it").fill("Jonas");
  await pick("a minor").click();
  await page.locator('[role=radio][data-choice="minor"][aria-checked=true]').waitFor();
  await sent();
  await run.look(page, "days-minor");
  await page.goto(`${address}/intake/${second.id}/gaps`);
  expect((await page.getByText(/owner can be reached|reach the owner/i).count()) === 0, "no phone and no email is an answer");
  await page.goto(`${address}/intake/${second.id}/sheet`);
  await says("a minor");
  await says("gives no phone");

  // A phone dies, another goes on: the desk's code leads a signed-in phone to the intake, with all that was said.
  const desk = await run.someone(DESK);
  await signIn(desk, address, name, password);
  await desk.goto(`${address}/machine/${second.id}`);
  const answer = desk.waitForResponse((r) => r.url().endsWith("/go-on"));
  await desk.getByRole("button", { name: "Go on with the phone" }).click();
  const { url } = await (await answer).json();
  await desk.locator("#go-on-code svg").waitFor();
  await run.look(desk, "days-go-on");
  const other = await run.someone(PHONE);
  await signIn(other, address, name, password);
  await other.goto(`${address}${new URL(url).pathname}`);
  await other.locator("#shoot").waitFor();
  await other.goto(`${other.url()}/told`);
  expect((await other.getByLabel("Name of who brings it").inputValue()) === "Jonas", "the other phone does not know who brought it");
  await other.getByLabel("What do they say is wrong?").fill("Does not start any more.");
  await other.keyboard.press("Tab");
  await page.goto(`${address}/machine/${second.id}`);
  await says("Does not start any more.");

  // One photo erased, by the owner: it goes, the entry that says so stays.
  await page.goto(`${address}/machine/${left.id}`);
  await page.locator(".lane .tile").first().click();
  await button("Erase this photo").click();
  await page.getByLabel("Why is it erased?").fill("a passer-by is in the picture");
  await run.look(page, "days-erase");
  await big("erase");
  await page.locator("#erase").click();
  await says("was erased");
  await sent();
  await says("a passer-by is in the picture");
  await run.look(page, "days-erased");

  // Paper: what was written by hand is typed later and says so; blank sheets and tags are printed.
  await page.goto(`${address}/paper`);
  await page.getByRole("heading", { name: "Paper for the counter" }).waitFor();
  await run.look(page, "days-paper");
  await big("paper");
  await page.getByRole("main").getByRole("link", { name: "Chainsaw" }).click();
  await says("Number on the tag");
  await run.look(page, "days-blank-sheet");
  await page.goto(`${address}/paper`);
  await page.getByLabel("First number").fill("0500");
  await page.getByLabel("How many").fill("8");
  await page.locator("#print-tags").click();
  await says("0507");
  await run.look(page, "days-tags");
  await page.goto(`${address}/take-in?how=on+paper`);
  await page.getByLabel("When was it written?").fill("2026-11-24T14:05");
  await page.getByLabel("Who wrote it?").fill("Ines");
  await run.look(page, "days-on-paper");
  await page.locator("#written").click();
  await button(/Chainsaw/).click();
  await page.locator("#next-free").click();
  await page.locator("#of-paper").waitFor();
  await shoot(page.locator("#of-paper"), 2);
  await page.locator(".tile", { hasText: "the paper" }).first().waitFor();
  await sent();
  await page.goto(`${address}/machine/${here()}`);
  await says("Written 24 Nov 2026, 14:05 by Ines, entered");
  await run.look(page, "days-written");
} catch (e) {
  run.faults.push(String(e));
  // What cannot be drawn cannot be looked at either: the first fault is the one to be told.
  await run.look(page, "days-fault").catch(() => {});
  console.log(page.url(), (await page.locator("body").innerText()).slice(0, 1500));
}
// Devices ask once past what the browser keeps of an erased picture; the browser notes the answer that it is gone.
const noted = run.faults.filter((f) => f.includes("status of 410 (Gone)"));
if (noted.length === 0) run.faults.push("no device asked past what its browser keeps of the erased picture");
run.faults.splice(0, run.faults.length, ...run.faults.filter((f) => !noted.includes(f)));
process.exit(await run.end());
