// Shapes shared by the core, as JSDoc types only; nothing runs here.

/**
 * A JSON value as canonical JSON knows it: no floats, no null.
 * @typedef {string | number | boolean | JsonList | JsonObject} Json
 * @typedef {Json[]} JsonList
 * @typedef {{[name: string]: Json}} JsonObject
 *
 * One text in several languages, by language tag.
 * @typedef {{[language: string]: string}} Text
 *
 * A sentence: message key of the catalogue and what it names (strings, integers, lists or texts).
 * @typedef {{key: string, with: {[name: string]: Json}}} Sentence
 */

/**
 * @typedef {"at counter" | "before opening" | "at bench"} Due
 * @typedef {"received" | "opened" | "left"} Stage
 *
 * A condition on earlier answers, as data.
 * @typedef {{all: When[]} | {any: When[]} | {field: string, op: "is" | "is-not" | "one-of" | "answered" | "at-least", value?: string, values?: string[]}} When
 *
 * @typedef {{id: string, name: Text}} Named
 * @typedef {{id: string, due: Due, stage: Stage, drawing: string, name: Text, short: Text, stand: Text, why: Text, when?: When, caution?: Text}} View
 * @typedef {{id: string, due: Due, name: Text, kind: "choice" | "text" | "number", choices?: Named[], when?: When, why?: Text, lasting?: boolean}} Question
 * @typedef {{id: string, photo: boolean, name: Text}} Condition
 * @typedef {{id: string, due: Due, name: Text, unit: string, method: Text, why: Text, when?: When, caution?: Text}} Reading
 * @typedef {{id: string, text: Text, when?: When, with?: string[]}} Note   `{question}` in its text stands for that answer
 * @typedef {{name: string, answers: {[field: string]: string}, asks: string[]}} Example   answers, and the gaps they ask for
 *
 * A kind of machine, as its TOML says it (list members keep the file's singular names).
 * @typedef {{v: number, id: string, name: Text, caution: Text, view: View[], question?: Question[], part?: Named[],
 *   condition: Condition[], safety?: Named[], accessory?: Named[], reading?: Reading[], note?: Note[], example?: Example[], services?: string[]}} Kind
 *
 * @typedef {{digest: string, kind: Kind}} LoadedKind
 */

/**
 * What an author said; its canonical bytes are hashed on the device.
 * @typedef {{author: {staff?: string, device?: string, server?: string}, body: JsonObject, clock: {at: string, offset_minutes: number},
 *   id: string, intake?: string, seen?: number, shop: string, type: string, v: number}} Said
 *
 * The server's part: log time, measured clock offset and round trip in milliseconds.
 * @typedef {{at: string, raw?: string, clock_offset_ms?: number, round_trip_ms?: number}} Kept
 *
 * One entry as the fold takes it. `index` is absent until the server has it; `body` has the disclosed members merged.
 * @typedef {{index?: number, said: Said, kept?: Kept, body: {[name: string]: any}, digest: string}} Entry
 */

