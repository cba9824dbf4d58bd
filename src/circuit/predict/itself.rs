//! Readings of what a board does by itself: the rate at which it swings, how far a net goes, what is left with nothing going in.
//!
//! All of it comes from the [`Listener`], which works a fault set out once. What it costs, milliseconds where a board rests, up to a
//! tenth of a second where it swings slowly, is paid only by jobs in which such a reading was taken or is asked for.
//!
//! Poles are known only so well, so that a board near the edge may do the other thing: where that has a chance worth the name, readings
//! are weighed both ways. A fault set that can't be followed is as likely to rest as to swing at any rate.
//!
//! Of several faults each is worked out by itself. Most leave what the board does alone; where two don't, one that stops a swing stops it,
//! and changes of rate add up by ratio.
//!
//! Absent: a draw of parts that these readings share with volts and levels, and two faults worked out together.

use super::check::LEAST_HERTZ;
use super::{CheckId, PredictError, Predicted, Predictor};
use crate::circuit::heard::{Doing, Listener};
use crate::circuit::motion::{Cycle, Motion, Swing};
use crate::circuit::tolerance::draws;
use std::sync::Arc;

/// Stands among the faults of a way for a board that rests where its poles say that it swings, or the other way about; no fault's id.
pub(super) const OTHERWISE: &str = "the-other-way";
/// A smaller chance of that is not worth weighing.
const WORTH_WEIGHING: f64 = 0.01;
/// Chance that a board rests which swings by the drawing, where the supply is drawn on for too much (common practice, no source).
const RESTS_STRAINED: f64 = 0.5;
/// Draws of a healthy board's parts by which the spread of its rate is judged: so many know it to a quarter. Their seed.
const DRAWS: usize = 8;
const SEED: u64 = 19;
/// Its spread where too few of them swing, natural logarithm (parts of 10 %; common practice, no source).
const USUAL_SPREAD: f64 = 0.1;
/// What macro models add to the spread of a rate, natural logarithm.
const MODEL: f64 = 0.03;
/// Spread of a rate that is not the board's own: by parts up to so many hertz, above that by strays, which are known by a factor of two at
/// best; and of one that was not followed in time. Natural logarithms.
const BY_PARTS: f64 = 0.25;
const BY_STRAYS: f64 = 0.5;
const STRAYS_FROM: f64 = 5e3;
const NOT_FOLLOWED: f64 = 0.7;
/// An oscillation is the board's own within this factor of the healthy rate.
const OWN: f64 = 100.0;
/// Middle and spread of a rate of which nothing is known, hertz and natural logarithm: from a swing in minutes to the end of hearing.
const ANY_HERTZ: f64 = 30.0;
const ANY: f64 = 3.5;
/// Spread of the place where a board that rests lies on the scale of rates.
const STILL: f64 = 0.5;
/// How a swing is read off a meter or a scope, as a share, and how much more it strays where a handheld meter begins to lag behind it, from
/// a swing a second to ten (common practice, no source).
const READ_SHARE: f64 = 0.05;
const LAG_SHARE: f64 = 0.3;
/// The last of it, and what a net moves that stands still, volts.
const READ_VOLTS: f64 = 0.03;
/// A swing that was not followed, against what the supplies span: its middle and its spread.
const ANY_SHARE: f64 = 0.35;
/// How instruments and models spread a noise, natural logarithm: bands from 400 Hz to 100 kHz, meters that take a mean (common practice,
/// no source).
const NOISE: f64 = 0.4;
/// What a meter on its lowest range shows with nothing at it, volts rms, or so (common practice, no source).
const METER_VOLTS: f64 = 50e-6;
/// Slower swings don't pass a meter's AC range, hertz (common practice, no source).
const PASSES_HERTZ: f64 = 10.0;
/// Middle and spread of a noise of which nothing is known, volts rms and natural logarithm.
const ANY_NOISE: f64 = 1e-3;
const ANY_NOISE_SD: f64 = 3.0;
/// Spread of the noise of a board that swings by the drawing and rests all the same.
const NOISE_BESIDE: f64 = 1.0;

/// What a net does by itself with some faults in.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Itself {
    /// Chance that the board swings, and its rate, hertz; nothing where it rests for sure.
    runs: Option<(f64, f64)>,
    /// Whether it was followed to an even swing, and how the net moves then.
    followed: Option<Option<Swing>>,
    /// Whether the swing is the healthy board's own, if at another rate.
    own: bool,
}

/// How far the parts of a healthy board spread what it does.
#[derive(Clone, Debug)]
pub(super) struct Drawn {
    /// Of its rate, natural logarithm.
    rate: f64,
    /// Of the swing of each net in the board's order, as a share of it.
    swings: Vec<Option<f64>>,
}

