// The view's drawing over the live picture, so that the same side is photographed from the same place each time. A second way:
// the camera's own app stays the first, because its file has the camera's own words in it (time, place, lens).

import { trouble } from "../core/trouble.js";
import { t } from "../core/words.js";
import { act } from "./act.js";
import { h } from "./dom.js";
import { camera as cameraIcon, close } from "./icons.js";
import { attempt } from "./notice.js";
import { drawing } from "./picture.js";

/** Widest picture asked of the camera, pixels; a browser gives the nearest it can. */
const WIDE = 4032;
/** Of a picture that is taken out of the film, 0 to 1. */
const QUALITY = 0.92;

/** Whether this page may use a camera. */
export const mayUseCamera = () => isSecureContext && typeof navigator.mediaDevices?.getUserMedia === "function";

/**
 * Opens the camera with a drawing over it; resolves with the photo, or null when it was shut or there is no camera.
 * @param {{ drawing: string, name: string, stand: string }} view @returns {Promise<File | null>}
 */
export async function withOutline(view) {
  const stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment", width: { ideal: WIDE }, height: { ideal: WIDE } }, audio: false }).catch(() => null);
  if (!stream) throw trouble("no-camera");
  try {
    return await shown(stream, view);
  } finally {
    stream.getTracks().forEach((track) => track.stop());
  }
}

/** @param {MediaStream} stream @param {{ drawing: string, name: string, stand: string }} view @returns {Promise<File | null>} */
function shown(stream, view) {
  return new Promise((resolve) => {
    /** @type {File | null} */
    let taken = null;
    const video = /** @type {HTMLVideoElement} */ (h("video", { class: "outline__picture", playsinline: true, muted: true, "aria-hidden": "true" }));
    const over = drawing(view.drawing);
    over.classList.add("outline__drawing");
    const dialog = /** @type {HTMLDialogElement} */ (h("dialog", { class: "outline", "aria-label": view.name, id: "outline" },
      h("div", { class: "outline__stage" }, video, over),
      h("p", null, h("b", null, view.name), " ", view.stand),
      h("div", { class: "two-acts" },
        act({ words: t("act.close"), icon: close(), does: () => dialog.close() }),
        act({
          words: t("act.take-photo"), icon: cameraIcon(), heavy: true, id: "take-photo", does: async () => {
            taken = await still(stream, video);
            dialog.close();
          },
        }))));
    dialog.addEventListener("close", () => {
      dialog.remove();
      resolve(taken);
    });
    document.body.append(dialog);
    dialog.showModal();
    video.srcObject = stream;
    attempt(() => video.play());
  });
}

/** One picture: by the camera itself where the browser can ask it, else out of the film. @param {MediaStream} stream @param {HTMLVideoElement} video @returns {Promise<File>} */
async function still(stream, video) {
  const Capture = /** @type {{ new (track: MediaStreamTrack): { takePhoto(): Promise<Blob> } } | undefined} */ (/** @type {any} */ (globalThis).ImageCapture);
  const photo = Capture ? await new Capture(stream.getVideoTracks()[0]).takePhoto().catch(() => null) : null;
  const blob = photo ?? (await frame(video));
  return new File([blob], "", { type: blob.type });
}

/** @param {HTMLVideoElement} video @returns {Promise<Blob>} */
function frame(video) {
  const canvas = document.createElement("canvas");
  canvas.width = video.videoWidth;
  canvas.height = video.videoHeight;
  canvas.getContext("2d")?.drawImage(video, 0, 0);
  return new Promise((resolve, reject) => canvas.toBlob((b) => (b ? resolve(b) : reject(trouble("no-camera"))), "image/jpeg", QUALITY));
}
