//! Readings that are hard to believe: queried once, then believed.

use crate::circuit::predict::{CheckId as BoardCheck, Observed};
use crate::job::{Card, Circuit, Diagnosis, PowerSource, unit_of};
use crate::rules::{self, MOST_VOLTS, Rules};
use crate::units::{Reading, Shown, Unit, reading, show};

/// A new 9 V block shows up to about 9.7 V without load (common practice, no source).
const BATTERY_MOST: f64 = 10.0;
/// Two rails of 15 V against each other, with their tolerance (common practice, no source).
const MODULE_MOST: f64 = 33.0;
/// How far a reading may lie over the supply before it is queried: meter, sag and recovery of a battery.
const OVER_SUPPLY: f64 = 1.1;
/// Faster than this no small part on a board with leads swings by itself, hertz (common practice, no source).
const FASTEST: f64 = 500e6;
/// Rates of the mains and of what a rectifier leaves of it, hertz, and how far a reading may be off them.
const MAINS: [f64; 4] = [50.0, 60.0, 100.0, 120.0];
const MAINS_OFF: f64 = 0.01;
/// How far from the thousandfold a slip of the prefix may land.
const THOUSAND: f64 = 1000.0;

/// A reading that is hard to believe.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Doubt {
    /// What is hard to believe, as a kind question.
    pub says: String,
    /// The reading that may have been meant, as it is typed; nothing where none is near.
    pub meant: Option<String>,
}

/// What is hard to believe in an answer to a check: a reading outside what this unit can have. Nothing where it is easy to believe, or
/// no reading.
///
/// ```
/// use halfsplit::{job::{JobCard, session::doubt}, rules::Rules, text::Source};
/// let card = "unit: Tin Lantern\nhistory: fresh-build\npower: battery\n";
/// let job = JobCard::read(&Source::new("job.yaml", card))?;
/// let asked = |check, answer| doubt(Rules::builtin().unwrap(), None, &job.card, check, answer);
/// assert_eq!(asked("supply-ohms", "4.7").and_then(|d| d.meant).as_deref(), Some("4.7k"));
/// assert!(asked("supply-ohms", "4.7k").is_none());
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
pub fn doubt(
    rules: &Rules,
    circuit: Option<&Circuit<'_>>,
    card: &Card,
    check: &str,
    answer: &str,
) -> Option<Doubt> {
    match rules.find_check(check) {
        Ok(id) => by_rules(rules, card, id, answer),
        Err(_) => on_board(circuit?, check, answer),
    }
}

/// The same for a check of the rules.
fn by_rules(rules: &Rules, card: &Card, check: rules::CheckId, text: &str) -> Option<Doubt> {
    let bands = rules.check(check).reading.as_ref()?;
    let unit = unit_of(bands.unit);
    let value = reading::parse(text, Some(unit)).ok()?.middle();
    if !value.is_finite() {
        return None;
    }
    match unit {
        Unit::Ohms if value < 0.0 => Some(below_zero(value)),
        Unit::Volts => {
            let (most, from) = supply(rules, card, check);
            over(value, most, from).or_else(|| slip_of_prefix(bands, unit, value).filter(|_| is_bare(text)))
        }
        _ => slip_of_prefix(bands, unit, value).filter(|_| is_bare(text)),
    }
}

/// What is hard to believe in a finding of a job, be it a reading of the rules or on the board.
pub fn doubt_of(diagnosis: &Diagnosis<'_>, check: &str, answer: &str) -> Option<String> {
    let found = doubt(diagnosis.rules, diagnosis.circuit.as_deref(), &diagnosis.job.card, check, answer);
    found.map(|d| d.says)
}

/// The same for a reading on the board: more volts than its supplies give together, ohms below zero, or a thousandth (or
/// a thousandfold) of what a healthy board reads.
fn on_board(circuit: &Circuit<'_>, id: &str, text: &str) -> Option<Doubt> {
    impossible_on_board(circuit, id, text).or_else(|| {
        let slip = slip_on_board(circuit, id, text).filter(|_| is_bare(text));
        slip.map(|(value, meant, unit)| which(value, meant, unit))
    })
}