impl<'b> Predictor<'b> {
    /// Who listens to what the board gives by itself; nothing where that can't be told.
    pub fn listener(&mut self) -> Option<&mut Listener<'b>> {
        if self.listener.is_none() {
            self.listener = Some(Listener::new(self.board).ok().map(Listener::brief));
        }
        self.listener.as_mut().and_then(Option::as_mut)
    }

    /// What a check of what the board does by itself reads with the faults of a way in.
    pub(super) fn by_itself(&mut self, way: &[String], check: &CheckId) -> Result<Predicted, PredictError> {
        let faults = super::ways::faults_of(way);
        // A fault that there is none of is a slip of the caller's.
        self.board.edits(&faults)?;
        let itself = self.itself(&faults, check.place());
        let otherwise = way.iter().any(|id| id == OTHERWISE);
        let mut predicted = match check {
            CheckId::Swing(net) => self.swing(itself, otherwise, net),
            CheckId::Noise(net) => self.noise(itself, otherwise, &faults, net),
            _ => self.rate(itself, otherwise),
        };
        if self.is_vague(way) {
            let usual = self.by_itself(&[], check)?.mean;
            self.widen(&mut predicted, Some(usual));
        }
        if !way.is_empty() && self.strained_by(way) {
            super::ways::sag(check, &mut predicted);
        }
        Ok(predicted)
    }

    fn itself(&mut self, faults: &[&str], net: &str) -> Option<Itself> {
        let usual = self.alone(&[], net)?;
        let mut all = usual;
        for fault in faults {
            all = joined(usual, all, self.alone(&[fault], net)?);
        }
        Some(all)
    }

    /// Of a healthy board, or of one with a single fault in; nothing where that can't be told.
    fn alone(&mut self, faults: &[&str], net: &str) -> Option<Itself> {
        let listener = self.listener()?;
        let heard = listener.hear(faults).ok()?;
        let runs = heard.runs();
        if runs.is_none() && matches!(heard.doing, Doing::Unclear) {
            return None;
        }
        let followed = match heard.doing {
            Doing::Runs(..) => Some(heard.moving(net).map(|m| m.swing)),
            _ => None,
        };
        let usual = match listener.hear(&[]).ok()?.doing {
            Doing::Runs(hertz, _) => Some(hertz),
            _ => None,
        };
        let own = runs.zip(usual).is_some_and(|((_, now), usual)| (usual / OWN..usual * OWN).contains(&now));
        Some(Itself { runs, followed, own })
    }

    fn rate(&mut self, itself: Option<Itself>, otherwise: bool) -> Predicted {
        let still = plain(LEAST_HERTZ.ln(), STILL);
        let Some(itself) = itself else {
            return if otherwise { still } else { plain(ANY_HERTZ.ln(), ANY) };
        };
        let Some((chance, hertz)) = itself.runs.filter(|(p, _)| (*p >= 0.5) != otherwise) else {
            return still;
        };
        let sd = match itself.followed {
            // The board swings, and this net does not.
            Some(None) if chance >= 0.5 => return still,
            Some(_) if itself.own => self.spread_by_parts().rate.hypot(MODEL),
            Some(_) if hertz < STRAYS_FROM => BY_PARTS,
            Some(_) => BY_STRAYS,
            None => NOT_FOLLOWED,
        };
        plain(hertz.max(LEAST_HERTZ).ln(), sd)
    }

    fn swing(&mut self, itself: Option<Itself>, otherwise: bool, net: &str) -> Predicted {
        let span = self.span();
        let (still, any) = (plain(0.0, READ_VOLTS), plain(ANY_SHARE * span, ANY_SHARE * span));
        let Some(itself) = itself else { return if otherwise { still } else { any } };
        let Some((chance, hertz)) = itself.runs.filter(|(p, _)| (*p >= 0.5) != otherwise) else {
            return still;
        };
        let swing = match itself.followed.filter(|_| chance >= 0.5) {
            Some(Some(swing)) => swing.span(),
            Some(None) => return still,
            None => return any,
        };
        let place = self.board.nets().iter().position(|n| n == net);
        let by_parts = match itself.own {
            true => place.and_then(|i| *self.spread_by_parts().swings.get(i)?).unwrap_or(USUAL_SPREAD),
            false => BY_PARTS,
        };
        let lag = LAG_SHARE * hertz.log10().clamp(0.0, 1.0);
        let sd = (swing * by_parts.hypot(READ_SHARE).hypot(lag)).hypot(READ_VOLTS);
        plain(swing, sd.min(ANY_SHARE * span))
    }

    fn noise(&mut self, itself: Option<Itself>, otherwise: bool, faults: &[&str], net: &str) -> Predicted {
        let Some(itself) = itself else { return plain(ANY_NOISE.ln(), ANY_NOISE_SD) };
        let swing = match itself.runs.filter(|(p, _)| (*p >= 0.5) != otherwise) {
            None => 0.0,
            Some((_, hertz)) if hertz < PASSES_HERTZ => 0.0,
            Some((chance, _)) => match itself.followed.filter(|_| chance >= 0.5) {
                Some(here) => here.map_or(0.0, |swing| swing.rms),
                None => return plain((self.span() * ANY_SHARE / 2.0).ln(), ANY_NOISE_SD / 2.0),
            },
        };
        let left = self.left(faults, net);
        // About a point that the board leaves nothing is worked out; what it would leave at rest is much as a healthy one does.
        let (left, model) = match left {
            Some(left) => (left, NOISE),
            None if swing > 0.0 => (0.0, NOISE),
            None => match self.left(&[], net) {
                Some(usual) => (usual, NOISE_BESIDE),
                None => return plain(ANY_NOISE.ln(), ANY_NOISE_SD),
            },
        };
        let volts = left.hypot(swing);
        // A meter adds its own, which is not known either.
        let own = (METER_VOLTS / volts.max(METER_VOLTS / 10.0)).ln_1p() / 2.0;
        plain(volts.hypot(METER_VOLTS).ln(), model.hypot(own))
    }

    /// What is left at a net by noise and the tones of supplies; of several faults that of the loudest.
    fn left(&mut self, faults: &[&str], net: &str) -> Option<f64> {
        let listener = self.listener()?;
        let mut one = |set: &[&str]| listener.left_at(set, net).ok().flatten();
        match faults {
            [] | [_] => one(faults),
            _ => {
                let usual = one(&[])?;
                let far = |v: &f64| (v / usual).ln().abs();
                let all: Option<Vec<f64>> = faults.iter().map(|f| one(&[f])).collect();
                all?.into_iter().max_by(|a, b| far(a).total_cmp(&far(b)))
            }
        }
    }

    /// How far the parts of the healthy board spread what it does, by some draws of them.
    fn spread_by_parts(&mut self) -> &Drawn {
        if self.drawn.is_none() {
            let draws = draws(self.board.varied(), DRAWS, SEED);
            let motions = self.listener().and_then(|l| l.drawn(&[], &draws).ok()).unwrap_or_default();
            let cycles: Vec<&Cycle> = motions.iter().filter_map(Motion::cycle).collect();
            let rates: Vec<f64> = cycles.iter().map(|c| c.hertz.ln()).collect();
            let share = |i: usize| {
                let spans = cycles.iter().filter_map(|c| Some(c.swings.get(i)?.span().max(1e-6).ln()));
                spread_of(&spans.collect::<Vec<f64>>())
            };
            self.drawn = Some(Drawn {
                rate: spread_of(&rates).unwrap_or(USUAL_SPREAD),
                swings: (0..self.board.nets().len()).map(share).collect(),
            });
        }
        self.drawn.get_or_insert(Drawn { rate: USUAL_SPREAD, swings: Vec::new() })
    }

    /// These ways, and those in which the board does the other thing, where that has a chance and a reading asks for it.
    pub(super) fn or_otherwise(
        &mut self,
        ways: Vec<(f64, Vec<String>)>,
        checks: &[CheckId],
    ) -> Vec<(f64, Vec<String>)> {
        let Some(net) = checks.iter().find(|c| c.by_itself()).map(|c| c.place().to_owned()) else {
            return ways;
        };
        let mut out = Vec::with_capacity(ways.len());
        for (chance, way) in ways {
            let strained = !way.is_empty() && self.strained_by(&way);
            let other = match self.itself(&super::ways::faults_of(&way), &net).map(|i| i.runs) {
                Some(Some((p, _))) if strained && p >= 0.5 => RESTS_STRAINED.max(1.0 - p),
                Some(Some((p, _))) => p.min(1.0 - p),
                Some(None) => 0.0,
                None => 0.5,
            };
            if other > WORTH_WEIGHING {
                let mut with = way.clone();
                with.push(OTHERWISE.to_owned());
                out.push((chance * other, with));
                out.push((chance * (1.0 - other), way));
            } else {
                out.push((chance, way));
            }
        }
        out
    }
}

