// One machine as a full page of lanes: what was told, as received, as opened, as left, and by whose clock.

import { history, kinds, openIntake, say, session, shop } from "../core/app.js";
import { t } from "../core/words.js";
import { act, actLink, picks } from "../parts/act.js";
import { benchPart } from "../parts/bench.js";
import { h } from "../parts/dom.js";
import { careWords, keptFrom, partWords } from "../parts/care-words.js";
import { entriesList } from "../parts/entries.js";
import { accessories, answers, arrangements, blockSentence, foundWords, leftOpen, lines, machineName, otherNumbers, people, quoted, safety, serial, tagBefore, whyErased, writtenWords } from "../parts/facts.js";
import { atCounter } from "../parts/flow.js";
import { nextFree } from "../parts/free.js";
import { goOnPart } from "../parts/go-on.js";
import { onward as onwardIcon, paper } from "../parts/icons.js";
import { load, meanwhile, watching } from "../parts/intake.js";
import { clocks } from "../parts/clocks.js";
import { compare } from "../parts/compare.js";
import { large } from "../parts/large.js";
import { linkPart } from "../parts/links.js";
import { movedPart, photosHere, tagsBeside } from "../parts/moved.js";
import { nameOf } from "../parts/names.js";
import { outsideTime } from "../parts/outside.js";
import { packPart } from "../parts/pack.js";
import { whole } from "../parts/picture.js";
import { placeName } from "../parts/places.js";
import { receiptFile, shareReceipt } from "../parts/receipt.js";
import { labelWords, serialHistory } from "../parts/serial-history.js";
import { stamp, tag } from "../parts/tag.js";
import { elsewhere, notesList, photoName, photoTile, wordsOf } from "../parts/tile.js";
import { day, dayAndTime } from "../parts/times.js";

/** @import {IntakeView, PhotoView, Shop} from "../core/app.js" */
/** @import {Entry} from "../core/types.js" */

