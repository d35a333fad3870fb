// A tag read by the camera, or its number typed: it leads to its machine, or moves it to a place at once.

import { fetchIntake, intake, list, search, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h, put } from "./dom.js";
import { close } from "./icons.js";
import { machineName } from "./facts.js";
import { attempt } from "./notice.js";
import { placePicks } from "./places.js";
import { stamp } from "./tag.js";

/** Time between two looks at the picture, milliseconds. */
const LOOK = 250;

/** @typedef {{ detect(source: CanvasImageSource): Promise<{ rawValue: string }[]> }} Detector */

/** What a code says: the machine of a printed tag, whatever address it was printed with; else a number. @param {string} said @returns {{ id?: string, tag?: string }} */
export function readCode(said) {
  const id = /^https?:\/\/[^/]+\/(?:machine|intake)\/([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})$/.exec(said.trim())?.[1];
  return id ? { id } : /^[A-Za-z0-9-]{1,12}$/.test(said.trim()) ? { tag: said.trim() } : {};
}

/** @param {(path: string) => unknown} go */
export async function scan(go) {
  const video = /** @type {HTMLVideoElement} */ (h("video", { class: "scan__picture", playsinline: true, muted: true, "aria-hidden": "true", hidden: true }));
  const words = h("p", { role: "status", class: "soft" }, t("scan.type"));
  const found = h("div", { class: "stack" });
  const input = /** @type {HTMLInputElement} */ (h("input", { id: "scan-tag", class: "number", autocomplete: "off", maxlength: "12", autocapitalize: "characters", spellcheck: "false" }));
  const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "ask", "aria-label": t("act.scan") },
    h("h2", null, t("act.scan")), video, words,
    h("form", { class: "stack", onsubmit: (/** @type {Event} */ e) => (e.preventDefault(), attempt(() => look({ tag: input.value.trim() }))) },
      h("div", { class: "field" }, h("label", { for: "scan-tag" }, t("scan.number")), input),
      h("button", { class: "act" }, t("scan.find"))),
    found,
    h("div", { class: "row" }, act({ words: t("act.close"), icon: close(), does: () => dialog.close() }))));
  /** @type {MediaStream | null} */
  let camera = null;
  dialog.addEventListener("close", () => {
    camera?.getTracks().forEach((track) => track.stop());
    dialog.remove();
  });
  document.body.append(dialog);
  dialog.showModal();
  input.focus();

  /** @param {{ id?: string, tag?: string }} code */
  async function look({ id, tag }) {
    const at = id ? await byId(id) : tag ? await byTag(tag) : null;
    if (!at) {
      words.textContent = t("scan.nothing", { tag: tag ?? "" });
      return false;
    }
    const open = () => (dialog.close(), go(`/${at.state === "open" ? "intake" : "machine"}/${at.id}`));
    // A machine in our care may only be moved; any other is opened at once.
    if (at.state !== "in care") return open(), true;
    const here = await shop();
    words.textContent = "";
    put(found, [
      h("p", null, h("b", { class: "mono" }, at.tag), " ", at.name), stamp(at.state),
      act({ words: t("scan.open"), heavy: true, does: open }),
      h("h3", null, t("scan.move")),
      placePicks(at, here, () => dialog.close()),
    ]);
    return true;
  }

  const Known = /** @type {{ new (how: object): Detector } | undefined} */ (/** @type {any} */ (globalThis).BarcodeDetector);
  if (!Known || !navigator.mediaDevices?.getUserMedia) return;
  try {
    const detector = new Known({ formats: ["qr_code"] });
    camera = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    if (!dialog.open) return camera.getTracks().forEach((track) => track.stop());
    video.srcObject = camera;
    video.hidden = false;
    await video.play();
    words.textContent = t("scan.hold");
    let last = "";
    while (dialog.open) {
      const [code] = await detector.detect(video);
      if (code && code.rawValue !== last) {
        last = code.rawValue;
        if (await look(readCode(code.rawValue))) break;
      }
      await new Promise((on) => setTimeout(on, LOOK));
    }
  } catch {
    // No camera, or not allowed: the number is typed.
    video.hidden = true;
    words.textContent = t("scan.type");
  }
}

/** @param {string} id */
async function byId(id) {
  await fetchIntake(id).catch(() => {});
  const view = await intake(id);
  return view && { id, tag: view.state.tag ?? "", state: view.state.state, name: machineName(view), ...(view.state.place ? { place: view.state.place.place } : {}) };
}

/** The machine that has this tag now, else the last one that had it, else the one it was lost from. @param {string} tag */
async function byTag(tag) {
  const same = (/** @type {string} */ a) => a.toLowerCase() === tag.toLowerCase() || (/^\d+$/.test(tag) && /^\d+$/.test(a) && Number(a) === Number(tag));
  const { items } = await search(tag);
  const lost = (/** @type {import("../core/app.js").Summary} */ x) => (x.tags_before ?? []).some(same);
  const all = items.some((s) => same(s.tag)) ? items : (await list()).items;
  const s = all.find((x) => same(x.tag) && x.state !== "not taken in") ?? all.find((x) => same(x.tag)) ?? all.find(lost);
  return s ? { id: s.id, tag: s.tag, state: s.state, name: [s.make, s.model].filter(Boolean).join(" "), ...(s.place ? { place: s.place } : {}) } : null;
}
