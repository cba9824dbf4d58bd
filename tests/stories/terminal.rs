//! `bench` at a real pseudo-terminal: keys, arrows, widths, and the terminal left as it was.

use super::run::{Folder, command, first_step};
use halfsplit::job::{Diagnosis, EndState, JobCard, Proposal};
use halfsplit::rules::{Cause, Effect, Rules, Strength};
use halfsplit::text::Source;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};
use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::process::{Child, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// A program at a terminal, and somebody who types.
pub struct Seat {
    child: Child,
    keyboard: File,
    seen: Arc<Mutex<Vec<u8>>>,
    /// Reads the screen until nobody writes to it any more.
    reader: Option<JoinHandle<()>>,
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
        let reader = std::thread::spawn(move || {
            let mut part = [0; 4096];
            while let Ok(n) = screen.read(&mut part) {
                if n == 0 {
                    break;
                }
                sink.lock().unwrap().extend_from_slice(&part[..n]);
            }
        });
        Self { child, keyboard, seen, reader: Some(reader), read_up_to: 0 }
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
                // What it wrote last may still be on its way.
                self.reader.take().map(JoinHandle::join).transpose().unwrap();
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

impl Drop for Seat {
    fn drop(&mut self) {
        // A test that failed leaves nobody sitting there.
        let _ = self.child.kill();
        let _ = self.child.wait();
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
    let (check, words) = first_step(CARD);
    seat.prompt();
    seat.type_keys("\u{1b}[B");
    seat.expect(&format!("> {}", words[0]));
    seat.type_keys("\u{1b}[B");
    seat.expect(&format!("> {}", words[1]));
    seat.type_keys("\u{1b}[A\u{1b}[A");
    seat.expect(&format!("> {}", words[words.len() - 1]));
    seat.type_keys("\u{1b}[B\r");
    seat.expect(&format!("Noted 1: {check}={}", words[0]));
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
    assert!(folder.text("job.yaml").contains(&format!("check: {check}, answer: {}}}", words[0])));

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

/// A unit with one fault, as the rules have it: what it brings about in more than half of the cases, it shows.
struct Truth {
    fault: &'static str,
    abnormal: Vec<(String, String)>,
}

impl Truth {
    fn of(fault: &'static str) -> Self {
        let rules = Rules::builtin().unwrap();
        let mut acting = vec![Cause::Fault(rules.find_fault(fault).unwrap())];
        let mut abnormal = Vec::new();
        let mut next = 0;
        while let Some(cause) = acting.get(next).copied() {
            next += 1;
            for (_, link) in rules.links_from(cause).filter(|(_, l)| l.strength.total() > 0.5) {
                match link.to {
                    Effect::Condition(c) if !acting.contains(&Cause::Condition(c)) => {
                        acting.push(Cause::Condition(c))
                    }
                    Effect::Condition(_) => {}
                    Effect::Check(c) => {
                        let check = rules.check(c);
                        let answer = match &link.strength {
                            Strength::Plain(_) => 1,
                            Strength::Graded(shares) => {
                                let best = shares
                                    .iter()
                                    .enumerate()
                                    .skip(1)
                                    .max_by(|a, b| a.1.get().total_cmp(&b.1.get()));
                                best.unwrap().0
                            }
                        };
                        abnormal.push((check.id.clone(), check.answers[answer].clone()));
                    }
                }
            }
        }
        Self { fault, abnormal }
    }

    /// What the unit answers to the step that stands on the card's next line.
    fn answer(&self, step: &Proposal) -> Option<String> {
        if let Some(remedy) = &step.remedy {
            let cures = remedy.faults.iter().any(|f| f == self.fault);
            return Some(if cures { "cured" } else { "no-change" }.into());
        }
        let check = step.check.as_ref()?;
        let known = self.abnormal.iter().find(|(id, _)| *id == check.id).map(|(_, answer)| answer.clone());
        Some(known.unwrap_or_else(|| check.answers[0].clone()))
    }
}

#[test]
fn a_fresh_silent_build_goes_from_bench_to_close() {
    let folder = Folder::new();
    folder.put("job.yaml", CARD);
    let truth = Truth::of("supply-wire-open");
    let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 100, "xterm");
    let mut steps = 0;
    loop {
        seat.prompt();
        let job = JobCard::read(&Source::new("job.yaml", folder.text("job.yaml"))).unwrap();
        let step = Diagnosis::of(Rules::builtin().unwrap(), job).unwrap().next(0).unwrap();
        let Some(answer) = truth.answer(&step) else { break };
        steps += 1;
        assert!(steps < 60, "no end in sight:\n{}", folder.text("job.yaml"));
        seat.type_keys(&format!("{answer}\r"));
    }
    assert!(seat.all().contains("That's it: the unit works"), "{}", seat.all());
    seat.type_keys("close\r");
    seat.say(truth.fault);
    seat.say("");
    assert_eq!(seat.end(), 0, "{}", seat.all());
    let text = folder.text("job.yaml");
    let card = JobCard::read(&Source::new("job.yaml", text.as_str())).unwrap().card;
    let outcome = card.outcome.unwrap();
    assert_eq!(outcome.end, EndState::Mended);
    assert_eq!(outcome.faults[0].value, truth.fault);
    assert!(outcome.did.is_some(), "Enter alone takes the remedy's words");
    assert_eq!(card.findings.len(), steps, "one finding a step:\n{text}");
    println!("mended after {steps} steps");
}

#[test]
fn ctrl_c_and_termination_leave_terminal_and_card_whole() {
    for how in ["ctrl-c", "ctrl-d", "terminate"] {
        let folder = Folder::new();
        folder.put("job.yaml", CARD);
        let mut seat = Seat::at(&folder, &["bench", "job.yaml"], 80, "xterm");
        seat.say("unsure");
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
    seat.type_keys("unsure\n");
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
        ("What kind of unit", "fuzz"),
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
