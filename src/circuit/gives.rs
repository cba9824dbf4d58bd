//! What a board gives by itself as a page has it: hiss, hum, whether it rests, what moves, the delay of its echo chips. Healthy, and
//! beside the same with faults in.
//!
//! Absent: how any of it is worked out (see [`super::heard`]), and what an owner would call it.

use super::board::Board;
use super::heard::{Doing, Heard, Listener, ON_THE_EDGE, Residual};
use super::noise::NoiseKind;
use super::poles::Poise;
use super::predict::PredictError;
use crate::units::{Decibels, Hertz, Probability, Unit, Volts, show};
use serde::Serialize;
use std::collections::BTreeSet;

/// Parts named for the noise they make.
const LOUDEST: usize = 5;
/// Nets that move, at most, beside a fault: the widest.
const MOVING: usize = 8;
/// A tone is named down to this far below the noise, dB: softer ones are not heard through it (common practice, no source).
const MASKED_DB: f64 = -15.0;
/// A residual differs from here on, dB; a rate, a swing and a delay by this share (common practice, no source).
const DIFFERS_DB: f64 = 3.0;
const DIFFERS_SHARE: f64 = 0.1;
/// A swing differs by at least so many volts.
const DIFFERS_VOLTS: f64 = 0.05;

/// A part and the noise that it makes.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Loud {
    /// Designator, `tone source`, `load`, or `the fault`.
    pub part: String,
    /// What makes most of it: `thermal`, `shot`, `flicker`, `excess`; `own`, what a card says of an amplifier, a regulator or a supply.
    pub kind: &'static str,
    /// Share of the A-weighted power, 0 to 1.
    pub share: f64,
}

/// A steady tone that comes through to the output.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Tone {
    /// The supply or part that carries it.
    pub part: String,
    /// Its frequency, hertz.
    pub hertz: f64,
    /// Volts rms at the output.
    pub volts: f64,
}

/// What is left at the output with nothing going in.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Left {
    /// The output's net.
    pub net: String,
    /// A-weighted noise from 20 Hz to 20 kHz, dBV.
    pub dbv: f64,
    /// The same unweighted, volts rms.
    pub volts: f64,
    /// Decibels by which the tone put in is above the unweighted noise.
    pub below_tone: f64,
    /// The loudest parts.
    pub loudest: Vec<Loud>,
    /// Tones that are heard through the noise, the loudest first.
    pub tones: Vec<Tone>,
}

/// A net that moves.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Swings {
    /// The net.
    pub net: String,
    /// Least volts.
    pub least: f64,
    /// Most volts.
    pub most: f64,
    /// Mean volts: what a meter shows of a swing that is too fast for it.
    pub mean: f64,
}

/// An echo chip's delay.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Delay {
    /// The chip.
    pub part: String,
    /// Its delay, seconds; absent where its clock stands.
    pub seconds: Option<f64>,
    /// Shortest and longest delay over a period, where it is modulated.
    pub swept: Option<[f64; 2]>,
    /// Its clock, hertz.
    pub clock: f64,
    /// Least resistance that its timing pin sees at switch-on, ohms; absent where there is none to speak of.
    pub ohms_at_start: Option<f64>,
    /// Whether it starts.
    pub starts: bool,
}

/// What a board does at its operating point.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// It stays there with room to spare.
    Rests,
    /// It stays there, and a finger or a longer lead would set it off.
    Edge,
    /// It oscillates.
    Runs,
    /// It falls into one of several states.
    Latches,
    /// It leaves its point; where to could not be followed.
    Unclear,
}

/// What a board gives by itself.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Gives {
    /// Hiss and hum at the output; absent without a signal path, and where the board does not rest.
    pub left: Option<Left>,
    /// What it does at its operating point.
    pub holds: Holds,
    /// Damping of the pair of poles that rings longest: 1 does not ring, 0 goes on for ever; absent where none rings.
    pub damping: Option<f64>,
    /// Rate at which it runs, or frequency at which it would ring, hertz.
    pub hertz: Option<f64>,
    /// Nets where it would ring most.
    pub rings_at: Vec<String>,
    /// Nets that move by 50 mV or more, the widest first.
    pub moves: Vec<Swings>,
    /// Its echo chips.
    pub delays: Vec<Delay>,
}

