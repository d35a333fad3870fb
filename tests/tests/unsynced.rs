//! The shim itself: a watcher that sees nothing missing proves nothing, so it is shown each kind of loss first.
//!
//! Source of the rules: fsync(2), "calling fsync() does not necessarily ensure that the entry in the directory
//! containing the file has also reached disk. For that an explicit fsync() on a file descriptor for the directory is
//! also needed."

use std::process::Command;

use tests::shadow::{Skip, Watched, tree};

/// Runs `steps` in a watched folder and says what survives: `name=content`, folders as `name/`.
fn after(skip: Option<Skip>, steps: &str) -> Vec<String> {
    let watched = Watched::new(skip, 0);
    run(&watched, steps);
    surviving(&watched)
}

fn run(watched: &Watched, steps: &str) {
    let done = Command::new(env!("CARGO_BIN_EXE_probe"))
        .args(steps.split_whitespace())
        .current_dir(watched.data())
        .envs(watched.environment())
        .status()
        .expect("run the probe");
    assert!(done.success(), "{steps}");
}

fn surviving(watched: &Watched) -> Vec<String> {
    tree(watched.survivors().path())
        .into_iter()
        .map(
            |(name, bytes)| {
                if name.ends_with('/') { name } else { format!("{name}={}", String::from_utf8_lossy(&bytes)) }
            },
        )
        .collect()
}

const NOTHING: [&str; 0] = [];

#[test]
fn a_write_without_a_sync_is_gone() {
    assert_eq!(after(None, "write a one"), NOTHING);
}

#[test]
fn a_synced_file_whose_folder_was_not_synced_is_gone() {
    assert_eq!(after(None, "write a one sync a"), NOTHING);
}

#[test]
fn a_name_without_a_synced_content_is_an_empty_file() {
    assert_eq!(after(None, "write a one folder ."), ["a="]);
}

#[test]
fn a_synced_file_in_a_synced_folder_is_there() {
    assert_eq!(after(None, "write a one sync a folder ."), ["a=one"]);
    assert_eq!(after(None, "write a one data a folder ."), ["a=one"], "fdatasync");
    assert_eq!(after(None, "write a one folder . sync a"), ["a=one"], "in the other order");
}

#[test]
fn what_was_written_after_the_sync_is_gone() {
    assert_eq!(after(None, "write a one sync a folder . append a two"), ["a=one"]);
    assert_eq!(after(None, "write a one sync a folder . cut a 0"), ["a=one"], "ftruncate");
    assert_eq!(after(None, "write a one sync a folder . append a two sync a"), ["a=onetwo"]);
}

#[test]
fn a_rename_without_a_folder_sync_leaves_the_old_name() {
    assert_eq!(after(None, "write a one sync a folder . rename a b"), ["a=one"]);
    assert_eq!(after(None, "write a one sync a folder . rename a b folder ."), ["b=one"]);
}

#[test]
fn a_rename_over_a_file_without_a_folder_sync_leaves_both_as_they_were() {
    let before = "write a old sync a write b new sync b folder .";
    assert_eq!(after(None, &format!("{before} rename b a")), ["a=old", "b=new"]);
    assert_eq!(after(None, &format!("{before} rename b a folder .")), ["a=new"]);
}

#[test]
fn a_removal_without_a_folder_sync_is_undone_even_when_the_inode_is_used_again() {
    let steps = "write a one sync a folder . remove a write b two sync b";
    assert_eq!(after(None, steps), ["a=one"]);
    assert_eq!(after(None, &format!("{steps} folder .")), ["b=two"]);
}

#[test]
fn a_link_needs_the_sync_of_its_folder() {
    let steps = "make f folder . write a one sync a folder . link a f/b";
    assert_eq!(after(None, steps), ["a=one", "f/"]);
    assert_eq!(after(None, &format!("{steps} folder f")), ["a=one", "f/", "f/b=one"]);
}

#[test]
fn a_new_folder_needs_the_sync_of_its_parent() {
    let steps = "make f write f/a one sync f/a folder f";
    assert_eq!(after(None, steps), NOTHING);
    assert_eq!(after(None, &format!("{steps} folder .")), ["f/", "f/a=one"]);
}

#[test]
fn the_record_outlives_the_program() {
    let watched = Watched::new(None, 0);
    run(&watched, "write a one sync a folder .");
    run(&watched, "append a two write b new");
    assert_eq!(surviving(&watched), ["a=one"]);
    run(&watched, "sync a sync b folder .");
    assert_eq!(surviving(&watched), ["a=onetwo", "b=new"]);
}

#[test]
fn each_class_of_sync_can_be_left_out_alone() {
    let steps = "make f folder . write x-wal frames sync x-wal write x.db page sync x.db folder . \
                 write f/a one sync f/a folder f";
    let whole = ["f/", "f/a=one", "x-wal=frames", "x.db=page"];
    assert_eq!(after(None, steps), whole);
    assert_eq!(after(Some(Skip::Wal), steps), ["f/", "f/a=one", "x-wal=", "x.db=page"]);
    assert_eq!(after(Some(Skip::File), steps), ["f/", "f/a=", "x-wal=frames", "x.db=page"]);
    assert_eq!(after(Some(Skip::Dir), steps), ["f/", "x-wal=frames", "x.db=page"]);
}

#[test]
fn files_outside_the_folder_are_not_watched() {
    assert_eq!(after(None, "write ../data-beside one sync ../data-beside folder .. remove ../data-beside"), NOTHING);
}
