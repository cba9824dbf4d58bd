//! What the tool declines: mains and high voltage, by the words that give them away.
//!
//! The words are data (`rules/scope.yaml`), read with every card and board whatever packs are loaded. A card or board on which one of
//! them stands, or a figure of volts above [`MOST_VOLTS`], is out of scope until it says something else.

use crate::text::{Complaints, Source, decode, parse};
use serde::Deserialize;
use std::ops::Range;
use std::sync::OnceLock;

/// Highest voltage that the tool deals with, volts; below the 60 V DC that count as safe to touch where it is dry (IEC 61140, as
/// commonly cited).
pub const MOST_VOLTS: f64 = 50.0;

/// Why a unit is declined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Danger {
    /// Mains voltage inside.
    Mains,
    /// Valve or other high voltage inside.
    HighVoltage,
}

/// A sign of danger in a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sign {
    /// Of what.
    pub danger: Danger,
    /// The words as they stand there.
    pub words: String,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct Written {
    #[allow(dead_code)] // read for whoever opens the file
    scope: String,
    #[allow(dead_code)] // read for whoever opens the file
    about: String,
    #[allow(dead_code)] // read for whoever opens the file
    source: String,
    denied: Vec<String>,
    signs: Vec<WrittenSign>,
    ratings: Vec<String>,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct WrittenSign {
    kind: Danger,
    words: Vec<String>,
    #[serde(default)]
    behind: Vec<String>,
    #[serde(default)]
    before: Vec<String>,
    #[serde(default)]
    elsewhere: Vec<String>,
}

/// Words in a row, as they are looked for.
#[derive(Debug)]
struct Phrase(Vec<(String, bool)>);

impl Phrase {
    fn of(text: &str) -> Self {
        let word = |w: &str| match w.strip_suffix('*') {
            Some(start) => (start.to_lowercase(), true),
            None => (w.to_lowercase(), false),
        };
        Self(text.split_whitespace().map(word).collect())
    }

    /// Whether it stands at a place of a text.
    fn stands_at(&self, words: &[Word<'_>], at: usize) -> bool {
        let fits = |(part, word): (&(String, bool), &Word<'_>)| match part.1 {
            true => word.lower.starts_with(&part.0),
            false => word.lower == part.0,
        };
        words.len() >= at + self.0.len() && self.0.iter().zip(&words[at..]).all(fits)
    }

    /// Whether it stands within a stretch of a text.
    fn stands_in(&self, words: &[Word<'_>], from: usize, to: usize) -> bool {
        let last = to.min(words.len()).saturating_sub(self.0.len() - 1);
        (from..last).any(|at| self.stands_at(words, at))
    }
}

#[derive(Debug)]
struct Entry {
    danger: Danger,
    words: Vec<Phrase>,
    behind: Vec<Phrase>,
    before: Vec<Phrase>,
    elsewhere: Vec<Phrase>,
}

/// The signs of danger. See the module.
#[derive(Debug)]
pub struct Scope {
    denied: Vec<Phrase>,
    signs: Vec<Entry>,
    ratings: Vec<Phrase>,
}

const FILE: &str = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/rules/scope.yaml"));

/// How far in front of a sign, behind it, and about a figure other words are looked at.
const BEHIND: usize = 3;
const BEFORE: usize = 3;
const ABOUT: usize = 4;
/// How much of a text is looked at; a card has no longer ones.
const LONGEST: usize = 100_000;

/// A word of a text: letters and digits in a row.
struct Word<'t> {
    lower: String,
    text: &'t str,
    from: usize,
}

fn words(text: &str) -> Vec<Word<'_>> {
    let mut out = Vec::new();
    let mut start = None;
    for (i, c) in text.char_indices().chain([(text.len(), ' ')]) {
        match (c.is_alphanumeric(), start) {
            (true, None) => start = Some(i),
            (false, Some(from)) => {
                out.push(Word { lower: text[from..i].to_lowercase(), text, from });
                start = None;
            }
            _ => {}
        }
    }
    out
}

impl Scope {
    /// The signs that ship.
    ///
    /// # Errors
    /// When the shipped file is at fault; a test keeps that from happening.
    pub fn builtin() -> Result<&'static Self, Complaints> {
        static SCOPE: OnceLock<Result<Scope, Complaints>> = OnceLock::new();
        SCOPE
            .get_or_init(|| Self::read(&Source::new("rules/scope.yaml", FILE)))
            .as_ref()
            .map_err(Clone::clone)
    }

    fn read(source: &Source) -> Result<Self, Complaints> {
        let written: Written = decode(&parse(source)?)?;
        let phrases = |list: &[String]| list.iter().map(|p| Phrase::of(p)).collect::<Vec<_>>();
        let entry = |s: &WrittenSign| Entry {
            danger: s.kind,
            words: phrases(&s.words),
            behind: phrases(&s.behind),
            before: phrases(&s.before),
            elsewhere: phrases(&s.elsewhere),
        };
        Ok(Self {
            signs: written.signs.iter().map(entry).collect(),
            denied: phrases(&written.denied),
            ratings: phrases(&written.ratings),
        })
    }

    /// The first sign of danger in a text.
    ///
    /// ```
    /// use halfsplit::rules::{Danger, Scope};
    /// let scope = Scope::builtin()?;
    /// assert_eq!(scope.sign("the mains transformer hums").map(|s| s.danger), Some(Danger::Mains));
    /// assert_eq!(scope.sign("plates at 250 V").map(|s| s.words).as_deref(), Some("250 V"));
    /// assert!(scope.sign("a deep mains hum, worse through my valve amp").is_none());
    /// assert!(scope.sign("C3 is a 400 V film capacitor").is_none());
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn sign(&self, text: &str) -> Option<Sign> {
        let text = match text.char_indices().nth(LONGEST) {
            Some((end, _)) => &text[..end],
            None => text,
        };
        let words = words(text);
        self.in_words(&words)
            .into_iter()
            .chain(self.in_figures(text, &words))
            .min_by_key(|(at, _)| *at)
            .map(|(_, s)| s)
    }

    fn in_words(&self, words: &[Word<'_>]) -> Option<(usize, Sign)> {
        let mut first: Option<(usize, Sign)> = None;
        for entry in &self.signs {
            let elsewhere = || entry.elsewhere.iter().any(|p| p.stands_in(words, 0, words.len()));
            for at in 0..words.len() {
                if first.as_ref().is_some_and(|(from, _)| words[at].from >= *from) {
                    break;
                }
                let Some(phrase) = entry.words.iter().find(|p| p.stands_at(words, at)) else { continue };
                let end = at + phrase.0.len();
                let clause = self.clause(words, at, end);
                let other = self.denies(words, at)
                    || entry.behind.iter().any(|p| {
                        p.stands_in(words, at.saturating_sub(BEHIND.max(p.0.len())).max(clause.start), at)
                    })
                    || entry.before.iter().any(|p| p.stands_in(words, end, (end + BEFORE).min(clause.end)))
                    || elsewhere();
                if !other {
                    let last = &words[end - 1];
                    let to = last.from + word_length(&last.text[last.from..]);
                    let sign =
                        Sign { danger: entry.danger, words: last.text[words[at].from..to].to_string() };
                    first = Some((words[at].from, sign));
                }
            }
        }
        first
    }

    /// The words that can say something of those from `at` to `end`: up to a comma or another stop on either side, and up to a denial
    /// behind them ('12AX7, no sound' is no word of how it sounds).
    fn clause(&self, words: &[Word<'_>], at: usize, end: usize) -> Range<usize> {
        let stops = |i: usize| {
            let (before, after) = (&words[i - 1], &words[i]);
            let gap = &after.text[before.from + word_length(&before.text[before.from..])..after.from];
            gap.contains([',', ';', ':', '!', '?', '(', ')', '\n']) || gap.contains(". ")
        };
        let start = (1..=at).rev().find(|i| stops(*i)).unwrap_or(0);
        let denied = |i: usize| self.denied.iter().any(|p| p.stands_at(words, i));
        let stop = (end..words.len()).find(|i| stops(*i) || denied(*i)).unwrap_or(words.len());
        start..stop
    }

    /// Whether what stands at a place is denied.
    fn denies(&self, words: &[Word<'_>], at: usize) -> bool {
        let article = at > 0 && ["a", "an", "any", "the"].contains(&words[at - 1].lower.as_str());
        let ends_at =
            |p: &Phrase, end: usize| end >= p.0.len() && p.stands_at(&words[..end], end - p.0.len());
        self.denied.iter().any(|p| ends_at(p, at) || (article && ends_at(p, at - 1)))
    }

    fn in_figures(&self, text: &str, words: &[Word<'_>]) -> Option<(usize, Sign)> {
        figures(text).into_iter().find_map(|(from, to, volts)| {
            let at = words.iter().position(|w| w.from >= from)?;
            let about = |p: &Phrase| p.stands_in(words, at.saturating_sub(ABOUT), at + 1 + ABOUT);
            (volts > MOST_VOLTS && !self.ratings.iter().any(about))
                .then(|| (from, Sign { danger: Danger::HighVoltage, words: text[from..to].to_string() }))
        })
    }
}

fn word_length(text: &str) -> usize {
    text.find(|c: char| !c.is_alphanumeric()).unwrap_or(text.len())
}

/// Every figure of volts in a text: where it begins and ends, and the volts; of `+/-` and `±` those from end to end.
fn figures(text: &str) -> Vec<(usize, usize, f64)> {
    const UNITS: [&str; 9] = ["v", "vac", "vdc", "volt", "volts", "vrms", "kv", "kilovolt", "kilovolts"];
    let bytes = text.as_bytes();
    let mut out = Vec::new();
    let mut i = 0;
    while i < bytes.len() {
        let inside = i > 0 && (bytes[i - 1].is_ascii_alphanumeric() && !matches!(bytes[i - 1], b'x' | b'X'));
        if !bytes[i].is_ascii_digit() || inside || (i > 0 && matches!(bytes[i - 1], b'.' | b',')) {
            i += 1;
            continue;
        }
        let from = i;
        while i < bytes.len()
            && (bytes[i].is_ascii_digit()
                || (matches!(bytes[i], b'.' | b',') && bytes.get(i + 1).is_some_and(u8::is_ascii_digit)))
        {
            i += 1;
        }
        let digits = &text[from..i];
        // Three noughts behind a comma are thousands: nobody says of one volt that it is 1,000 V.
        let digits =
            if digits.ends_with(",000") { digits.replace(',', "") } else { digits.replace(',', ".") };
        let number = digits.parse::<f64>();
        let mut unit_at = i;
        for gap in [" ", "\u{a0}", "\u{202f}", "-"] {
            if text[i..].starts_with(gap) {
                unit_at = i + gap.len();
                break;
            }
        }
        let length = text[unit_at..].find(|c: char| !c.is_alphanumeric()).unwrap_or(text.len() - unit_at);
        let unit = text[unit_at..unit_at + length].to_lowercase();
        let thousand = if unit.starts_with('k') { 1000.0 } else { 1.0 };
        if let (Ok(number), true) = (number, UNITS.contains(&unit.as_str())) {
            let lead = text[..from].trim_end_matches(' ');
            let both =
                if lead.ends_with('±') || lead.ends_with("+/-") || lead.ends_with("+-") { 2.0 } else { 1.0 };
            out.push((from, unit_at + length, number * thousand * both));
            i = unit_at + length;
        }
        i = i.max(from + 1);
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn of(text: &str) -> Option<Danger> {
        Scope::builtin().unwrap().sign(text).map(|s| s.danger)
    }

    #[test]
    fn mains_and_valve_volts_are_heard_in_many_words() {
        for text in [
            "ECC83 tube preamp 250V plate voltage, no sound",
            "mains transformer hums",
            "The mains-transformer smells",
            "HT fuse blows, 400 V",
            "240 V mains",
            "ran it on 230VAC",
            "Tube preamp",
            "valve preamplifier with two ECC83s",
            "my valve amp is silent",
            "tube amp hums",
            "12AX7 reverb driver, B+ is 320 volts",
            "plates read 185 V",
            "the heaters glow but there is no sound",
            "one of the power tubes is red",
            "EL84 output stage",
            "blows the mains fuse at switch-on",
            "smoke from the power transformer",
            "the kettle lead goes straight in, no adaptor",
            "a rack unit, plugs straight into the wall",
            "0.4 kV on the big capacitor's plus",
            "12AX7, no sound",
            "EL84 no sound at all",
            "tube preamp, no sound",
            "squeals into the mixer, valve preamp",
            "a tube buffer. Sounds thin",
            "1,000 volts inside",
            "one kilovolt? 1 kilovolt it says",
            "there are three hundred volts in it",
            "vacuum tube buffer",
            "1kV across it",
            "supply is +/-35 V",
            "±40V rails",
            "output transformer open",
            "nixie clock",
            "EL34s and a GZ34",
            "the chassis is live: a live chassis",
            "it runs on the mains",
            "100-240V comes in at the back",
            "Valve echo",
            "starved-plate overdrive with a tube",
            "no sound, tube preamp",
            "no sound from my valve amp",
            "no output and the mains transformer hums",
            "it is not loud; the tubes are cold",
            "it shocks me when I touch the strings",
            "I get a shock from the jack",
            "The singer got zapped by the mic",
        ] {
            assert!(of(text).is_some(), "{text}");
        }
        assert_eq!(of("mains lead goes inside"), Some(Danger::Mains));
        assert_eq!(Scope::builtin().unwrap().sign("an ECC83, plates at 250V").unwrap().words, "ECC83");
    }

    #[test]
    fn what_is_about_something_else_is_let_be() {
        for text in [
            "",
            "a deep steady mains hum",
            "got a static shock and now it is dead",
            "I got a shock from the carpet and the synth died",
            "no electric shock, it only hums",
            "shocked how loud it hums",
            "picks up hum near a mains transformer",
            "50 Hz mains hum, worse with my amp",
            "squeals into my tube amp",
            "fine through a valve amp, noisy into the mixer",
            "carbon comp resistors I pulled from an old tube radio",
            "sounds like a tube amp",
            "tube-like distortion has gone thin",
            "fine, but no valve sound any more",
            "the tube emulation, set to warm, is silent",
            "the regulator gives 8,973 V",
            "valve sound emulation",
            "C3 is a 400 V film capacitor, 630V rated",
            "a 250V fuse",
            "1N4007 is a 1000 V diode",
            "adaptor 100-240 V in, 9 V out",
            "hums on mains, quiet on battery",
            "rail reads 6V6, the other 4V7",
            "9V, 12 V, 18V and +/-15 V rails",
            "±12V, 24VAC? no, 24 VDC",
            "48 V at the desk",
            "R1 100k, 220n, 50V",
            "no mains inside, two batteries",
            "it isn't a valve amp, it is a booster without any tubes",
            "heat shrink tube over the joint",
            "the LED's anode voltage is 1.8 V",
            "a tube of glue",
            "Tin Lantern, 1998, number 240",
            "ran for 100 hours, 60 volume",
            "Version 250v2",
            "he turned it 90 deg, very loud",
        ] {
            assert_eq!(Scope::builtin().unwrap().sign(text), None, "{text}");
        }
    }

    #[test]
    fn figures_of_volts_are_read_as_people_write_them() {
        let volts = |text: &str| figures(text).into_iter().map(|(_, _, v)| v).collect::<Vec<_>>();
        assert_eq!(
            volts("250V, 1,5 V 0.4kV 12-volt ±12 V 2x250V 230 VAC"),
            [250.0, 1.5, 400.0, 12.0, 24.0, 250.0, 230.0]
        );
        assert_eq!(volts("4V7 R250V V250 250 ways 1.2.3V"), Vec::<f64>::new());
        assert_eq!(volts("100\u{a0}V"), [100.0]);
    }

    #[test]
    fn any_text_is_taken() {
        for text in ["\u{130}V 1", "1", "1 ", "1-", "\u{1f527}9V", "9\u{a0}", "VVV", "1,", "1.,V", "V1V1V"] {
            let _ = of(text);
        }
    }
}
