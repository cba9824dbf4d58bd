//! Input that grows: pieces of the corpus, changed at random.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};
use std::path::Path;
use std::time::{Duration, Instant};

/// A source of inputs.
pub struct Grower {
    dice: ChaCha8Rng,
    seeds: Vec<Vec<u8>>,
    words: &'static [&'static str],
}

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

impl Grower {
    /// Seeds are the given texts and the files of the corpus whose names begin with `target`.
    pub fn new(target: &str, texts: &[&str], words: &'static [&'static str]) -> Self {
        let mut seeds: Vec<Vec<u8>> = texts.iter().map(|t| t.as_bytes().to_vec()).collect();
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus");
        let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
        files.sort();
        for file in files {
            if file.file_name().unwrap().to_string_lossy().starts_with(target) {
                seeds.push(std::fs::read(file).unwrap());
            }
        }
        Self { dice: ChaCha8Rng::seed_from_u64(number("FUZZ_SEED", 1)), seeds, words }
    }

    fn below(&mut self, n: usize) -> usize {
        (self.dice.next_u64() % n.max(1) as u64) as usize
    }

    /// The next input: a seed with up to a dozen changes.
    pub fn next(&mut self) -> Vec<u8> {
        let at = self.below(self.seeds.len());
        let mut bytes = self.seeds[at].clone();
        for _ in 0..self.below(12) {
            let at = self.below(bytes.len() + 1);
            let to = (at + self.below(20)).min(bytes.len());
            match self.below(7) {
                0 if at < bytes.len() => bytes[at] = self.dice.next_u64() as u8,
                1 => drop(bytes.drain(at..to)),
                2 => {
                    let piece = bytes[at..to].to_vec();
                    let there = self.below(bytes.len() + 1);
                    bytes.splice(there..there, piece);
                }
                3 | 4 => {
                    let word = self.words[self.below(self.words.len())];
                    bytes.splice(at..at, word.bytes());
                }
                5 => {
                    let other = self.below(self.seeds.len());
                    let from = self.below(self.seeds[other].len());
                    let piece: Vec<u8> = self.seeds[other][from..].iter().copied().take(80).collect();
                    bytes.splice(at..at, piece);
                }
                _ => {
                    // A line goes, or comes twice.
                    let lines: Vec<&[u8]> = bytes.split_inclusive(|b| *b == b'\n').collect();
                    let (from, to) = (self.dice.next_u64() as usize, self.dice.next_u64() as usize);
                    if !lines.is_empty() {
                        let line = lines[from % lines.len()].to_vec();
                        let at: usize = lines[..to % lines.len()].iter().map(|l| l.len()).sum();
                        bytes.splice(at..at, line);
                    }
                }
            }
        }
        bytes
    }
}

/// The most memory the process has held so far, in megabytes; nothing where the system doesn't say.
fn peak_megabytes() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

/// Processor time that this process has taken so far; nothing where the system doesn't say. The system counts in hundredths of a
/// second.
fn processor_time() -> Option<Duration> {
    let stat = std::fs::read_to_string("/proc/self/stat").ok()?;
    let mut fields = stat.rsplit_once(')')?.1.split_whitespace().skip(11);
    let ticks = fields.next()?.parse::<u64>().ok()? + fields.next()?.parse::<u64>().ok()?;
    Some(Duration::from_millis(ticks * 10))
}

/// Whether an input takes more than a second's work, three times in a row. Told by the processor's time, which a busy machine does
/// not stretch; other targets that run beside this one count too, so it is looked at in runs by hand only.
fn hangs(input: &[u8], one: &mut impl FnMut(&[u8]) -> bool) -> bool {
    std::env::var_os("FUZZ_SECONDS").is_some()
        && (0..3).all(|_| {
            let begun = processor_time();
            one(input);
            let took = begun.and_then(|begun| processor_time()?.checked_sub(begun));
            took.is_some_and(|took| took > Duration::from_secs(1))
        })
}

/// Runs a target until its time is up; says how many inputs it took, how many of them it counted as good, how long the
/// slowest took by the clock on the wall (a busy machine makes it longer), and the most memory held.
pub fn run(target: &str, mut grower: Grower, mut one: impl FnMut(&[u8]) -> bool) {
    let start = Instant::now();
    let time = Duration::from_secs(number("FUZZ_SECONDS", 3));
    let (mut inputs, mut good) = (0_u64, 0_u64);
    let mut slowest = (Duration::ZERO, Vec::new());
    for seed in grower.seeds.clone() {
        one(&seed);
    }
    while start.elapsed() < time {
        let input = grower.next();
        let begun = Instant::now();
        let ended = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| one(&input)));
        match ended {
            Ok(true) => good += 1,
            Ok(false) => {}
            Err(_) => panic!("{target} fails on {:?}", String::from_utf8_lossy(&input)),
        }
        let took = begun.elapsed();
        let hung =
            took > Duration::from_secs(20) || (took > Duration::from_secs(1) && hangs(&input, &mut one));
        assert!(!hung, "{target} hangs on {:?}", String::from_utf8_lossy(&input));
        if took > slowest.0 {
            slowest = (took, input);
        }
        inputs += 1;
    }
    println!("{target}: {inputs} inputs in {} s, {good} of them good", start.elapsed().as_secs());
    println!(
        "{target}: slowest {:.3} s on {:?}",
        slowest.0.as_secs_f64(),
        String::from_utf8_lossy(&slowest.1)
    );
    if let Some(peak) = peak_megabytes() {
        println!("{target}: peak memory {peak} MB");
        assert!(peak < 200, "{target}: {peak} MB of memory");
    }
    assert!(good > 0, "{target}: every input was refused; the target tests nothing");
}
