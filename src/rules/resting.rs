//! Volts at rest on a unit without a board file: what a reading at a pin of a spot says, by what its outline has on record.

use super::spots::{Reads, base_of_pin, check_at, pin_of_section, spots_named};
use super::{Accuracy, Band, CheckId, Reading, Rules, Unit};

/// What a reading off a band that differs much between designs still leaves of the healthy answer (common practice, no source).
const WIDE: f64 = 0.3;
/// Nearer to a rail than this share of it, a pin stands at its end (common practice, no source).
const END: f64 = 0.03;
/// Chance that volts were read at another pin than the one noted, or come from elsewhere (common practice, no source).
const OTHER_PIN: f64 = 0.02;
/// Volts below ground from which a reading on a single supply is one of a unit whose plus pole is ground, or of a reversed supply.
const BELOW: f64 = 0.3;

/// What the supply of the unit is called among its spots.
pub(crate) const SUPPLY: &str = "supply";

/// Which answer of a check a reading off its healthy band gives, by index.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Ends {
    /// Below the band.
    pub below: usize,
    /// Above it.
    pub above: usize,
    /// At ground, or at the minus rail where the pin rests below ground.
    pub bottom: usize,
    /// At the plus rail.
    pub top: usize,
    /// On the other side of ground, where that is an answer of its own.
    pub against: Option<usize>,
}

/// A healthy pin.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct RestingPin {
    /// Its name: `collector (germanium)`, `6`.
    pub name: String,
    /// Healthy volts.
    pub low: f64,
    /// Healthy volts.
    pub high: f64,
    /// Its rail, volts from ground.
    pub rail: f64,
    /// Whether designs differ too much for the reading alone to condemn.
    pub wide: bool,
}

/// A spot of a unit with its resting volts.
#[derive(Clone, Debug, PartialEq)]
pub struct RestingSpot {
    /// Its id.
    pub spot: String,
    /// The check that its readings answer.
    pub check: CheckId,
    /// The device that stands there as a rule, where the kind of place names one: `PT2399`.
    pub(crate) device: Option<String>,
    /// Kinds of place that may stand there.
    pub(crate) kinds: Vec<String>,
    pub(crate) ends: Ends,
    /// Plus rail of the unit, volts, and its minus rail as a number above 0 where it has one.
    pub(crate) rails: (f64, Option<f64>),
    pub(crate) pins: Vec<RestingPin>,
}

impl RestingSpot {
    /// What a reading leaves open of the check's answers, and the likeliest; nothing where no figure is on record for the pin.
    /// `answers` is how many the check has.
    pub fn weigh(
        &self,
        pin: Option<&str>,
        volts: f64,
        accuracy: Accuracy,
        answers: usize,
    ) -> Option<(Vec<f64>, usize)> {
        let pins = self.at(pin);
        let (low, high) = self.healthy(pin)?;
        let rail = pins.iter().map(|p| p.rail).fold(0.0, f64::max);
        let (mut shares, best) = self.between((low, high), rail, volts, accuracy, answers)?;
        if pins.iter().any(|p| p.wide)
            && let Some(healthy) = shares.first_mut()
        {
            *healthy = healthy.max(WIDE);
        }
        Some((shares, best))
    }

    /// What a pin at these volts says of the supply that feeds it, which is at least as high.
    pub(crate) fn at_least(&self, volts: f64, accuracy: Accuracy, answers: usize) -> Option<Vec<f64>> {
        let (mut shares, best) = self.weigh(None, volts, accuracy, answers)?;
        shares.iter_mut().for_each(|s| *s = s.max(OTHER_PIN));
        for possible in [0, self.ends.above].into_iter().chain((best == self.ends.below).then_some(best)) {
            *shares.get_mut(possible)? = 1.0;
        }
        Some(shares)
    }

    /// The answer for a reading that is not the healthy one, by the side of that one on which it lies.
    pub fn off(&self, healthy: f64, volts: f64, answers: usize) -> Option<usize> {
        let (_, best) =
            self.between((healthy, healthy), self.rails.0, volts, Accuracy::default(), answers)?;
        match best {
            0 if volts > healthy => Some(self.ends.above),
            0 if volts < healthy => Some(self.ends.below),
            0 => None,
            off => Some(off),
        }
    }

    /// Healthy volts of a pin, lowest and highest, where they are on record.
    pub fn healthy(&self, pin: Option<&str>) -> Option<(f64, f64)> {
        let pins = self.at(pin);
        let low = pins.iter().map(|p| p.low).reduce(f64::min)?;
        let high = pins.iter().map(|p| p.high).reduce(f64::max)?;
        Some((low, high))
    }

    /// A reading on a unit whose plus rail is at `supply`, as it would be on the usual one; pins of a regulator's rail read
    /// as they are.
    pub fn as_usual(&self, pin: Option<&str>, volts: f64, supply: f64) -> f64 {
        // The plus rail itself, or the half of it that the signal rests on.
        let plus = self.rails.0;
        let of_plus =
            self.at(pin).iter().all(|p| [plus, plus / 2.0].iter().any(|r| (p.rail - r).abs() < 0.01));
        if of_plus && supply > 0.0 { volts * self.rails.0 / supply } else { volts }
    }

