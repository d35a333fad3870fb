// The checker of receipts and packs: its own cryptography against Node's, and its script as one piece.
import assert from "node:assert/strict";
import { createHash, generateKeyPairSync, randomBytes, sign } from "node:crypto";
import { readFileSync } from "node:fs";
import { test } from "node:test";
import { fromHex, hex, utf8 } from "../../server/web/core/bytes.js";
import { signedBy, usableKey } from "../../server/web/core/proof/ed25519.js";
import { cosignaturesOn, keyIdOf, openNote, readKey } from "../../server/web/core/proof/note.js";
import { sha512 } from "../../server/web/core/proof/sha512.js";
import { goesOn, included, leafHash, nodeHash } from "../../server/web/core/proof/tree.js";

test("SHA-512: every length around its blocks, against Node's", () => {
  const bytes = randomBytes(600);
  for (const length of [...Array(260).keys(), 367, 368, 383, 384, 600]) {
    assert.equal(hex(sha512(bytes.subarray(0, length))), createHash("sha512").update(bytes.subarray(0, length)).digest("hex"), `length ${length}`);
  }
});

test("Ed25519: published vectors", () => {
  // RFC 8032 7.1, tests 1 to 3: key, message, signature.
  for (const [key, message, signature] of [
    ["d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a", "", "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"],
    ["3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c", "72", "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"],
    ["fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025", "af82", "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a"],
  ]) {
    assert.ok(signedBy(fromHex(key), fromHex(signature), fromHex(message)));
    assert.ok(!signedBy(fromHex(key), fromHex(signature), fromHex(`${message}00`)));
  }
});

test("Ed25519: what Node signs holds, and no changed byte of it does", () => {
  for (let i = 0; i < 8; i++) {
    const { publicKey, privateKey } = generateKeyPairSync("ed25519");
    const key = new Uint8Array(publicKey.export({ format: "der", type: "spki" }).subarray(12));
    const message = randomBytes(i * 37);
    const signature = new Uint8Array(sign(null, message, privateKey));
    assert.ok(usableKey(key) && signedBy(key, signature, message));
    const changed = signature.slice();
    changed[(i * 9) % 64] ^= 1 << (i % 8);
    assert.ok(!signedBy(key, changed, message));
  }
});

test("Ed25519: keys of small order and an S beyond the order are refused", () => {
  const neutral = new Uint8Array(32);
  neutral[0] = 1;
  assert.ok(!usableKey(neutral) && !usableKey(new Uint8Array(32)));
  const key = fromHex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a");
  const signature = fromHex("e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b");
  let carry = 0n;
  const order = (1n << 252n) + 27742317777372353535851937790883648493n;
  for (let i = 0; i < 32; i++) carry += BigInt(signature[32 + i]) << BigInt(8 * i);
  carry += order;
  for (let i = 0; i < 32; i++) signature[32 + i] = Number((carry >> BigInt(8 * i)) & 255n);
  assert.ok(!signedBy(key, signature, new Uint8Array(0)));
});

test("notes: the published key and its signature", () => {
  // golang.org/x/mod, sumdb/note, note_test.go.
  const key = readKey("PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW");
  assert.ok(key);
  const text = "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n";
  const note = `${text}\n\u2014 PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n`;
  assert.equal(openNote(note, key), text);
  assert.equal(openNote(note.replace("answer", "question"), key), null);
  assert.equal(readKey("PeterNeumann+c74f20a4+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW"), null);
});

