// The walk-round: the parts in their fixed order. A tap on a part opens its words; a word that needs a photo asks for one.

import { say } from "../core/app.js";
import { uuid7 } from "../core/uuid.js";
import { t, text } from "../core/words.js";
import { act, field, picks } from "./act.js";
import { h } from "./dom.js";
import { named } from "./facts.js";
import { camera as cameraIcon } from "./icons.js";
import { photosHere } from "./moved.js";
import { picture } from "./picture.js";
import { photoName } from "./tile.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {LineFact, Named} from "../core/types.js" */

/**
 * @param {string} id
 * @param {ReturnType<typeof import("./camera.js").camera>} lens
 * @param {() => unknown} again
 */
export function linesPart(id, lens, again) {
  let openPart = "";
  /** @type {IntakeView} */
  let view;

  /** @param {Named} part */
  function partRow(part) {
    const said = view.state.lines.filter((l) => l.part === part.id);
    const shown = openPart === part.id || said.some((l) => `line-photo-${l.line}` === location.hash.slice(1));
    return h("li", { "data-key": part.id },
      h("button", {
        type: "button", class: "part", "aria-expanded": shown ? "true" : "false",
        onclick: () => {
          openPart = shown ? "" : part.id;
          again();
        },
      },
        h("span", null, text(part.name)),
        h("span", { class: said.length ? "part__said" : "soft" }, said.length ? said.map((l) => named(view.kind?.condition, l.word)).join(", ") : t("page.line.nothing"))),
      shown ? h("div", { class: "part__open stack" }, said.map((l) => line(l)), h("h3", null, t(said.length ? "page.line.another" : "page.line.word")), words(part)) : null);
  }

  /** The condition vocabulary; a tap notes it. @param {Named} part */
  function words(part) {
    return picks({
      name: t("page.line.word"), three: true, chosen: undefined,
      choices: (view.kind?.condition ?? []).map((c) => ({ id: c.id, words: text(c.name) })),
      does: (word) => say(id, "condition-noted", { line: newId(), part: part.id, word, photos: [] }),
    });
  }

  /** @param {LineFact} l */
  function line(l) {
    const word = view.kind?.condition.find((c) => c.id === l.word);
    const needs = word?.photo && l.photos.length === 0;
    const spare = photosHere(view).filter((p) => !l.photos.includes(p.photo));
    return h("div", { class: "line stack stack--close", id: `line-photo-${l.line}`, "data-key": l.line },
      h("p", null, h("b", null, text(word?.name) || l.word), needs ? h("span", { class: "marked" }, ` ${t("page.line.needs-photo")}`) : null),
      h("div", { class: "thumbs" }, l.photos.map((p) => thumb(p, false, l))),
      h("div", { class: "row" },
        act({ words: t(l.photos.length ? "act.another-photo" : "act.line-photo"), icon: cameraIcon(), does: () => lens.shoot({ stage: "received", lines: [l.line] }) }),
        act({ words: t("act.take-back"), does: () => say(id, "condition-withdrawn", { line: l.line, because: t("page.line.mistake") }) })),
      spare.length ? h("details", null, h("summary", { class: "link" }, t("page.line.on-photo")), h("div", { class: "thumbs" }, spare.map((p) => thumb(p.photo, true, l)))) : null,
      field({
        id: `note-${l.line}`, words: t("page.line.note"), value: l.note ?? "", input: { maxlength: "400" },
        onchange: (note) => note !== (l.note ?? "") && say(id, "condition-noted", bodyOf(l), note ? { note } : undefined),
      }));
  }

  /** @param {LineFact} l @returns {import("../core/types.js").JsonObject} */
  const bodyOf = (l) => ({ line: l.line, part: l.part, word: l.word, photos: l.photos });

  /** @param {string} photo @param {boolean} adds @param {LineFact} l */
  function thumb(photo, adds, l) {
    const shown = view.photos.find((p) => p.photo === photo);
    const name = shown ? photoName(view, shown) : t("page.photo.extra");
    if (!adds) return h("span", { class: "thumb", "data-key": photo }, picture(photo, name));
    return h("button", {
      type: "button", class: "thumb", "data-key": photo, "aria-label": t("act.shows-it", { photo: name }),
      onclick: () => say(id, "condition-noted", { ...bodyOf(l), photos: [...l.photos, photo] }, l.note ? { note: l.note } : undefined),
    }, picture(photo, ""));
  }

  return {
    /** @param {IntakeView} now */
    draw(now) {
      view = now;
      return h("ul", { class: "parts", "aria-label": t("page.asked.walk-round") }, (view.kind?.part ?? []).map((p) => partRow(p)));
    },
  };
}

/** A new line's id. */
const newId = () => uuid7(Date.now(), crypto.getRandomValues(new Uint8Array(10)));
