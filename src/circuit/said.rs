//! What an owner would say of a board with faults in, by what it gives by itself against a healthy one: hiss, hum, whine, squeal,
//! motorboating, modulation that is weak, missing or at another pace, an echo chip that hangs.
//!
//! Absent: level and tone of what is played (see [`super::predict::Heard`]); pick-up from outside, which no drawing has. Thresholds and
//! spreads are common practice, no source.

use super::board::Board;
use super::gives::{GivesLine, lines_beside};
use super::heard::{Doing, Echo, Heard, above};

/// Rise of the residual at which one of two owners speaks of hiss, and how ears and models spread, dB.
const HISS_DB: f64 = 9.0;
const HISS_SD: f64 = 3.0;
/// Below this A-weighted level there is nothing to complain of into an amplifier, with its spread, dBV.
const AUDIBLE_DBV: f64 = -88.0;
const AUDIBLE_SD: f64 = 5.0;
/// Chance that whoever turns up a unit that has become faint speaks of the hiss that comes with it.
const TURNED_UP: f64 = 0.2;
/// Rise of a steady tone that is noticed, and its spread, dB: it stands out more than hiss does.
const TONE_DB: f64 = 6.0;
const TONE_SD: f64 = 3.0;
/// A tone softer than this is not heard at all, volts rms.
const TONE_VOLTS: f64 = 50e-6;
/// Tones up to this frequency are hum, above it a whine, hertz.
const HUM_HERTZ: f64 = 500.0;
/// Bounds of hearing for an oscillation, hertz: putter below, nothing but its after-effects above.
const PUTTER_HERTZ: f64 = 20.0;
const INAUDIBLE_HERTZ: f64 = 15e3;
/// An oscillation is taken for the board's own, at another pace, within this factor of its rate.
const SAME_OSCILLATOR: f64 = 100.0;
/// Modulation of less than these shares of the usual one, dB, is weak or none; with their spreads.
const WEAK_DB: [f64; 2] = [-7.0, 4.0];
const NONE_DB: [f64; 2] = [-20.0, 5.0];
/// A sweep faster than this is no wobble any more, hertz.
const TOO_FAST: f64 = 60.0;
/// Change of pace that is noticed, and its spread, octaves.
const PACE_OCTAVES: [f64; 2] = [1.2, 0.5];
/// Spread of the resistance at which an echo chip hangs, natural logarithm: specimens differ.
const HANGS_SD: f64 = 0.2;
/// Chance that an owner uses the word that fits.
const SAID: f64 = 0.9;
/// Chance of any of these words for a fault that does not do it by the drawing: words are loose.
const LOOSE: f64 = 0.01;
/// The same for hum and buzz, which come in from outside as well.
const PICKED_UP: f64 = 0.03;

/// Chances, 0 to 1, of what is said.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Said {
    /// It hisses.
    pub hiss: f64,
    /// It hums or buzzes.
    pub hum: f64,
    /// It whines.
    pub whine: f64,
    /// It squeals or howls.
    pub squeal: f64,
    /// It putts like a motorboat.
    pub motorboating: f64,
    /// Its modulation is weak, and missing; absent on a board that modulates nothing by itself.
    pub modulation: Option<[f64; 2]>,
    /// Its modulation is far too fast or too slow; absent as before.
    pub pace: Option<f64>,
    /// Its echo chip hangs; absent on a board without one.
    pub hangs: Option<f64>,
}

/// A word that a rule ties to a board: what of [`Said`] it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Word {
    /// `hiss-out`.
    Hiss,
    /// `hum-out`.
    Hum,
    /// `whine-out`.
    Whine,
    /// `squeal-out`.
    Squeal,
    /// `putter-out`.
    Putter,
    /// `modulation-out`: weak, none.
    Modulation,
    /// `pace-off`.
    Pace,
    /// `echo-hangs`.
    Hangs,
}

impl Word {
    /// The words as rules write them.
    pub const ALL: [(&'static str, Self); 8] = [
        ("hiss-out", Self::Hiss),
        ("hum-out", Self::Hum),
        ("whine-out", Self::Whine),
        ("squeal-out", Self::Squeal),
        ("putter-out", Self::Putter),
        ("modulation-out", Self::Modulation),
        ("pace-off", Self::Pace),
        ("echo-hangs", Self::Hangs),
    ];

    /// The word that a rule writes, if it is one of these.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.iter().find(|(w, _)| *w == word).map(|w| w.1)
    }

    /// Whether a healthy board of this kind can tell anything of it.
    pub fn fits(self, usual: &Heard) -> bool {
        match self {
            Self::Hiss | Self::Hum | Self::Whine => usual.residual.is_some(),
            Self::Squeal | Self::Putter => !matches!(usual.doing, Doing::Unclear),
            Self::Modulation | Self::Pace => own_rate(usual).is_some(),
            Self::Hangs => !usual.echoes.is_empty(),
        }
    }
}

