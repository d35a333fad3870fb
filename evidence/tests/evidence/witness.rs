//! What a witness signs and what it refuses; the published example of a cosignature.

use evidence::checkpoint::Checkpoint;
use evidence::cosignature::{Witness, WitnessKey, cosignatures};
use evidence::tree;
use evidence::witness::{Refusal, Request, decide};

use crate::made::Log;

fn asked(log: &Log, old: u64) -> Request {
    let size = log.entries.len() as u64;
    let proof = if old == 0 || old >= size { Vec::new() } else { log.consistency(old) };
    Request { old, proof, note: log.checkpoint() }
}

fn shorter(log: &Log, size: usize) -> Log {
    let mut log = log.clone();
    log.entries.truncate(size);
    log
}

#[test]
fn it_signs_what_goes_on_and_nothing_else() {
    let log = Log::new();
    let keys = [log.key().verifier()];
    let first = decide(&asked(&shorter(&log, 5), 0), None, &keys).unwrap();
    assert_eq!(first.size, 5);
    let now = decide(&asked(&log, 5), Some(&first), &keys).unwrap();
    assert_eq!(now.root, tree::root(&log.entries.iter().map(|e| tree::leaf_hash(e)).collect::<Vec<_>>()));
    assert_eq!(decide(&asked(&log, 13), Some(&now), &keys), Ok(now.clone()), "the same again");

    let no = |request: &Request, seen: Option<&Checkpoint>| decide(request, seen, &keys).unwrap_err();
    assert_eq!(no(&asked(&log, 0), Some(&first)), Refusal::Seen(5));
    assert_eq!(no(&asked(&shorter(&log, 5), 5), Some(&now)), Refusal::Seen(13), "a smaller tree");
    assert_eq!(no(&Request { old: 13, ..asked(&shorter(&log, 5), 0) }, Some(&now)), Refusal::Form);
    let mut told = Log::new();
    told.entries[1] = crate::tampered::changed(&told.entries[1], b"0417", b"0999");
    assert_eq!(no(&asked(&told, 13), Some(&now)), Refusal::Fork(13));
    assert_eq!(no(&asked(&told, 5), Some(&first)), Refusal::Rewritten);
    assert_eq!(no(&Request { proof: vec![[0; 32]], ..asked(&log, 0) }, None), Refusal::Rewritten);
    assert_eq!(no(&asked(&log.clone().with_key([9; 32]), 5), Some(&first)), Refusal::Signature);
    let elsewhere =
        [Log::new().key().verifier()].map(|k| evidence::note::VerifierKey { name: "another/log".into(), ..k });
    assert_eq!(decide(&asked(&log, 5), Some(&first), &elsewhere), Err(Refusal::UnknownLog));
    // A new epoch is another origin under the same key.
    let mut later = log.clone();
    later.epoch = 2;
    assert_eq!(decide(&asked(&later, 0), None, &keys).unwrap().origin, later.key().name());
}

#[test]
fn requests_are_read_as_they_are_written_and_bounded() {
    let request = asked(&Log::new(), 5);
    assert_eq!(Request::read(&request.to_string()), Ok(request.clone()));
    let body = request.to_string();
    for bad in
        [body.replace("old 5", "old 05"), body.replace("old 5", "new 5"), body.replacen("\n\n", "\n", 2), String::new()]
    {
        assert_eq!(Request::read(&bad), Err(Refusal::Form), "{bad}");
    }
    let many = Request { proof: vec![[0; 32]; 64], ..request };
    assert_eq!(Request::read(&many.to_string()), Err(Refusal::Form));
}

#[test]
fn the_published_example_has_the_form_and_a_key_reads_back() {
    // C2SP tlog-cosignature, the example; its witness's key is not published.
    let note = "example.com/behind-the-sofa\n20852163\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n\
\u{2014} example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=\n\
\u{2014} witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==\n";
    let found = cosignatures(note, &[]).unwrap();
    assert_eq!(
        (found.len(), found[0].name.as_str(), found[0].time, found[0].holds),
        (1, "witness.example.com/w1", 1_679_315_147, None)
    );
    let witness = Witness::new("witness.example/w1", [8; 32]).unwrap();
    assert_eq!(witness.verifier().to_string().parse::<WitnessKey>(), Ok(witness.verifier()));
    assert!(Witness::new("a name", [8; 32]).is_err());
    assert!(witness.verifier().to_string().parse::<evidence::note::VerifierKey>().is_err(), "it signs no notes");
}
