//! The store of originals, the same checks over each place: folders, and a bucket of a real S3-compatible server. What is there
//! is right or is told; what is erased is gone; what is put twice at once is there once.

use std::fs;
use std::io::{self, BufRead, Read};
use std::path::Path;
use std::sync::Arc;

use cluster::garage::Garage;
use cluster::store::{self, KEY, SECRET, Store};
use counterfoil::edge::{Clock, Random};
use counterfoil::originals::{Address, Bucket, KeepError, Keys, Lock, Originals, Shelf, is_away};
use evidence::digest::Digest;
use futures_util::StreamExt;
use tests::seeded::Seeded;
use uuid::Uuid;

const SHOP: Uuid = Uuid::from_u128(1);
const MB: usize = 1024 * 1024;

fn in_folder(home: &Path) -> Originals {
    Originals::open(&home.join("shops")).expect("the store")
}

fn in_bucket(home: &Path, address: &str) -> Originals {
    in_locking(home, address, None)
}

fn in_locking(home: &Path, address: &str, lock: Option<Lock>) -> Originals {
    let keys = Keys { id: KEY.into(), secret: SECRET.into(), token: None };
    let address = Address::parse(address).expect("an address");
    let bucket = Bucket::new(address, &keys, lock, Random::System).expect("a bucket");
    Originals::in_bucket(&home.join("shops"), bucket, &home.join("copies")).expect("the store")
}

/// Every check over one place; `fresh` gives it as another process sees it: without copies of its own.
fn conforms(originals: &Originals, fresh: impl Fn() -> Originals) {
    let small = Seeded::new(1).noise(70_000);
    let large = Seeded::new(2).noise(20 * MB + 7);

    // What is not there is told as such.
    let none = Digest::of(b"nobody sent this");
    assert!(!originals.is_there(SHOP, Shelf::Originals, &none).unwrap());
    assert_eq!(originals.read(SHOP, Shelf::Originals, &none).unwrap_err().kind(), io::ErrorKind::NotFound);
    assert_eq!(originals.rehash(SHOP, &none).unwrap_err().kind(), io::ErrorKind::NotFound);
    assert!(!originals.erase(SHOP, Shelf::Originals, &none).unwrap());
    assert!(originals.list(SHOP, Shelf::Originals).unwrap().is_empty());

    // What is kept is there for everybody, byte for byte, once however often it comes.
    for (n, bytes) in [&small, &large].into_iter().enumerate() {
        for again in 0..2 {
            assert_eq!(originals.keep(SHOP, Shelf::Originals, bytes, again).unwrap(), Digest::of(bytes));
        }
        let (digest, other) = (Digest::of(bytes), fresh());
        assert!(other.is_there(SHOP, Shelf::Originals, &digest).unwrap());
        assert_eq!(other.size(SHOP, Shelf::Originals, &digest).unwrap(), bytes.len() as u64);
        assert_eq!(other.rehash(SHOP, &digest).unwrap(), digest);
        assert_eq!(&other.read(SHOP, Shelf::Originals, &digest).unwrap(), bytes);
        assert_eq!(other.list(SHOP, Shelf::Originals).unwrap().len(), n + 1);
    }
    // Of its shop and shelf alone.
    let digest = Digest::of(&small);
    assert!(!originals.is_there(SHOP, Shelf::Renditions, &digest).unwrap());
    assert!(!originals.is_there(Uuid::from_u128(2), Shelf::Originals, &digest).unwrap());
    assert!(originals.list(Uuid::from_u128(2), Shelf::Originals).unwrap().is_empty());

    // Wrong bytes, and too many, leave nothing.
    let mut wrong = originals.begin(SHOP, Shelf::Originals, none, 4, true, 3).unwrap();
    wrong.write(b"four").unwrap();
    assert!(matches!(wrong.finish(), Err(KeepError::WrongBytes)));
    let mut long = originals.begin(SHOP, Shelf::Originals, none, 4, true, 4).unwrap();
    assert!(matches!(long.write(b"fives"), Err(KeepError::WrongBytes)));
    drop(long);
    // Broken off on its way: the next start finds nothing either.
    drop(originals.begin(SHOP, Shelf::Originals, none, 4, true, 5).unwrap());
    assert!(!originals.is_there(SHOP, Shelf::Originals, &none).unwrap());
    assert_eq!(originals.sweep(SHOP, None).unwrap(), 0);

    // Ranges, from a store that has no copy, and from one that has.
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let digest = Digest::of(&large);
    for store in [&fresh(), originals] {
        for (from, len) in [(0, large.len()), (0, 1), (MB - 1, 2), (3 * MB, 5 * MB + 1), (large.len() - 1, 1)] {
            let got = runtime.block_on(async {
                let source = store.source(SHOP, Shelf::Originals, &digest).await.unwrap();
                assert_eq!(source.size(), large.len() as u64);
                let mut pieces = Box::pin(source.part(from as u64, len as u64).await.unwrap());
                let mut got = Vec::new();
                while let Some(piece) = pieces.next().await {
                    let piece = piece.unwrap();
                    assert!(piece.len() <= MB, "a piece of {} bytes", piece.len());
                    got.extend_from_slice(&piece);
                }
                got
            });
            assert!(got == large[from..from + len], "{from} and {len} bytes");
        }
        let missing = runtime.block_on(store.source(SHOP, Shelf::Originals, &none));
        assert_eq!(missing.unwrap_err().kind(), io::ErrorKind::NotFound);
    }

    // Sixteen at once put the same: it is there once, and right.
    let same = Arc::new(Seeded::new(3).noise(300_000));
    let threads: Vec<_> = (0..16)
        .map(|n| {
            let (store, same) = (originals.clone(), same.clone());
            std::thread::spawn(move || store.keep(SHOP, Shelf::Renditions, &same, 100 + n).unwrap())
        })
        .collect();
    for thread in threads {
        assert_eq!(thread.join().unwrap(), Digest::of(&same));
    }
    assert!(fresh().read(SHOP, Shelf::Renditions, &Digest::of(&same)).unwrap() == *same);

    // Erased is gone for everybody; a file that is open is read to its end.
    let mut open = originals.file(SHOP, Shelf::Originals, &digest).unwrap();
    assert!(originals.erase(SHOP, Shelf::Originals, &digest).unwrap());
    for store in [originals, &fresh()] {
        assert!(!store.is_there(SHOP, Shelf::Originals, &digest).unwrap());
        assert_eq!(store.read(SHOP, Shelf::Originals, &digest).unwrap_err().kind(), io::ErrorKind::NotFound);
        assert_eq!(store.list(SHOP, Shelf::Originals).unwrap(), [Digest::of(&small)]);
    }
    let mut rest = Vec::new();
    open.read_to_end(&mut rest).unwrap();
    assert!(rest == large);
    originals.discard(SHOP, &Digest::of(&small)).unwrap();
    assert!(fresh().list(SHOP, Shelf::Originals).unwrap().is_empty());
}