impl Said {
    /// Chances of a check's answers after the usual one.
    pub fn chances(&self, word: Word) -> Option<Vec<f64>> {
        Some(match word {
            Word::Hiss => vec![self.hiss],
            Word::Hum => vec![self.hum],
            Word::Whine => vec![self.whine],
            Word::Squeal => vec![self.squeal],
            Word::Putter => vec![self.motorboating],
            Word::Modulation => self.modulation?.to_vec(),
            Word::Pace => vec![self.pace?],
            Word::Hangs => vec![self.hangs?],
        })
    }
}

/// What of a board's own doing speaks for or against a word: `hiss: -84.1 dBV healthy, -66.0 dBV with it`.
pub(crate) fn because(board: &Board, word: Word, usual: &Heard, now: &Heard) -> Vec<String> {
    let lines = lines_beside(board, usual, now);
    let about: &[&str] = match word {
        Word::Hiss => &["hiss"],
        Word::Hum | Word::Whine => &["hum"],
        Word::Squeal | Word::Putter | Word::Pace => &["point"],
        Word::Modulation => &["point", "swing", "delay"],
        Word::Hangs => &["delay"],
    };
    let is_about = |l: &&GivesLine| about.iter().any(|a| l.what.starts_with(a));
    let told =
        |l: &GivesLine| format!("By the circuit, {}: {} healthy, {} with it", l.what, l.healthy, l.faulted);
    // What differs says more than what does not.
    let found = lines.iter().filter(is_about);
    found.clone().find(|l| l.differs).or_else(|| found.clone().next()).map(told).into_iter().collect()
}

/// What would be said of a board with faults in; `None` where it can't be told what it does.
pub fn said(board: &Board, faults: &[&str], usual: &Heard, now: &Heard) -> Option<Said> {
    if matches!(now.doing, Doing::Unclear) && own_rate(usual).is_some() {
        return None;
    }
    let (hiss, hum, whine) = residual(usual, now);
    let [squeal, motorboating, after] = howl(board, usual, now);
    let rate = own_rate(usual);
    Some(Said {
        hiss: either(hiss, after).max(LOOSE),
        hum: hum.max(PICKED_UP),
        whine: either(whine, after).max(LOOSE),
        squeal: squeal.max(LOOSE),
        motorboating: motorboating.max(LOOSE),
        modulation: rate.map(|rate| modulation(board, rate, usual, now)),
        pace: rate.map(|rate| pace(rate, usual, now).max(LOOSE)),
        hangs: (!usual.echoes.is_empty()).then(|| match faults.iter().any(|f| hangs_already(board, f)) {
            true => SAID,
            false => hangs(board, usual, now).max(LOOSE),
        }),
    })
}

fn either(a: f64, b: f64) -> f64 {
    1.0 - (1.0 - a) * (1.0 - b)
}

/// Hiss, hum and whine by what is left at the output.
fn residual(usual: &Heard, now: &Heard) -> (f64, f64, f64) {
    let (Some(usual), Some(now)) = (&usual.residual, &now.residual) else { return (0.0, 0.0, 0.0) };
    let risen = now.weighted_dbv() - usual.weighted_dbv();
    let lost = (usual.below_tone() - now.below_tone() - risen).max(0.0);
    let audible = |dbv: f64| above(AUDIBLE_DBV, dbv, AUDIBLE_SD);
    let louder = SAID * above(HISS_DB, risen, HISS_SD) * audible(now.weighted_dbv());
    // What has become faint by up to 20 dB is turned up; of what is fainter something else is said.
    let turned_up = match lost {
        3.0..20.0 => TURNED_UP * above(HISS_DB, risen + lost, HISS_SD) * audible(now.weighted_dbv() + lost),
        _ => 0.0,
    };
    let tone = |pitch: fn(f64) -> bool| {
        let volts = |r: &super::heard::Residual| {
            r.hums.iter().filter(|h| pitch(h.hertz)).map(|h| h.volts * h.volts).sum::<f64>().sqrt()
        };
        let risen = 20.0 * (volts(now) / volts(usual).max(TONE_VOLTS)).max(1e-9).log10();
        SAID * above(TONE_DB, risen, TONE_SD)
    };
    (either(louder, turned_up), tone(|hertz| hertz <= HUM_HERTZ), tone(|hertz| hertz > HUM_HERTZ))
}

/// The rate of a board that runs by itself as an LFO does, with the nets that move.
fn own_rate(usual: &Heard) -> Option<f64> {
    match &usual.doing {
        Doing::Runs(hertz, _) if *hertz < TOO_FAST => Some(*hertz),
        _ => None,
    }
}

/// Whether an oscillation is the board's own, at whatever pace.
fn is_own(usual: &Heard, hertz: f64) -> bool {
    own_rate(usual).is_some_and(|rate| (rate / SAME_OSCILLATOR..rate * SAME_OSCILLATOR).contains(&hertz))
}

/// An oscillation that is not the board's own: the chance that a board so built has it, and its frequency, hertz.
fn oscillates(usual: &Heard, now: &Heard) -> Option<(f64, f64)> {
    let (p, hertz) = now.runs()?;
    (!is_own(usual, hertz)).then_some((p, hertz))
}

