// Going home: the same views with the received photo as ghost, every thing and old part line by line, tried or why not, what it
// must not be used for told, who collects it and how that was checked, their signature. Then it is handed back.

import { languages, say, session, shop, showHandBack, wordsIn } from "../core/app.js";
import { newestOf } from "../core/fold.js";
import { homeCheck, homeLines, homePhotos, homeSheet, homeViews, leftOf, oldPart } from "../core/hand-back.js";
import { spoken, spokenIn, t, text, valueText } from "../core/words.js";
import { act, actLink, foot, footBack, picks } from "../parts/act.js";
import { askedForm, choicesOf, only } from "../parts/asked-form.js";
import { camera } from "../parts/camera.js";
import { compareAll } from "../parts/compare-all.js";
import { careWords, keptFrom } from "../parts/care-words.js";
import { h, keep } from "../parts/dom.js";
import { named, slug } from "../parts/facts.js";
import { howShown } from "../parts/how-shown.js";
import { pen } from "../parts/icons.js";
import { head, load, meanwhile, watching } from "../parts/intake.js";
import { nameOf } from "../parts/names.js";
import { notice } from "../parts/notice.js";
import { pad } from "../parts/pad.js";
import { drawing, picture } from "../parts/picture.js";
import { stamp } from "../parts/tag.js";

/** @import {IntakeView} from "../core/app.js" */
/** @import {Gap, View} from "../core/types.js" */