/// A figure without and with faults.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct GivesLine {
    /// What it is: `hiss`, `hum`, `rests`, `rate`, `swing NET`, `delay PART`.
    pub what: String,
    /// Without.
    pub healthy: String,
    /// With.
    pub faulted: String,
    /// Whether the difference would be noticed.
    pub differs: bool,
}

/// What a board gives without and with faults.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct GivesBeside {
    /// Without.
    pub healthy: Gives,
    /// With; absent where the board has no operating point that the solver finds.
    pub faulted: Option<Gives>,
    /// The two side by side.
    pub lines: Vec<GivesLine>,
}

/// What a board gives with these faults in. Costs milliseconds where it rests, up to seconds where it oscillates slowly.
///
/// ```
/// use halfsplit::circuit::{board::Board, gives::{Holds, gives}};
/// let board = Board::load(&halfsplit::cases::board_example("pocket-beacon")?, &halfsplit::rules::parts::Library::builtin()?)?;
/// let healthy = gives(&board, &[]).unwrap();
/// assert_eq!(healthy.holds, Holds::Rests);
/// assert!(healthy.left.unwrap().below_tone > 40.0, "the noise of a sound booster is far below the tone");
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
///
/// # Errors
/// [`PredictError`]: an unknown fault, or no operating point.
pub fn gives(board: &Board, faults: &[&str]) -> Result<Gives, PredictError> {
    Ok(Gives::of(board, Listener::new(board)?.hear(faults)?))
}

/// What a board gives, beside what the same board gives with other parts or faults in.
///
/// # Errors
/// [`PredictError`]: an unknown fault, or a healthy board without operating point.
pub fn gives_beside(board: &Board, changed: &Board, faults: &[&str]) -> Result<GivesBeside, PredictError> {
    let healthy = gives(board, &[])?;
    let faulted = match gives(changed, faults) {
        Ok(gives) => Some(gives),
        Err(PredictError::Solve { .. }) => None,
        Err(other) => return Err(other),
    };
    let lines = beside(&healthy, faulted.as_ref());
    Ok(GivesBeside { healthy, faulted, lines })
}

/// What two boards give, line by line.
pub(crate) fn lines_beside(board: &Board, usual: &Heard, now: &Heard) -> Vec<GivesLine> {
    beside(&Gives::of(board, usual), Some(&Gives::of(board, now)))
}

/// The name of what makes a noise.
fn kind(kind: NoiseKind) -> &'static str {
    match kind {
        NoiseKind::Thermal => "thermal",
        NoiseKind::Shot => "shot",
        NoiseKind::Flicker => "flicker",
        NoiseKind::Excess => "excess",
        NoiseKind::Chip => "own",
    }
}

impl Left {
    fn of(net: &str, residual: &Residual) -> Self {
        let heard = residual.volts * 10f64.powf(MASKED_DB / 20.0);
        let tones = residual.hums.iter().filter(|h| h.volts > heard);
        let loudest = residual.parts.iter().take(LOUDEST);
        Self {
            net: net.to_owned(),
            dbv: residual.weighted_dbv(),
            volts: residual.volts,
            below_tone: residual.below_tone(),
            loudest: loudest
                .map(|p| Loud { part: p.part.clone(), kind: kind(p.kind), share: p.share })
                .collect(),
            tones: tones.map(|h| Tone { part: h.part.clone(), hertz: h.hertz, volts: h.volts }).collect(),
        }
    }

    fn hum_volts(&self) -> f64 {
        self.tones.iter().map(|t| t.volts * t.volts).sum::<f64>().sqrt()
    }

    fn hum(&self) -> String {
        let one =
            |t: &Tone| format!("{} at {}", show::fine_volts(Volts(t.volts)), show::hertz(Hertz(t.hertz)));
        self.tones.first().map_or_else(|| "none".to_owned(), one)
    }
}