#[test]
fn folders_conform() {
    let home = tempfile::tempdir().unwrap();
    conforms(&in_folder(home.path()), || in_folder(home.path()));
}

#[test]
fn a_bucket_conforms() {
    let (home, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let address = store::address(store::endpoint());
    let n = std::sync::atomic::AtomicU32::new(0);
    conforms(&in_bucket(home.path(), &address), || {
        let n = n.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        in_bucket(&other.path().join(n.to_string()), &address)
    });
    // Nothing of an upload stays on the local disk but copies.
    let left: Vec<_> = fs::read_dir(home.path().join("copies")).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|n| !n.to_string_lossy().starts_with('.')), "{left:?}");
}

/// A real server of another make, which ignores the condition on which an original is put and keeps no lock: that is found out at
/// the start, and nothing rests on it.
#[test]
#[ignore = "its second server is built for a quarter of an hour: tests/run --long"]
fn a_second_server_conforms() {
    let (home, other, second) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), Garage::start());
    let address = store::address(second.endpoint());
    let store = in_bucket(home.path(), &address);
    let traits = store.bucket().unwrap().probe().unwrap().unwrap();
    assert!(!traits.absent && traits.checks, "{traits:?}");
    let n = std::sync::atomic::AtomicU32::new(0);
    conforms(&store, || {
        let n = n.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        in_bucket(&other.path().join(n.to_string()), &address)
    });
    // It says that it took the lock.
    let here = tempfile::tempdir().unwrap();
    let lock = Some(Lock { days: 1, clock: Clock::System });
    let locking = in_locking(here.path(), &store::address(second.endpoint()), lock);
    let said = locking.bucket().unwrap().probe().unwrap().unwrap_err();
    assert!(said.contains("--originals-lock-days"), "{said}");
}

/// A program that stands in for the least of stores; it ends when this is dropped.
struct Plain {
    child: std::process::Child,
    endpoint: String,
}

impl Plain {
    fn start() -> Plain {
        let program = Path::new(env!("CARGO_MANIFEST_DIR")).join("standards/plain-store.mjs");
        let mut node = std::process::Command::new("node");
        let piped = std::process::Stdio::piped;
        let mut child = node.arg(program).stdin(piped()).stdout(piped()).spawn().expect("start node");
        let mut port = String::new();
        io::BufReader::new(child.stdout.take().unwrap()).read_line(&mut port).expect("its port");
        Plain { child, endpoint: format!("http://127.0.0.1:{}", port.trim()) }
    }
}

impl Drop for Plain {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        let _ = self.child.wait();
    }
}

/// No real server: it shows the way for stores that ignore conditions and checksums.
#[test]
fn a_store_that_promises_nothing_conforms() {
    let (home, other, plain) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), Plain::start());
    let address = store::address(&plain.endpoint);
    let store = in_bucket(home.path(), &address);
    let traits = store.bucket().unwrap().probe().unwrap().unwrap();
    assert!(!traits.absent && !traits.checks, "{traits:?}");
    let n = std::sync::atomic::AtomicU32::new(0);
    conforms(&store, || {
        let n = n.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        in_bucket(&other.path().join(n.to_string()), &address)
    });
}