/**
 * Which entry said something.
 * @typedef {{index?: number, id: string, digest: string, by?: string, at?: string, device_at: string}} Mark
 *
 * @typedef {{value?: string, not?: string, from?: string, digest: string, mark: Mark}} MachineFact
 * @typedef {{who: string, same_as_owner?: boolean, standing?: "minor" | "not sure" | "sent by owner", none?: string[], name?: string, phone?: string, email?: string, address?: string, digest: string, mark: Mark}} PersonFact
 * @typedef {{topic: string, heard_by: string, text?: string, speaker?: string, digest: string, mark: Mark}} StatementFact
 * @typedef {{question: string, choice?: string, not?: string, because?: string, text?: string, digest: string, mark: Mark}} AnswerFact
 * @typedef {{line: string, part: string, word: string, photos: string[], note?: string, digest: string, mark: Mark}} LineFact
 * @typedef {{item: string, seen: string, digest: string, mark: Mark}} SafetyFact
 * @typedef {{item: string, count: number, stays: string, note?: string, digest: string, mark: Mark}} AccessoryFact
 * @typedef {{block: string, sentence: string, digest: string, mark: Mark}} BlockFact
 * @typedef {{value: any, digest: string, mark: Mark}} ArrangementFact
 * @typedef {{place: string, seen_at: string, note?: string, digest: string, mark: Mark}} FoundFact   `seen_at` is a wall clock's, without a zone
 * @typedef {{how: "came in" | "by phone" | "by message" | "no answer", note?: string, digest: string, mark: Mark}} OwnerFact
 * @typedef {{tag: string, because: string, digest: string, mark: Mark}} TagFact   a tag given after the one before was lost
 * @typedef {{gap: string, reason: string, digest: string, mark: Mark}} LeftOpenFact
 * @typedef {{how: "signed" | "not now", sheet: string, strokes?: string, because?: string, language: string, words: string, reader?: string, signer?: string, digest: string, mark: Mark}} AcknowledgementFact
 * @typedef {{reading: string, value?: string, unit?: string, not?: "not taken", because?: string, method?: string, photo?: string, how?: Method, part?: string, digest: string, mark: Mark}} ReadingFact
 * A number with its unit, and how something was measured: what makes two readings comparable.
 * @typedef {{value: string, unit: string}} Measure
 * @typedef {{engine?: string, release?: string, gauge?: string, gauge_checked?: string, division?: string, valve?: string, throttle?: string, pulls?: number, first?: string,
 *   engine_is?: string, cylinder?: string, repeats?: string[], altitude?: Measure, station?: Measure, manual?: {least?: string, most?: string, unit: string, page: string}}} Method
 * @typedef {{erasure: string, why: string, upto: number, details: {of: string, member: string, count: number}[], photos: string[], files: string[], digest: string, mark: Mark}} ErasureFact   everything personal up to the log index `upto` is gone
 * @typedef {{service: string, what: string, fitted?: string, old?: string, level?: string, photo?: string, note?: string, digest: string, mark: Mark}} ServiceFact
 * @typedef {{verdict: "usable" | "poor" | "not judged", reasons: Sentence[], measures: {[name: string]: number}, claims: JsonObject, renditions: {purpose: string, file: string, width: number, height: number}[],
 *   look?: string, alike: {photo: string, intake: string, how: "same file" | "alike", bits?: number}[], codes: {format: string, text: string}[], flags: Sentence[], by: string, mark: Mark}} Judgement
 * A box over a photo, in ten thousandths of the upright picture.
 * @typedef {{x: number, y: number, w: number, h: number}} Box
 * @typedef {{photo: string, file: string, size: number, view?: string, stage: Stage, of_paper?: boolean, film?: boolean, file_name?: string, digest: string, mark: Mark, received?: {media_type: string, mark: Mark}, judged?: Judgement,
 *   from?: string, moved?: {to: string, because: string, mark: Mark},
 *   erased?: {because: string, mark: Mark}, redacted?: {boxes: Box[], by: string, mark: Mark}}} PhotoFact   `from`: the intake it came from; `moved`: it shows another machine
 *
 * What is said once the shop has the machine. `at` members are a wall clock's, without a zone; days are YYYY-MM-DD.
 * @typedef {{minor: number, currency: string}} Money
 * @typedef {{digest: string, mark: Mark}} Fact
 * @typedef {Fact & {finding: string, photo: string, x: number, y: number, w?: number, h?: number, part: string, word: string, text?: string}} FindingFact   in ten thousandths of the upright picture
 * @typedef {Fact & {heard_by: string, how: string, at?: string, text?: string, speaker?: string}} HeardFact
 * @typedef {Fact & {price: string, amount: Money, what: string, how: string}} PriceFact
 * @typedef {Fact & {answer: "yes" | "no" | "no answer", price?: string, how: string, at: string, added?: Money, total?: Money, who?: string, number?: string, note?: string}} ApprovalFact
 * @typedef {Fact & {what: string, adds?: Money}} WorkFact
 * @typedef {Fact & {word: "do not start" | "do not use", because: string}} QuarantineFact
 * @typedef {Fact & {what: string, photos?: string[], told: string, told_at?: string, note?: string}} IncidentFact
 * @typedef {Fact & {sent: string, what: string, to: string, because: string, reference?: string}} SentFact
 * @typedef {Fact & {how: string, result: string, about: string, number?: string}} ContactFact
 * @typedef {Fact & {old: string, what: string, fate: "kept here" | "thrown away", place?: string, word?: string}} OldPartFact   a part that was taken out
 * @typedef {{opened_up?: Mark, findings: FindingFact[], heard: HeardFact[], prices: PriceFact[], approvals: ApprovalFact[], work: WorkFact[], old_parts: OldPartFact[], quarantine: {[word: string]: QuarantineFact},
 *   lifted: QuarantineFact[], incidents: IncidentFact[], sent: SentFact[], back: {[sent: string]: Fact & {sent: string, note?: string}}, contacts: ContactFact[], hold?: Fact & {because: string}}} Custody
 * @typedef {Fact & {line: string, how: string, count?: number, note?: string}} SettledFact
 * @typedef {{settled: {[line: string]: SettledFact}, trial?: Fact & {how: "tried" | "not tried", what: string}, told: {[word: string]: Fact & {word: string, labelled: boolean}},
 *   collector?: Fact & {who: string, checked: string, name?: string}, shown?: Fact & {how: "signed" | "not now", sheet: string, strokes?: string, because?: string, language: string, words: string, reader?: string, signer?: string},
 *   handed_back?: Mark}} Home
 * @typedef {Fact & {part: string, what: string, origin: string, supplier?: string, invoice?: string, on_bag?: string, on_invoice?: string, on_casting?: string, lot?: string, made?: string, bought?: string,
 *   fitted?: string, failed?: string, count?: number, count_fitted?: number, note?: string}} PartFact
 * @typedef {Fact & {claim: string, part: string, route: "return" | "warranty", days: number, from: "bought" | "fitted" | "failed"}} ClaimFact
 * @typedef {Fact & {part: string, about: string, seen: string, photos?: string[], note?: string}} ObservedFact
 * @typedef {{parts: PartFact[], pictures: (Fact & {part: string, view: string, photo: string})[], observed: ObservedFact[], claims: ClaimFact[],
 *   posted: (Fact & {claim: string, on: string, tracking: string})[], ended: (Fact & {claim: string, outcome: string, note?: string})[]}} Parts
 * @typedef {Fact & {dispute: string, side: string, how: string, heard_by: string, text?: string, who?: string}} DisputeFact
 * @typedef {Fact & {dispute: string, point: string, about: string, text?: string}} PointFact
 * @typedef {{opened: DisputeFact[], points: PointFact[], ended: (Fact & {dispute: string, outcome: string, note?: string})[]}} Disputes
 *
 * An earlier intake that one goes back to: of the same machine, the same customer, or of our own repair.
 * @typedef {{intake: string, tag: string, again: "same machine" | "same customer" | "after our repair"}} Earlier
 *
 * What was written by hand before it was entered: `at` is a wall clock's, without a zone.
 * @typedef {{at: string, by: string}} Written
 *
 * The state of an intake: the fold of its entries. Lines stand in the order they were first noted, photos in the order
 * they were taken (log index first, those not sent yet after).
 * @typedef {{
 *   state: "none" | "found" | "open" | "in care" | "handed back" | "not taken in",
 *   shop?: string, intake?: string, tag?: string, kind?: string, kind_id?: string,
 *   opened?: {digest: string, mark: Mark, tag: string, how: string, written?: Written, earlier?: Earlier},
 *   machine: {[field: string]: MachineFact},
 *   people: {[who: string]: PersonFact},
 *   statements: {[topic: string]: StatementFact},
 *   answers: {[question: string]: AnswerFact},
 *   lines: LineFact[],
 *   safety: {[item: string]: SafetyFact},
 *   accessories: {[item: string]: AccessoryFact},
 *   blocks: {[block: string]: BlockFact},
 *   arrangements: {[field: string]: ArrangementFact},
 *   found?: FoundFact,
 *   owner_answers: OwnerFact[],
 *   tags: TagFact[],
 *   photos: PhotoFact[],
 *   left_open: {[gap: string]: LeftOpenFact},
 *   files_received: string[],
 *   acknowledgement?: AcknowledgementFact,
 *   taken_in?: Mark,
 *   not_taken_in?: {because: string, mark: Mark},
 *   readings: ReadingFact[],
 *   services: ServiceFact[],
 *   erasures: ErasureFact[],
 *   place?: {place: string, mark: Mark},
 *   custody: Custody,
 *   home: Home,
 *   parts: Parts,
 *   disputes: Disputes,
 *   links: {[link: string]: {what: string, expires: string, mark: Mark}},
 *   last_index?: number,
 *   not_understood: number,
 * }} IntakeState
 */

/**
 * Something the check still asks for; `gap` also names where to tap (`view:bar-side`).
 * @typedef {{gap: string, due: Due, key: string, with: {[name: string]: any}}} Gap
 *
 * A gap let through.
 * @typedef {Gap & {reason: string, by?: string}} LetThrough
 *
 * @typedef {{gaps: Gap[], left_open: LetThrough[]}} Checked
 */

/**
 * A problem of the API (RFC 9457), or one of the device's own with a type under `/problems/device/`.
 * @typedef {{type: string, title: string, status: number, detail: string, retry: "same" | "changed" | "later" | "never",
 *   pointer?: string, errors?: any[], gaps?: Gap[], request?: string, after_s?: number, offset?: number}} Problem
 */

export {};