    /// Pins with a figure on record.
    pub fn pin_names(&self) -> impl Iterator<Item = &str> {
        self.pins.iter().map(|p| p.name.as_str())
    }

    fn between(
        &self,
        (low, high): (f64, f64),
        rail: f64,
        volts: f64,
        accuracy: Accuracy,
        answers: usize,
    ) -> Option<(Vec<f64>, usize)> {
        let minus = self.rails.1;
        // Below ground all is counted from there.
        let mirrored =
            high < 0.0 || (volts < -BELOW && low >= 0.0 && minus.is_none() && self.ends.against.is_none());
        let (low, high, volts) = match (mirrored, high < 0.0) {
            (true, true) => (-high, -low, -volts),
            (true, false) => (low, high, -volts),
            _ => (low, high, volts),
        };
        let bottom = if low > 0.0 { END * rail } else { -(1.0 - END) * minus.unwrap_or(f64::INFINITY) };
        let top = (1.0 - END) * rail;
        let mut edges: Vec<(usize, f64)> = Vec::new();
        if low > bottom && bottom.is_finite() {
            if let Some(against) = self.ends.against.filter(|_| bottom > 0.0) {
                edges.push((against, -BELOW));
            }
            edges.push((self.ends.bottom, bottom));
        }
        edges.push((self.ends.below, low));
        edges.push((0, high));
        if high < top {
            edges.push((self.ends.above, top));
            edges.push((self.ends.top, f64::INFINITY));
        } else {
            edges.push((self.ends.above, f64::INFINITY));
        }
        let mut from = f64::NEG_INFINITY;
        let mut bands = Vec::new();
        for (answer, to) in edges {
            bands.push((answer, Band { low: from, high: to }));
            from = to;
        }
        let reading = Reading { unit: Unit::Volt, bands };
        let shares = reading.likelihood(volts, accuracy, answers)?;
        let best = shares.iter().enumerate().fold((0, 0.0), |b, (k, p)| if *p > b.1 { (k, *p) } else { b });
        Some((shares, best.0))
    }

    /// What is on record for a pin; where no pin is named, for the one that speaks for the spot.
    fn at(&self, pin: Option<&str>) -> Vec<&RestingPin> {
        let split = |name: &str| -> (String, Option<String>) {
            let lower = name.to_lowercase();
            match lower.split_once(" (") {
                Some((base, variant)) => {
                    (base.to_owned(), Some(variant.trim_end_matches(')').replace(' ', "-")))
                }
                None => (lower, None),
            }
        };
        let of = |wanted: &str| -> Vec<&RestingPin> {
            let same = |p: &&RestingPin| {
                let base = split(&p.name).0;
                base == wanted || base.strip_prefix(wanted).is_some_and(|rest| rest.starts_with(' '))
            };
            self.pins.iter().filter(same).collect()
        };
        let found = match pin {
            Some(pin) => {
                let lower = pin.to_lowercase();
                let exact = of(&lower);
                if exact.is_empty() { base_of_pin(&lower).map_or_else(Vec::new, of) } else { exact }
            }
            None if self.pins.len() == 1 => self.pins.iter().collect(),
            None => {
                ["out", "output", "reservoir"].into_iter().map(of).find(|p| !p.is_empty()).unwrap_or_default()
            }
        };
        // A figure of one kind of part is none of another's.
        let kind =
            |p: &RestingPin| split(&p.name).1.and_then(|v| self.kinds.iter().position(|k| k.contains(&v)));
        match (self.kinds.len(), found.iter().any(|p| kind(p).is_some())) {
            (1, true) => found.into_iter().filter(|p| kind(p).is_some()).collect(),
            _ => found,
        }
    }
}

impl Rules {
    /// The supply of the unit; none unless the rules are those of an outline.
    pub(crate) fn resting_supply(&self) -> Option<&RestingSpot> {
        self.resting.iter().find(|s| s.spot == SUPPLY)
    }

    /// Spots of the unit with the checks that readings there answer; empty unless the rules are those of an outline.
    pub fn resting_spots(&self) -> &[RestingSpot] {
        &self.resting
    }