/// What a net does with one more fault in, given what it does without any, with those before, and with this one alone.
fn joined(usual: Itself, before: Itself, with: Itself) -> Itself {
    if before == usual || with == usual {
        return if before == usual { with } else { before };
    }
    let swings = |i: &Itself| i.runs.filter(|(p, _)| *p >= 0.5);
    match (swings(&before), swings(&with), usual.runs) {
        // A howl covers the swing that the board was made for.
        (Some(_), _, _) if !before.own => before,
        (_, Some(_), _) if !with.own => with,
        (None, _, _) => before,
        (_, None, _) => with,
        (Some((p, a)), Some((q, b)), Some((_, of))) => Itself {
            runs: Some((p.min(q), a * b / of)),
            followed: if matches!(before.followed, Some(None)) { before.followed } else { with.followed },
            own: true,
        },
        _ => with,
    }
}

/// A prediction that shares nothing with others.
fn plain(mean: f64, sd: f64) -> Predicted {
    Predicted { mean, sd, own_sd: sd, loadings: Arc::new(Vec::new()) }
}

/// Standard deviation of some figures; nothing of fewer than three.
fn spread_of(figures: &[f64]) -> Option<f64> {
    let n = figures.len() as f64;
    let mean = figures.iter().sum::<f64>() / n;
    let sum: f64 = figures.iter().map(|x| (x - mean).powi(2)).sum();
    (figures.len() >= 3).then(|| (sum / (n - 1.0)).sqrt())
}
