//! A program that holds a service for this process: told line by line what to do, it answers each with a word, and takes the service
//! away when its pipe closes, however this process ends.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdout, Command, Stdio};

#[derive(Debug)]
pub(crate) struct Held {
    child: Child,
    out: BufReader<ChildStdout>,
}

impl Held {
    /// Starts it.
    pub(crate) fn start(command: &mut Command) -> Held {
        let started = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
        let mut child = started.expect("start what holds the service");
        let out = BufReader::new(child.stdout.take().expect("a piped standard output"));
        Held { child, out }
    }

    pub(crate) fn tell(&mut self, what: &str) {
        writeln!(self.child.stdin.as_mut().expect("a piped standard input"), "{what}").expect("it hears");
    }

    /// Waits for its word.
    pub(crate) fn expect(&mut self, what: &str) {
        let mut line = String::new();
        self.out.read_line(&mut line).expect("it answers");
        assert_eq!(line.trim(), what, "the service did not do what it was told; what it logged stands above");
    }
}

impl Drop for Held {
    fn drop(&mut self) {
        drop(self.child.stdin.take());
        let _ = self.child.wait();
    }
}