test("tree: every leaf and every size up to 40, against a tree by the definition", () => {
  const root = (leaves) => {
    if (leaves.length === 1) return leaves[0];
    const k = 2 ** Math.floor(Math.log2(leaves.length - 1));
    return nodeHash(root(leaves.slice(0, k)), root(leaves.slice(k)));
  };
  const path = (m, leaves) => {
    if (leaves.length === 1) return [];
    const k = 2 ** Math.floor(Math.log2(leaves.length - 1));
    return m < k ? [...path(m, leaves.slice(0, k)), root(leaves.slice(k))] : [...path(m - k, leaves.slice(k)), root(leaves.slice(0, k))];
  };
  const sub = (m, leaves, whole) => {
    if (m === leaves.length) return whole ? [] : [root(leaves)];
    const k = 2 ** Math.floor(Math.log2(leaves.length - 1));
    return m <= k ? [...sub(m, leaves.slice(0, k), whole), root(leaves.slice(k))] : [...sub(m - k, leaves.slice(k), false), root(leaves.slice(0, k))];
  };
  const leaves = Array.from({ length: 40 }, (_, i) => leafHash(utf8(`entry ${i}`)));
  for (let n = 1; n <= 40; n++) {
    const tree = leaves.slice(0, n), top = root(tree);
    for (let m = 0; m < n; m++) {
      assert.ok(included(m, n, tree[m], path(m, tree), top));
      assert.ok(!included(m, n, leafHash(utf8("other")), path(m, tree), top));
      assert.ok(goesOn(m + 1, n, sub(m + 1, tree, true), root(tree.slice(0, m + 1)), top));
      assert.ok(!goesOn(m + 1, n, sub(m + 1, tree, true), leafHash(utf8("other")), top));
    }
  }
});

test("the script in a pack's page: no name stands twice, nothing is left of the modules", () => {
  const page = readFileSync(new URL("../../server/src/pack/page.rs", import.meta.url), "utf8");
  const names = [.../const MODULES[^=]*=\s*\[([^\]]*)\]/.exec(page)[1].matchAll(/"([^"]+)"/g), ...page.matchAll(/const PART: &str = "([^"]+)"/g)].map((m) => m[1]);
  const lines = names.flatMap((n) => readFileSync(new URL(`../../server/web/core/${n}.js`, import.meta.url), "utf8").split("\n"));
  const text = lines.filter((l) => !l.startsWith("import ")).map((l) => l.replace(/^export /, "")).join("\n");
  assert.doesNotMatch(text, /^(import|export)\b/m);
  assert.doesNotMatch(text, /<\/script/i);
  const top = [...text.matchAll(/^(?:async )?(?:function|class|const|let)\s+([A-Za-z0-9_]+)/gm)].map((m) => m[1]);
  assert.deepEqual(top.filter((n, i) => top.indexOf(n) !== i), []);
  assert.ok(top.includes("checkFile") && top.includes("signedBy"));
  new Function(`"use strict";(function(){${text}})`);
});

test("cosignatures: the published example has the form, and a changed one does not hold", () => {
  // C2SP tlog-cosignature, the example; its witness's key is not published.
  const note = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n"
    + "\u2014 example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n"
    + "\u2014 witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==\n";
  assert.deepEqual(cosignaturesOn(note, []), [{ name: "witness.example.com/w1", second: "2023-03-20T12:25:47", holds: null }]);
  const { publicKey, privateKey } = generateKeyPairSync("ed25519");
  const bytes = new Uint8Array(publicKey.export({ format: "der", type: "spki" }).subarray(12));
  const id = keyIdOf("w", bytes, 4), text = note.slice(0, note.indexOf("\n\n") + 1);
  const time = new Uint8Array([0, 0, 0, 0, 0x64, 0x18, 0x50, 0xcb]);
  const signature = sign(null, utf8(`cosignature/v1\ntime 1679315147\n${text}`), privateKey);
  const line = Buffer.from([...id, ...time, ...signature]).toString("base64");
  const key = readKey(`w+${hex(id)}+${Buffer.from([4, ...bytes]).toString("base64")}`, 4);
  assert.ok(key);
  assert.equal(cosignaturesOn(`${text}\n\u2014 w ${line}\n`, [key])[0].holds, true);
  assert.equal(cosignaturesOn(`${text.replace("63", "64")}\n\u2014 w ${line}\n`, [key])[0].holds, false);
});
