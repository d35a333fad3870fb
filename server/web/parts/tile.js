// A photo tile: the photo uncropped, or the view's line drawing where it is still missing.

import { t, text, valueText } from "../core/words.js";
import { h } from "./dom.js";
import { drawing, picture, shown } from "./picture.js";

/** @import {PhotoView} from "../core/app.js" */
/** @import {View} from "../core/types.js" */

/** Where a photo's bytes are, in words. @param {PhotoView["status"]} status */
export function statusWords(status) {
  switch (status.state) {
    case "sending":
      return status.percent === undefined ? t("page.photo.sending") : t("page.photo.sending-percent", { percent: status.percent });
    case "stored and checked":
      return status.judged?.verdict === "not judged" ? t("page.photo.not-judged") : status.judged ? t("page.photo.safe") : t("page.photo.being-judged");
    case "refused":
      return t("page.photo.refused");
    default:
      return t("page.photo.on-phone");
  }
}

/** The same of a photo or a film: a film is not judged. @param {PhotoView} photo */
export const wordsOf = (photo) => (photo.film && photo.status.state === "stored and checked" ? t("page.film.stored") : statusWords(photo.status));

/** Why a photo fills nothing, as one sentence. @param {PhotoView} photo */
export function reason(photo) {
  if (photo.status.state === "refused") return photo.status.problem?.detail ?? t("page.photo.refused");
  const judged = photo.judged ?? photo.status.judged;
  if (judged?.verdict !== "poor") return "";
  return t("page.photo.poor", { reasons: judged.reasons.map((r) => valueText(r)).join("; ") || t("page.photo.poor-plain") });
}

/** What to know of a photo that may be used, a sentence each: it informs, it speaks against nothing. @param {PhotoView} photo @returns {string[]} */
export function notes(photo) {
  const judged = photo.judged ?? photo.status.judged;
  if (!judged) return [];
  return [...(judged.verdict === "poor" ? [] : judged.reasons), ...judged.flags].map((r) => valueText(r));
}

/** Whether a person is asked to look: what is in the picture cannot be judged, or it may be the same picture again. @param {PhotoView} photo */
export function asks(photo) {
  const judged = photo.judged ?? photo.status.judged;
  return judged?.verdict === "usable" && [...judged.reasons, ...judged.flags].some((r) => /^(photo|flag\.(same-file|alike))/.test(r.key));
}

/** Where another intake's photo is that may be the same picture. @param {PhotoView} photo @param {string} intake this photo's */
export function elsewhere(photo, intake) {
  const other = (photo.judged ?? photo.status.judged)?.alike.find((a) => a.intake !== intake);
  return other ? h("p", null, h("a", { class: "link", href: `/machine/${other.intake}`, "data-shuts": "" }, t("page.photo.elsewhere"))) : null;
}

/** The notes as a list, for the large view. @param {PhotoView} photo */
export function notesList(photo) {
  const all = notes(photo);
  return all.length ? h("ul", { class: "sheet__list", "data-key": "notes" }, all.map((w) => h("li", null, w))) : null;
}

/**
 * One view of the shot list. `caution` is shown where it is still to be taken.
 * @param {{ view: View, photo?: PhotoView, next: boolean, leftOpen?: string, caution?: string, does: () => unknown }} what
 */
export function viewTile({ view, photo, next, leftOpen, caution, does }) {
  const why = photo ? reason(photo) : "";
  const look = why ? "poor" : photo ? "taken" : leftOpen ? "open" : next ? "next" : "missing";
  const words = photo ? (asks(photo) ? t("page.photo.look") : statusWords(photo.status)) : leftOpen ?? text(view.stand);
  return h("button", { type: "button", class: "tile", "data-look": next && photo ? "poor" : look, "data-key": view.id, id: `view-${view.id}`, onclick: does },
    h("span", { class: "tile__picture" }, photo ? picture(photo.photo, text(view.name)) : drawing(view.drawing)),
    why ? h("span", { class: "tile__reason" }, why) : null,
    h("span", { class: "tile__words" },
      h("span", { class: "tile__name" }, text(view.name)),
      next || photo || leftOpen ? h("span", { class: "soft" }, words) : null,
      caution ? h("span", { class: "tile__caution" }, caution) : null));
}

/**
 * A photo in a row of photos, numbered as on the sheet.
 * @param {{ photo: PhotoView, name: string, under?: string, does: () => unknown, pressed?: boolean }} what
 */
export function photoTile({ photo, name, under, does, pressed }) {
  if (photo.erased) return erasedTile(photo, name);
  const why = reason(photo);
  return h("button", { type: "button", class: "tile", "data-look": why ? "poor" : "taken", "data-key": photo.photo, "aria-pressed": pressed === undefined ? undefined : String(pressed), onclick: does },
    h("span", { class: "tile__picture" },
      shown(photo, ""),
      photo.number ? h("span", { class: "tile__number" }, photo.number) : null),
    why ? h("span", { class: "tile__reason" }, why) : null,
    h("span", { class: "tile__words" },
      h("span", { class: "tile__name" }, name),
      under || asks(photo) ? h("span", { class: "soft" }, asks(photo) ? t("page.photo.look") : under) : null));
}

/** A number on the sheet whose photo was erased: it stays visible as signed. @param {PhotoView} photo @param {string} name */
function erasedTile(photo, name) {
  return h("div", { class: "tile", "data-look": "missing", "data-key": photo.photo },
    h("span", { class: "tile__words" },
      h("span", { class: "tile__name" }, [photo.number, name].filter(Boolean).join(". ")),
      h("span", { class: "soft" }, t("page.photo.erased", { because: photo.erased?.because ?? "" }))));
}

/** What a photo shows, in words: the parts of its condition lines, and its view. @param {import("../core/app.js").IntakeView} view @param {PhotoView} photo */
export function photoName(view, photo) {
  const parts = view.state.lines.filter((l) => l.photos.includes(photo.photo)).map((l) => {
    const part = view.kind?.part?.find((p) => p.id === l.part);
    return part ? text(part.name) : l.part;
  });
  const shot = view.kind?.view.find((v) => v.id === photo.view);
  const words = [...new Set(parts), shot ? text(shot.short) : ""].filter(Boolean).join(", ");
  if (photo.film) return words || t("page.film");
  return words || t(photo.of_paper ? "page.photo.of-paper" : "page.photo.extra");
}
