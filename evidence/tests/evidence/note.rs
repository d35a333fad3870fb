use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use ed25519_dalek::{Signer, SigningKey};
use evidence::digest::Digest;
use evidence::note::*;

use crate::hex;

// golang.org/x/mod sumdb/note, note_test.go: keys, text and signatures.
const PETER: &str = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW";
const PETER_SEED: &str = "AYEKFALVFGyNhPJEMzD1QIDr+Y7hfZx09iUvxdXHKDFz";
const ENOCH: &str = "EnochRoot+af0cfe78+ATtqJ7zOtqQtYqOo0CpvDXNlMhV3HeJDpjrASKGLWdop";
const TEXT: &str =
    "If you think cryptography is the answer to your problem,\nthen you don't know what your problem is.\n";
const PETER_LINE: &str = "\u{2014} PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n";
const ENOCH_LINE: &str =
    "\u{2014} EnochRoot rwz+eBzmZa0SO3NbfRGzPCpDckykFXSdeX+MNtCOXm2/5n2tiOHp+vAF1aGrQ5ovTG01oOTGwnWLox33WWd1RvMc+QQ=\n";

fn peter() -> SignerKey {
    let bytes = BASE64.decode(PETER_SEED).unwrap();
    SignerKey::new("PeterNeumann", bytes[1..].try_into().unwrap())
}

fn key(text: &str) -> VerifierKey {
    text.parse().unwrap()
}

#[test]
fn rfc_8032_signatures() {
    // RFC 8032 7.1: TEST 1, TEST 2, TEST 3, TEST SHA(abc).
    for (seed, public, message, signature) in [
        (
            "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
            "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
            "",
            "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
        ),
        (
            "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
            "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
            "72",
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
        ),
        (
            "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
            "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
            "af82",
            "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
        ),
        (
            "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
            "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
            "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
        ),
    ] {
        let key = SigningKey::from_bytes(&hex(seed).try_into().unwrap());
        assert_eq!(key.verifying_key().to_bytes().to_vec(), hex(public));
        let made = key.sign(&hex(message));
        assert_eq!(made.to_bytes().to_vec(), hex(signature));
        assert!(key.verifying_key().verify_strict(&hex(message), &made).is_ok());
    }
}

#[test]
fn the_published_note_is_signed_byte_for_byte_and_opened() {
    assert_eq!(peter().verifier(), key(PETER));
    assert_eq!(peter().verifier().to_string(), PETER);
    assert_eq!(peter().sign(TEXT).unwrap(), PETER_LINE);
    let note = sign(TEXT, &[&peter()]).unwrap();
    assert_eq!(note, format!("{TEXT}\n{PETER_LINE}"));
    assert_eq!(open(&note, &[&key(PETER)]), Ok(TEXT));
}

#[test]
fn one_known_signature_is_enough_and_the_signers_are_told_apart() {
    // note_test.go, TestOpen: one signature verified and one not, then both.
    let (peter, enoch) = (key(PETER), key(ENOCH));
    let note = format!("{TEXT}\n{PETER_LINE}{ENOCH_LINE}");
    assert_eq!(open_by(&note, &[&peter]), Ok((TEXT, vec![&peter])));
    assert_eq!(open_by(&note, &[&enoch]), Ok((TEXT, vec![&enoch])));
    assert_eq!(open_by(&note, &[&enoch, &peter]), Ok((TEXT, vec![&peter, &enoch])));
    assert_eq!(open(&note, &[]), Err(NoteError("no known key signed this note")));
}

#[test]
fn a_key_is_known_by_name_and_id_together() {
    // C2SP signed-note, "Signatures": ignored even if they share a name or ID (but not both) with a known key.
    let same_name = SignerKey::new("PeterNeumann", [7; 32]);
    let note = sign(TEXT, &[&same_name, &peter()]).unwrap();
    assert_eq!(open(&note, &[&key(PETER)]), Ok(TEXT));
    let renamed = format!("{TEXT}\n{}{PETER_LINE}", PETER_LINE.replace("PeterNeumann", "PeterNewman"));
    assert_eq!(open(&renamed, &[&key(PETER)]), Ok(TEXT));
    assert_eq!(open(&renamed.replace(PETER_LINE, ""), &[&key(PETER)]), Err(NoteError("no known key signed this note")));
}

#[test]
fn a_known_key_that_fails_rejects_the_note() {
    let failed = Err(NoteError("a signature by a known key is wrong"));
    let (peter, enoch) = (key(PETER), key(ENOCH));
    let note = format!("{TEXT}\n{PETER_LINE}{ENOCH_LINE}");
    assert_eq!(open(&note.replace("answer", "Answer"), &[&peter]), failed);
    // note_test.go: four characters put into the signature.
    let longer = format!("{TEXT}\n{}ABCD{}", &PETER_LINE[..60], &PETER_LINE[60..]);
    assert_eq!(open(&longer, &[&peter]), failed);
    // A good signature by one does not make up for a bad one by another that is known.
    let bad_enoch = note.replace("rwz+eBzm", "rwz+eBzn");
    assert_eq!(open(&bad_enoch, &[&peter, &enoch]), failed);
    assert_eq!(open(&bad_enoch, &[&peter]), Ok(TEXT));
}