/** @param {import("../parts/page.js").At} at @returns {import("../parts/page.js").Page} */
export function machine(at) {
  const [id] = at.ids;
  const links = linkPart(id, () => at.again());
  const goOn = goOnPart(id, () => at.again());
  const bench = benchPart(id, () => at.again());
  const serials = serialHistory(id, () => at.again());
  const outside = outsideTime(id, () => at.again());
  let chosen = "";
  /** @type {Entry[]} */
  let entries = [];
  /** @type {Shop | null} */
  let here = null;

  return {
    watch: watching(id),
    async draw() {
      const [view, found] = await Promise.all([load(id), shop()]);
      here = found;
      const beside = await tagsBeside(view);
      entries = await history(id); // after the intake was fetched
      outside.ask(entries);
      const zone = here?.zone ?? "UTC";
      const photo = view.photos.find((p) => p.photo === chosen) ?? [...view.photos].sort((a, b) => (a.number ?? 1e9) - (b.number ?? 1e9))[0];
      const open = view.state.state === "open" || view.state.state === "found";
      const offer = open ? null : againOffer(view);
      const held = view.state.state === "in care" && view.state.taken_in?.index === undefined;
      return {
        title: `${view.state.tag} ${machineName(view)}`,
        wide: true,
        content: [
          h("div", { class: "machine__head" },
            tag({ number: view.state.tag ?? "", heading: [machineName(view), serial(view), tagBefore(view)].filter(Boolean).join(", "), under: [standing(view, zone, here), writtenWords(view, zone)].filter(Boolean).join(". ") }),
            stamp(held ? "held" : view.state.state),
            open && session() ? goOn.draw() : null,
            open ? actLink({ words: t("act.go-on"), href: view.state.state === "found" ? `/intake/${id}/found` : `/intake/${id}`, icon: onwardIcon() }) : null),
          ...meanwhile(view),
          keptFrom(view),
          careLane(view, zone),
          view.state.state === "in care" ? lane("bench", t("lane.bench"), bench.under(view), ...bench.draw(view, here)) : null,
          foundLane(view, zone),
          ...toldLane(view, zone),
          stageLane(view, "received"),
          stageLane(view, "opened"),
          stageLane(view, "left"),
          movedPart(view, beside, zone),
          photo ? lane("clocks", t("lane.clocks"), clockUnder(view, photo), clocks({ view, photo, history: entries, shop: here })) : null,
          outsideLane(zone),
          ...serialLane(view, zone),
          keepLane(view, here),
          open ? null : lane("pack", t("lane.pack"), t("lane.pack-under"), packPart(view, id)),
          customerLane(view),
          againLane(view, await offer),
          session()?.roles.includes("owner") ? lane("entries", t("lane.entries"), t("lane.entries-under", { count: entries.length }), entriesList(entries, zone, outside)) : null,
        ],
      };
    },
  };

  /** The same serial in earlier intakes. @param {IntakeView} view @param {string} zone */
  function serialLane(view, zone) {
    const before = serials.known(view);
    const label = labelWords(view, new Date().getFullYear());
    return [
      label.length ? lane("label", t("lane.label-title"), t("lane.label-under"), h("ul", { class: "sheet__list" }, label.map((w) => h("li", null, w)))) : null,
      before.length ? lane("before", t("lane.before"), t("lane.before-under"), serials.list(view, before, zone)) : null,
    ];
  }

  /** Which entries somebody outside the shop signed to be there, and when. @param {string} zone */
  function outsideLane(zone) {
    const said = outside.draw(zone);
    return said ? lane("outside", t("lane.outside"), t("lane.outside-under"), said) : null;
  }

  /** What happened in the shop's care, and the ways on from here. @param {IntakeView} view @param {string} zone */
  function careLane(view, zone) {
    if (!view.state.taken_in) return null;
    const words = careWords(view, zone);
    const said = [...words.opened, ...words.quarantine, ...words.findings, ...words.heard, ...words.money, ...words.old, ...words.out, ...words.incidents, ...words.contacts];
    const { parts, disputes, home } = view.state;
    const open = disputes.opened.filter((d) => !disputes.ended.some((e) => e.dispute === d.dispute)).length;
    const to = (/** @type {string} */ where, /** @type {string} */ key) => actLink({ words: t(key), href: `/intake/${id}/${where}` });
    return lane("care", t("lane.care"), open ? t("lane.disputes", { count: open }) : null,
      said.length + parts.parts.length ? h("ul", { class: "sheet__list" }, [...said, ...parts.parts.map(partWords)].map((w) => h("li", null, w))) : null,
      h("div", { class: "row" },
        to("care", "lane.to-care"), to("findings", "lane.to-findings"), to("parts", "lane.to-parts"),
        view.state.state === "in care" || home.handed_back ? to("home", home.handed_back ? "lane.to-home-done" : "lane.to-home") : null, to("dispute", "lane.to-dispute")));
  }

  /** @param {string} key @param {string} name @param {import("../parts/dom.js").Children} under @param {...import("../parts/dom.js").Children} content */
  function lane(key, name, under, ...content) {
    return h("section", { class: "lane", "data-key": key }, h("div", null, h("h2", null, name), under ? h("p", { class: "soft" }, under) : null), h("div", { class: "stack" }, ...content));
  }

  /** @param {IntakeView} view @param {string} zone */
  function toldLane(view, zone) {
    const fact = view.state.statements.complaint;
    const facts = [...answers(view), ...arrangements(view)];
    const condition = [
      ...lines(view).map((l) => `${l.part}: ${l.word}${l.note ? `, ${l.note}` : ""}${l.numbers.length ? ` (${t("page.sheet.photo-numbers", { count: l.numbers.length, list: l.numbers.join(", ") })})` : ""}`),
      ...[blockSentence(view, "walk-round")].filter(Boolean), ...safety(view), ...accessories(view),
      ...leftOpen(view, view.check.left_open.filter((l) => !l.gap.startsWith("view:"))),
    ];
    return [
      lane("told", t("lane.told"), fact ? t("lane.told-under", { day: day(Date.parse(fact.mark.device_at), zone), name: nameOf(fact.heard_by) }) : null,
        h("blockquote", { class: "quote" },
          fact ? h("p", { class: "told" }, quoted(view, fact.text)) : h("p", { class: "soft" }, t("lane.told-nothing")),
          facts.length ? h("p", null, facts.join(" · ")) : null,
          h("p", { class: "soft" }, [...people(view), ...otherNumbers(view)].join(" · ")))),
      condition.length ? lane("looked", t("lane.looked"), null, h("ul", { class: "sheet__list" }, condition.map((w) => h("li", null, w)))) : null,
    ].filter((x) => x !== null);
  }

  /** Left outside hours: where, when, and what the owner answered. @param {IntakeView} view @param {string} zone */
  function foundLane(view, zone) {
    if (view.state.opened?.how !== "found") return null;
    return lane("found", t("lane.found"), null, h("ul", { class: "sheet__list" }, foundWords(view, zone).map((w) => h("li", null, w))));
  }

  /** @param {IntakeView} view @param {"received" | "opened" | "left"} stage */
  function stageLane(view, stage) {
    const photos = view.photos.filter((p) => p.stage === stage && p.number).sort((a, b) => (a.number ?? 0) - (b.number ?? 0));
    const older = photosHere(view).filter((p) => p.stage === stage && !p.number);
    const left = view.check.left_open.filter((l) => view.kind?.view.some((v) => `view:${v.id}` === l.gap && v.stage === stage));
    if (photos.length + left.length === 0) return stage === "received" ? lane(stage, t("lane.received"), null, h("p", { class: "empty" }, t("lane.no-photos"))) : null;
    const films = photos.filter((p) => p.film).length;
    const under = [photos.length > films ? t("lane.photos", { count: photos.length - films }) : "", films ? t("lane.films", { count: films }) : "", left.length ? t("lane.left-open", { count: left.length }) : "", older.length ? t("lane.older", { count: older.length }) : ""].filter(Boolean).join(", ");
    return lane(stage, t(`lane.${stage}`), under,
      h("div", { class: "tiles" }, photos.map((p) => photoTile({ photo: p, name: photoName(view, p), under: wordsOf(p), does: () => show(view, p) }))),
      left.length ? h("ul", { class: "sheet__list" }, leftOpen(view, left).map((w) => h("li", null, w))) : null,
      older.length ? h("details", { class: "more" }, h("summary", null, t("lane.older", { count: older.length })), h("div", { class: "tiles" }, older.map((p) => photoTile({ photo: p, name: photoName(view, p), under: wordsOf(p), does: () => show(view, p) })))) : null);
  }

  /** @param {IntakeView} view @param {PhotoView} photo */
  function show(view, photo) {
    const name = [photo.number, photoName(view, photo)].filter(Boolean).join(". ");
    const clocksToo = act({ words: t("act.by-whose-clock"), does: () => choose(photo.photo) });
    clocksToo.setAttribute("data-shuts", "");
    const movable = !photo.moved && !photo.erased && ["open", "found", "in care"].includes(view.state.state);
    const wrong = movable ? [act({ words: t("act.wrong-machine"), does: () => at.go(`/intake/${id}/photo/${photo.photo}/move`) })] : [];
    if (session()?.roles.includes("owner") && !photo.moved && !photo.erased) wrong.push(act({ words: t("act.erase-photo"), mark: true, does: () => at.go(`/intake/${id}/photo/${photo.photo}/erase`) }));
    if (!photo.moved && !photo.erased && !photo.film && photo.received) wrong.push(act({ words: t("act.redact-photo"), does: () => at.go(`/intake/${id}/photo/${photo.photo}/redact`) }));
    wrong.forEach((a) => a.setAttribute("data-shuts", ""));
    const under = [
      h("p", null, wordsOf(photo)), photo.redacted ? h("p", null, t("page.redact.covered", { count: photo.redacted.boxes.length })) : null, notesList(photo), elsewhere(photo, id),
      clocks({ view, photo, history: entries, shop: here }),
      h("p", { class: "soft mono" }, photo.file),
    ];
    return large({ ...whole(photo), name, under, acts: [clocksToo, ...others(view, photo), ...wrong] });
  }

  /** Other photos of the same view, to be laid over this one: the nearest in time, at most three. @param {IntakeView} view @param {PhotoView} photo */
  function others(view, photo) {
    if (!photo.view || photo.erased || photo.moved) return [];
    const all = view.photos.filter((p) => p.view === photo.view && p.photo !== photo.photo && !p.erased && !p.moved && p.status.state === "stored and checked");
    const called = (/** @type {PhotoView} */ p) => [p.number, t(`lane.${p.stage}`)].filter(Boolean).join(". ");
    return all.slice(-3).map((other) => {
      const [first, second] = view.photos.indexOf(photo) < view.photos.indexOf(other) ? [photo, other] : [other, photo];
      const a = act({ words: t("act.lay-over", { name: called(other) }), does: () => compare({ intake: id, first: { photo: first.photo, name: called(first) }, second: { photo: second.photo, name: called(second) } }) });
      a.setAttribute("data-shuts", "");
      return a;
    });
  }

  /** @param {string} photo */
  async function choose(photo) {
    chosen = photo;
    await at.again();
    document.querySelector('[data-key="clocks"]')?.scrollIntoView({ block: "center" });
  }

  /** The photo whose clocks are drawn, and the way to another. @param {IntakeView} view @param {PhotoView} photo */
  function clockUnder(view, photo) {
    return h("span", { class: "field" },
      h("label", { for: "clock-photo", class: "hide" }, t("lane.clock.choose")),
      h("select", { id: "clock-photo", value: photo.photo, onchange: (/** @type {Event} */ e) => choose(/** @type {HTMLSelectElement} */ (e.target).value) },
        view.photos.map((p) => h("option", { value: p.photo, selected: p.photo === photo.photo }, [p.number, photoName(view, p)].filter(Boolean).join(". ")))));
  }

  /** The machine or its owner comes back: a new intake that goes back to this one. @param {IntakeView} view @param {Awaited<ReturnType<typeof againOffer>> | null} offer */
  function againLane(view, offer) {
    if (!offer?.kind) return null;
    const { kind, free } = offer;
    const tag = view.state.tag ?? "";
    const open = async (/** @type {"same machine" | "after our repair"} */ again) => {
      const opened = await openIntake(kind.digest, free, { earlier: { intake: id, tag, again } });
      at.go(`/intake/${opened}`);
    };
    const still = view.state.state === "in care";
    const to = (/** @type {string} */ again) => `/take-in?${new URLSearchParams({ earlier: id, tag, again })}`;
    return lane("again", t("lane.again"), t("lane.again-under"),
      h("div", { class: "row" },
        still ? null : free
          ? act({ words: t("act.same-machine", { tag: free }), id: "same-machine", does: () => open("same machine") })
          : actLink({ words: t("act.same-machine-any"), href: to("same machine") }),
        still || !view.state.taken_in ? null : actLink({ words: t("act.after-our-repair"), href: to("after our repair") }),
        actLink({ words: t("act.same-customer"), href: to("same customer") })));
  }

  /** Where it stands, and what the customer has. @param {IntakeView} view @param {Shop | null} here */
  function keepLane(view, here) {
    if (!["in care", "handed back", "not taken in"].includes(view.state.state)) return null;
    const base = `/v1/shops/${session()?.shop}/intakes/${id}`;
    const places = /** @type {string[]} */ (here?.settings.places ?? []);
    return lane("keep", t("lane.keep"), view.state.place ? t("lane.keep-at", { place: placeName(view.state.place.place, here) }) : t("lane.keep-nowhere"),
      view.state.state === "in care" && places.length ? picks({ name: t("page.done.place"), chosen: placeName(view.state.place?.place, here), choices: places.map((p) => ({ id: p, words: p })), does: (place) => say(id, "moved", { place }) }) : null,
      h("div", { class: "row" },
        actLink({ words: t("act.open-receipt"), href: `${base}/receipt`, icon: paper() }),
        act({ words: t("act.share-receipt"), does: async () => shareReceipt(await receiptFile(id, view.state.tag ?? "")) }),
        actLink({ words: t("act.print-tag"), href: `${base}/tag` }),
        view.state.state === "in care" ? actLink({ words: t("act.lost-tag"), href: `/intake/${id}/tag` }) : null),
      links.draw(here));
  }

  /** The customer's data: that it was erased, with the receipt of it, and the owner's way to erase it. @param {IntakeView} view */
  function customerLane(view) {
    if (!["handed back", "not taken in"].includes(view.state.state)) return null;
    const upto = Math.max(-1, ...view.state.erasures.map((e) => e.upto));
    const personal = entries.some((e) => (e.index ?? Infinity) > upto && Array.isArray(e.said.body._sd));
    const may = personal && session()?.roles.includes("owner");
    const receipt = (/** @type {string} */ erasure) => `/v1/shops/${session()?.shop}/erasures/${erasure}/receipt`;
    if (!may && view.state.erasures.length === 0) return null;
    return lane("customer", t("lane.customer"), null,
      erasedWords(view).map((w) => h("p", { "data-key": w }, w)),
      h("div", { class: "row" },
        view.state.erasures.map((e) => actLink({ words: t("act.open-erasure-receipt"), href: receipt(e.erasure), icon: paper() })),
        may ? actLink({ words: t("act.to-erase-customer"), href: `/intake/${id}/erase-customer` }) : null));
  }

  /** That the customer's data was erased, each time, with the way to the receipt of it. @param {IntakeView} view */
  function erasedWords(view) {
    return view.state.erasures.map((e) => t("receipt.customer-erased", { when: dayAndTime(Date.parse(e.mark.at ?? e.mark.device_at), here?.zone ?? "UTC"), name: e.mark.by ? nameOf(e.mark.by) : t("receipt.the-server"), why: whyErased(e.why) }));
  }
}

