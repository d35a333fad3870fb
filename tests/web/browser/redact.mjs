// Parts of a photo are covered, in a real browser: boxes by a drag and by the keyboard, kept, looked at by another device, taken off
// again. What the archive then carries is the covered copy, and what was under the boxes is black in it.
//
//   node browser/redact.mjs ADDRESS SIGN_IN PASSWORD [SHOTS_DIR]

import { execFileSync } from "node:child_process";
import { mkdtempSync, readFileSync, readdirSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { DESK, PHONE, begin, signIn } from "./lib.mjs";

const [address, name, password, shots] = process.argv.slice(2);
const run = await begin({ shots });
const expect = (/** @type {boolean} */ good, /** @type {string} */ fault) => good || run.faults.push(fault);
const folder = mkdtempSync(join(tmpdir(), "redact-"));
const [phone, desk] = [await run.someone(PHONE), await run.someone(DESK, { acceptDownloads: true })];

/** The app's own door, as pages use it. @param {import("./lib.mjs").Page} page @param {string} of @param {any[]} given @returns {Promise<any>} */
const app = (page, of, ...given) => page.evaluate(async ([door, list]) => {
  const main = /** @type {HTMLScriptElement} */ (document.querySelector('script[type="module"]')).src;
  return (await import(main.replace(/main\.js.*$/, "core/app.js")))[door](...list);
}, /** @type {const} */ ([of, given]));

/** The boxes that a page shows, in hundredths of the picture. @param {import("./lib.mjs").Page} page */
const shown = (page) => page.locator("#cover-here .pin--cover").evaluateAll((all) => all.map((e) => ["--x", "--y", "--w", "--h"].map((n) => parseFloat(/** @type {HTMLElement} */ (e).style.getPropertyValue(n)))));

/** How many of a picture's points are nearly black, inside a box and outside it. @param {import("./lib.mjs").Page} page @param {string} file @param {number[]} box */
const dark = (page, file, box) => page.evaluate(async ([bytes, [x, y, w, h]]) => {
  const picture = await createImageBitmap(new Blob([Uint8Array.from(atob(bytes), (c) => c.charCodeAt(0))], { type: "image/jpeg" }));
  const draw = /** @type {CanvasRenderingContext2D} */ (Object.assign(document.createElement("canvas"), { width: picture.width, height: picture.height }).getContext("2d"));
  draw.drawImage(picture, 0, 0);
  const share = (/** @type {number} */ left, /** @type {number} */ top, /** @type {number} */ wide, /** @type {number} */ tall) => {
    const points = draw.getImageData(left, top, wide, tall).data;
    let black = 0;
    for (let i = 0; i < points.length; i += 4) if (points[i] < 24 && points[i + 1] < 24 && points[i + 2] < 24) black += 1;
    return black / (points.length / 4);
  };
  const at = (/** @type {number} */ part, /** @type {number} */ all) => Math.round((part / 100) * all);
  // A little inside its edges, which a JPEG blurs; and a strip above it.
  return {
    inside: share(at(x + 1, picture.width), at(y + 1, picture.height), at(w - 2, picture.width), at(h - 2, picture.height)),
    above: share(0, 0, picture.width, at(y - 2, picture.height)),
  };
}, /** @type {const} */ ([readFileSync(file).toString("base64"), box]));

try {
  for (const page of [phone, desk]) await signIn(page, address, name, password);
  const { digest } = (await app(phone, "kinds"))[0];
  const id = await app(phone, "openIntake", digest, "9905");
  await phone.evaluate(async (intake) => {
    const main = /** @type {HTMLScriptElement} */ (document.querySelector('script[type="module"]')).src;
    const canvas = Object.assign(document.createElement("canvas"), { width: 1200, height: 900 });
    const draw = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    for (let i = 0; i < 900; i += 1) {
      draw.fillStyle = `hsl(${(i * 37) % 360} 60% ${40 + (i % 5) * 10}%)`;
      draw.fillRect((i * 53) % 1200, (i * 29) % 900, 60, 45);
    }
    const blob = await new Promise((made) => canvas.toBlob(made, "image/jpeg", 0.9));
    await (await import(main.replace(/main\.js.*$/, "core/app.js"))).takePhoto(intake, new File([/** @type {Blob} */ (blob)], "a.jpg", { type: "image/jpeg" }));
  }, id);
  await app(phone, "sayAll", id, [{ type: "not-taken-in", body: { because: "no room before Friday" } }]);
  await phone.locator('.bar__net[data-net="safe"]').waitFor();
  const photo = (await app(phone, "intake", id)).photos[0].photo;

  // On the phone: a drag that is too small draws nothing, a real one a box.
  await phone.goto(`${address}/intake/${id}/photo/${photo}/redact`);
  const place = phone.locator("#cover-here");
  await place.waitFor();
  await phone.waitForFunction(() => /** @type {HTMLImageElement | null} */ (document.querySelector("#cover-here img"))?.naturalWidth);
  await run.look(phone, "redact-empty");
  const drag = async (/** @type {number[]} */ [fx, fy], /** @type {number[]} */ [tx, ty]) => {
    await place.scrollIntoViewIfNeeded();
    const frame = await place.boundingBox();
    if (!frame) throw new Error("the picture has no place on the page");
    await phone.mouse.move(frame.x + frame.width * fx, frame.y + frame.height * fy);
    await phone.mouse.down();
    await phone.mouse.move(frame.x + frame.width * tx, frame.y + frame.height * ty, { steps: 4 });
    await phone.mouse.up();
  };
  await drag([0.5, 0.5], [0.505, 0.505]);
  expect((await shown(phone)).length === 0, "a slip drew a box");
  await drag([0.7, 0.75], [0.3, 0.35]);
  await phone.locator("#cover-here .pin--cover").waitFor();
  const [drawn] = await shown(phone);
  expect(drawn.every((v, i) => Math.abs(v - [30, 35, 40, 40][i]) < 2), `another box was drawn than was dragged: ${drawn}`);
  await phone.getByText("Box 1:").waitFor();
  await run.look(phone, "redact-drawn");

  // A second by the keyboard: set, moved, made larger, taken away; the first stays.
  await place.focus();
  await phone.keyboard.press("Enter");
  await phone.getByText("Box 2: 40 % from the left, 40 % from the top").waitFor();
  await place.focus();
  await phone.keyboard.press("ArrowLeft");
  await phone.getByText("Box 2: 38 % from the left").waitFor();
  await place.focus();
  await phone.keyboard.press("Shift+ArrowDown");
  await phone.waitForFunction(() => /** @type {HTMLElement | undefined} */ (document.querySelectorAll("#cover-here .pin--cover")[1])?.style.getPropertyValue("--h") === "22.5%");
  await place.focus();
  await phone.keyboard.press("Delete");
  await phone.getByText("Box 2:").waitFor({ state: "detached" });
  // Nothing is kept before it is said, and what was drawn can be dropped.
  expect(!(await app(phone, "intake", id)).photos[0].redacted, "a box was kept that nobody kept");
  await phone.getByRole("button", { name: "As it was before" }).click();
  await phone.locator("#cover-here .pin--cover").waitFor({ state: "detached" });
  await drag([0.3, 0.35], [0.7, 0.75]);
  await phone.locator("#keep-boxes").click();
  await phone.getByText("Kept. Archives without the customer carry the covered copy.").first().waitFor();

  // The desk sees them; the archive has the covered copy and no original.
  await desk.goto(`${address}/intake/${id}/photo/${photo}/redact`);
  await desk.locator("#cover-here .pin--cover").waitFor();
  expect((await shown(desk)).length === 1, "the desk shows other boxes");
  await run.look(desk, "redact-desk");
  await desk.goto(`${address}/machine/${id}`);
  const lane = desk.locator('[data-key="pack"]');
  await lane.waitFor();
  const coming = desk.waitForEvent("download");
  await lane.locator('a[download][href*="covered=true"]').click();
  const zip = join(folder, "covered.zip");
  await (await coming).saveAs(zip);
  execFileSync("unzip", ["-q", zip, "-d", join(folder, "covered")]);
  const inside = readdirSync(join(folder, "covered"));
  expect(!inside.includes("originals"), "the archive has an original");
  const copies = readdirSync(join(folder, "covered", "copies"));
  expect(copies.length === 1, `the archive has ${copies.length} copies`);
  const { inside: under, above } = await dark(desk, join(folder, "covered", "copies", copies[0]), (await (async () => {
    const boxes = (await app(desk, "intake", id)).photos[0].redacted.boxes;
    return [boxes[0].x / 100, boxes[0].y / 100, boxes[0].w / 100, boxes[0].h / 100];
  })()));
  expect(under > 0.99 && above < 0.2, `under the box ${under} is black, above it ${above}`);

  // Taken off again, the whole archive has the original.
  await desk.goto(`${address}/intake/${id}/photo/${photo}/redact`);
  await desk.getByRole("button", { name: "Take all boxes off" }).click();
  await desk.getByText("The boxes are off again.").first().waitFor();
  await desk.goto(`${address}/machine/${id}`);
  await lane.waitFor();
  expect((await lane.locator('a[download][href*="covered=true"]').count()) === 0, "an archive with boxes is offered, and there are none");
  console.log("boxes: drawn, kept, carried, taken off");
} catch (e) {
  run.faults.push(String(e));
} finally {
  rmSync(folder, { recursive: true, force: true });
}
process.exit(await run.end());
