//! Values to the words and figures of a summary.

use super::certainty;
use super::model::{Amount, Chance, Gloss, Moment, RemedyFace, Span, Status, Weight};
use super::shop::Shop;
use crate::job::{EndState, PowerSource, RemedyOffer};
use crate::rules::{Build, History};
use crate::text::{Complaints, Source, decode, parse};
use crate::units::{Decibels, Minutes, Probability, Unit, show};
use serde::Deserialize;

pub(super) fn chance(shop: &Shop, p: f64) -> Chance {
    // Sums of rounded shares may stand an ulp above one.
    let shown = Probability::new(p.clamp(0.0, 1.0)).map_or_else(String::new, show::probability);
    Chance { p, shown: shop.figure(&shown), word: certainty::of(p).word.into() }
}

pub(super) fn weight(shop: &Shop, db: f64) -> Weight {
    Weight { db, shown: shop.figure(&show::weight(Decibels(db))) }
}

pub(super) fn span(shop: &Shop, minutes: f64) -> Span {
    Span { minutes, shown: shop.figure(&show::minutes(Minutes(minutes))) }
}

pub(super) fn amount(shop: &Shop, minor: i64) -> Amount {
    Amount { minor, shown: shop.amount(minor) }
}

pub(super) fn moment(shop: &Shop, at: &str) -> Moment {
    let (day, shown) = (shop.day(at), shop.moment(at));
    let clock = shown.strip_prefix(day.as_str()).unwrap_or_default().trim().to_string();
    Moment { at: at.into(), day, shown, clock }
}

pub(super) fn remedy(shop: &Shop, offer: &RemedyOffer) -> RemedyFace {
    let hundredths = (offer.money * 100.0).round() as i64;
    RemedyFace {
        text: offer.text.clone(),
        minutes: span(shop, offer.minutes),
        parts: amount(shop, shop.from_hundredths(hundredths)),
    }
}

pub(super) fn history(history: History) -> &'static str {
    match history {
        History::FreshBuild => "Newly built; it has not worked yet",
        History::WorkedBefore => "It worked before and then failed",
        History::AfterChange => "It worked until something was changed",
    }
}

pub(super) fn build(build: Build) -> &'static str {
    match build {
        Build::Breadboard => "on a plug-in board without solder",
        Build::Stripboard => "on stripboard (a board with copper lines)",
        Build::Pcb => "on a printed circuit board",
        Build::PointToPoint => "wired lead to lead",
        Build::Factory => "made in a factory",
        Build::Perfboard => "on perfboard (a board of pads, wired point by point)",
    }
}

pub(super) fn power(power: PowerSource) -> &'static str {
    match power {
        PowerSource::Battery => "a battery inside",
        PowerSource::Adaptor => "a low-voltage adaptor (plug-in supply)",
        PowerSource::ModuleSupply => "the low-voltage supply of a module case",
        PowerSource::Mains => "mains voltage inside the unit",
        PowerSource::HighVoltage => "high voltage inside the unit",
    }
}

