// Bytes, SHA-256, canonical JSON, UUIDs, disclosures, said.
import assert from "node:assert/strict";
import { createHash, randomBytes } from "node:crypto";
import { test } from "node:test";
import { base64, base64url, fromBase64url, fromHex, hex, utf8 } from "../../server/web/core/bytes.js";
import { NotCanonical, canonText } from "../../server/web/core/canon.js";
import { disclose, disclosure, disclosureDigest, readDisclosure } from "../../server/web/core/disclosure.js";
import { say } from "../../server/web/core/said.js";
import { Sha256, digestOf, digestOfBlob, sha256 } from "../../server/web/core/sha256.js";
import { isUuid, uuid7 } from "../../server/web/core/uuid.js";

const node = (bytes) => createHash("sha256").update(bytes).digest("hex");

test("SHA-256: published values", () => {
  // FIPS 180-4 examples (NIST "SHA256.pdf"): "abc", and the 448-bit message.
  assert.equal(hex(sha256(utf8("abc"))), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  assert.equal(hex(sha256(utf8("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq"))), "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  // SHA-256 of nothing, as in RFC 6962 2.1 (the empty tree).
  assert.equal(digestOf(new Uint8Array(0)), "sha256:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
});

test("SHA-256: every length around its blocks, against Node's", () => {
  const bytes = randomBytes(4096);
  for (const length of [...Array(200).keys(), 255, 256, 257, 1023, 1024, 1025, 4095, 4096]) {
    const part = bytes.subarray(0, length);
    assert.equal(hex(sha256(part)), node(part), `length ${length}`);
  }
});

test("SHA-256: any split gives the same", () => {
  const bytes = randomBytes(1000);
  for (const step of [1, 3, 63, 64, 65, 127, 500, 999]) {
    const hash = new Sha256();
    for (let at = 0; at < bytes.length; at += step) hash.update(bytes.subarray(at, at + step));
    assert.equal(hex(hash.digest()), node(bytes), `steps of ${step}`);
  }
});

test("SHA-256: a Blob in slices", async () => {
  const bytes = randomBytes(3 * 1024 * 1024 + 17);
  assert.equal(await digestOfBlob(new Blob([bytes])), `sha256:${node(bytes)}`);
  assert.equal(await digestOfBlob(new Blob([bytes]), 1000), `sha256:${node(bytes)}`);
});

test("hexadecimal, base64 and base64url go there and back", () => {
  for (let length = 0; length < 70; length++) {
    const bytes = new Uint8Array(randomBytes(length));
    assert.deepEqual(fromHex(hex(bytes)), bytes);
    assert.deepEqual(fromBase64url(base64url(bytes)), bytes);
    assert.equal(base64(bytes), Buffer.from(bytes).toString("base64"));
    assert.equal(base64url(bytes), Buffer.from(bytes).toString("base64url"));
  }
  for (const bad of ["A", "AB=", "A+BC", "AB"]) assert.throws(() => fromBase64url(bad), TypeError, bad);
  for (const bad of ["a", "AB", "0g"]) assert.throws(() => fromHex(bad), TypeError, bad);
});

test("canonical JSON: sorted, no spaces, JSON's own escapes", () => {
  assert.equal(canonText({ b: [1, true, "x"], a: { c: -5, _sd: [] } }), '{"a":{"_sd":[],"c":-5},"b":[1,true,"x"]}');
  // RFC 8785 3.2.2.2: these escapes and no others; UTF-8 as it is.
  assert.equal(canonText("€$\u000f\nA'B\"\\\\\"/"), '"€$\\u000f\\nA\'B\\"\\\\\\\\\\"/"');
  assert.equal(canonText({ a: undefined, b: 1 }), '{"b":1}');
  assert.equal(canonText(-0), "0");
  assert.equal(canonText(2 ** 53 - 1), "9007199254740991");
});

test("canonical JSON: what it refuses", () => {
  // The float and exotic-key samples of RFC 8785 (3.2.2.3, 3.2.3) have to be rejected here.
  const bad = [
    333333333.33333329, 1e30, 4.5, 2e-3, 1e-27, NaN, Infinity, 2 ** 53, null, undefined, () => 1, 1n,
    { "\u20ac": "Euro Sign" }, { "\r": 1 }, { "1": 1 }, { A: 1 }, { "a-b": 1 }, { "": 1 }, { a: [null] }, "\ud800", ["x\udc00"],
  ];
  for (const value of bad) assert.throws(() => canonText(value), NotCanonical, String(typeof value === "object" ? JSON.stringify(value) : value?.toString()));
  let deep = 1;
  for (let i = 0; i < 17; i++) deep = [deep];
  assert.throws(() => canonText(deep), NotCanonical);
  assert.equal(canonText(deep[0]).length, 33);
});

test("UUIDv7: time, version, variant", () => {
  // RFC 9562 A.6: 017F22E2-79B0-7CC3-98C4-DC0C0C07398F at 1645557742000 ms.
  const random = fromHex("0cc318c4dc0c0c07398f");
  assert.equal(uuid7(1645557742000, random), "017f22e2-79b0-7cc3-98c4-dc0c0c07398f");
  assert.ok(isUuid(uuid7(Date.UTC(2026, 10, 25), randomBytes(10))));
  assert.ok(!isUuid("017F22E2-79B0-7CC3-98C4-DC0C0C07398F"));
});

test("a disclosure as in RFC 9901 4.2", () => {
  const text = "WyJfMjZiYzRMVC1hYzZxMktJNmNCVzVlcyIsICJmYW1pbHlfbmFtZSIsICJNw7ZiaXVzIl0";
  assert.equal(disclosureDigest(text), "X9yH0Ajrdm1Oij4tWso9UzzKJvPoDxwmuEcO3XAdRC0");
  assert.deepEqual(readDisclosure(text), { salt: "_26bc4LT-ac6q2KI6cBW5es", name: "family_name", value: "Möbius" });
});

test("members come back only with their disclosure", () => {
  const [name, phone] = [disclosure(randomBytes(16), "name", "M. Okafor"), disclosure(randomBytes(16), "phone", "0151")];
  const body = { who: "owner", _sd: [name, phone].map(disclosureDigest).sort() };
  assert.deepEqual(disclose(body, [name]), { who: "owner", name: "M. Okafor" });
  assert.deepEqual(disclose(body, []), { who: "owner" });
  assert.throws(() => disclose(body, [name, name]), TypeError);
  assert.throws(() => disclose(body, [disclosure(randomBytes(16), "name", "X")]), TypeError);
  assert.throws(() => disclose({ ...body, name: "Y" }, [name]), TypeError);
  assert.throws(() => disclosure(randomBytes(15), "name", "X"), RangeError);
});

const AUTHOR = { staff: "0193b0e8-0000-7000-8000-00000000001e", device: "0193b0e8-0000-7000-8000-0000000000d1" };
const WHAT = {
  shop: "0193b0e8-0000-7000-8000-0000000000a1", author: AUTHOR, intake: "0193b0e8-0000-7000-8000-0000000000b2", type: "person-named",
  body: { who: "owner" }, now: Date.UTC(2026, 10, 25, 13, 2, 11, 123), offsetMinutes: 60, random: (n) => new Uint8Array(n).fill(7),
};

test("said: members, bytes, digest, disclosures", () => {
  const { said, text, digest, disclosures, body } = say({ ...WHAT, personal: { name: "M. Okafor", phone: undefined }, seen: 412 });
  assert.equal(digest, `sha256:${node(Buffer.from(text))}`);
  assert.deepEqual(JSON.parse(text), said);
  assert.equal(text, JSON.stringify(JSON.parse(text)));
  assert.deepEqual(said.clock, { at: "2026-11-25T13:02:11.123Z", offset_minutes: 60 });
  assert.equal(said.seen, 412);
  assert.deepEqual(said.body, { who: "owner", _sd: disclosures.map(disclosureDigest) });
  assert.deepEqual(body, { who: "owner", name: "M. Okafor" });
  assert.deepEqual(disclose(said.body, disclosures), body);
});

test("said: absent members are absent, and what cannot be said is refused", () => {
  const { said } = say(WHAT);
  assert.deepEqual(Object.keys(said).sort(), ["author", "body", "clock", "id", "intake", "shop", "type", "v"]);
  assert.throws(() => say({ ...WHAT, body: { who: null } }), NotCanonical);
  assert.throws(() => say({ ...WHAT, body: { name: "x" }, personal: { name: "y" } }), TypeError);
  assert.throws(() => say({ ...WHAT, body: { _sd: [] } }), TypeError);
  assert.throws(() => say({ ...WHAT, body: { text: "x".repeat(60_001) } }), RangeError);
});
