//! Killed at any moment, the card holds every answer that was acknowledged, and is a card.
//!
//! HALFSPLIT_KILLS sets how often (default 12, so that the gate stays quick); HALFSPLIT_SEED where the moments start.

use super::run::Folder;
use halfsplit::job::JobCard;
use halfsplit::text::Source;
use std::io::{Read, Write};
use std::time::Duration;

fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

/// A small generator with an explicit seed (xorshift64*, Vigna 2016).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) % n
    }
}

const LINES: [&str; 9] =
    ["1", "unsure", "2", "# warm to the touch", "back", "no tool", "unsure", "later", "1"];

/// `(check, answer, struck)` of every finding, the remarks and the skipped checks.
fn content(text: &str) -> (Vec<(String, String, bool)>, usize, usize) {
    let card = JobCard::read(&Source::new("job.yaml", text)).unwrap_or_else(|e| panic!("{e}\n{text}")).card;
    let finding =
        |f: &halfsplit::job::CardFinding| (f.check.value.clone(), f.answer.value.clone(), f.struck.is_some());
    (card.findings.iter().map(finding).collect(), card.remarks.len(), card.skip.len())
}

#[test]
fn killed_at_any_moment_the_card_is_whole_and_up_to_date() {
    let kills = number("HALFSPLIT_KILLS", 12);
    let mut dice = Dice(number("HALFSPLIT_SEED", 20261124).max(1));
    let start = "# keep\nunit: Tin Lantern\nhistory: fresh-build\npower: adaptor\ncomplaint: {symptoms: [no-echo]}\ntools: [meter]\n";
    let folder = Folder::new();
    // A small pack answers fast, so that most kills fall between two answers and into the writing.
    folder.put("lantern.yaml", include_str!("../data/packs/lantern.yaml"));
    let (mut acknowledged, mut killed, mut talking, mut round) = (0, 0, 0, 0);
    folder.put("job.yaml", start);
    // A conversation that came to its end by itself before the kill doesn't count.
    while killed < kills {
        round += 1;
        assert!(round < 100 + 10 * kills, "only {killed} of {round} conversations were there to be killed");
        let card = JobCard::read(&Source::new("job.yaml", folder.text("job.yaml"))).unwrap().card;
        if round % 10 == 0 || card.outcome.is_some() {
            folder.put("job.yaml", start);
        }
        let (before, remarks, skips) = content(&folder.text("job.yaml"));
        let mut child = folder
            .command(&["--rules", "lantern.yaml", "--bare", "bench", "job.yaml", "--plain"])
            .spawn()
            .unwrap();
        let mut stdin = child.stdin.take().unwrap();
        let script: String = (0..60).map(|_| format!("{}\n", LINES[dice.below(9) as usize])).collect();
        // Fits into the pipe at once, and the pipe is held open: the conversation ends by the kill alone.
        if let Err(e) = stdin.write_all(script.as_bytes()) {
            let ended = child.wait_with_output().unwrap();
            panic!("round {round}: {e}; {}\n{}", ended.status, String::from_utf8_lossy(&ended.stderr));
        }
        let mut stdout = child.stdout.take().unwrap();
        let (begun, first) = std::sync::mpsc::channel();
        let reading = std::thread::spawn(move || {
            let (mut out, mut part) = (Vec::new(), [0; 4096]);
            while let Ok(n @ 1..) = stdout.read(&mut part) {
                out.extend_from_slice(&part[..n]);
                let _ = begun.send(());
            }
            String::from_utf8(out).unwrap()
        });
        // One in eight while it starts; else shortly after some later piece of what it says, so that the moments spread over
        // the conversation however slow the machine is. A step comes in some twenty pieces.
        if dice.below(8) > 0 {
            for _ in 0..=dice.below(150) {
                if first.recv_timeout(Duration::from_millis(300)).is_err() {
                    break;
                }
            }
        }
        std::thread::sleep(Duration::from_micros(dice.below(20_000)));
        let alive = child.try_wait().unwrap().is_none();
        child.kill().unwrap();
        child.wait().unwrap();
        let out = reading.join().unwrap();
        drop(stdin);
        let text = folder.text("job.yaml");
        assert!(text.starts_with(start), "round {round}: what was there stays\n{text}");
        let (after, remarks_now, skips_now) = content(&text);
        for (i, (check, answer, _)) in before.iter().enumerate() {
            assert_eq!((&after[i].0, &after[i].1), (check, answer), "round {round}");
        }
        for said in out.lines() {
            if let Some((n, finding)) = said.strip_prefix("Noted ").and_then(|s| s.split_once(": ")) {
                let at = &after[n.parse::<usize>().unwrap() - 1];
                let noted = format!("{}={}", at.0, at.1);
                // Behind it stands what a reading was taken for.
                let rest = finding.strip_prefix(&noted);
                assert!(
                    rest.is_some_and(|r| r.is_empty() || r.starts_with([':', ';'])),
                    "round {round}: acknowledged, so on the card: {finding}, {noted}"
                );
                acknowledged += 1;
            }
            if let Some((n, _)) = said.strip_prefix("Struck ").and_then(|s| s.split_once(": ")) {
                assert!(after[n.parse::<usize>().unwrap() - 1].2, "round {round}: struck, so crossed out");
            }
        }
        let noted = out.matches("\nNoted ").count();
        assert!((noted..=noted + 1).contains(&(after.len() - before.len())), "round {round}: {out}");
        killed += u64::from(alive);
        talking += u64::from(alive && noted > 0);
        let remarked = out.matches("The remark is on the card.").count();
        assert!((remarked..=remarked + 1).contains(&(remarks_now - remarks)), "round {round}");
        let skipped = out.matches("\nLeft out of this job: ").count();
        assert!((skipped..=skipped + 1).contains(&(skips_now - skips)), "round {round}");
    }
    assert!(
        acknowledged > kills / 2,
        "only {acknowledged} answers in {kills} runs: too few to tell anything"
    );
    println!(
        "{killed} kills in {round} conversations, {talking} of them after an answer of their session; {acknowledged} findings acknowledged, all on the card"
    );
    folder.run_with("stop\n", &["--rules", "lantern.yaml", "--bare", "bench", "job.yaml"]).ends(0);
    assert_eq!(
        folder.names(),
        ["job.yaml", "lantern.yaml"],
        "the next session clears away what killed ones left"
    );
}