pub(super) fn status(end: Option<EndState>) -> (Status, &'static str) {
    match end {
        None => (Status::Interim, "Interim summary: the job is not finished"),
        Some(EndState::Mended) => (Status::Mended, "Work done: fault found and put right"),
        Some(EndState::Found) => (Status::Found, "Fault found; not put right"),
        Some(EndState::NothingWrong) => (Status::NothingWrong, "No fault found in the unit"),
        Some(EndState::Unlisted) => (Status::Unlisted, "Finished: a cause outside our list"),
        Some(EndState::Declined) => (Status::Declined, "Not worked on: outside our scope"),
        Some(EndState::HandedOn) => (Status::HandedOn, "Returned unfinished, or handed on"),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Glossary {
    words: Vec<Word>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Word {
    word: String,
    #[serde(default)]
    also: Vec<String>,
    means: String,
}

/// The words of the trade in some text, explained, in the glossary's order.
pub(super) fn glossary(text: &str) -> Result<Vec<Gloss>, Complaints> {
    let source = Source::new("glossary.yaml", include_str!("glossary.yaml"));
    let glossary: Glossary = decode(&parse(&source)?)?;
    let text = padded(text);
    let used = |word: &str| text.contains(&padded(word));
    Ok(glossary
        .words
        .into_iter()
        .filter(|w| used(&w.word) || w.also.iter().any(|a| used(a)))
        .map(|w| Gloss { word: w.word, means: w.means })
        .collect())
}

/// Lower case, everything but letters and digits a single space, a space at both ends.
fn padded(text: &str) -> String {
    let mut out = String::from(" ");
    for c in text.chars().flat_map(char::to_lowercase) {
        if c.is_alphanumeric() {
            out.push(c);
        } else if !out.ends_with(' ') {
            out.push(' ');
        }
    }
    if !out.ends_with(' ') {
        out.push(' ');
    }
    out
}

/// Advice by what the unit runs on and how the job ended.
#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub(super) struct Care {
    battery: Vec<String>,
    adaptor: Vec<String>,
    module_supply: Vec<String>,
    out_of_scope: Vec<String>,
    not_mended: Vec<String>,
    nothing_found: Vec<String>,
}

pub(super) fn care(power: Option<PowerSource>, status: Status) -> Result<Vec<String>, Complaints> {
    let source = Source::new("care.yaml", include_str!("care.yaml"));
    let care: Care = decode(&parse(&source)?)?;
    let mut out = match status {
        Status::Mended | Status::Unlisted | Status::Declined => Vec::new(),
        Status::NothingWrong => care.nothing_found,
        _ => care.not_mended,
    };
    out.extend(match power {
        Some(PowerSource::Battery) => care.battery,
        Some(PowerSource::Adaptor) => care.adaptor,
        Some(PowerSource::ModuleSupply) => care.module_supply,
        Some(PowerSource::Mains | PowerSource::HighVoltage) => care.out_of_scope,
        None => Vec::new(),
    });
    Ok(out)
}

/// A probability as printed, as part of a sentence: `at 12 %`, `above 99.9 %`.
pub(super) fn stands(shown: &str) -> String {
    match (shown.strip_prefix('>'), shown.strip_prefix('<')) {
        (Some(rest), _) => format!("above {rest}"),
        (_, Some(rest)) => format!("below {rest}"),
        _ => format!("at {shown}"),
    }
}

/// A reading as it was typed, with the space before its unit that print wants: `0.31V` becomes `0.31 V`.
pub(super) fn spaced(answer: &str) -> String {
    let figure = answer.trim_end_matches(|c: char| c.is_alphabetic());
    let unit = &answer[figure.len()..];
    let known = ["V", "mV", "A", "mA", "uA", "Hz", "kHz", "MHz", "dB", "ohm", "kohm", "Mohm"];
    if figure.ends_with(|c: char| c.is_ascii_digit()) && known.contains(&unit) {
        format!("{figure} {unit}")
    } else {
        answer.into()
    }
}

/// The same with the unit of its check where it was typed without one: `1.3` ohms become `1.3 ohm`, `1.2k` `1.2 kohm`.
pub(super) fn with_unit(answer: &str, unit: Unit) -> String {
    let figure = answer.trim_end_matches(['k', 'M']);
    let bare = !figure.is_empty() && figure.chars().all(|c| c.is_ascii_digit() || ".,".contains(c));
    match (bare, unit, &answer[figure.len()..]) {
        (true, Unit::Ohms, prefix) => format!("{figure} {prefix}ohm"),
        (true, _, "") => format!("{figure} {}", unit.symbol()),
        _ => spaced(answer),
    }
}

/// A step of the bench as a sentence for the owner, by the kind of check.
pub(super) fn step(kind: &str, says: &str) -> String {
    let says = lower(says);
    sentence(&match kind {
        "ask" => format!("Next we ask you about: {says}"),
        "look" => format!("Next we look at: {says}"),
        "listen" => format!("Next we listen to: {says}"),
        "measure" => format!("Next we measure: {says}"),
        _ => format!("Next step: {says}"),
    })
}

/// A text with a full stop at its end.
pub(super) fn sentence(text: &str) -> String {
    let text = text.trim();
    if text.ends_with(['.', '!', '?']) { text.into() } else { format!("{text}.") }
}

/// A clause without its leading capital, for use inside a sentence; acronyms and part names stay.
pub(super) fn lower(text: &str) -> String {
    let mut chars = text.chars();
    match (chars.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if second.is_lowercase() || second == ' ' => {
            first.to_lowercase().collect::<String>() + chars.as_str()
        }
        _ => text.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_get_their_unit_and_what_was_typed_stays() {
        assert_eq!(spaced("0.31V"), "0.31 V");
        assert_eq!(spaced("OL"), "OL");
        assert_eq!(spaced("1.2k"), "1.2k");
        assert_eq!(with_unit("1.3", Unit::Ohms), "1.3 ohm");
        assert_eq!(with_unit("1.2k", Unit::Ohms), "1.2 kohm");
        assert_eq!(with_unit("4,98", Unit::Volts), "4,98 V");
        assert_eq!(with_unit("4.98V", Unit::Volts), "4.98 V");
        assert_eq!(with_unit("about 5", Unit::Volts), "about 5");
        assert_eq!((stands(">99.9 %"), stands("12 %")), ("above 99.9 %".into(), "at 12 %".into()));
        assert_eq!(step("measure", "The 5 V rail"), "Next we measure: the 5 V rail.");
    }

    #[test]
    fn only_words_that_are_used_are_explained() {
        let found =
            glossary("The Op-amp's rails, a chipped knob").map(|g| g.into_iter().map(|g| g.word).collect());
        assert_eq!(found, Ok(vec!["op amp".to_string(), "rail".into()]));
    }
}