/// Squeal, motorboating, and what an oscillation above hearing leaves: hash and beats.
fn howl(board: &Board, usual: &Heard, now: &Heard) -> [f64; 3] {
    let Some((p, hertz)) = oscillates(usual, now) else { return [0.0; 3] };
    // What a healthy board of this drawing has a chance of as well is no news.
    let before = oscillates(usual, usual).map_or(0.0, |u| u.0);
    let p = ((p - before) / (1.0 - before).max(1e-6)).clamp(0.0, 1.0);
    let reaches = match (&now.doing, board.signal()) {
        (Doing::Runs(..), Some(signal)) if now.moving(&signal.output).is_none() => 0.4,
        _ => 1.0,
    };
    let p = p * reaches;
    match hertz {
        h if h < PUTTER_HERTZ => [0.08 * p, SAID * p, 0.0],
        h if h < INAUDIBLE_HERTZ => [SAID * p, if h < 60.0 { 0.3 * p } else { 0.02 * p }, 0.0],
        _ => [0.15 * p, 0.01 * p, 0.15 * p],
    }
}

/// Share of the usual modulation that is left, by the nets that the modulated parts are driven from, or by an echo chip's delay.
fn depth(board: &Board, usual: &Heard, now: &Heard) -> f64 {
    let swept = |e: &Echo| e.swept.map(|[low, high]| 2.0 * (high - low) / (high + low));
    let mut by_echo = usual.echoes.iter().zip(&now.echoes).filter_map(|(u, n)| {
        swept(u).map(|usual| if n.delay.is_finite() { swept(n).unwrap_or(0.0) / usual } else { 0.0 })
    });
    if let Some(first) = by_echo.next() {
        return by_echo.fold(first, f64::max);
    }
    let Doing::Runs(_, nets) = &usual.doing else { return 1.0 };
    let modulates = |p: &&super::board::Part| matches!(p.role.as_deref(), Some("modulator" | "light-pair"));
    let driven = board.parts().iter().filter(modulates).filter_map(|part| {
        let on = |net: &str| part.pins.iter().any(|p| p.net.as_deref() == Some(net));
        nets.iter().find(|m| on(&m.net))
    });
    let widest = || nets.first().into_iter();
    let driven: Vec<_> = driven.collect();
    let driven = if driven.is_empty() { widest().collect() } else { driven };
    let left = driven.iter().map(|m| match now.moving(&m.net) {
        // What moves outside the usual range does nothing more to the part that it drives.
        Some(n) => {
            let both = n.swing.most.min(m.swing.most) - n.swing.least.max(m.swing.least);
            both.max(0.0) / m.swing.span()
        }
        None => 0.0,
    });
    left.fold(0.0, f64::max)
}

/// Weak, and none.
fn modulation(board: &Board, rate: f64, usual: &Heard, now: &Heard) -> [f64; 2] {
    let runs = match &now.doing {
        Doing::Runs(hertz, _) if is_own(usual, *hertz) => Some(*hertz),
        _ => None,
    };
    let Some(hertz) = runs else { return [0.02, 0.95] };
    let left = 20.0 * depth(board, usual, now).max(1e-6).log10();
    // A sweep too fast or too slow to follow is heard as none.
    let lost =
        above(TOO_FAST.max(4.0 * rate).ln(), hertz.ln(), 0.4).max(above(0.0, (0.05 / hertz).ln(), 0.4));
    let none = either(above(0.0, NONE_DB[0] - left, NONE_DB[1]), 0.7 * lost);
    let weak = above(0.0, WEAK_DB[0] - left, WEAK_DB[1]) * (1.0 - none);
    [(SAID * weak).max(LOOSE), (SAID * none).max(LOOSE)]
}

fn pace(rate: f64, usual: &Heard, now: &Heard) -> f64 {
    match &now.doing {
        Doing::Runs(hertz, _) if is_own(usual, *hertz) => {
            SAID * above(PACE_OCTAVES[0], (hertz / rate).log2().abs(), PACE_OCTAVES[1])
        }
        _ => 0.0,
    }
}

/// The mode of a chip that did not start, however it came about.
const LATCHED: &str = "latched";

/// Whether a fault is the hanging itself, so that no resistance has to tell of it.
fn hangs_already(board: &Board, fault: &str) -> bool {
    board.fault(fault).is_some_and(|f| f.mode == LATCHED)
}

/// An echo chip that hangs, by the least resistance at its timing pin against that of a healthy board.
fn hangs(board: &Board, usual: &Heard, now: &Heard) -> f64 {
    let chance = |echo: &Echo| {
        let part = board.parts().iter().find(|p| p.id == echo.part);
        let edge = part.and_then(|p| p.delay.as_ref()).map_or(0.0, |d| d.starts_above);
        above(0.0, (edge / echo.least.max(1e-3)).ln(), HANGS_SD)
    };
    let one = |(u, n): (&Echo, &Echo)| {
        let before = chance(u);
        ((chance(n) - before) / (1.0 - before).max(1e-6)).clamp(0.0, 1.0)
    };
    SAID * usual.echoes.iter().zip(&now.echoes).map(one).fold(0.0, f64::max)
}
