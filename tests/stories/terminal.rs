//! `bench` at a real pseudo-terminal: keys, arrows, widths, and the terminal left as it was.

use super::run::{Folder, command};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A program at a terminal, and somebody who types.
pub struct Seat {
    child: Child,
    keyboard: File,
    seen: Arc<Mutex<Vec<u8>>>,
    read_up_to: usize,
}

impl Seat {
    pub fn at(folder: &Folder, line: &[&str], columns: u16, term: &str) -> Self {
        let control = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).unwrap();
        grantpt(&control).unwrap();
        unlockpt(&control).unwrap();
        let name = ptsname(&control, Vec::new()).unwrap().into_string().unwrap();
        let side = OpenOptions::new().read(true).write(true).open(name).unwrap();
        tcsetwinsize(&side, Winsize { ws_row: 50, ws_col: columns, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
        let mut command = command(&folder.path(""), line);
        command.env_remove("COLUMNS").env("TERM", term);
        command.stdin(Stdio::from(side.try_clone().unwrap()));
        command.stdout(Stdio::from(side.try_clone().unwrap())).stderr(Stdio::from(side));
        let child = command.spawn().unwrap();
        drop(command);
        let keyboard = File::from(control);
        let seen = Arc::new(Mutex::new(Vec::new()));
        let (mut screen, sink) = (keyboard.try_clone().unwrap(), seen.clone());
        std::thread::spawn(move || {
            let mut part = [0; 4096];
            while let Ok(n) = screen.read(&mut part) {
                if n == 0 {
                    break;
                }
                sink.lock().unwrap().extend_from_slice(&part[..n]);
            }
        });
        Self { child, keyboard, seen, read_up_to: 0 }
    }

    pub fn all(&self) -> String {
        String::from_utf8_lossy(&self.seen.lock().unwrap()).into_owned()
    }

    /// Waits until a text has come up since the last one waited for.
    pub fn expect(&mut self, text: &str) {
        let start = Instant::now();
        loop {
            let seen = self.seen.lock().unwrap().clone();
            let new = String::from_utf8_lossy(&seen[self.read_up_to..]).into_owned();
            if let Some(at) = new.find(text) {
                self.read_up_to += at + text.len();
                return;
            }
            assert!(start.elapsed() < Duration::from_secs(60), "never saw {text:?} in:\n{new}");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Waits for an empty prompt that has come up since the last wait.
    pub fn prompt(&mut self) {
        const EMPTY: &[u8] = b"\r\x1b[2K> ";
        let start = Instant::now();
        let mut length = 0;
        loop {
            let seen = self.seen.lock().unwrap().clone();
            // Twice the same: nothing is being drawn any more, and keys are being read.
            if seen.len() > self.read_up_to && seen.ends_with(EMPTY) && seen.len() == length {
                self.read_up_to = length;
                return;
            }
            length = seen.len();
            assert!(start.elapsed() < Duration::from_secs(60), "no prompt in:\n{}", self.all());
            std::thread::sleep(Duration::from_millis(40));
        }
    }

    pub fn type_keys(&mut self, keys: &str) {
        self.keyboard.write_all(keys.as_bytes()).unwrap();
    }

    /// Types a line at the prompt.
    pub fn say(&mut self, line: &str) {
        self.prompt();
        self.type_keys(&format!("{line}\r"));
    }

    /// Waits for the end; returns the exit code.
    pub fn end(&mut self) -> i32 {
        let start = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code().unwrap_or(-1);
            }
            assert!(start.elapsed() < Duration::from_secs(60), "never ended:\n{}", self.all());
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Whether the terminal takes lines and echoes, as a shell wants it.
    pub fn is_as_it_was(&self) -> bool {
        let modes = tcgetattr(&self.keyboard).unwrap().local_modes;
        modes.contains(LocalModes::ICANON | LocalModes::ECHO | LocalModes::ISIG)
    }

    pub fn signal(&self, signal: rustix::process::Signal) {
        let id = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(id, signal).unwrap();
    }
}

/// What stands on the screen after all that was written: the few control signs that the command uses.
pub fn screen(written: &str) -> String {
    let (mut lines, mut column) = (vec![Vec::<char>::new()], 0);
    let mut signs = written.chars().peekable();
    while let Some(sign) = signs.next() {
        let last = lines.last_mut().unwrap();
        match sign {
            '\r' => column = 0,
            '\n' => {
                lines.push(Vec::new());
                column = 0;
            }
            '\u{1b}' => {
                assert_eq!(signs.next(), Some('['));
                let mut number = String::new();
                while let Some(d) = signs.next_if(char::is_ascii_digit) {
                    number.push(d);
                }
                match signs.next() {
                    Some('K') => last.clear(),
                    Some('D') => column -= number.parse::<usize>().unwrap(),
                    other => panic!("a control sign that no test knows: {number}{other:?}"),
                }
            }
            sign => {
                last.resize(last.len().max(column + 1), ' ');
                last[column] = sign;
                column += 1;
            }
        }
    }
    lines.iter().map(|l| l.iter().collect::<String>().trim_end().to_string() + "\n").collect()
}

const CARD: &str = "unit: Tin Lantern\nhistory: fresh-build\nbuild: stripboard\npower: battery\n\
    complaint: {words: built it last night; the LED lights but nothing is heard, symptoms: [silent]}\n\
    blocks: [transistor]\ntools: [meter, iron, spares]\n";

#[test]
fn from_bench_to_close_with_back_unsure_remark_and_arrows() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 80, "xterm-256color");
    seat.expect("Sound in bypass");
    seat.prompt();
    seat.type_keys("\u{1b}[B");
    seat.expect("> normal");
    seat.type_keys("\u{1b}[B\u{1b}[B");
    seat.expect("> silent");
    seat.type_keys("\u{1b}[A\u{1b}[A\r");
    seat.expect("Noted 1: bypass-sound=normal");
    seat.say("unsure");
    seat.expect("Noted 2: ");
    seat.say("back");
    seat.expect("Struck 2: ");
    seat.say("# the regulator is warm");
    seat.expect("The remark is on the card.");
    seat.say("stop");
    seat.expect("Everything is on the card.");
    assert_eq!(seat.end(), 0);
    assert!(seat.is_as_it_was());
    assert!(folder.text("job.yaml").contains("check: bypass-sound, answer: normal}"));

    let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 80, "xterm-256color");
    seat.expect("Resumed with 1 finding.");
    seat.say("close");
    seat.expect("What was wrong?");
    seat.say("regulator-turned");
    seat.expect("yes or no");
    seat.say("y");
    seat.expect("What was done?");
    seat.say("turned the regulator");
    seat.expect("Closed.");
    assert_eq!(seat.end(), 0);
    let text = folder.text("job.yaml");
    assert!(text.contains("end: mended, faults: [regulator-turned], did: turned the regulator"), "{text}");
    assert!(text.starts_with(CARD), "{text}");
}

