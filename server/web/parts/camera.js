// The camera: a file input that opens it directly, so that the photo arrives with the camera's own words in it. A second one
// for films leaves the choice: the customer's film came by message, or is in the gallery.

import { takeFilm, takePhoto } from "../core/app.js";
import { t, text } from "../core/words.js";
import { h } from "./dom.js";
import { attempt, clear, say } from "./notice.js";
import { withOutline } from "./outline.js";

/** @typedef {{ view?: string, stage?: "received" | "opened" | "left", lines?: string[], of_paper?: boolean }} Where */

/**
 * One input a page; `shoot` opens the camera for a view or a line. Called from a tap, so that the browser lets it.
 * @param {string} intake
 * @param {(taken: { photo: string }, where: Where) => unknown} [after]
 */
export function camera(intake, after) {
  /** @type {Where} */
  let where = {};
  const input = /** @type {HTMLInputElement} */ (h("input", {
    type: "file", accept: "image/*", capture: "environment", class: "hide", id: "camera", tabindex: "-1", "aria-label": t("page.camera"), "data-key": "camera",
    onchange: () => attempt(async () => {
      const file = input.files?.[0];
      if (!file) return;
      const meant = where;
      await keep(file, meant);
      // The same file may be taken again for another view: only an emptied input tells of it.
      input.value = "";
    }),
  }));

  const films = /** @type {HTMLInputElement} */ (h("input", {
    type: "file", accept: "video/*", class: "hide", id: "film-input", tabindex: "-1", "aria-label": t("act.film-up-to"),
    onchange: () => attempt(async () => {
      const file = films.files?.[0];
      if (!file) return;
      const { stage } = where;
      // Emptied in any case: one that was refused may be cut and chosen again.
      try {
        const taken = await takeFilm(intake, file, { stage });
        // What was said of one that was refused is answered.
        clear();
        say(t("page.film.kept"));
        await after?.(taken, { stage });
      } finally {
        films.value = "";
      }
    }),
  }));

  /** @param {File} file @param {Where} meant */
  async function keep(file, meant) {
    const taken = await takePhoto(intake, file, meant);
    say(t("page.photo.kept"));
    await after?.(taken, meant);
  }

  return {
    element: h("span", { class: "hide", "data-key": "lens" }, input, films),
    /** For a test or a person without a camera: the view the next file is meant for. @param {Where} meant */
    aim(meant) {
      where = meant;
      input.dataset.view = meant.view ?? "";
    },
    /** Films, or chooses a film. @param {Pick<Where, "stage">} meant */
    film(meant) {
      where = meant;
      films.click();
    },
    /** The same with the view's drawing over the live picture. @param {import("../core/types.js").View} view */
    outlined(view) {
      return attempt(async () => {
        const file = await withOutline({ drawing: view.drawing, name: text(view.name), stand: text(view.stand) });
        if (file) await keep(file, { view: view.id, stage: view.stage });
      });
    },
    /** @param {Where} meant */
    shoot(meant) {
      this.aim(meant);
      input.click();
    },
  };
}