/// A number read at a board's check, with its unit; nothing where it says nothing by its size.
fn number_on_board(circuit: &Circuit<'_>, id: &str, text: &str) -> Option<(BoardCheck, f64)> {
    let check = circuit.check(id).ok()?;
    let Ok(Observed::Read(read)) = Observed::parse(&check, text) else { return None };
    let value = check.figure(&read);
    (value.is_finite() && value != 0.0 && check.unit() != Unit::Decibels).then_some((check, value))
}

/// What can't be on a board: more volts than its supplies give together, ohms below zero, a rate that small parts on leads don't
/// reach, or that of the mains where it swings at another.
pub fn impossible_on_board(circuit: &Circuit<'_>, id: &str, text: &str) -> Option<Doubt> {
    let (check, value) = number_on_board(circuit, id, text)?;
    let supply: f64 = circuit.board().supplies().iter().map(|s| s.volts.0.abs()).sum();
    match check {
        BoardCheck::Ohms(_) if value < 0.0 => Some(below_zero(value)),
        BoardCheck::Volts(_) => over(value, supply, "the board's supply"),
        BoardCheck::Swing(_) => over(value.max(farthest(&check, text)), supply, "the board's supply"),
        // A square wave from rail to rail has half of them for its rms volts.
        BoardCheck::Noise(_) => over(value, supply / 2.0, "a howl from rail to rail"),
        BoardCheck::Hertz(_) if value > FASTEST => Some(Doubt { says: too_fast(value), meant: None }),
        BoardCheck::Hertz(_) if is_of_mains(value) => {
            let usual = circuit.predict(&[], std::slice::from_ref(&check))?.get(&check)?.clone();
            let away = (check.scaled(value) - usual.mean).abs() > usual.sd;
            away.then(|| Doubt { says: of_mains(value), meant: None })
        }
        _ => None,
    }
}

/// A reading that would be healthy a thousand times larger or smaller: as read, as it would be healthy, and the unit.
pub fn slip_on_board(circuit: &Circuit<'_>, id: &str, text: &str) -> Option<(f64, f64, Unit)> {
    let (check, value) = number_on_board(circuit, id, text)?;
    let usual = circuit.predict(&[], std::slice::from_ref(&check))?.get(&check)?.mean;
    let usual = check.unscaled(usual);
    let meant =
        [value / THOUSAND, value * THOUSAND].into_iter().find(|v| (0.3..3.0).contains(&(v / usual)))?;
    Some((value, meant, check.unit()))
}

/// A figure without a unit: its prefix may have been forgotten. Where a unit was typed, a fault may well read a thousandfold.
fn is_bare(text: &str) -> bool {
    !text.chars().any(char::is_alphabetic)
}

/// How far from ground a swing goes, volts; nothing where its ends were not read.
fn farthest(check: &BoardCheck, text: &str) -> f64 {
    match Observed::parse(check, text) {
        Ok(Observed::Read(Reading { shown: Shown::Range(least, most), .. })) => least.abs().max(most.abs()),
        _ => 0.0,
    }
}

/// Whether a rate is that of the mains, or twice it, as hum and rectifiers have it.
fn is_of_mains(hertz: f64) -> bool {
    MAINS.iter().any(|of| (hertz / of - 1.0).abs() < MAINS_OFF)
}

fn too_fast(hertz: f64) -> String {
    format!(
        "{}: the parts of such a board don't reach that. Is it a radio station, the meter's own figure without a signal, or a letter too many?",
        show::value(hertz, Unit::Hertz)
    )
}

fn of_mains(hertz: f64) -> String {
    format!(
        "{} is what the mains hums at, and leads pick it up. Does it stay with the unit switched off, or on a battery? Then it is none of the board's",
        show::value(hertz, Unit::Hertz)
    )
}

fn below_zero(value: f64) -> Doubt {
    let says = format!(
        "{}: a meter shows no ohms below zero unless a voltage is left on the board. Is the power off, and are the \
         capacitors empty?",
        show::value(value, Unit::Ohms)
    );
    Doubt { says, meant: None }
}