    /// The spot that a place means, and its pin: `Q1.c`, `IC1.3` where `IC1a` is a spot, `PT2399.6`, `VREF`.
    ///
    /// ```
    /// use halfsplit::rules::{History, Rules, places::UnitFacts};
    /// let (rules, _) = Rules::builtin()?.for_unit(&UnitFacts::new("op-amp-drive", History::WorkedBefore))?;
    /// let spot = |place| rules.resting_at(place).map(|(s, pin)| (s.spot.as_str(), pin.unwrap_or_default()));
    /// assert_eq!(spot("IC1.3"), Some(("IC1a", "plus input".to_owned())));
    /// assert_eq!(spot("VREF"), Some(("half-supply", String::new())));
    /// assert_eq!(spot("IC7.3"), None);
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn resting_at(&self, place: &str) -> Option<(&RestingSpot, Option<String>)> {
        let plain = |t: &str| -> String {
            t.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_lowercase()
        };
        let named = |name: &str| {
            let name = plain(name);
            let same = |s: &&RestingSpot| {
                plain(&s.spot) == name || s.device.as_ref().is_some_and(|d| plain(d) == name)
            };
            self.resting.iter().find(same)
        };
        if let Some((part, pin)) = place.rsplit_once('.') {
            if let Some(spot) = named(part) {
                return Some((spot, Some(pin.to_owned())));
            }
            let (section, pin) = pin_of_section(pin)?;
            return named(&format!("{part}{section}")).map(|spot| (spot, Some(pin.to_owned())));
        }
        let supply = || {
            let supply = self.resting_supply()?;
            (check_at(place, Reads::Volts)? == self.check(supply.check).id).then_some(supply)
        };
        named(place).or_else(|| spots_named(place).find_map(named)).or_else(supply).map(|spot| (spot, None))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::rules::places::UnitFacts;
    use crate::rules::{Accuracy, History};

    /// The answer that a reading gives, with what is left of the healthy one.
    fn read(outline: &str, place: &str, volts: f64) -> Option<(String, f64)> {
        let facts = UnitFacts::new(outline, History::WorkedBefore);
        let (rules, _) = Rules::builtin().unwrap().for_unit(&facts).unwrap();
        let (spot, pin) = rules.resting_at(place)?;
        let check = rules.check(spot.check);
        let meter = Accuracy { relative: 0.01, absolute: 0.01 };
        let (shares, best) = spot.weigh(pin.as_deref(), volts, meter, check.answers.len())?;
        Some((check.answers[best].clone(), shares[0]))
    }

    fn answer(outline: &str, place: &str, volts: f64) -> String {
        read(outline, place, volts).map_or_else(|| "nothing".into(), |r| r.0)
    }

    #[test]
    fn readings_answer_by_the_volts_on_record() {
        // Second collector of a fuzz on 9 V: 3.15 to 6.75 V.
        for (volts, says) in
            [(4.5, "right"), (2.0, "off"), (0.1, "at-an-end"), (8.9, "at-an-end"), (7.5, "off")]
        {
            assert_eq!(answer("fuzz", "Q2.c", volts), says, "{volts} V");
        }
        // A unit whose plus pole is ground.
        assert_eq!(answer("fuzz", "q2.collector", -4.5), "right");
        for (volts, says) in
            [(5.0, "right"), (3.9, "low"), (6.5, "high"), (0.02, "missing"), (-5.0, "reversed")]
        {
            assert_eq!(answer("echo-delay", "5V", volts), says, "{volts} V");
        }
        assert_eq!(answer("echo-delay", "PT2399.2", 2.5), "right");
        assert_eq!(answer("echo-delay", "echo-chip.2", 0.4), "off");
        assert_eq!(answer("op-amp-drive", "IC1.1", 4.5), "right");
        assert_eq!(answer("op-amp-drive", "IC1.1", 8.9), "at-an-end");
        for nothing in ["IC9.1", "Q2.q", "V77"] {
            assert_eq!(answer("echo-delay", nothing, 4.0), "nothing", "{nothing}");
        }
    }

    #[test]
    fn a_band_that_differs_between_designs_condemns_less() {
        let (says, healthy) = read("booster", "Q1.b", 4.0).unwrap();
        assert_eq!((says.as_str(), healthy), ("off", WIDE));
        let (says, healthy) = read("booster", "Q1.c", 1.0).unwrap();
        assert!(says == "off" && healthy < 0.01, "{says} {healthy}");
    }

    #[test]
    fn two_rails_have_two_ends() {
        let outlines = Rules::builtin().unwrap().library().unwrap();
        let with_minus = outlines.outlines.keys().filter(|o| {
            let facts = UnitFacts::new(o.as_str(), History::WorkedBefore);
            Rules::builtin().unwrap().for_unit(&facts).unwrap().1.volts.len() > 1
        });
        for outline in with_minus {
            let facts = UnitFacts::new(outline.as_str(), History::WorkedBefore);
            let (rules, _) = Rules::builtin().unwrap().for_unit(&facts).unwrap();
            for spot in rules.resting_spots() {
                for pin in spot.pins.iter().filter(|p| !p.name.contains('(')) {
                    let middle = (pin.low + pin.high) / 2.0;
                    let answers = rules.check(spot.check).answers.len();
                    let (_, best) =
                        spot.weigh(Some(&pin.name), middle, Accuracy::default(), answers).unwrap();
                    assert_eq!(best, 0, "{outline}: {} {} at {middle}", spot.spot, pin.name);
                }
            }
        }
    }
}