impl Gives {
    fn of(board: &Board, heard: &Heard) -> Self {
        let (mut damping, mut hertz) = match heard.poise {
            Poise::Stable { damping, hertz } => (damping.is_finite().then_some(damping), Some(hertz)),
            Poise::Oscillates { hertz, .. } => (None, Some(hertz)),
            Poise::Jumps { .. } => (None, None),
        };
        let holds = match (&heard.doing, damping) {
            (Doing::Runs(..), _) => Holds::Runs,
            (Doing::Latches(_), _) => Holds::Latches,
            (Doing::Unclear, _) => Holds::Unclear,
            (Doing::Rests, Some(d)) if d < ON_THE_EDGE => Holds::Edge,
            (Doing::Rests, _) => Holds::Rests,
        };
        // What hardly overshoots has no frequency of its own to speak of.
        if damping.is_some_and(|d| d > 0.99) || (holds == Holds::Rests && damping.is_none()) {
            (damping, hertz) = (None, None);
        }
        let moves = match &heard.doing {
            Doing::Runs(rate, nets) => {
                hertz = Some(*rate);
                nets.iter()
                    .map(|m| Swings {
                        net: m.net.clone(),
                        least: m.swing.least,
                        most: m.swing.most,
                        mean: m.swing.mean,
                    })
                    .collect()
            }
            _ => Vec::new(),
        };
        let delays = heard.echoes.iter().map(|e| Delay {
            part: e.part.clone(),
            seconds: e.delay.is_finite().then_some(e.delay),
            swept: e.swept.filter(|ends| ends.iter().all(|d| d.is_finite())),
            clock: e.clock,
            ohms_at_start: e.at_start.is_finite().then_some(e.at_start),
            starts: e.starts,
        });
        let rings = hertz.is_some() && holds != Holds::Runs;
        Self {
            left: board.signal().zip(heard.residual.as_ref()).map(|(s, r)| Left::of(&s.output, r)),
            holds,
            damping,
            hertz,
            rings_at: if rings { heard.poised_at.clone() } else { Vec::new() },
            moves,
            delays: delays.collect(),
        }
    }

    fn rate(&self) -> Option<f64> {
        self.hertz.filter(|_| matches!(self.holds, Holds::Runs | Holds::Unclear))
    }

    /// What it does in few words.
    fn does(&self) -> String {
        let at = |hertz: f64| show::hertz(Hertz(hertz));
        match (self.holds, self.hertz) {
            (Holds::Rests, _) => "rests".to_owned(),
            (Holds::Edge, Some(hertz)) => format!("on the edge at {}", at(hertz)),
            (Holds::Edge, None) => "on the edge".to_owned(),
            (Holds::Runs, Some(hertz)) => format!("runs at {}", at(hertz)),
            (Holds::Runs, None) => "runs".to_owned(),
            (Holds::Latches, _) => "latches".to_owned(),
            (Holds::Unclear, Some(hertz)) => format!("leaves at {}", at(hertz)),
            (Holds::Unclear, None) => "leaves its point".to_owned(),
        }
    }