fn which(value: f64, meant: f64, unit: Unit) -> Doubt {
    let says = format!(
        "{} would be far out, {} would be healthy. Which did the meter show?",
        show::value(value, unit),
        show::value(meant, unit)
    );
    Doubt { says, meant: Some(typed(meant, unit)) }
}

/// More volts than there are.
fn over(value: f64, most: f64, from: &str) -> Option<Doubt> {
    if value.abs() <= most * OVER_SUPPLY {
        return None;
    }
    let shown = show::value(value, Unit::Volts);
    let says = if value.abs() > MOST_VOLTS {
        format!(
            "{shown} is more than any unit for this bench has. If the meter shows that, take your hands and leads off and switch off: \
             such voltage can kill. Is it a slip of the pen, or the meter on another range?"
        )
    } else {
        format!(
            "{shown} is more than {from} gives ({}). Is the meter on DC volts, and is it the right supply?",
            show::value(most, Unit::Volts)
        )
    };
    // A point too few, or a letter too many.
    let meant = [10.0, 100.0, THOUSAND].into_iter().map(|by| value / by).find(|v| {
        let least = 0.05 * most;
        (least..=most).contains(&v.abs())
    });
    Some(Doubt { says, meant: meant.map(|v| typed(v, Unit::Volts)) })
}

/// The most that the unit's supply gives, as far as the card tells.
fn supply(rules: &Rules, card: &Card, asked: rules::CheckId) -> (f64, &'static str) {
    let asked = &rules.check(asked).id;
    let tells_supply = |id: &str| rules.find_check(id).is_ok_and(|c| rules.check(c).tells_supply);
    let measured = card
        .standing()
        .filter(|(_, f)| f.check.value != *asked && tells_supply(&f.check.value))
        .filter_map(|(_, f)| reading::parse(&f.answer.value, Some(Unit::Volts)).ok())
        .map(|r| r.middle().abs())
        .filter(|v| *v > 1.0 && v.is_finite())
        .last();
    match (measured, card.power.as_ref().map(|p| p.value)) {
        (Some(volts), _) => (volts, "the supply as measured"),
        (None, Some(PowerSource::Battery)) => (BATTERY_MOST, "a new 9 V battery"),
        (None, Some(PowerSource::ModuleSupply)) => (MODULE_MOST, "a supply of plus and minus 15 V"),
        (None, _) => (MODULE_MOST, "any supply that is usual in such units"),
    }
}

/// A reading that would be healthy with another prefix: `4.7` typed for 4.7 kohm, `23` for 23 mA.
fn slip_of_prefix(bands: &rules::Reading, unit: Unit, value: f64) -> Option<Doubt> {
    if unit == Unit::Decibels || value == 0.0 || bands.answer(value) == Some(0) {
        return None;
    }
    // A bare number of amperes is milliamperes on the bench; one of ohms, hertz or volts may want a 'k' or an 'm'.
    let likely = [value / THOUSAND, if unit == Unit::Amps { value / THOUSAND } else { value * THOUSAND }];
    let meant = likely.into_iter().find(|v| bands.answer(*v) == Some(0) && within_reason(bands, *v))?;
    Some(which(value, meant, unit))
}

/// A value as it is typed: `4.7k`, `23mA`, `9.1V`; three digits, no blanks.
fn typed(value: f64, unit: Unit) -> String {
    let (scale, prefix) = match value.abs() {
        v if v >= 1e6 => (1e6, "M"),
        v if v >= 1e3 => (1e3, "k"),
        v if v >= 1.0 || v == 0.0 => (1.0, ""),
        v if v >= 1e-3 => (1e-3, "m"),
        _ => (1e-6, "u"),
    };
    let scaled = value / scale;
    let decimals = if scaled.abs() >= 100.0 {
        0
    } else if scaled.abs() >= 10.0 {
        1
    } else {
        2
    };
    let figure = format!("{scaled:.decimals$}");
    let figure =
        if figure.contains('.') { figure.trim_end_matches('0').trim_end_matches('.') } else { &figure };
    let symbol = if unit == Unit::Ohms { "" } else { unit.symbol() };
    format!("{figure}{prefix}{symbol}")
}

