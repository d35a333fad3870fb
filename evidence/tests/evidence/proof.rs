use evidence::checkpoint::Checkpoint;
use evidence::note::SignerKey;
use evidence::proof::{MAX_PROOF, Proof};
use evidence::tree::{self, Hash};
use proptest::prelude::*;

fn sample() -> (Proof, SignerKey) {
    let leaves: Vec<Hash> = [&b"one"[..], b"two", b"three"].iter().map(|e| tree::leaf_hash(e)).collect();
    let key = SignerKey::new("log.example/1", [5; 32]);
    let checkpoint = Checkpoint { origin: "log.example/1".into(), size: 3, root: tree::root(&leaves) };
    let checkpoint = checkpoint.sign(&[&key]).unwrap();
    (Proof { extra: None, index: 2, hashes: vec![tree::node_hash(&leaves[0], &leaves[1])], checkpoint }, key)
}

#[test]
fn a_proof_is_written_read_and_verified() {
    let (proof, key) = sample();
    let text = proof.to_string();
    assert!(text.starts_with("c2sp.org/tlog-proof@v1\nindex 2\n"));
    assert!(text.ends_with(&format!("\n\n{}", proof.checkpoint)));
    let read: Proof = text.parse().unwrap();
    assert_eq!(read, proof);
    let head = read.verify(b"three", &[&key.verifier()]).unwrap();
    assert_eq!((head.origin.as_str(), head.size), ("log.example/1", 3));
}

#[test]
fn what_is_not_proven_fails() {
    let (proof, key) = sample();
    let (key, other) = (key.verifier(), SignerKey::new("log.example/1", [6; 32]));
    assert!(proof.verify(b"four", &[&key]).is_err());
    assert!(proof.verify(b"three", &[]).is_err());
    assert!(proof.verify(b"three", &[&other.verifier()]).is_err());
    for index in [0, 1, 3, u64::MAX] {
        assert!(Proof { index, ..proof.clone() }.verify(b"three", &[&key]).is_err());
    }
    assert!(Proof { hashes: Vec::new(), ..proof.clone() }.verify(b"three", &[&key]).is_err());
    let forged = Checkpoint { origin: "log.example/1".into(), size: 1, root: tree::leaf_hash(b"x") };
    let forged = Proof { index: 0, hashes: Vec::new(), checkpoint: forged.sign(&[&other]).unwrap(), extra: None };
    assert!(forged.verify(b"x", &[&key]).is_err());
    assert!(forged.verify(b"x", &[&other.verifier()]).is_ok());
}

#[test]
fn the_specifications_shape_is_read() {
    // C2SP tlog-proof, the example (its signatures are cut short there, so only the shape is checked).
    let text = "c2sp.org/tlog-proof@v1
extra YWdlLXYxLjIuMS1kYXJ3aW4tYXJtNjQudGFyLmd6kYXJ3aW4tYXJ
index 73894
gSKyXoYZUgZ6jduWYrkDOARinOMGJveXjgMkBTcdPlQ=
B95lDa8R83lS8n0eG+o0buTxRKQTYFi//1U8anccXmA=
EKNzoDWG8LGC0Yp9o+sv3qllpMP9uHQ9B20KNL+Q1zs=
RoopEkOdqkYqMB4MJXrbt/hMjOxsVn0IrWjpz1ZMMes=
AHCioX9nLjsrse6YhjRRmk1WUEirVOLLRoOQ6vfO5vk=

example.com/fancylog
109482
sFodV/vSp5O8n9a8QpW6PRY97tfOSW5bsc2Xl/EQi08=

";
    let proof: Proof = text.parse().unwrap();
    assert_eq!(proof.to_string(), text);
    assert_eq!((proof.index, proof.hashes.len()), (73_894, 5));
    assert!(proof.checkpoint.starts_with("example.com/fancylog\n109482\n"));
}

