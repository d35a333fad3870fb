//! The corpus: files that are kept beside the tests, one folder a target.

use std::path::{Path, PathBuf};

use evidence::digest::Digest;

/// The folder of a target.
pub fn folder(target: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(target)
}

/// Every file of a folder, by name; none where there is no such folder.
pub fn files(folder: &Path) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(folder).into_iter().flatten().filter_map(|e| e.ok().map(|e| e.path())).collect();
    paths.sort();
    paths.iter().map(|p| std::fs::read(p).expect("a file of the corpus")).collect()
}

/// Keeps an input that broke something, under its digest.
pub fn add(folder: &Path, bytes: &[u8]) -> PathBuf {
    std::fs::create_dir_all(folder).expect("the corpus");
    let path = folder.join(format!("found-{}", &Digest::of(bytes).hex()[..12]));
    std::fs::write(&path, bytes).expect("the corpus takes a file");
    path
}

/// A file of the repository.
pub fn shipped(path: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(path);
    std::fs::read(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}
