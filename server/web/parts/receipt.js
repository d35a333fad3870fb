// The receipt as one file that goes with the customer: shared from the phone, or saved where it cannot be.

import { ask } from "../core/app.js";
import { t } from "../core/words.js";

/** @param {string} intake @param {string} tag @returns {Promise<File>} */
export async function receiptFile(intake, tag) {
  const { text } = await ask("GET", `/intakes/${intake}/receipt`, { accept: "text/html" });
  return new File([text], `${t("page.receipt.file", { tag })}.html`, { type: "text/html" });
}

/** @param {File | null} file */
export async function shareReceipt(file) {
  if (!file) return;
  if (navigator.canShare?.({ files: [file] })) {
    try {
      await navigator.share({ files: [file], title: file.name });
      return;
    } catch (error) {
      // Closing the share sheet is an answer too.
      if (error instanceof DOMException && error.name === "AbortError") return;
    }
  }
  save(file);
}

/** @param {string} text */
export async function shareText(text) {
  try {
    await navigator.share({ text });
  } catch (error) {
    if (!(error instanceof DOMException && error.name === "AbortError")) throw error;
  }
}

/** @param {File} file */
export function save(file) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(file);
  link.download = file.name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}