/// What stands under a key and is not what the key says is put anew by whoever has the right bytes.
#[test]
fn a_broken_object_is_told_and_mended_by_the_next_who_sends_it() {
    let plain = Plain::start();
    for endpoint in [store::endpoint(), plain.endpoint.as_str()] {
        let home = tempfile::tempdir().unwrap();
        let address = store::address(endpoint);
        let place = Address::parse(&address).unwrap();
        let bytes = Seeded::new(6).noise(50_000);
        let digest = Digest::of(&bytes);
        // Somebody else's hand, through the same library the program uses.
        let region = s3::Region::Custom { region: place.region.clone(), endpoint: endpoint.to_owned() };
        let keys = s3::creds::Credentials::new(Some(KEY), Some(SECRET), None, None, None).unwrap();
        let hand = s3::Bucket::new(&place.bucket, region, keys).unwrap().with_path_style();
        let key = format!("{}{SHOP}/originals/{}", place.prefix, digest.hex());
        let runtime = tokio::runtime::Runtime::new().unwrap();
        runtime.block_on(hand.put_object(&key, b"other bytes")).unwrap();

        let store = in_bucket(home.path(), &address);
        assert_ne!(store.rehash(SHOP, &digest).unwrap(), digest);
        assert_eq!(store.read(SHOP, Shelf::Originals, &digest).unwrap_err().kind(), io::ErrorKind::InvalidData);
        store.keep(SHOP, Shelf::Originals, &bytes, 1).unwrap();
        assert_eq!(store.rehash(SHOP, &digest).unwrap(), digest);
    }
}

#[test]
fn a_bucket_is_tried_before_it_is_believed() {
    let home = tempfile::tempdir().unwrap();
    let store = in_bucket(home.path(), &store::address(store::endpoint()));
    let traits = store.bucket().unwrap().probe().unwrap().unwrap();
    assert!(traits.absent && traits.checks, "{traits:?}");
    // A store that cannot be used is told from one that is away.
    let strange = Keys { id: KEY.into(), secret: "another".into(), token: None };
    let address = Address::parse(&store::address(store::endpoint())).unwrap();
    let bucket = Bucket::new(address, &strange, None, Random::System).unwrap();
    assert!(bucket.probe().unwrap().unwrap_err().contains("SignatureDoesNotMatch"));
    let nobody = Address::parse("s3://originals?endpoint=http://127.0.0.1:1").unwrap();
    let keys = Keys { id: KEY.into(), secret: SECRET.into(), token: None };
    assert!(Bucket::new(nobody, &keys, None, Random::System).unwrap().probe().is_err());
}

#[test]
fn versions_and_locks_are_what_the_store_makes_of_them() {
    let far = Store::start();
    far.make_versioned("versioned");
    far.make_locking("locking");
    let home = || tempfile::tempdir().unwrap();
    // Where versions are kept, an erased file goes with all of them: nothing else conforms.
    let (here, other) = (home(), home());
    let address = store::address_in("versioned", far.endpoint());
    let n = std::sync::atomic::AtomicU32::new(0);
    conforms(&in_bucket(here.path(), &address), || {
        let n = n.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
        in_bucket(&other.path().join(n.to_string()), &address)
    });

    // A locked original stays, and whoever asks is told; a copy is not locked.
    let lock = || Some(Lock { days: 1, clock: Clock::System });
    let (here, address) = (home(), store::address_in("locking", far.endpoint()));
    let locked = in_locking(here.path(), &address, lock());
    locked.bucket().unwrap().probe().unwrap().unwrap();
    let (small, large) = (Seeded::new(4).noise(1000), Seeded::new(5).noise(9 * MB));
    for bytes in [&small, &large] {
        let digest = locked.keep(SHOP, Shelf::Originals, bytes, 1).unwrap();
        let refused = locked.erase(SHOP, Shelf::Originals, &digest).unwrap_err();
        assert!(is_away(&refused) && refused.to_string().contains("cannot be taken away"), "{refused}");
        assert!(locked.is_there(SHOP, Shelf::Originals, &digest).unwrap());
        assert_eq!(locked.rehash(SHOP, &digest).unwrap(), digest);
        // Sent again it changes nothing.
        locked.keep(SHOP, Shelf::Originals, bytes, 2).unwrap();
    }
    let copy = locked.keep(SHOP, Shelf::Renditions, &small, 3).unwrap();
    assert!(locked.erase(SHOP, Shelf::Renditions, &copy).unwrap());
    assert!(!locked.is_there(SHOP, Shelf::Renditions, &copy).unwrap());

    // Buckets that lock nothing are not believed, and nothing is put into them unlocked.
    for bucket in ["versioned", store::BUCKET] {
        let here = home();
        let open = in_locking(here.path(), &store::address_in(bucket, far.endpoint()), lock());
        let said = open.bucket().unwrap().probe().unwrap().unwrap_err();
        assert!(said.contains("--originals-lock-days"), "{bucket}: {said}");
        assert!(matches!(open.keep(SHOP, Shelf::Originals, &small, 4), Err(KeepError::Away(_))), "{bucket}");
        assert!(open.list(SHOP, Shelf::Originals).unwrap().is_empty(), "{bucket}");
    }
}