    /// Rows of a page: what, and the figure with what belongs to it.
    pub(super) fn rows(&self) -> Vec<[String; 2]> {
        let mut rows: Vec<[String; 2]> = Vec::new();
        let mut put = |what: &str, text: String| rows.push([what.to_owned(), text]);
        if let Some(left) = &self.left {
            let dbv = show::dbv(Decibels(left.dbv));
            let below = show::decibels(Decibels(left.below_tone));
            put(
                "hiss",
                format!("{dbv} at {}, A-weighted, 20 Hz to 20 kHz; {below} below the tone", left.net),
            );
            let share = |l: &Loud| {
                let share = Probability::new(l.share.clamp(0.0, 1.0)).map(show::probability);
                format!("{} {} ({})", l.part, share.unwrap_or_default(), l.kind)
            };
            put("of that", left.loudest.iter().map(share).collect::<Vec<_>>().join(", "));
            for tone in &left.tones {
                let what = format!(
                    "{} of {}, from {}",
                    show::fine_volts(Volts(tone.volts)),
                    show::hertz(Hertz(tone.hertz)),
                    tone.part
                );
                put("hum", what);
            }
        }
        let detail = match (self.holds, self.damping, self.hertz) {
            (Holds::Rests | Holds::Edge, Some(damping), Some(hertz)) => format!(
                "{}: rings least damped near {} at {} (damping {damping:.2}; 1 does not ring, 0 howls)",
                self.does(),
                self.rings_at.first().map_or("", String::as_str),
                show::hertz(Hertz(hertz)),
            ),
            (Holds::Rests, ..) => "rests, and does not ring".to_owned(),
            (Holds::Unclear, ..) => format!("{}; where it ends is unclear", self.does()),
            _ => self.does(),
        };
        put("point", detail);
        for m in &self.moves {
            put(
                &format!("swing {}", m.net),
                format!("{}, mean {}", m.band(), show::value(m.mean, Unit::Volts)),
            );
        }
        for d in &self.delays {
            put(&format!("delay {}", d.part), d.text());
        }
        rows
    }
}

impl Swings {
    fn band(&self) -> String {
        show::band(self.least, self.most, Unit::Volts)
    }

    fn span(&self) -> f64 {
        self.most - self.least
    }
}

impl Delay {
    fn text(&self) -> String {
        let delay = match (self.swept, self.seconds) {
            (Some([low, high]), _) => show::band(low, high, Unit::Seconds),
            (None, Some(delay)) => show::value(delay, Unit::Seconds),
            (None, None) => "its clock stands".to_owned(),
        };
        if self.starts { delay } else { format!("{delay}; hangs at switch-on") }
    }

    fn differs(&self, other: &Self) -> bool {
        let moved = |a: f64, b: f64| (a - b).abs() > DIFFERS_SHARE * a.abs().max(b.abs());
        let ends = |d: &Self| d.swept.or(d.seconds.map(|s| [s; 2]));
        let delay = match (ends(self), ends(other)) {
            (Some(a), Some(b)) => moved(a[0], b[0]) || moved(a[1], b[1]),
            (a, b) => a.is_some() != b.is_some(),
        };
        delay || self.starts != other.starts
    }
}