#[test]
fn the_published_layouts_are_written() {
    // transparency-dev formats, proof package, TestMarshal: the layout with and without extra data and hashes.
    let h = |text: &str| evidence::digest::Digest::of(text.as_bytes()).0;
    let b = |h: Hash| {
        use base64::Engine;
        base64::engine::general_purpose::STANDARD.encode(h)
    };
    let (h1, h2) = (h("hash1"), h("hash2"));
    let proof = |extra: Option<&str>, index, hashes, checkpoint: &str| Proof {
        extra: extra.map(str::to_owned),
        index,
        hashes,
        checkpoint: checkpoint.to_owned(),
    };
    for (proof, text) in [
        (
            proof(None, 5, vec![h1, h2], "test checkpoint\n"),
            format!("c2sp.org/tlog-proof@v1\nindex 5\n{}\n{}\n\ntest checkpoint\n", b(h1), b(h2)),
        ),
        (
            proof(Some("ZXh0cmEgaW5mb3JtYXRpb24="), 10, vec![h1], "checkpoint data\n"),
            format!("c2sp.org/tlog-proof@v1\nextra ZXh0cmEgaW5mb3JtYXRpb24=\nindex 10\n{}\n\ncheckpoint data\n", b(h1)),
        ),
        (proof(None, 0, vec![], "checkpoint\n"), "c2sp.org/tlog-proof@v1\nindex 0\n\ncheckpoint\n".to_owned()),
    ] {
        assert_eq!(proof.to_string(), text);
        assert_eq!(text.parse::<Proof>().unwrap(), proof);
    }
}

#[test]
fn other_shapes_are_refused() {
    let (proof, _) = sample();
    let text = proof.to_string();
    let line = text.lines().nth(2).unwrap();
    for bad in [
        String::new(),
        text.replace("@v1", "@v2"),
        text.replace("c2sp.org", "C2SP.org"),
        format!("\n{text}"),
        text.replace('\n', "\r\n"),
        text.replace("index 2", "index 02"),
        text.replace("index 2", "index -2"),
        text.replace("index 2", "index +2"),
        text.replace("index 2", "index  2"),
        text.replace("index 2", "Index 2"),
        text.replace("index 2", "index 18446744073709551616"),
        text.replace("index 2\n", ""),
        text.replace("index 2\n", "index 2\nindex 2\n"),
        text.replace("index 2\n", "index 2\nextra AAAA\n"),
        text.replace("index 2\n", "extra \nindex 2\n"),
        text.replace("index 2\n", "extra AAA\nindex 2\n"),
        text.replace("index 2\n", "extra AAAA\nextra AAAA\nindex 2\n"),
        text.replace("index 2\n", "index 2\nAAAA\n"),
        text.replace(line, &line[1..]),
        text.replace(line, &format!("{line} ")),
        text.replace("index 2\n", &format!("index 2\n{}", format!("{line}\n").repeat(63))),
        text.replace("\n\n", "\n"),
        format!("{text}{}", " ".repeat(MAX_PROOF)),
    ] {
        assert!(bad.parse::<Proof>().is_err(), "{bad:.300}");
    }
    let longest = text.replace("index 2\n", &format!("index 2\n{}", format!("{line}\n").repeat(62)));
    assert_eq!(longest.parse::<Proof>().unwrap().hashes.len(), 63);
    let with_extra: Proof = text.replace("index 2", "extra AAAA\nindex 2").parse().unwrap();
    assert_eq!(with_extra.extra.as_deref(), Some("AAAA"));
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_changed_byte_never_proves_something_else(at in 0..400_usize, to in any::<char>()) {
        let (proof, key) = sample();
        let text = proof.to_string();
        let at = (at % text.len()..).find(|i| text.is_char_boundary(*i)).unwrap();
        let Some(was) = text[at..].chars().next() else { return Ok(()) };
        prop_assume!(was != to);
        let changed = format!("{}{to}{}", &text[..at], &text[at + was.len_utf8()..]);
        // Signatures by keys nobody knows may change; all that is proven may not.
        if let Ok(read) = changed.parse::<Proof>() {
            prop_assert_eq!(read.to_string(), changed);
            prop_assert!(read.verify(b"three", &[&key.verifier()]).is_err());
        }
    }
}
