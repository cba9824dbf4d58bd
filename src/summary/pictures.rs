//! The pictures: their figures, and their drawings.
//!
//! Four of them: the signal path with what was heard at each point, readings on their healthy bands, how suspicion moved,
//! and the suspects as bars. A picture without figures is left out. Each says in words what it shows.

use super::build::Parts;
use super::model::{Chance, Entry};
use super::svg::{ACCENT, ALARM, Anchor, Drawing, FAINT, Fill, INK, Scale, WIDTH, broken};
use super::{tense, timeline, words};
use crate::belief::FaultId;
use crate::circuit::predict::{self, Ear, Observed};
use crate::job::{self, EndState, Meaning, Suspects, board_check_says};
use crate::rules::{Check, Kind};
use crate::text::{Complaints, Source, decode, parse};
use crate::units::{reading, show};
use serde::{Deserialize, Serialize};

/// Characters of a line across the drawing.
const ACROSS: usize = 46;
/// The same of bold ones.
const ACROSS_BOLD: usize = 42;

/// A point of the signal path.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PathPoint {
    /// The finding's number on the card.
    pub number: usize,
    /// What the point is called.
    pub label: String,
    /// What should be heard there.
    pub expected: String,
    /// What was heard.
    pub heard: String,
    /// How much of it, 0 for none to 1 for as expected.
    pub level: f64,
    /// Whether it is as expected.
    pub good: bool,
}

/// The signal path.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PathPicture {
    /// The points in the order in which the sound passes them.
    pub points: Vec<PathPoint>,
    /// Index of the first point at which it isn't as expected.
    pub lost: Option<usize>,
    /// Where the sound is lost, in a sentence.
    pub says: String,
}

/// A reading on its healthy band.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Dot {
    /// The finding's number on the card.
    pub number: usize,
    /// What was measured.
    pub says: String,
    /// The reading, in the base unit; nothing where the meter was over range.
    pub value: Option<f64>,
    /// The reading as printed.
    pub shown: String,
    /// Lower end of the band; nothing where it is open.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// The band as printed.
    pub band: String,
    /// Whether the reading lies in it.
    pub inside: bool,
    low_shown: String,
    high_shown: String,
}

/// How one suspect's probability moved.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Course {
    /// Its letter.
    pub letter: String,
    /// Its id.
    pub id: String,
    /// What would be wrong.
    pub says: String,
    /// Probability at each step.
    pub chances: Vec<Chance>,
}

/// How suspicion moved.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct History {
    /// What each step is: `start`, `complaint`, or the finding's number.
    pub steps: Vec<String>,
    /// The finding of each step, in words.
    pub says: Vec<String>,
    /// The suspects.
    pub courses: Vec<Course>,
    /// How the figures are to be read, where a fault was put right on the way.
    pub note: Option<String>,
}

/// A suspect's bar.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Bar {
    /// What would be wrong.
    pub says: String,
    /// The same for a customer.
    pub plain: String,
    /// Its probability.
    pub chance: Chance,
}

/// The figures of all pictures.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Pictures {
    /// The signal path, where at least two points were listened at.
    pub path: Option<PathPicture>,
    /// Readings on their healthy bands.
    pub dots: Vec<Dot>,
    /// How suspicion moved, where something was found.
    pub history: Option<History>,
    /// Suspects, the likeliest first; what the rules don't know and a healthy unit among them.
    pub bars: Vec<Bar>,
}

