// The owner erases a customer, in a real browser over the invented shop: what goes and what stays is read first, the tag is typed,
// the receipt is opened; the desk that had the machine open lets go of it meanwhile. Then by the shop's own rule: entered, listed, meant.
//
//   node browser/erase.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { DESK, PHONE, begin, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
// A picture that a browser keeps is asked for past it, so that it lets go: the answer is that it is gone.
const run = await begin({ shots, expected: ["410 (Gone)"] });
const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);
const [phone, desk] = [await run.someone(PHONE), await run.someone(DESK)];
for (const page of [phone, desk]) await signIn(page, address, name, password);

/** The app's own door, as pages use it. @param {import("./lib.mjs").Page} page @param {string} of @param {any[]} given @returns {Promise<any>} */
const app = (page, of, ...given) => page.evaluate(async ([door, list]) => {
  const main = /** @type {HTMLScriptElement} */ (document.querySelector('script[type="module"]')).src;
  return (await import(main.replace(/main\.js.*$/, "core/app.js")))[door](...list);
}, /** @type {const} */ ([of, given]));

/** Everything this browser keeps of the shop, disclosures read. @param {import("./lib.mjs").Page} page @returns {Promise<string>} */
const kept = (page) => page.evaluate(() => new Promise((resolve, reject) => {
  const open = indexedDB.open("counterfoil");
  open.onerror = () => reject(open.error);
  open.onsuccess = () => {
    const stores = ["entries", "intakes", "files", "queue", "meta"];
    const tx = open.result.transaction(stores);
    const all = stores.map((s) => new Promise((done) => { const got = tx.objectStore(s).getAll(); got.onsuccess = () => done(got.result); }));
    Promise.all(all).then((rows) => {
      const read = (/** @type {string} */ d) => new TextDecoder().decode(Uint8Array.from(atob(d.replaceAll("-", "+").replaceAll("_", "/")), (c) => c.charCodeAt(0)));
      const disclosed = rows[0].flatMap((/** @type {any} */ r) => r.disclosures).map(read);
      resolve([JSON.stringify(rows), ...disclosed].join("\n"));
      open.result.close();
    });
  };
}));

// Somebody who came with two machines and left with both.
const surname = "Quillfeather";
const { digest } = (await app(phone, "kinds"))[0];
const staff = (await app(phone, "session")).staff;
const ids = [];
for (const tag of ["9901", "9902"]) {
  const id = await app(phone, "openIntake", digest, tag);
  ids.push(id);
  await phone.evaluate(async (intake) => {
    const main = /** @type {HTMLScriptElement} */ (document.querySelector('script[type="module"]')).src;
    const canvas = Object.assign(document.createElement("canvas"), { width: 640, height: 480 });
    const draw = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    for (let i = 0; i < 400; i += 1) {
      draw.fillStyle = `hsl(${(i * 37) % 360} 60% ${30 + (i % 5) * 10}%)`;
      draw.fillRect((i * 53) % 640, (i * 29) % 480, 40, 30);
    }
    const blob = await new Promise((made) => canvas.toBlob(made, "image/jpeg", 0.9));
    await (await import(main.replace(/main\.js.*$/, "core/app.js"))).takePhoto(intake, new File([/** @type {Blob} */ (blob)], "a.jpg", { type: "image/jpeg" }));
  }, id);
  await app(phone, "sayAll", id, [
    { type: "machine-described", body: { field: "make", value: "Alder", from: "typed" } },
    { type: "person-named", body: { who: "owner" }, personal: { name: `Q. ${surname}`, phone: "+43 660 6699741", email: "quill@tarn.example" } },
    { type: "statement-made", body: { topic: "complaint", heard_by: staff }, personal: { text: "It makes a rattle." } },
    { type: "not-taken-in", body: { because: "no room before Friday" } },
  ]);
}
await phone.locator('.bar__net[data-net="safe"]').waitFor();
const [id] = ids;
const tag = "9901";

await desk.goto(`${address}/machine/${id}`);
await desk.getByText(surname).first().waitFor();
expect((await kept(desk)).includes(surname), "the desk holds the name before");

