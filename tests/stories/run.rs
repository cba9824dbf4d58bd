//! A run of the command: temporary folder, cleaned environment, what it said and how it ended.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

/// A folder to run in.
pub struct Folder(tempfile::TempDir);

/// What a run said and how it ended.
pub struct Ran {
    pub out: String,
    pub err: String,
    pub code: i32,
}

impl Folder {
    pub fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    pub fn put(&self, name: &str, text: &str) -> &Self {
        std::fs::write(self.path(name), text).unwrap();
        self
    }

    pub fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    /// Names of all that lies in the folder, hidden files too.
    pub fn names(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(self.0.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }

    pub fn command(&self, line: &[&str]) -> Command {
        command(self.0.path(), line)
    }

    /// Runs with nothing on stdin.
    pub fn run(&self, line: &[&str]) -> Ran {
        self.run_with("", line)
    }

    /// Runs with a text on stdin.
    pub fn run_with(&self, stdin: &str, line: &[&str]) -> Ran {
        ran(self.command(line), stdin)
    }
}

/// The command in a folder, without whatever in the environment could sway it.
pub fn command(folder: &Path, line: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_halfsplit"));
    command.current_dir(folder).args(line).env_clear().env("PATH", "/usr/bin:/bin").env("COLUMNS", "80");
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

pub fn ran(mut command: Command, stdin: &str) -> Ran {
    let mut child = command.spawn().unwrap();
    // A command that ends before it has read everything closes the pipe.
    let _ = child.stdin.take().unwrap().write_all(stdin.as_bytes());
    let Output { status, stdout, stderr } = child.wait_with_output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Ran { out: text(stdout), err: text(stderr), code: status.code().unwrap_or(-1) }
}

impl Ran {
    /// Asserts the exit code; shows all that was said where it is another.
    pub fn ends(self, code: i32) -> Self {
        assert_eq!(self.code, code, "stdout:\n{}\nstderr:\n{}", self.out, self.err);
        self
    }
}

/// The step that comes first on a card with the built-in rules: its id and the words that answer it.
pub fn first_step(card: &str) -> (String, Vec<String>) {
    use halfsplit::job::{Diagnosis, JobCard, Retest};
    let job = JobCard::read(&halfsplit::text::Source::new("job.yaml", card)).unwrap();
    let step = Diagnosis::of(halfsplit::rules::Rules::builtin().unwrap(), job).unwrap().next(0).unwrap();
    match (step.check, step.remedy) {
        (Some(check), _) => (check.id.clone(), check.words()),
        (None, Some(remedy)) => (remedy.id, Retest::ALL.map(|(word, _)| word.to_string()).to_vec()),
        (None, None) => panic!("no step on {card}"),
    }
}

/// A comment-rich card as a person may write it.
pub const BY_HAND: &str = "\
# my first echo -- keep!
unit: Tin Lantern   # the blue box
history: fresh-build

complaint:
  words: dead, but the LED lights   # says Ida
  symptoms: [silent]
findings:   # of the first evening
  # bypass first
  - {check: bypass-sound, answer: normal}   # loud and clear

  - check: battery-volts-unknown   # struck below
    answer: high
    struck: never mind
tools: [meter, iron, spares]   # no scope
blocks: [transistor]
# to do: ask for the drawing
";