const THING = ["given back", "not found", "stays here"];
const OLD = ["given back", "kept for the supplier", "sent with a claim", "not wanted", "put away as agreed", "not found"];
const CHECKED = ["known here", "receipt shown", "document seen", "owner asked", "not checked"];

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function home(at) {
  const [id] = at.ids;
  const again = () => at.again();
  let drawn = false;
  /** The line whose loss is being written down. */
  let lost = "";
  /** @type {IntakeView} */
  let view;
  let zone = "UTC";
  const lens = camera(id, again);
  const all = compareAll(id, again);
  const signature = pad((signed) => {
    drawn = signed;
    again();
  });
  signature.element.dataset.key = "pad";
  const how = howShown(again);
  const trial = askedForm({ id: "trial", submit: t("home.say.trial"), again, does: (g) => say(id, "trial-noted", only(g, ["how", "what"])) });
  const collector = askedForm({ id: "collector", submit: t("home.say.collector"), again, does: (g) => say(id, "collector-noted", only(g, ["who", "checked"]), /** @type {any} */ (only(g, ["name"]))) });
  const notFound = askedForm({ id: "lost", submit: t("home.say.not-found"), again, does: async (g) => {
    await say(id, "thing-settled", { line: lost, how: "not found" }, { note: g.note });
    lost = "";
  } });
  const open = askedForm({ id: "leave", submit: t("act.leave-open-now"), again, does: (g) => say(id, "left-open", only(g, ["gap", "reason"])) });
  const refusing = askedForm({ id: "unsigned", submit: () => t("act.not-signing-because"), again, does: (g) => show({ how: "not now", because: g.because }) });

  return {
    watch: watching(id),
    async draw() {
      const here = await shop();
      view = await load(id);
      const { kind, state } = view;
      if (!kind) return { title: t("home.title"), content: [head(view, { level: "h1" })] };
      const checked = homeCheck(kind, state, "device");
      const gaps = checked.gaps;
      // In the language of the first signature, until somebody chooses another.
      const [spokenThere, tongues] = await Promise.all([wordsIn(how.language() || state.home.shown?.language || state.acknowledgement?.language || ""), languages()]);
      const [signing, rest] = [gaps.filter((g) => g.gap === "hand-back-signature"), gaps.filter((g) => g.gap !== "hand-back-signature")];
      zone = here?.zone ?? "UTC";
      const words = careWords(view, zone);
      const done = state.state === "handed back";
      return {
        title: t("home.title"),
        content: [
          head(view),
          h("h1", null, t("home.title")),
          ...meanwhile(view),
          done ? handedBack() : null,
          keptFrom(view),
          section("views", t("home.views"), [
            h("p", { class: "soft" }, t("home.ghost-means")),
            all.bar(homeViews(kind, state).flatMap((v) => pairOf(v) ?? [])),
            h("div", { class: "tiles tiles--two" }, homeViews(kind, state).map((v) => tile(v, homeViews(kind, state).find((w) => !leftOf(state, w.id))?.id === v.id))),
            ...checked.left_open.map((l) => h("p", null, t("page.left-open", { what: gapWords(l), reason: l.reason, name: nameOf(l.by) }))),
            done || rest.every((g) => !g.gap.startsWith("left-view:")) ? null : h("details", { class: "more" }, h("summary", null, t("page.bench.leave")),
              open.draw([
                { id: "gap", words: t("page.bench.leave-what"), kind: "pick", choices: rest.filter((g) => g.gap.startsWith("left-view:")).map((g) => ({ id: g.gap, words: gapWords(g) })), need: true },
                { id: "reason", words: t("page.gaps.reason"), most: 400, need: true },
              ])),
          ]),
          section("lines", t("home.lines"), [
            ...(homeLines(kind, state).length ? homeLines(kind, state).map(line) : [h("p", { class: "soft" }, t("home.no-lines"))]),
            ...thrownAway().map((w) => h("p", null, w)),
          ]),
          section("trial", t("home.trial"), [
            state.home.trial ? h("p", null, t(`home.trial.${slug(state.home.trial.how)}`, { what: state.home.trial.what, name: nameOf(state.home.trial.mark.by) })) : null,
            // Never indoors: 16 CFR 1407. Auger and impeller may move after the engine stops: CPSC. Start as in 29 CFR 1910.266(e)(2).
            done ? null : h("p", { class: "foot__caution" }, t("caution.trial")),
            done ? null : folded(state.home.trial !== undefined, trial.draw([{ id: "how", words: t("home.trial.how"), kind: "pick", choices: choicesOf(["tried", "not tried"], (w) => `home.tried.${w}`), need: true }, { id: "what", words: t("home.ask.how-went"), most: 400, need: true }])),
          ]),
          Object.keys(state.custody.quarantine).length ? section("told", t("home.told"), [
            h("p", null, t("home.told-means")),
            ...words.quarantine.map((w) => h("p", null, w)),
            ...Object.keys(state.custody.quarantine).filter((w) => !state.home.told[w] && !done).map((w) => act({ words: t("home.say.told", { word: t(`care.word.${slug(w)}`) }), does: () => say(id, "quarantine-told", { word: w, labelled: true }) })),
          ]) : null,
          section("collector", t("home.collector"), [
            state.home.collector ? h("p", null, t("home.collects", { who: state.home.collector.name ?? t(`home.who.${slug(state.home.collector.who)}`), checked: t(`home.checked.${slug(state.home.collector.checked)}`), name: nameOf(state.home.collector.mark.by) })) : null,
            done ? null : folded(state.home.collector !== undefined, collector.draw([
              { id: "who", words: t("home.ask.who"), kind: "pick", choices: choicesOf(["owner", "bringer", "somebody else"], (w) => `home.who.${w}`), need: true },
              { id: "name", words: t("home.ask.name"), need: (g) => g.who === "somebody else" },
              { id: "checked", words: t("home.ask.checked"), kind: "pick", choices: choicesOf(CHECKED, (w) => `home.checked.${w}`), need: true },
            ])),
          ]),
          done ? null : signed(rest, signing, spokenThere ?? spoken(), tongues),
          keep(lens.element),
          done ? footBack({ words: t("act.to-machine"), href: `/machine/${id}` }) : foot(act({
            words: t("home.say.hand-back"), heavy: true, id: "hand-back", off: gaps.length ? t("home.still-open", { count: gaps.length }) : undefined,
            does: () => say(id, "handed-back", {}),
          }), h("div", { class: "row" },
            rest[0] ? h("a", { class: "link link--gaps", href: `#${where(rest[0])}` }, t("page.gaps.count", { count: rest.length })) : null,
            h("a", { class: "link", href: `/machine/${id}` }, t("act.to-machine")))),
        ],
      };
    },
  };

  /** @param {string} key @param {string} name @param {import("../parts/dom.js").Child[]} content */
  function section(key, name, content) {
    return h("section", { class: "section", "data-key": key, id: key }, h("h2", null, name), h("div", { class: "stack stack--close" }, content));
  }

  /** A form that was answered folds away behind "Change". @param {boolean} answered @param {Node} form */
  function folded(answered, form) {
    return answered ? h("details", { class: "more", "data-key": "again" }, h("summary", null, t("act.change")), form) : form;
  }

  function handedBack() {
    const base = `/v1/shops/${session()?.shop}/intakes/${id}`;
    return h("div", { class: "stack stack--close" }, stamp("handed back", true), h("p", { role: "status" }, t("home.done")),
      actLink({ words: t("home.open-receipt"), href: `${base}/hand-back-receipt` }));
  }

  /** What a gap is about. @param {Gap} g */
  function gapWords(g) {
    const [group, first] = g.gap.split(":");
    return group === "left-view" ? named(view.kind?.view, first) : valueText(g);
  }

  /** One view: as it came, behind; as it goes, in front. @param {View} v @param {boolean} next the first that is not photographed yet */
  function tile(v, next) {
    const [came, goes] = [newestOf(view.state, v.id), leftOf(view.state, v.id)];
    const name = text(v.name);
    const pair = pairOf(v);
    return h("div", { class: "stack stack--close", "data-key": v.id }, h("button", {
      type: "button", class: "tile", "data-look": goes ? "taken" : next ? "next" : "missing", id: `left-${v.id}`,
      onclick: () => view.state.state === "in care" && lens.shoot({ view: v.id, stage: "left" }),
    },
    h("span", { class: "tile__picture pairing" },
      came ? h("span", { class: goes ? "pairing__half" : "pairing__ghost" }, picture(came.photo, t("home.came", { view: name }))) : h("span", { class: "pairing__ghost" }, drawing(v.drawing)),
      goes ? h("span", { class: "pairing__half" }, picture(goes.photo, t("home.goes", { view: name }))) : null),
    h("span", { class: "tile__words" }, h("span", { class: "tile__name" }, name), h("span", { class: "soft" }, t(goes ? "home.both" : came ? "home.as-ghost" : "home.no-ghost")))), pair ? all.under(pair) : null);
  }

  /** Both photos of a view, once the server can lay them over each other. @param {View} v */
  function pairOf(v) {
    const shot = (/** @type {{photo: string} | undefined} */ taken, /** @type {string} */ name) => {
      const shown = view.photos.find((p) => p.photo === taken?.photo);
      return shown?.status.state === "stored and checked" ? { photo: shown.photo, name } : undefined;
    };
    const [came, goes] = [shot(newestOf(view.state, v.id), t("home.came", { view: text(v.name) })), shot(leftOf(view.state, v.id), t("home.goes", { view: text(v.name) }))];
    return came && goes ? { id: v.id, came, goes } : undefined;
  }

  /** What a line is about. @param {string} l */
  function lineName(l) {
    const of = l.slice(l.indexOf(":") + 1);
    if (l.startsWith("accessory:")) return named(view.kind?.accessory, of);
    if (l.startsWith("part:")) return t("home.part", { what: view.state.parts.parts.find((p) => p.part === of)?.what ?? "" });
    const old = oldPart(view.state, l);
    return old ? t("home.old-part", { what: old.what }) : t("home.old-plug");
  }

  /** Old parts that are not here any more, by the customer's word. */
  function thrownAway() {
    return view.state.custody.old_parts.filter((p) => p.fate === "thrown away").map((p) => t("home.thrown-away", { what: p.what }));
  }

  /** One thing or old part. @param {string} l */
  function line(l) {
    const [group, of] = [l.slice(0, l.indexOf(":")), l.slice(l.indexOf(":") + 1)];
    const fact = view.state.home.settled[l];
    const count = group === "accessory" ? view.state.accessories[of]?.count ?? 1 : 1;
    const name = lineName(l);
    const lies = oldPart(view.state, l)?.place;
    const words = group === "accessory" ? THING : OLD;
    return h("div", { class: "question", "data-key": l, id: `settle-${slug(l).replaceAll(":", "-")}` },
      h("h3", null, count > 1 ? `${count} × ${name}` : name),
      lies ? h("p", { class: "soft" }, t("home.lies", { place: lies })) : null,
      view.state.state !== "in care" ? h("p", null, fact ? t(`home.how.${slug(fact.how)}`) : "") : picks({
        name, three: words.length <= 3, chosen: lost === l ? "not found" : fact?.how, choices: choicesOf(words, (w) => `home.how.${w}`),
        does: (how) => {
          if (how === "not found") {
            lost = l;
            return again();
          }
          lost = "";
          return say(id, "thing-settled", { line: l, how, ...(group === "accessory" ? { count } : {}) });
        },
      }),
      fact?.note ? h("p", null, fact.note) : null,
      lost === l ? notFound.draw([{ id: "note", words: t("home.ask.looked"), hint: t("home.ask.looked-hint"), most: 400, need: true }]) : null);
  }

  /** What is shown and signed: in the language of whoever collects. @param {Gap[]} rest @param {Gap[]} signing @param {import("../core/words.js").Catalogue} words @param {{ language: string, name: string }[]} all */
  function signed(rest, signing, words, all) {
    const shown = view.state.home.shown;
    if (signing.length === 0 && shown) return section("signing", t("home.sign"), [stamp(shown.how === "signed" ? "signed" : "not signed"), shown.because ? h("p", null, shown.because) : null]);
    if (rest.length > 0) {
      return section("signing", t("home.sign"), [h("p", { class: "fault" }, t("home.still-open", { count: rest.length })), h("ul", { class: "steps" }, rest.map((g) => h("li", null, h("a", { href: `#${where(g)}` }, valueText(g)))))]);
    }
    const reader = how.reader();
    signature.element.setAttribute("aria-label", t("sheet.pad", {}, words));
    return section("signing", t("home.sign"), [
      how.draw(all, words.language),
      shown ? h("p", { class: "fault" }, t("page.sheet.stale")) : null,
      spokenIn(words, () => {
        // Taken in the words it is shown in: a tap comes later, when the device speaks its own again.
        const signFirst = t("page.sheet.sign-first");
        return h("article", { class: "paper", lang: words.language }, h("div", { class: "stack" },
        h("ul", { class: "sheet__list" }, listed().map((w) => h("li", null, w))),
        reader ? h("p", null, t("page.sheet.read-by", { name: reader })) : null,
        h("hr", { class: "perforation" }),
        h("p", null, t("home.what-you-sign")),
        keep(signature.element),
        drawn ? h("button", { type: "button", class: "link", onclick: () => signature.wipe() }, t("act.wipe")) : null,
        act({ words: t("act.sign"), icon: pen(), id: "sign", off: drawn ? undefined : signFirst, does: () => {
          const strokes = signature.strokes();
          return strokes ? show({ how: "signed", strokes }) : notice(signFirst);
        } }),
        h("details", { class: "more", "data-key": "not-signing" }, h("summary", null, t("act.not-signing")), refusing.draw([{ id: "because", words: t("page.sheet.other-reason"), most: 400, need: true }])))); }),
    ]);
  }

  /** What the collector signs for, line by line. */
  function listed() {
    const { kind, state } = view;
    const words = careWords(view, zone);
    const lines = homeLines(/** @type {any} */ (kind), state).map((l) => {
      const fact = state.home.settled[l];
      return `${fact?.count && fact.count > 1 ? `${fact.count} × ` : ""}${lineName(l)}: ${t(`home.how.${slug(fact?.how ?? "given back")}`)}${fact?.note ? `, ${fact.note}` : ""}`;
    });
    const photos = kind ? homePhotos(kind, state).length : 0;
    return [t("home.photos-shown", { count: photos }), ...lines, ...thrownAway(), ...(state.home.trial ? [t(`home.trial.${slug(state.home.trial.how)}`, { what: state.home.trial.what, name: nameOf(state.home.trial.mark.by) })] : []), ...words.quarantine, ...words.money, ...words.incidents];
  }

  /** Where a gap is answered on this page. @param {Gap} g */
  function where(g) {
    const [group, ...rest] = g.gap.split(":");
    if (group === "left-view") return `left-${rest[0]}`;
    if (group === "settle") return `settle-${slug(rest.join(":")).replaceAll(":", "-")}`;
    return { trial: "trial", collector: "collector", told: "told" }[group] ?? "signing";
  }

  /** @param {{ how: "signed" | "not now", strokes?: any, because?: string }} shown */
  async function show(shown) {
    await how.settle();
    const { state, kind } = view;
    const words = (await wordsIn(how.language() || state.home.shown?.language || state.acknowledgement?.language || "")) ?? spoken();
    if (!kind) return;
    const reader = how.reader() || undefined;
    const sheet = homeSheet(kind, state, { language: words.language, words: words.digest, ...(reader ? { reader } : {}) });
    await showHandBack(id, { ...shown, language: words.language, ...(reader ? { reader } : {}), ...(sheet ? { sheet: sheet.digest } : {}), ...(state.home.collector?.name ? { signer: state.home.collector.name } : {}) });
    await again();
  }
}