fn beside(healthy: &Gives, faulted: Option<&Gives>) -> Vec<GivesLine> {
    let mut lines = Vec::new();
    let mut put = |what: String, healthy: String, faulted: String, differs: bool| {
        lines.push(GivesLine { what, healthy, faulted, differs });
    };
    let Some(faulted) = faulted else {
        put("point".into(), healthy.does(), "not to be found".into(), true);
        return lines;
    };
    if healthy.left.is_some() || faulted.left.is_some() {
        let dbv = |g: &Gives| g.left.as_ref().map(|l| l.dbv);
        let text = |g: &Gives| dbv(g).map_or_else(|| "covered".to_owned(), |d| show::dbv(Decibels(d)));
        let differs = match (dbv(healthy), dbv(faulted)) {
            (Some(a), Some(b)) => (a - b).abs() > DIFFERS_DB,
            (a, b) => a.is_some() != b.is_some(),
        };
        put("hiss".into(), text(healthy), text(faulted), differs);
        let hum = |g: &Gives| g.left.as_ref().map_or(0.0, Left::hum_volts);
        let (a, b) = (hum(healthy), hum(faulted));
        if a > 0.0 || b > 0.0 {
            let text = |g: &Gives| g.left.as_ref().map_or_else(|| "covered".to_owned(), Left::hum);
            let factor = 10f64.powf(DIFFERS_DB / 20.0);
            put("hum".into(), text(healthy), text(faulted), a > factor * b || b > factor * a);
        }
    }
    let differs = match (healthy.rate(), faulted.rate()) {
        (Some(a), Some(b)) => (a - b).abs() > DIFFERS_SHARE * a.max(b),
        _ => healthy.holds != faulted.holds,
    };
    put("point".into(), healthy.does(), faulted.does(), differs);
    let mut nets: BTreeSet<&str> = BTreeSet::new();
    let mut moving: Vec<&Swings> = healthy.moves.iter().chain(&faulted.moves).collect();
    moving.sort_by(|a, b| b.span().total_cmp(&a.span()).then(a.net.cmp(&b.net)));
    moving.retain(|m| nets.insert(&m.net));
    for net in moving.into_iter().take(MOVING).map(|m| m.net.as_str()) {
        let of = |g: &Gives| g.moves.iter().find(|m| m.net == net).cloned();
        let (a, b) = (of(healthy), of(faulted));
        let text = |s: &Option<Swings>| s.as_ref().map_or_else(|| "still".to_owned(), Swings::band);
        let edges = |s: &Option<Swings>| s.as_ref().map(|s| [s.least, s.most]);
        let differs = match (edges(&a), edges(&b)) {
            (Some(x), Some(y)) => {
                let least = (DIFFERS_SHARE * (x[1] - x[0]).max(y[1] - y[0])).max(DIFFERS_VOLTS);
                (x[0] - y[0]).abs() > least || (x[1] - y[1]).abs() > least
            }
            _ => true,
        };
        put(format!("swing {net}"), text(&a), text(&b), differs);
    }
    for (a, b) in healthy.delays.iter().zip(&faulted.delays) {
        put(format!("delay {}", a.part), a.text(), b.text(), a.differs(b));
    }
    lines
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
    use super::*;
    use crate::circuit::board::tests::own_boards;

    fn board(name: &str) -> Board {
        own_boards().into_iter().find(|(n, _)| n.starts_with(name)).unwrap().1
    }

    #[test]
    fn a_booster_hisses_by_its_front_and_rests() {
        let healthy = gives(&board("pocket"), &[]).unwrap();
        let left = healthy.left.as_ref().unwrap();
        assert_eq!(healthy.holds, Holds::Rests);
        assert!(left.loudest.len() == LOUDEST && left.loudest.windows(2).all(|p| p[0].share >= p[1].share));
        // 1 k of source, gained up by 24 dB over 20 kHz: 10 uV, and the transistor's share on top.
        assert!((-105.0..-95.0).contains(&left.dbv), "{}", left.dbv);
        assert!(healthy.moves.is_empty() && healthy.delays.is_empty());
        let text = healthy.rows().into_iter().map(|r| r.join(" ")).collect::<Vec<_>>().join("\n");
        assert!(text.contains("dBV at OUT") && text.contains("below the tone"), "{text}");
    }

    #[test]
    fn a_tremolo_runs_and_stands_still_with_its_loop_open() {
        let board = board("slow");
        let page = gives_beside(&board, &board, &["C6:open"]).unwrap();
        assert_eq!((page.healthy.holds, page.faulted.as_ref().unwrap().holds), (Holds::Runs, Holds::Rests));
        assert!((1.0..20.0).contains(&page.healthy.hertz.unwrap()));
        assert!(page.healthy.moves.iter().any(|m| m.net == "LC" && m.span() > 1.0));
        let line = |what: &str| page.lines.iter().find(|l| l.what == what).unwrap();
        assert!(line("point").differs && line("swing LC").differs);
        assert_eq!(line("swing LC").faulted, "still");
    }

    #[test]
    fn an_echo_chip_has_its_delay_and_none_with_its_resistor_open() {
        let board = board("tin");
        let healthy = gives(&board, &[]).unwrap();
        let [delay] = healthy.delays.as_slice() else { panic!("{healthy:?}") };
        assert!(delay.starts && (0.05..0.6).contains(&delay.seconds.unwrap()), "{delay:?}");
        let page = gives_beside(&board, &board, &["R8:open"]).unwrap();
        let line = page.lines.iter().find(|l| l.what == "delay IC2").unwrap();
        assert!(line.differs && line.faulted == "its clock stands", "{line:?}");
        assert!(gives(&board, &["R8:opn"]).is_err());
    }
}
