// The view's drawing over the live picture, with the browser's own test camera; and what each way of photographing keeps of the
// camera's words: the file input hands the file over as it is, a picture out of the film has none.
//
//   node browser/outline.mjs [SHOTS_DIR]

import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import * as counter from "./counter.mjs";
import { PHONE, begin } from "./lib.mjs";
import { Shop, folder, freePort, photos, sha256, until } from "./rig.mjs";

const [shots] = process.argv.slice(2);
const { look, someone, faults, end } = await begin({ shots, args: ["--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream"] });
const must = (/** @type {unknown} */ so, /** @type {string} */ what) => so || faults.push(what);
const shop = await new Shop(await freePort()).start();
const [drawn] = await photos(1);
const file = join(folder(), "camera.jpg");
const made = Buffer.from("Alder\0");
// One tag, the maker, as a camera writes it after the start of the image (Exif 2.32, 4.6.2 and 4.7.2; TIFF 6.0, section 2).
const tiff = Buffer.concat([Buffer.from([0x49, 0x49, 0x2a, 0, 8, 0, 0, 0, 1, 0, 0x0f, 0x01, 2, 0, made.length, 0, 0, 0, 26, 0, 0, 0, 0, 0, 0, 0]), made]);
const exif = Buffer.concat([Buffer.from("Exif\0\0", "latin1"), tiff]);
const picture = readFileSync(drawn);
writeFileSync(file, Buffer.concat([picture.subarray(0, 2), Buffer.from([0xff, 0xe1, 0, exif.length + 2]), exif, picture.subarray(2)]));

/** Whether a JPEG has an Exif segment (Exif 2.32, 4.7.2: APP1 that begins with "Exif"). @param {Uint8Array} bytes */
const hasExif = (bytes) => Buffer.from(bytes).includes(Buffer.from("Exif\0\0", "latin1"));

try {
  const phone = await someone(PHONE, { permissions: ["camera"] });
  await phone.goto(await shop.pairing());
  await phone.getByRole("link", { name: "Take a machine in" }).last().waitFor();
  const intake = await counter.open(phone);
  await counter.shoot(phone, file);

  const wanted = await counter.nextShot(phone);
  await phone.locator("#with-outline").click();
  const dialog = phone.locator("#outline");
  await dialog.waitFor();
  await phone.waitForFunction(() => /** @type {HTMLVideoElement} */ (document.querySelector("#outline video")).videoWidth > 0);
  const [under, over] = await Promise.all([dialog.locator("video").boundingBox(), dialog.locator("img.drawing").boundingBox()]);
  must(under && over && under.x === over.x && under.width === over.width && under.height === over.height, "the drawing lies over the live picture");
  must(await phone.evaluate(() => /** @type {HTMLImageElement} */ (document.querySelector("#outline img.drawing")).naturalWidth > 0), "the drawing is there");
  await look(phone, "outline", false);
  await phone.locator("#take-photo").click();
  await phone.waitForFunction((was) => document.querySelector("#shoot")?.textContent?.trim() !== was, wanted);
  await until("both photos are stored", async () => (await shop.entries(intake)).filter((e) => e.said.type === "photo-received").length === 2);
  const taken = (await shop.entries(intake)).filter((e) => e.said.type === "photo-taken").map((e) => e.said.body);
  must(taken[0].view !== taken[1].view && taken[1].view, "the second fills the view that was asked for");
  const bytes = await Promise.all(taken.map(async (b) => new Uint8Array(await (await shop.get(`/files/${b.file.slice(7)}`)).arrayBuffer())));
  must(sha256(bytes[0]) === sha256(readFileSync(file)), "the file input hands the file over byte for byte");
  must(hasExif(bytes[0]), "with the camera's own words");
  const types = (await shop.entries(intake)).filter((e) => e.said.type === "photo-received").map((e) => e.said.body.media_type);
  must(types.every((t) => /^image\/(jpeg|png)$/.test(t)), `both are pictures: ${types}`);
  console.log(`file input: ${bytes[0].length} bytes, Exif ${hasExif(bytes[0])}; outline: ${bytes[1].length} bytes, ${types[1]}, Exif ${hasExif(bytes[1])}`);
  // The camera is let go of.
  must(await phone.evaluate(() => document.querySelector("#outline") === null), "the dialog is gone");

  // Without a camera the other button is named, and nothing is said to be taken.
  await phone.evaluate(() => (navigator.mediaDevices.getUserMedia = () => Promise.reject(new DOMException("no", "NotFoundError"))));
  await phone.locator("#with-outline").click();
  await phone.getByText("The camera cannot be used here").waitFor();
} catch (e) {
  faults.push(String(e));
}
const status = await end();
await shop.stop();
process.exit(status);
