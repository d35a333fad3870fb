// Elements without a framework: `h` makes one, `morph` brings what is on the page to what should be there while
// keeping focus, typed text, scroll and loaded pictures.

/** @typedef {Node | string | number | false | null | undefined} Child */
/** @typedef {Child | Child[]} Children */
/** @typedef {Record<string, unknown>} Props */

const SVG = "http://www.w3.org/2000/svg";
const svgTags = new Set(["svg", "path", "circle", "line", "rect", "polyline", "g"]);

/** Handlers of an element, so that `morph` can carry them over. @type {WeakMap<Element, Record<string, EventListener>>} */
const handlers = new WeakMap();

/**
 * Makes an element. `on…` members are listeners, `class` and the rest are attributes (`true` writes an empty one,
 * `false` and `undefined` none), members that begin with `--` are custom properties (allowed by a strict policy,
 * unlike a style attribute). `value` of a field is what it starts with.
 * @param {string} tag
 * @param {Props | null} [props]
 * @param {...Children} children
 * @returns {HTMLElement}
 */
export function h(tag, props, ...children) {
  const el = /** @type {HTMLElement} */ (svgTags.has(tag) ? document.createElementNS(SVG, tag) : document.createElement(tag));
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) listen(el, name.slice(2), /** @type {EventListener} */ (value));
    else if (name.startsWith("--")) el.style.setProperty(name, String(value));
    else if (name === "value" && "value" in el) start(/** @type {HTMLInputElement} */ (el), String(value));
    else el.setAttribute(name, value === true ? "" : String(value));
  }
  el.append(...children.flat().filter(shown).map((c) => (c instanceof Node ? c : String(c))));
  if (tag === "select" && props && "value" in props) /** @type {HTMLSelectElement} */ (/** @type {unknown} */ (el)).value = String(props.value ?? "");
  return el;
}

/** Elements that stay themselves, by the comment that stands for them in what is made. @type {WeakMap<Node, Element>} */
const kept = new WeakMap();

/**
 * A place for an element that must stay itself while the page is drawn again (a signature half drawn, an open camera).
 * It needs a `data-key`.
 * @param {Element} el
 */
export function keep(el) {
  const mark = document.createComment("");
  kept.set(mark, el);
  return mark;
}

/** Puts kept elements where their marks are. @template {Node} T @param {T} made @returns {T | Element} */
function settle(made) {
  const whole = kept.get(made);
  if (whole) return whole;
  const walk = document.createTreeWalker(made, NodeFilter.SHOW_COMMENT);
  const marks = [];
  while (walk.nextNode()) marks.push(walk.currentNode);
  for (const mark of marks) {
    const el = kept.get(mark);
    if (el) mark.parentNode?.replaceChild(el, mark);
  }
  return made;
}

/** @param {Child} c @returns {c is Node | string | number} */
function shown(c) {
  return c !== false && c !== null && c !== undefined && c !== "";
}

/** @param {HTMLInputElement} el @param {string} value */
function start(el, value) {
  if ("defaultValue" in el) el.defaultValue = value;
  else /** @type {HTMLInputElement} */ (el).value = value;
}

/** @param {Element} el @param {string} type @param {EventListener} fn */
function listen(el, type, fn) {
  const own = handlers.get(el) ?? {};
  if (!own[type]) el.addEventListener(type, (e) => handlers.get(el)?.[type]?.(e));
  own[type] = fn;
  handlers.set(el, own);
}

/**
 * Makes `old` look like `made` in place. Elements pair up by tag and `data-key`; a field keeps what was typed.
 * @param {Element} old
 * @param {Element} made
 */
export function morph(old, made) {
  attributes(old, made);
  const before = handlers.get(old) ?? {};
  const after = handlers.get(made) ?? {};
  for (const type of Object.keys(before)) if (!after[type]) delete before[type];
  for (const [type, fn] of Object.entries(after)) listen(old, type, fn);
  if (old instanceof HTMLTextAreaElement || old instanceof HTMLInputElement) return field(old, /** @type {HTMLInputElement} */ (made));
  children(old, [...made.childNodes]);
}

/** @param {Element} old @param {Element} made */
function attributes(old, made) {
  for (const { name } of [...old.attributes]) {
    // A dialog or details opened by the person stays as it is.
    if (!made.hasAttribute(name) && !(name === "open" && old.matches("dialog, details"))) old.removeAttribute(name);
  }
  for (const { name, value } of made.attributes) {
    if (old.getAttribute(name) === value) continue;
    // Written through the style object: a strict policy refuses the attribute.
    if (name === "style" && old instanceof HTMLElement && made instanceof HTMLElement) old.style.cssText = made.style.cssText;
    else old.setAttribute(name, value);
  }
}

/** @param {HTMLInputElement | HTMLTextAreaElement} old @param {HTMLInputElement} made */
function field(old, made) {
  if (old.defaultValue === made.defaultValue) return;
  const untouched = old.value === old.defaultValue;
  old.defaultValue = made.defaultValue;
  if (untouched || document.activeElement !== old) old.value = made.defaultValue;
}

/** @param {Element} old @param {ChildNode[]} wanted */
function children(old, wanted) {
  const keyed = new Map();
  for (const c of old.children) if (c instanceof HTMLElement && c.dataset.key) keyed.set(c.dataset.key, c);
  let at = old.firstChild;
  for (const want of wanted) {
    const stays = kept.get(want);
    if (stays) {
      if (stays === at) at = at.nextSibling;
      else old.insertBefore(stays, at);
      continue;
    }
    const key = want instanceof HTMLElement ? want.dataset.key : undefined;
    let have = key ? keyed.get(key) : at;
    if (have && !key && have instanceof HTMLElement && have.dataset.key) have = null;
    if (!have || !alike(have, want)) {
      old.insertBefore(settle(want), at);
      continue;
    }
    if (have !== at) old.insertBefore(have, at);
    else at = at?.nextSibling ?? null;
    if (have instanceof Element && want instanceof Element) morph(have, want);
    else if (have.nodeValue !== want.nodeValue) have.nodeValue = want.nodeValue;
  }
  while (at) {
    const gone = at;
    at = at.nextSibling;
    gone.remove();
  }
}

/** @param {Node} a @param {Node} b */
function alike(a, b) {
  if (a.nodeName !== b.nodeName) return false;
  if (!(a instanceof HTMLElement) || !(b instanceof HTMLElement)) return true;
  // A canvas holds what was drawn: it is never rebuilt. An input changes type rarely: then it is another one.
  return a.dataset.key === b.dataset.key && a.id === b.id && a.getAttribute("type") === b.getAttribute("type");
}

/**
 * Brings the children of a container to `made`.
 * @param {Element} container
 * @param {Children} made
 */
export function put(container, made) {
  const nodes = [made].flat().filter(shown).map((c) => (c instanceof Node ? c : document.createTextNode(String(c))));
  children(container, /** @type {ChildNode[]} */ (nodes));
}
