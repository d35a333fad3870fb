//! A program that holds a service for this process: told line by line what to do, it answers each with a word, and takes the service
//! away when its pipe closes, however this process ends.

use std::ffi::OsStr;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdout, Command, Stdio};

/// Runs a program in a folder, ends and begins it as it is told, and takes the folder away with it. The program is killed, not told
/// to stop: whoever asks for a stop asks for a crash.
const SHELL: &str = r#"
trap '' INT TERM HUP
folder=$1; shift
cd "$folder" || exit 1
begin() { "$@" >>"$folder/log" 2>&1 & server=$!; echo begun; }
end() { [ -n "$server" ] && kill -KILL "$server" && wait "$server"; server=; }
begin "$@"
while read -r told; do
    case $told in stop) end; echo stopped ;; start) begin "$@" ;; esac
done
end 2>/dev/null
cd / && rm -rf "$folder"
"#;

#[derive(Debug)]
pub(crate) struct Held {
    child: Child,
    out: BufReader<ChildStdout>,
}

impl Held {
    /// Holds a program that serves: started, with a folder of its own that goes when it goes.
    pub(crate) fn serving(folder: &Path, command: &[&OsStr], environment: &[(&str, &str)]) -> Held {
        let mut shell = Command::new("sh");
        let shell = shell.args(["-c", SHELL, "sh"]).arg(folder).args(command).envs(environment.iter().copied());
        let mut held = Held::start(shell);
        held.expect("begun");
        held
    }

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