/// An open-ended band holds too much to guess by: there the other prefix must land within two decades of its edge.
fn within_reason(bands: &rules::Reading, value: f64) -> bool {
    let healthy = bands.bands.iter().filter(|(answer, _)| *answer == 0);
    healthy.into_iter().any(|(_, band)| {
        let edge = if band.high.is_finite() { band.high } else { band.low };
        band.holds(value) && edge != 0.0 && (value / edge).abs() < 100.0 && (value / edge).abs() > 0.01
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::job::JobCard;
    use crate::text::Source;

    fn asked(card: &str, check: &str, text: &str) -> Option<String> {
        let rules = Rules::builtin().unwrap();
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        doubt(rules, None, &job.card, check, text).map(|d| d.says)
    }

    fn meant(card: &str, check: &str, text: &str) -> Option<String> {
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        doubt(Rules::builtin().unwrap(), None, &job.card, check, text).unwrap().meant
    }

    #[test]
    fn what_is_proposed_reads_back() {
        for (value, unit, text) in [
            (4700.0, Unit::Ohms, "4.7k"),
            (1e6, Unit::Ohms, "1M"),
            (100.0, Unit::Ohms, "100"),
            (0.023, Unit::Amps, "23mA"),
            (9.1, Unit::Volts, "9.1V"),
            (-0.0004, Unit::Volts, "-400uV"),
            (0.0, Unit::Volts, "0V"),
        ] {
            assert_eq!(typed(value, unit), text);
            let read = reading::parse(text, Some(unit)).unwrap().middle();
            assert!((read - value).abs() <= 1e-9 * value.abs().max(1.0), "{text}: {read}");
        }
    }

    #[test]
    fn what_cannot_be_is_queried_and_the_rest_is_not() {
        let battery = "unit: A\nhistory: fresh-build\npower: battery\n";
        let measured =
            "unit: A\nhistory: fresh-build\nfindings:\n  - {check: board-supply-volts, answer: 8.9V}\n";
        assert!(asked(battery, "collector-volts", "12V").unwrap().contains("a new 9 V battery"));
        assert!(asked(measured, "collector-volts", "12").unwrap().contains("8.90 V"));
        assert!(asked(measured, "collector-volts", "8.7").is_none());
        assert!(asked(measured, "collector-volts", "4500").is_some());
        let behind = "unit: A\nhistory: fresh-build\nfindings:\n  - {check: logic-rail-volts, answer: 5V}\n";
        assert!(asked(behind, "collector-volts", "8.7").is_none(), "a rail of its own is not the supply");
        assert!(asked(battery, "supply-ohms", "4.7").unwrap().contains("4.70 kohm would be healthy"));
        assert!(asked(battery, "supply-ohms", "0.3").is_none(), "a dead short is a dead short");
        assert!(asked(battery, "supply-ohms", "-20").unwrap().contains("below zero"));
        assert!(asked(battery, "supply-ohms", "OL").is_none());
        assert!(asked(battery, "supply-ohms", "short").is_none());
        // Nobody said what feeds it: such units have 33 V at most.
        let unsaid = "unit: A\nhistory: fresh-build\n";
        assert!(asked(unsaid, "collector-volts", "45").unwrap().contains("any supply that is usual"));
        assert!(asked(unsaid, "collector-volts", "18").is_none());
        assert!(asked(unsaid, "collector-volts", "320V").unwrap().contains("take your hands and leads off"));
        assert_eq!(meant(unsaid, "collector-volts", "4.7k").as_deref(), Some("4.7V"), "an ohms letter");
        assert_eq!(meant(battery, "collector-volts", "45").as_deref(), Some("4.5V"), "a point left out");
        assert_eq!(meant(battery, "supply-ohms", "4.7").as_deref(), Some("4.7k"));
        assert_eq!(meant(battery, "supply-ohms", "-20"), None);
    }
}
