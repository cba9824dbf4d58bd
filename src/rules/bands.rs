//! Readings to answers: hard by band, soft by meter accuracy.

use super::load::{File, Loader};
use super::set::Reading;
use super::words::Kind;
use super::written;

/// How far a meter may be off: `relative · |reading| + absolute`, either way.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Accuracy {
    /// Share of the reading, such as 0.008 for 0.8 %.
    pub relative: f64,
    /// Fixed part, in the unit of the reading.
    pub absolute: f64,
}

impl Reading {
    /// The answer whose band holds a value; at a shared edge the less bad one. Nothing in a gap.
    /// An infinite value (a meter's OL) lies in a band with an open end.
    pub fn answer(&self, value: f64) -> Option<usize> {
        self.bands.iter().filter(|(_, band)| band.holds(value)).map(|(answer, _)| *answer).min()
    }

    /// The chance of a reading's being what each answer would give, by answer index below
    /// `answers`; the largest entries are the answers that the reading leaves open, and the sum is 1.
    ///
    /// The true value lies anywhere within the accuracy of the reading with equal chance (JCGM
    /// 100:2008, 4.3.7: limits alone known give a rectangular distribution), so each answer gets
    /// the share of that stretch which its band covers. Nothing if no band is touched. Exact
    /// readings and infinite ones go to one answer.
    ///
    /// ```
    /// use halfsplit::rules::{Accuracy, Rules};
    /// use halfsplit::text::Source;
    /// # let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/packs/lantern.yaml"));
    /// let rules = Rules::load(&[Source::new("lantern.yaml", text)])?;
    /// let check = rules.check(rules.find_check("logic-rail-volts").unwrap());
    /// let reading = check.reading.as_ref().unwrap();
    /// assert_eq!(reading.answer(5.02).map(|a| check.answers[a].as_str()), Some("right"));
    /// let soft = reading.likelihood(4.75, Accuracy { relative: 0.01, absolute: 0.0 }, 3).unwrap();
    /// assert!((soft[0] - 0.5).abs() < 1e-9 && (soft[1] - 0.5).abs() < 1e-9);
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn likelihood(&self, value: f64, accuracy: Accuracy, answers: usize) -> Option<Vec<f64>> {
        let limit = accuracy.relative.abs() * value.abs() + accuracy.absolute.abs();
        let mut shares = vec![0.0; answers];
        if limit > 0.0 && limit.is_finite() {
            for (answer, band) in &self.bands {
                if let Some(share) = shares.get_mut(*answer) {
                    *share += band.overlap(value - limit, value + limit);
                }
            }
        }
        let sum: f64 = shares.iter().sum();
        if sum > 0.0 {
            shares.iter_mut().for_each(|s| *s /= sum);
        } else {
            *shares.get_mut(self.answer(value)?)? = 1.0;
        }
        Some(shares)
    }
}

/// Bands with their answers found, sorted, none overlapping another.
pub(super) fn prove(
    loader: &mut Loader,
    file: &File,
    id: &str,
    check: &written::Check,
    reading: &written::Reading,
) -> Option<Reading> {
    if check.kind.value != Kind::Measure && check.kind.value != Kind::Listen {
        let place = file.place(check.kind.span);
        let message = format!("a check of kind '{}' takes no reading", check.kind.value);
        loader.complain("reading", place, message, "write 'kind: measure', or drop 'reading'");
    }
    let answers: Vec<String> = check.answers.iter().map(|a| a.value.clone()).collect();
    let mut bands = Vec::new();
    for (name, band) in reading.bands.iter() {
        match answers.iter().position(|a| *a == name.value) {
            Some(answer) => bands.push((answer, band)),
            None => loader.unknown_answer(file, name, id, &answers),
        }
    }
    if bands.is_empty() {
        if !loader.readable {
            return None;
        }
        let place = file.place(reading.unit.span);
        loader.complain(
            "reading",
            place,
            "the reading has no band".into(),
            "give each answer its stretch of values",
        );
        return None;
    }
    bands.sort_by(|a, b| a.1.low.total_cmp(&b.1.low).then(a.0.cmp(&b.0)));
    for pair in bands.windows(2) {
        let ((first, a), (second, b)) = (pair[0], pair[1]);
        if b.low < a.high {
            let message = format!("the band of '{}' overlaps that of '{}'", answers[second], answers[first]);
            let help = format!("start it at {} or above", super::figures::rounded(a.high));
            loader.complain("bands-overlap", file.place(b.span), message, help);
        }
    }
    let bands = bands.into_iter().map(|(answer, band)| (answer, band.value)).collect();
    Some(Reading { unit: reading.unit.value, bands })
}