pub(super) fn of(
    parts: &Parts<'_, '_>,
    entries: &[Entry],
    suspects: &Suspects,
) -> Result<Pictures, Complaints> {
    Ok(Pictures {
        path: path(parts)?,
        dots: dots(parts),
        history: history(parts, entries),
        bars: bars(parts, suspects),
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PathFile {
    points: Vec<PathLabel>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PathLabel {
    check: String,
    label: String,
}

/// Whether a check listens at a point of the circuit: an audio probe there, or a level.
fn is_point(check: &Check) -> bool {
    check.kind == Kind::Listen
        && (check.id.starts_with("probe-") || check.id.starts_with("level:"))
        && check.answers.last().is_some_and(|a| a == "none")
}

fn path(parts: &Parts<'_, '_>) -> Result<Option<PathPicture>, Complaints> {
    let source = Source::new("path.yaml", include_str!("path.yaml"));
    let labels: PathFile = decode(&parse(&source)?)?;
    let last = parts.diagnosis.model.findings.iter().map(|f| f.epoch).max().unwrap_or(0);
    let points_in = |epoch: usize| {
        let mut points: Vec<(usize, PathPoint)> = Vec::new();
        for found in parts.diagnosis.model.findings.iter().filter(|f| f.epoch == epoch && f.number > 0) {
            if let Meaning::Circuit { check, observed } = &found.meaning {
                let along = board_place(parts, check.place());
                let place = labels.points.len() + 1 + along;
                points.extend(level_point(parts, found, check, observed).map(|p| (place, p)));
            }
            let Meaning::Answer { check, answer, .. } = &found.meaning else { continue };
            let check = parts.diagnosis.rules.check(*check);
            if !is_point(check) || found.node.is_none() {
                continue;
            }
            let place = labels.points.iter().position(|l| l.check == check.id);
            let worst = check.answers.len().saturating_sub(1).max(1);
            points.push((
                place.unwrap_or(labels.points.len()),
                PathPoint {
                    number: found.number,
                    label: place.map_or_else(|| check.says.clone(), |i| labels.points[i].label.clone()),
                    expected: check.healthy.clone().unwrap_or_else(|| check.answers[0].clone()),
                    heard: found.answer.clone(),
                    level: 1.0 - *answer as f64 / worst as f64,
                    good: *answer == 0,
                },
            ));
        }
        points.sort_by_key(|(place, p)| (*place, p.number));
        points.into_iter().map(|(_, p)| p).collect::<Vec<_>>()
    };
    // The unit as it was when it was probed most: before the repair, as a rule.
    let best = (0..=last).map(points_in).max_by_key(Vec::len).unwrap_or_default();
    let end = parts.diagnosis.job.card.outcome.as_ref().map(|o| o.end);
    let still = !parts.diagnosis.cured() && matches!(end, None | Some(EndState::Found | EndState::HandedOn));
    Ok((best.len() >= 2).then(|| sentence(best, still)))
}

/// Where a net stands among those of the board file, whose parts follow the signal.
fn board_place(parts: &Parts<'_, '_>, net: &str) -> usize {
    let nets = parts.diagnosis.circuit.as_ref().map(|c| c.board().nets()).unwrap_or_default();
    nets.iter().position(|n| n == net).unwrap_or(nets.len())
}

/// A point of a board's signal path, by ear or by level.
fn level_point(
    parts: &Parts<'_, '_>,
    found: &job::Understood,
    check: &predict::CheckId,
    observed: &Observed,
) -> Option<PathPoint> {
    let predict::CheckId::Level(net) = check else { return None };
    let line = parts.diagnosis.circuit.as_ref().and_then(|c| c.expected(check));
    let (level, good) = match observed {
        Observed::Heard(Ear::None) => (0.0, false),
        Observed::Heard(Ear::Faint) => (0.35, false),
        Observed::Heard(Ear::Expected) => (1.0, true),
        Observed::Heard(_) => (1.0, false),
        Observed::Read(reading) => {
            let (value, line) = (reading.middle(), line.as_ref()?);
            let good = line.low.is_none_or(|l| value >= l) && line.high.is_none_or(|h| value <= h);
            // Forty decibels below what belongs there is as good as nothing.
            let short = line.typical.map_or(0.0, |t| ((t - value) / 40.0).clamp(0.0, 1.0));
            (if good { 1.0 } else { 1.0 - short }, good)
        }
    };
    Some(PathPoint {
        number: found.number,
        label: format!("Point {net}"),
        expected: line.map_or_else(|| "as it should be there".into(), |l| l.band),
        heard: found.answer.clone(),
        level,
        good,
    })
}

fn sentence(points: Vec<PathPoint>, still: bool) -> PathPicture {
    let was = if still { "is" } else { "was" };
    let lost = points.iter().position(|p| !p.good);
    let at = |i: usize| format!("the {}", words::lower(&points[i].label));
    let says = match lost {
        None => format!("The sound {was} as it should be at every point that was listened at."),
        Some(i) => {
            let how = if points[i].level > 0.0 { "too weak" } else { "gone" };
            let back = (i..points.len()).find(|k| points[*k].good);
            match (i.checked_sub(1), back) {
                (_, Some(k)) => format!("The sound {was} {how} at {} and there again at {}.", at(i), at(k)),
                (Some(k), None) => format!("The sound {was} there at {} and {how} at {}.", at(k), at(i)),
                (None, None) => format!("The sound {was} {how} already at the first point, {}.", at(i)),
            }
        }
    };
    PathPicture { points, lost, says }
}

/// Readings that are drawn: the last ones, where there are more.
const DOTS: usize = 60;

fn dots(parts: &Parts<'_, '_>) -> Vec<Dot> {
    let mut out = Vec::new();
    for found in parts.diagnosis.model.findings.iter().rev() {
        if out.len() >= DOTS {
            break;
        }
        if let Meaning::Circuit { check, observed: Observed::Read(reading) } = &found.meaning {
            out.extend(board_dot(parts, found, check, reading));
        }
        let Meaning::Answer { check, answer, .. } = &found.meaning else { continue };
        let check = parts.diagnosis.rules.check(*check);
        let Some(bands) = &check.reading else { continue };
        let unit = job::unit_of(bands.unit);
        let Some((low, high)) = job::healthy_band(bands) else { continue };
        let Ok(read) = reading::parse(&found.answer, Some(unit)) else { continue };
        let value = match read.shown {
            crate::units::Shown::Overload => None,
            _ => Some(read.middle()),
        };
        let finite = |x: f64| x.is_finite().then_some(x);
        let end = |x: f64| if x.is_finite() { show::value(x, unit) } else { String::new() };
        let band = match (low.is_finite(), high.is_finite()) {
            (true, true) => show::band(low, high, unit),
            (false, true) => format!("up to {}", show::value(high, unit)),
            (true, false) => format!("{} and more", show::value(low, unit)),
            (false, false) => continue,
        };
        out.push(Dot {
            number: found.number,
            says: check.says.clone(),
            value,
            shown: value.map_or_else(|| "over range".into(), |v| show::value(v, unit)),
            low: finite(low),
            high: finite(high),
            band,
            inside: *answer == 0,
            low_shown: end(low),
            high_shown: end(high),
        });
    }
    out.reverse();
    out
}

/// A reading on the board against the solver's band.
fn board_dot(
    parts: &Parts<'_, '_>,
    found: &job::Understood,
    check: &predict::CheckId,
    read: &reading::Reading,
) -> Option<Dot> {
    let line = parts.diagnosis.circuit.as_ref()?.expected(check)?;
    let value = Some(read.middle()).filter(|v| v.is_finite());
    let end = |x: Option<f64>| x.map_or_else(String::new, |x| show::value(x, line.unit));
    let over = read.middle();
    Some(Dot {
        number: found.number,
        says: board_check_says(check, None),
        value,
        shown: value.map_or_else(|| "over range".into(), |v| show::value(v, line.unit)),
        low_shown: end(line.low),
        high_shown: end(line.high),
        inside: line.low.is_none_or(|l| over >= l) && line.high.is_none_or(|h| over <= h),
        low: line.low,
        high: line.high,
        band: line.band,
    })
}

/// A fault that was put right is less and less likely to be still there; in the end it is what was wrong.
const CURVE_NOTE: &str = "Up to the last line a figure is the chance that the fault was in the unit at that moment, so it falls when the fault \
                          is put right. The last line, after the cure, says what had been wrong.";

fn history(parts: &Parts<'_, '_>, entries: &[Entry]) -> Option<History> {
    let trail = &parts.trail;
    if trail.steps.len() < 2 || parts.columns.is_empty() {
        return None;
    }
    let model = &parts.diagnosis.model;
    let letters = ["A", "B", "C", "D", "E"];
    let course = |(letter, fault): (&&str, &FaultId)| Course {
        letter: (*letter).into(),
        id: model.faults[fault.0].id.clone(),
        says: model.faults[fault.0].says.clone(),
        chances: trail.rows.iter().map(|r| words::chance(parts.shop, r[fault.0])).collect(),
    };
    Some(History {
        steps: trail
            .steps
            .iter()
            .map(|s| match s {
                None => "start".into(),
                Some(0) => "complaint".into(),
                Some(n) => n.to_string(),
            })
            .collect(),
        says: trail
            .steps
            .iter()
            .map(|s| match s {
                None => "before anything was found".into(),
                Some(n) => timeline::name_of(entries, *n),
            })
            .collect(),
        courses: letters.iter().zip(&parts.columns).map(course).collect(),
        note: parts.diagnosis.cured().then(|| CURVE_NOTE.into()),
    })
}

fn bars(parts: &Parts<'_, '_>, suspects: &Suspects) -> Vec<Bar> {
    let model = &parts.diagnosis.model;
    let plain = |id: &str| model.fault(id).map_or_else(String::new, |f| tense::now(&model.faults[f.0].plain));
    let mut out: Vec<Bar> = suspects
        .suspects
        .iter()
        .filter(|s| s.probability >= 0.01)
        .take(5)
        .map(|s| Bar {
            says: s.says.clone(),
            plain: s.of_group(plain(&s.id)),
            chance: words::chance(parts.shop, s.probability),
        })
        .collect();
    let more = [
        ("Something that the rules don't know", "A cause that is not on our list", suspects.unlisted),
        ("Nothing is wrong with the unit", "Nothing is wrong with the unit", suspects.none),
    ];
    for (says, plain, p) in more {
        if p >= 0.01 {
            out.push(Bar { says: says.into(), plain: plain.into(), chance: words::chance(parts.shop, p) });
        }
    }
    out
}

/// The signal path as a drawing.
pub fn draw_path(id: &str, path: &PathPicture) -> String {
    let mut d = Drawing::new(id);
    let (left, top, step) = (16.0, 8.0, 56.0);
    for i in 0..path.points.len() {
        let y = top + i as f64 * step;
        if i + 1 < path.points.len() {
            let broken_here = path.lost == Some(i + 1);
            let colour = if broken_here { ALARM } else { INK };
            d.line(
                (left, y + 14.0),
                (left, y + 14.0 + step),
                2.4,
                colour,
                if broken_here { "3 5" } else { "" },
            );
        }
    }
    for (i, point) in path.points.iter().enumerate() {
        let y = top + i as f64 * step;
        let colour = if point.good { ACCENT } else { ALARM };
        match point.good {
            true => d.mark(0, left, y + 14.0, 6.5, colour, true),
            false => {
                d.mark(1, left, y + 14.0, 7.5, colour, false);
                d.cross(left, y + 14.0, 4.0, colour);
            }
        }
        d.text(34.0, y + 13.0, &broken(&point.label, 42, 1).join(""), Anchor::Start, true, INK);
        d.rect(34.0, y + 20.0, 190.0, 13.0, &Fill::Plain("#ffffff"), INK);
        if point.level > 0.0 {
            let fill = if point.good { Fill::Plain(ACCENT) } else { Fill::Hatched };
            d.rect(34.0, y + 20.0, 190.0 * point.level, 13.0, &fill, INK);
        }
        let heard = broken(&point.heard, 14, 1).join("");
        d.text(232.0, y + 31.0, &heard, Anchor::Start, !point.good, if point.good { INK } else { ALARM });
        if path.lost == Some(i) {
            d.text(34.0, y + 48.0, "not as it should be from here", Anchor::Start, false, ALARM);
        }
    }
    let list: Vec<String> = path.points.iter().map(|p| format!("{}: {}", p.label, p.heard)).collect();
    let description = format!("{} {}.", path.says, list.join("; "));
    d.finish(top + path.points.len() as f64 * step, "The sound on its way through the unit", &description)
}

/// Readings on their bands as a drawing.
pub fn draw_dots(id: &str, dots: &[Dot]) -> String {
    let mut d = Drawing::new(id);
    let mut y = 4.0;
    for dot in dots {
        for line in broken(&format!("{}. {}", dot.number, dot.says), ACROSS_BOLD, 2) {
            y += 16.0;
            d.text(1.0, y, &line, Anchor::Start, true, INK);
        }
        y += 29.0;
        one_dot(&mut d, dot, y);
        y += 40.0;
    }
    let list: Vec<String> = dots
        .iter()
        .map(|x| {
            let verdict = if x.inside { "healthy" } else { "not healthy" };
            format!("{}: {}, healthy {}, so {verdict}", x.says, x.shown, x.band)
        })
        .collect();
    d.finish(y, "Readings on their healthy bands", &format!("{}.", list.join("; ")))
}

/// The middle of a text near `x` that lies within the drawing as a whole; a sign of it is 7.8 units wide at most in the mean.
fn within(x: f64, text: &str) -> f64 {
    let half = (text.chars().count() as f64 * 3.9).min(WIDTH / 2.0);
    x.clamp(half, WIDTH - half)
}

fn one_dot(d: &mut Drawing, dot: &Dot, y: f64) {
    let ends: Vec<f64> = [dot.low, dot.high, dot.value].into_iter().flatten().collect();
    let (min, max) = ends.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(*x), b.max(*x)));
    // Four decades and more, all above zero, are drawn by ratio.
    let by_ratio = min > 0.0 && max / min > 100.0;
    let place = |x: f64| if by_ratio { x.log10() } else { x };
    let (min, max) = (place(min), place(max));
    let pad = if max > min { (max - min) * 0.25 } else { max.abs().max(1.0) * 0.5 };
    let scale = Scale { values: (min - pad, max + pad), units: (6.0, WIDTH - 6.0) };
    let left = dot.low.map_or(6.0, |x| scale.at(place(x)));
    let right = dot.high.map_or(WIDTH - 6.0, |x| scale.at(place(x)));
    d.rect(left, y - 7.0, right - left, 14.0, &Fill::Hatched, ACCENT);
    d.line((6.0, y), (WIDTH - 6.0, y), 1.2, INK, "");
    let x = dot.value.map_or(WIDTH - 10.0, |v| scale.at(place(v)));
    let colour = if dot.inside { INK } else { ALARM };
    d.mark(if dot.inside { 0 } else { 3 }, x, y, 5.5, colour, dot.inside);
    let anchor = if x < 50.0 {
        Anchor::Start
    } else if x > WIDTH - 50.0 {
        Anchor::End
    } else {
        Anchor::Middle
    };
    let note = if dot.inside { dot.shown.clone() } else { format!("{} !", dot.shown) };
    d.text(x, y - 11.0, &note, anchor, true, colour);
    let crowded = dot.low.is_some() && dot.high.is_some() && right - left < 110.0;
    if crowded {
        let middle = within(f64::midpoint(left, right), &dot.band);
        d.text(middle, y + 22.0, &dot.band, Anchor::Middle, false, INK);
    } else {
        if dot.low.is_some() {
            d.text(within(left, &dot.low_shown), y + 22.0, &dot.low_shown, Anchor::Middle, false, INK);
        }
        if dot.high.is_some() {
            d.text(within(right, &dot.high_shown), y + 22.0, &dot.high_shown, Anchor::Middle, false, INK);
        }
    }
}

/// Height of a letter at the end of a course, with the space to the next.
const LETTER: f64 = 14.0;

/// How suspicion moved, as a drawing.
pub fn draw_history(id: &str, history: &History) -> String {
    let mut d = Drawing::new(id);
    let (top, bottom) = (14.0, 184.0);
    let across =
        Scale { values: (0.0, (history.steps.len() - 1).max(1) as f64), units: (52.0, WIDTH - 30.0) };
    let up = Scale { values: (0.0, 1.0), units: (bottom, top) };
    for (share, label) in [(0.0, "0 %"), (0.5, "50 %"), (1.0, "100 %")] {
        d.line(
            (44.0, up.at(share)),
            (WIDTH - 30.0, up.at(share)),
            1.0,
            FAINT,
            if share > 0.0 { "2 3" } else { "" },
        );
        d.text(42.0, up.at(share) + 4.5, label, Anchor::End, false, INK);
    }
    let every = history.steps.len().div_ceil(12);
    for (i, step) in history.steps.iter().enumerate() {
        let label = match step.as_str() {
            "start" => "start",
            "complaint" if history.steps.len() > 8 => "C",
            "complaint" => "said",
            n => n,
        };
        // The last one has a number, and room for it.
        let to_last = history.steps.len() - 1 - i;
        if to_last == 0 || (i % every == 0 && to_last >= every) {
            d.text(across.at(i as f64), bottom + 17.0, label, Anchor::Middle, false, INK);
        }
    }
    d.text(WIDTH / 2.0, bottom + 35.0, "after finding number", Anchor::Middle, false, INK);
    let dashes = ["", "7 3", "2 3"];
    let colours = [ACCENT, ALARM, INK];
    let mut ends: Vec<(f64, usize)> = Vec::new();
    for (i, course) in history.courses.iter().enumerate().rev() {
        let points: Vec<(f64, f64)> =
            course.chances.iter().enumerate().map(|(x, c)| (across.at(x as f64), up.at(c.p))).collect();
        let colour = colours[i % colours.len()];
        d.polyline(&points, 2.2, colour, dashes[i % dashes.len()]);
        points.iter().for_each(|(x, y)| d.mark(i % 3, *x, *y, 4.0, colour, i == 0));
        ends.extend(points.last().map(|(_, y)| (*y, i)));
    }
    // The letters at the ends, the lowest first, never nearer than a line.
    ends.sort_by(|a, b| b.0.total_cmp(&a.0).then(b.1.cmp(&a.1)));
    let mut floor = f64::INFINITY;
    let mut letters: Vec<(f64, usize)> = Vec::new();
    for (y, i) in ends {
        floor = (y + 4.5).min(floor - LETTER);
        letters.push((floor, i));
    }
    // Where several end at the top, they are pushed down into the drawing.
    for (above, (at, i)) in letters.into_iter().rev().enumerate() {
        let at = at.max(LETTER * (above as f64 + 1.0));
        d.text(WIDTH - 18.0, at, &history.courses[i].letter, Anchor::Start, true, colours[i % colours.len()]);
    }
    let mut y = bottom + 46.0;
    let mut words = Vec::new();
    for (i, course) in history.courses.iter().enumerate() {
        let colour = colours[i % colours.len()];
        for (n, line) in broken(&course.says, 42, 2).iter().enumerate() {
            y += 16.0;
            if n == 0 {
                d.mark(i % 3, 8.0, y - 4.5, 4.5, colour, i == 0);
                d.text(18.0, y, &course.letter, Anchor::Start, true, colour);
            }
            d.text(34.0, y, line, Anchor::Start, false, INK);
        }
        y += 3.0;
        let ends = (course.chances.first(), course.chances.last());
        if let (Some(first), Some(last)) = ends {
            words.push(format!("{} ({}) from {} to {}", course.letter, course.says, first.shown, last.shown));
        }
    }
    d.finish(y + 8.0, "How suspicion moved, finding by finding", &format!("{}.", words.join("; ")))
}

/// Suspects as bars; in a customer's words or those of the bench.
pub fn draw_bars(id: &str, bars: &[Bar], plain: bool) -> String {
    let mut d = Drawing::new(id);
    let mut y = 2.0;
    let mut words = Vec::new();
    for (i, bar) in bars.iter().enumerate() {
        let says = if plain && !bar.plain.is_empty() { &bar.plain } else { &bar.says };
        for line in broken(says, if i == 0 { ACROSS_BOLD } else { ACROSS }, 3) {
            y += 16.0;
            d.text(1.0, y, &line, Anchor::Start, i == 0, INK);
        }
        y += 5.0;
        let scale = Scale { values: (0.0, 1.0), units: (0.0, 270.0) };
        d.rect(0.0, y, 270.0, 14.0, &Fill::Plain("#ffffff"), FAINT);
        let fill = if i == 0 { Fill::Plain(ACCENT) } else { Fill::Hatched };
        d.rect(0.0, y, scale.at(bar.chance.p).max(1.5), 14.0, &fill, INK);
        d.text(278.0, y + 12.0, &bar.chance.shown, Anchor::Start, true, INK);
        y += 22.0;
        words.push(format!("{says}: {}", bar.chance.shown));
    }
    d.finish(y, "What may be wrong, with probabilities", &format!("{}.", words.join("; ")))
}
