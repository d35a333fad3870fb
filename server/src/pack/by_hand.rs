//! `VERIFY.txt`: how a pack is checked with `sha256sum`, `openssl` and `jq` alone. What is indented there is to be typed; a
//! test types it.

use crate::words::Catalogue;

/// The sentence that says what the file is for.
pub const FIRST: &str = "pack.by-hand.what";

/// The steps: the sentence's key, and the commands.
const STEPS: [(&str, &str); 6] = [
    (
        "pack.by-hand.files",
        r#"jq -r '.files[] | (.sha256 | ltrimstr("sha256:")) + "  " + .path' manifest.json | sha256sum -c --quiet"#,
    ),
    (
        "pack.by-hand.signatures",
        r#"t=$(mktemp -d); n=0
while read -r k; do n=$((n + 1)); { printf '\060\052\060\005\006\003\053\145\160\003\041\000'; printf %s $k | cut -d + -f 3- | base64 -d | tail -c 32; } > $t/key$n; done < keys.txt
signed() { sed '/^$/,$d' $1 > $t/text; sed '1,/^$/d' $1 | while read -r x y s; do printf %s $s | base64 -d | tail -c 64 > $t/sig
for k in $t/key*; do if openssl pkeyutl -verify -pubin -keyform DER -inkey $k -rawin -in $t/text -sigfile $t/sig > $t/said 2>&1; then echo "$1 is signed by ${k#$t/}"; fi; done; done > $t/by
cat $t/by; [ -s $t/by ]; }
signed checkpoint.txt; grep -q ' key1$' $t/by
signed manifest.note; grep -q ' key1$' $t/by
grep -q "^sha256:$(sha256sum manifest.json | cut -c 1-64)$" manifest.note"#,
    ),
    (
        "pack.by-hand.entries",
        r#"size=$(sed -n 2p checkpoint.txt); sed -n 3p checkpoint.txt | base64 -d > $t/root
join() { { printf '\001'; cat $t/$1 $t/$2; } | openssl dgst -sha256 -binary > $t/s; mv $t/s $t/r; }
held() { p=proofs/$(basename $1 .json).tlog-proof
{ printf '\000'; cat $1; } | openssl dgst -sha256 -binary > $t/r
sed '1,/^index /d;/^$/,$d' $p | { f=$(sed -n 's/^index //p' $p); s=$((size - 1))
while read -r h; do printf %s $h | base64 -d > $t/p
if [ $((f & 1)) = 1 ] || [ $f = $s ]; then join p r
while [ $((f & 1)) = 0 ] && [ $f != 0 ]; do f=$((f >> 1)); s=$((s >> 1)); done
else join r p; fi
f=$((f >> 1)); s=$((s >> 1)); done; [ $s = 0 ]; } && cmp -s $t/r $t/root; }
for e in entries/*.json; do held $e && echo "$e is in the log" || { echo "$e IS NOT IN THE LOG"; false; }; done"#,
    ),
    (
        "pack.by-hand.details",
        r#"for d in details/*.txt; do [ -f $d ] || continue; while read -r x; do printf %s $x | openssl dgst -sha256 -binary | base64 | tr / _ | tr + - | tr -d = > $t/d
jq -e --rawfile d $t/d '.said.body._sd | index($d | rtrimstr("\n")) != null' entries/$(basename $d .txt).json > $t/found; done < $d; done"#,
    ),
    (
        "pack.by-hand.photos",
        r#"jq -r 'select(.said.type == "photo-taken") | .said.body.file' entries/*.json | while read -r f; do ls originals/${f#sha256:}.* 2> $t/none || echo "$f: not here as an original"; done"#,
    ),
    ("pack.by-hand.read", r#"for e in entries/*.json; do jq -r '[.kept.at, .said.type] | join("  ")' $e; done"#),
];

/// What is done where there are stamps. That a certificate has ended since is no matter: it is looked at as of the stamp's time.
const STAMPS: (&str, &str) = (
    "pack.by-hand.stamps",
    r#"over() { { printf '\001'; cat $t/$1 $t/$2; } | openssl dgst -sha256 -binary > $t/s; mv $t/s $t/$3; }
agrees() { n=$(sed -n 2p $1.txt); sed -n 3p $1.txt | base64 -d > $t/old; cp $t/root $t/new; f=$((n - 1)); s=$((size - 1))
[ $n -le $size ] || { mv $t/old $t/s; mv $t/new $t/old; mv $t/s $t/new; f=$((size - 1)); s=$((n - 1)); }
[ $n != $size ] || { cmp -s $t/old $t/new; return; }
while [ $((f & 1)) = 1 ]; do f=$((f >> 1)); s=$((s >> 1)); done
jq -r '.[]' $1.json | { if [ $f = 0 ]; then cp $t/old $t/x; else read -r h; printf %s $h | base64 -d > $t/x; fi; cp $t/x $t/y
while read -r h; do printf %s $h | base64 -d > $t/p; [ $s != 0 ] || exit 1
if [ $((f & 1)) = 1 ] || [ $f = $s ]; then over p x x; over p y y
while [ $((f & 1)) = 0 ] && [ $f != 0 ]; do f=$((f >> 1)); s=$((s >> 1)); done
else over y p y; fi
f=$((f >> 1)); s=$((s >> 1)); done; [ $s = 0 ] && cmp -s $t/x $t/old && cmp -s $t/y $t/new; }; }
for a in stamps/*.tsr; do b=${a%.tsr}; w=$(openssl ts -reply -in $a -text 2> $t/none | sed -n 's/^Time stamp: //p')
openssl ts -verify -data $b.txt -in $a -CAfile $b.pem -attime $(date -u -d "$w" +%s) > $t/said 2>&1 || { cat $t/said; false; }
signed $b.txt; agrees $b || { echo "$b.txt IS OF ANOTHER LOG"; false; }
echo "$b.txt was there at $w"; done"#,
);

/// What is done where the log's key changed.
const KEYS: (&str, &str) = (
    "pack.by-hand.keys",
    r#"for e in entries/*.json; do [ "$(jq -r .said.type $e)" = key-rotated ] || continue; jq -j .said.body.note $e > $t/$(basename $e)
signed $t/$(basename $e); [ $(wc -l < $t/by) = 2 ]; [ "$(sed -n 2p $t/text)" = "$(jq -r .said.body.new $e)" ]; done"#,
);

/// The whole text.
pub fn text(words: &Catalogue, stamped: bool, changed: bool) -> String {
    let mut out = format!("{}\n", words.plain(FIRST));
    for (i, (sentence, commands)) in
        STEPS.iter().chain(changed.then_some(&KEYS)).chain(stamped.then_some(&STAMPS)).enumerate()
    {
        out.push_str(&format!("\n{}. {}\n\n", i + 1, words.plain(sentence)));
        for line in commands.lines() {
            out.push_str(&format!("    {line}\n"));
        }
    }
    out.push_str(&format!("\n{}\n", words.plain("pack.by-hand.limits")));
    out
}