// From what a name finds, too.
await phone.goto(`${address}/?q=${surname}`);
await phone.locator('[data-key="erasable"] summary').click();
await phone.getByRole("link", { name: `9902, Q. ${surname}` }).waitFor();
await run.look(phone, "search-erasable");
await phone.getByRole("link", { name: `${tag}, Q. ${surname}` }).click();
await phone.getByRole("heading", { name: "Erase the customer's data" }).waitFor();
await phone.goto(`${address}/machine/${id}`);
await phone.getByRole("link", { name: "Erase the customer's data" }).click();
await phone.getByRole("heading", { name: "Erase the customer's data" }).waitFor();
await phone.locator("#erase").waitFor();
await run.look(phone, "erase-customer-phone");
await desk.goto(`${address}/intake/${id}/erase-customer`);
await desk.locator("#erase").waitFor();
await run.look(desk, "erase-customer-desk");
await desk.goto(`${address}/machine/${id}`);
await desk.getByText(surname).first().waitFor();

// The other machine of the same person, found by number, address and name.
await phone.getByRole("button", { name: /Tag 9902/ }).click();
await phone.getByText("The same: phone, email, name").waitFor();
await phone.locator('button#of-9902[aria-pressed="true"]').waitFor();

// Neither by a slip: no reason, another tag.
await phone.locator("#erase").click();
await phone.getByText("Say why first.").waitFor();
await phone.getByRole("radio", { name: "the customer asked for it" }).click();
await phone.locator('[role=radio][aria-checked=true]').waitFor();
await phone.locator("#tag").fill("9999");
await phone.locator("#erase").click();
await phone.getByText(`Type the tag ${tag} to mean it.`).first().waitFor();
// A photo that shows a person, by the keyboard.
const photo = phone.locator(".tile[aria-pressed=false]").first();
if (await photo.count()) {
  await photo.focus();
  await phone.keyboard.press("Enter");
  await phone.locator(".tile[aria-pressed=true]").first().waitFor();
}
await phone.locator("#tag").fill(tag);
await phone.locator("#erase").click();
await phone.getByText("It is erased. Nothing of it is left here.").waitFor();
await run.look(phone, "erased");

const receipt = await phone.getByRole("link", { name: "Open the receipt of the erasure" }).getAttribute("href");
const paper = await run.someone(PHONE, { storageState: await phone.context().storageState() });
await paper.goto(new URL(String(receipt), address).href);
await paper.getByText("Receipt of an erasure").first().waitFor();
expect(!(await paper.content()).includes(surname), "the receipt names nobody");
await run.look(paper, "erasure-receipt");

// The desk that looked at it lets go by itself; so does the phone.
await desk.getByText("personal data was erased on").first().waitFor();
for (const [who, page] of /** @type {const} */ ([["desk", desk], ["phone", phone]])) {
  await page.waitForFunction(() => true);
  expect(!(await kept(page)).includes(surname), `the ${who} still holds the name`);
}
await run.look(desk, "machine-erased");
await phone.goto(`${address}/?q=${encodeURIComponent(surname)}`);
await phone.locator("#search").waitFor();
const found = await app(phone, "search", surname);
expect(found.items.length === 0, "it is found by the name");
console.log(`tag ${tag}: erased, with its receipt`);

// By the shop's own rule: nothing is listed before there is one, and what is listed goes when the owner says so.
await desk.goto(`${address}/kept`);
await desk.getByText("Nothing was kept longer than your rules say.").waitFor();
await desk.goto(`${address}/settings#keep`);
await desk.locator("#keep-refused").fill("0");
await desk.keyboard.press("Tab");
await desk.getByRole("link", { name: "See what was kept long enough" }).waitFor();
await desk.locator("#keep").scrollIntoViewIfNeeded();
await run.look(desk, "settings-keep");
await desk.getByRole("link", { name: "See what was kept long enough" }).click();
await desk.locator("#kept-9902").waitFor();
const listed = await desk.locator("#due button[aria-pressed]").count();
expect(await desk.locator("#due [aria-pressed=true]").count() + await desk.locator("#erase").count() === 0, "nothing is chosen beforehand");
await desk.locator("#kept-9902").click();
await desk.locator("#count").fill("7");
await desk.locator("#erase").click();
await desk.getByText("Type 1 to mean it.").waitFor();
await run.look(desk, "kept-desk");
await desk.locator("#count").fill("1");
await desk.locator("#erase").click();
await desk.getByRole("heading", { name: "Erased" }).waitFor();
await desk.getByText("Tag 9902: 1 photo").waitFor();
expect(await desk.locator("#due button[aria-pressed]").count() === listed - 1, "what was chosen goes, and nothing else");
await phone.goto(`${address}/kept`);
await phone.locator("#all").click();
await phone.locator("#count").fill(String(listed - 1));
await run.look(phone, "kept-phone");
await phone.locator("#erase").click();
await phone.getByText("Nothing was kept longer than your rules say.").waitFor();
await run.look(phone, "kept-erased");
console.log(`${listed} kept long enough: erased`);
process.exit(await run.end());