#[test]
fn a_fresh_silent_build_is_mended_step_by_step() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 100, "xterm");
    let mut steps = 0;
    // The unit's one fault: the board gets no supply, since the lead is off. Whatever else is asked is healthy.
    loop {
        seat.prompt();
        let card = folder.text("job.yaml");
        let shown = seat.all();
        let last = shown.rsplit("Under suspicion").next().unwrap().to_string();
        if shown.contains("'close' records the outcome") {
            break;
        }
        steps += 1;
        assert!(steps < 60, "no end in sight:\n{card}");
        let answer = if last.contains("\nMend: ") || last.contains("Do it, try the unit") {
            if last.to_lowercase().contains("supply") || last.contains("lead") {
                "cured"
            } else {
                "no-change"
            }
        } else if last.contains("Supply at the board") || last.contains("supply plus of the board") {
            "0.02V"
        } else {
            // The normal answer stands first on the last line.
            let line = last
                .lines()
                .rev()
                .find(|l| l.starts_with("1 ") || l.contains(" of: ") || l.starts_with("In a word: "));
            let line = line.unwrap_or_else(|| panic!("no answers in {last}")).to_string();
            let word = line
                .rsplit(": ")
                .next()
                .unwrap()
                .trim_start_matches("1 ")
                .split(", ")
                .next()
                .unwrap()
                .trim()
                .to_string();
            seat.type_keys(&format!("{word}\r"));
            continue;
        };
        seat.type_keys(&format!("{answer}\r"));
    }
    seat.type_keys("stop\r");
    assert_eq!(seat.end(), 0);
    assert!(folder.text("job.yaml").contains("check:"));
}

#[test]
fn ctrl_c_and_termination_leave_terminal_and_card_whole() {
    for how in ["ctrl-c", "ctrl-d", "terminate"] {
        let folder = Folder::new();
        folder.put("job.yaml", CARD);
        let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 80, "xterm");
        seat.say("1");
        seat.expect("Noted 1: ");
        seat.prompt();
        match how {
            "ctrl-c" => seat.type_keys("half a wo\u{3}"),
            "ctrl-d" => seat.type_keys("\u{4}"),
            _ => seat.signal(rustix::process::Signal::TERM),
        }
        assert_eq!(seat.end(), if how == "terminate" { 130 } else { 0 }, "{how}:\n{}", seat.all());
        assert!(seat.is_as_it_was(), "{how}");
        assert_eq!(folder.text("job.yaml").matches("check:").count(), 1, "{how}");
        assert_eq!(folder.names(), ["job.yaml"], "{how}");
    }
}

#[test]
fn a_dumb_terminal_gets_plain_lines() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 80, "dumb");
    seat.expect("\n> ");
    seat.type_keys("1\n");
    seat.expect("Noted 1: ");
    seat.expect("\n> ");
    seat.type_keys("stop\n");
    assert_eq!(seat.end(), 0);
    assert!(!seat.all().contains('\u{1b}'), "{}", seat.all());
}

#[test]
fn open_asks_at_a_terminal() {
    let folder = Folder::new();
    let mut seat = Seat::at(&folder, &["open", "job.yaml", "--tools", "meter"], 80, "xterm");
    for (question, answer) in [
        ("Has it ever worked?", "\u{1b}[B"),
        ("What powers it?", "battery"),
        ("How is it built?", "2"),
        ("What is heard", "no sound at all"),
        ("Which of these blocks", "transistor"),
    ] {
        seat.expect(question);
        seat.say(answer);
    }
    assert_eq!(seat.end(), 0, "{}", seat.all());
    let text = folder.text("job.yaml");
    assert!(text.contains("history: fresh-build\nbuild: stripboard\npower: battery"), "{text}");
    let mut seat = Seat::at(&folder, &["open", "other.yaml"], 80, "xterm");
    seat.expect("Has it ever worked?");
    seat.prompt();
    seat.type_keys("\u{3}");
    assert_eq!(seat.end(), 1);
    assert_eq!(folder.names(), ["job.yaml"], "no card of a broken-off opening");
}
