use base64::Engine;
use base64::engine::general_purpose::STANDARD as BASE64;
use evidence::checkpoint::{Checkpoint, origin, origin_parts};
use evidence::note::SignerKey;

const SHOP: &str = "0199c0de-0000-7000-8000-000000000001";

#[test]
fn a_checkpoint_comes_back_from_its_note() {
    let origin = origin("counterfoil", SHOP, 1);
    let key = SignerKey::new(&origin, [3; 32]);
    let c = Checkpoint { origin: origin.clone(), size: 10, root: [9; 32] };
    assert_eq!(c.text(), format!("{origin}\n10\nCQkJCQkJCQkJCQkJCQkJCQkJCQkJCQkJCQkJCQkJCQk=\n"));
    let note = c.sign(&[&key]).unwrap();
    assert_eq!(Checkpoint::open(&note, &[&key.verifier()]).unwrap(), c);
}

#[test]
fn the_specifications_example_is_read() {
    // C2SP tlog-checkpoint, first example (its key is not published, so only its text is checked).
    let text = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n";
    let c = Checkpoint::parse(text).unwrap();
    assert_eq!((c.origin.as_str(), c.size), ("example.com/behind-the-sofa", 20_852_163));
    assert_eq!(c.text(), text);
}

#[test]
fn only_a_key_of_the_origins_name_speaks_for_it() {
    let log = SignerKey::new("counterfoil/a/1", [3; 32]);
    let other = SignerKey::new("counterfoil/b/1", [4; 32]);
    let c = Checkpoint { origin: "counterfoil/a/1".into(), size: 10, root: [9; 32] };
    // Both keys are known, the log's has not signed: another log's key cannot put words into its mouth.
    let foreign = c.sign(&[&other]).unwrap();
    assert!(Checkpoint::open(&foreign, &[&log.verifier(), &other.verifier()]).is_err());
    assert!(Checkpoint::open(&foreign, &[&other.verifier()]).is_err());
    let both = c.sign(&[&other, &log]).unwrap();
    assert!(Checkpoint::open(&both, &[&log.verifier(), &other.verifier()]).is_ok());
}

#[test]
fn while_a_key_is_replaced_either_opens_the_checkpoint() {
    let (old, new) = (SignerKey::new("log", [3; 32]), SignerKey::new("log", [4; 32]));
    let c = Checkpoint { origin: "log".into(), size: 10, root: [9; 32] };
    let note = c.sign(&[&old, &new]).unwrap();
    for keys in [vec![&old], vec![&new], vec![&new, &old]] {
        let keys: Vec<_> = keys.into_iter().map(SignerKey::verifier).collect();
        assert_eq!(Checkpoint::open(&note, &keys.iter().collect::<Vec<_>>()).as_ref(), Ok(&c));
    }
}

#[test]
fn other_shapes_are_refused() {
    let root = BASE64.encode([0; 32]);
    for bad in [
        format!("o\n01\n{root}\n"),
        format!("o\n-1\n{root}\n"),
        format!("o\n+1\n{root}\n"),
        format!("o\n 1\n{root}\n"),
        format!("o\n\n{root}\n"),
        format!("o\n18446744073709551616\n{root}\n"),
        format!("o\n1\n{root}"),
        format!("o\n1\n{root}\nextension\n"),
        format!("o\n1\n{root}\n\n"),
        format!("o\n1\n{}\n", BASE64.encode([0; 31])),
        format!("o\n1\n{}\n", BASE64.encode([0; 33])),
        format!("o\n1\n{}\n", root.trim_end_matches('=')),
        // The two bits over are not zero.
        format!("o\n1\n{}\n", root.replace("A=", "B=")),
        "o\n1\nAAAA\n".to_owned(),
        format!("\n1\n{root}\n"),
        String::new(),
    ] {
        assert!(Checkpoint::parse(&bad).is_err(), "{bad}");
    }
    assert!(Checkpoint::parse(&format!("o\n0\n{root}\n")).is_ok());
    assert!(Checkpoint::parse(&format!("o\n18446744073709551615\n{root}\n")).is_ok());
}

#[test]
fn an_origin_is_name_shop_and_epoch() {
    let shop = SHOP.parse().unwrap();
    assert_eq!(origin_parts(&origin("counterfoil", SHOP, 12)), Some(("counterfoil", shop, 12)));
    assert_eq!(origin_parts(&origin("tarn.example/log", SHOP, 1)), Some(("tarn.example/log", shop, 1)));
    for bad in [
        SHOP.to_owned(),
        format!("/{SHOP}/1"),
        format!("counterfoil/{SHOP}"),
        format!("counterfoil/{SHOP}/01"),
        format!("counterfoil/{SHOP}/-1"),
        format!("counterfoil/{}/1", SHOP.to_uppercase()),
        format!("counterfoil/{SHOP}/1/"),
        "example.com/behind-the-sofa".to_owned(),
    ] {
        assert_eq!(origin_parts(&bad), None, "{bad}");
    }
}