#[test]
fn verifier_keys() {
    // C2SP signed-note (FORMATS vector).
    let foo = "example.com/foo+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k";
    assert_eq!(key(foo).to_string(), foo);
    // note_test.go, TestNewVerifier: every part of a key, and every key with one character changed, is none.
    for i in 0..PETER.len() {
        for j in i + 1..=PETER.len() {
            assert!((i, j) == (0, PETER.len()) || PETER[i..j].parse::<VerifierKey>().is_err());
        }
        let mut bytes = PETER.as_bytes().to_vec();
        bytes[i] += 1;
        assert!(String::from_utf8(bytes).unwrap().parse::<VerifierKey>().is_err());
    }
    for bad in [
        // note_test.go: a key of the wrong length and one of an unknown algorithm, each with its own ID.
        "PeterNeumann+cc469956+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TWBADKEY==",
        "PeterNeumann+173116ae+ZRpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "PeterNeumann+C74F20A3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW",
        "",
        "++",
    ] {
        assert!(bad.parse::<VerifierKey>().is_err(), "{bad}");
    }
    // Names that cannot stand in a note, and a point of small order (the identity, RFC 8032 5.1.2), with their own IDs.
    for name in ["", "a b", "a\u{a0}b", "a+b", "a\u{1}b"] {
        assert!(published(name, &key(PETER).public).parse::<VerifierKey>().is_err(), "{name:?}");
    }
    let mut identity = [0; 32];
    identity[0] = 1;
    assert!(published("a", &identity).parse::<VerifierKey>().is_err());
    assert!(published("a", &key(PETER).public).parse::<VerifierKey>().is_ok());
}

/// A verifier key whose ID belongs to it, computed apart from the crate's own.
fn published(name: &str, public: &[u8; 32]) -> String {
    let typed = [&[1], &public[..]].concat();
    let id = Digest::of(&[name.as_bytes(), b"\n", &typed].concat()).hex();
    format!("{name}+{}+{}", &id[..8], BASE64.encode(typed))
}

#[test]
fn the_last_empty_line_parts_text_and_signatures() {
    // C2SP signed-note, "Format": the text may have empty lines.
    let verse = "Above the bench\n\na lamp.\n\n";
    let note = sign(verse, &[&peter()]).unwrap();
    assert_eq!(open(&note, &[&key(PETER)]), Ok(verse));
    // A note within a note: the inner signatures are text.
    let outer = SignerKey::new("outer.example", [9; 32]);
    let nested = sign(&note, &[&outer]).unwrap();
    assert_eq!(open(&nested, &[&outer.verifier(), &key(PETER)]), Ok(note.as_str()));
}

#[test]
fn what_is_no_note_is_refused() {
    let good = format!("{TEXT}\n{PETER_LINE}");
    // note_test.go, badMsgs, and some more.
    for bad in [
        TEXT.to_owned(),
        format!("{TEXT}\n"),
        good[..good.len() - 1].to_owned(),
        format!("\u{1}{good}"),
        format!("{TEXT}\n{}", PETER_LINE.replace("PeterNeumann", "Bad Name")),
        format!("{good}Unexpected line.\n"),
        String::new(),
        "\n\n".to_owned(),
        good.replace('\n', "\r\n"),
        good.replace('\u{2014}', "-"),
        good.replace("\u{2014} ", "\u{2014}  "),
        good.replace("\u{2014} ", "\u{2014}\u{a0}"),
        good.replace("JnAM=", "JnAM"),
        good.replace("JnAM=", "JnAN="),
        good.replace("\n\n", "\n"),
        format!("{good}\n"),
        format!("{good}\u{2014} x AAAA\n"),
        format!("{good}\u{2014} x+y AAAAAAAA\n"),
        format!("{good}\u{2014} x \n"),
        format!("{good}\u{2014} x\n"),
    ] {
        assert!(open(&bad, &[&key(PETER)]).is_err(), "{bad}");
    }
}

#[test]
fn sixteen_signatures_are_read_and_numbers_and_sizes_bounded() {
    // C2SP signed-note: at least up to 16; note_test.go: 101 are too many.
    let keys: Vec<SignerKey> = (0..16).map(|i| SignerKey::new(&format!("k{i}"), [i; 32])).collect();
    let note = sign("x\n", &keys.iter().collect::<Vec<_>>()).unwrap();
    assert!(open(&note, &[&keys[15].verifier()]).is_ok());
    assert!(open(&format!("{TEXT}\n{}", PETER_LINE.repeat(100)), &[&key(PETER)]).is_ok());
    assert!(open(&format!("{TEXT}\n{}", PETER_LINE.repeat(101)), &[&key(PETER)]).is_err());
    let long = format!("{}\n", "x".repeat(MAX_NOTE));
    assert!(sign(&long, &[&peter()]).is_err());
    assert!(open(&format!("{long}\n{PETER_LINE}"), &[&key(PETER)]).is_err());
}

#[test]
fn what_cannot_be_a_note_is_not_signed() {
    for text in ["", "abc", "a\r\n", "a\u{0}b\n", "a\tb\n"] {
        assert!(sign(text, &[&peter()]).is_err(), "{text:?}");
    }
    assert!(sign(TEXT, &[]).is_err());
    assert!(sign(TEXT, &[&SignerKey::new("bad name", [1; 32])]).is_err());
    assert!(!format!("{:?}", SignerKey::new("a", [0x5a; 32])).contains("90"), "the seed is not shown");
}
