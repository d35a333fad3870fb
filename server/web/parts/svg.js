// A drawing that came as text (a QR code): parsed as a document, taken only when it is plain shapes.

const SHAPES = new Set(["svg", "path", "rect", "g", "title", "desc"]);

/** @param {string} text @returns {Node | null} */
export function svgElement(text) {
  const root = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  const all = [root, ...root.querySelectorAll("*")];
  const plain = all.every((el) => SHAPES.has(el.localName) && [...el.attributes].every((a) => !a.name.startsWith("on") && !a.name.includes("href")));
  if (!plain || root.localName !== "svg") return null;
  for (const el of all) el.removeAttribute("style");
  return document.importNode(root, true);
}