/** What opening it again needs: the kind as it is now, the next free tag. @param {IntakeView} view */
async function againOffer(view) {
  const [known, free] = await Promise.all([kinds(), nextFree()]);
  return { kind: known.find((k) => k.kind.id === view.state.kind_id), free };
}

/** Where it is, since when, who took it in. @param {IntakeView} view @param {string} zone @param {Shop | null} here */
function standing(view, zone, here) {
  const { taken_in: taken, not_taken_in: not, opened, place, acknowledgement: ack } = view.state;
  if (not) return t("lane.stands.not-taken", { when: dayAndTime(Date.parse(not.mark.at ?? not.mark.device_at), zone), name: nameOf(not.mark.by), because: not.because });
  const went = view.state.home.handed_back;
  if (went) return t("lane.stands.handed-back", { when: dayAndTime(Date.parse(went.at ?? went.device_at), zone), name: nameOf(went.by) });
  if (taken) {
    const since = t("lane.stands.in-care", { when: dayAndTime(Date.parse(taken.at ?? taken.device_at), zone), name: nameOf(taken.by) });
    return [placeName(place?.place, here), since, ack ? t(ack.how === "signed" ? "lane.stands.signed" : "lane.stands.not-signed") : ""].filter(Boolean).join(", ");
  }
  if (opened && view.state.state === "found") return t("lane.stands.found", { when: dayAndTime(Date.parse(opened.mark.at ?? opened.mark.device_at), zone) });
  return opened ? t("lane.stands.open", { when: dayAndTime(Date.parse(opened.mark.at ?? opened.mark.device_at), zone), count: atCounter(view).length }) : "";
}
