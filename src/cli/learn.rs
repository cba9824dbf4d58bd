//! `halfsplit cases learn`.

use super::output::{self, Form};
use super::screen::{Failure, Screen, wrap};
use super::target::{quoted, yaml_files};
use crate::cases::learn::{
    Change, Gain, Kept, Skipped, Spot, Statistics, WEIGHT, gain, gather, learn, overlay,
};
use crate::job::store;
use crate::rules::Rules;
use crate::text::inert;
use serde::Serialize;
use std::path::PathBuf;

/// Learns figures from resolved cards and writes them as a pack for --rules
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Learned are priors, strengths of links, leaks, how often remedies work, and minutes. What is written is what does no \
    worse than the authored figures on cases left out: all of it, strengths alone, priors alone, or nothing, which is said.\n\n\
    Examples:\n  halfsplit cases learn cases/ -o learned.yaml\n  \
    halfsplit --rules learned.yaml suspects --example hum-and-scratch\n  \
    halfsplit cases learn --merge north.json south.json -o learned.yaml"
)]
pub struct Args {
    /// Cards, or folders of cards
    #[arg(required_unless_present = "merge")]
    paths: Vec<PathBuf>,
    /// Write the pack here (stdout where it isn't said); only if the figures do better on cases left out
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace files that are there, whoever wrote them; never a card, board, shop or template, nor a pack that was not learned
    #[arg(long)]
    force: bool,
    /// Also write the statistics: counts of fault and answer ids, no customer's words, to be merged elsewhere
    #[arg(long, value_name = "FILE")]
    stats: Option<PathBuf>,
    /// Statistics to add, of this or another shop
    #[arg(long, value_name = "STATS", num_args = 1..)]
    merge: Vec<PathBuf>,
    /// How many cases an authored figure counts for; an authored prior for as many as hold N/10 occurrences
    #[arg(long, value_name = "N", default_value_t = WEIGHT, value_parser = weight)]
    weight: f64,
    /// Threads that share the work; the result does not depend on it [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    threads: Option<u16>,
}

/// As many threads as asked for, else one a core.
pub(super) fn threads(asked: Option<u16>) -> usize {
    asked.map_or_else(|| std::thread::available_parallelism().map_or(1, usize::from), usize::from)
}

fn weight(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(w) if w.is_finite() && (0.1..=1e6).contains(&w) => Ok(w),
        _ => Err("write a number of cases from 0.1 to 1000000".into()),
    }
}

#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
/// What learning came to.
struct Report {
    /// Cards learned from.
    cards: u64,
    /// Different patterns of faults and answers among them.
    patterns: usize,
    /// Cards left out.
    skipped: Vec<SkippedCard>,
    /// Scores on cases left out, and which of the figures learned are kept; null where there are too few to judge.
    gain: Option<Gain>,
    /// Whether a pack was made.
    written: bool,
    /// Rounds of the fit.
    rounds: usize,
    /// Figures that moved noticeably.
    changes: Vec<ChangeLine>,
}

#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct SkippedCard {
    file: String,
    reason: String,
}

#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct ChangeLine {
    item: String,
    figure: String,
    was: f64,
    is: f64,
    cases: u64,
    effective: f64,
    interval: Option<[f64; 2]>,
    /// Whether it is in the pack.
    written: bool,
}

/// Runs the command.
///
/// # Errors
/// When nothing can be read, statistics are at fault, or the figures learned do worse than the authored ones.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    // What may not be written is said before the work.
    for path in args.output.iter().chain(&args.stats) {
        output::check(path, args.force)?;
    }
    let threads = threads(args.threads);
    let mut files = Vec::new();
    for path in &args.paths {
        files.extend(yaml_files(path)?);
    }
    let bar = progress(screen, files.len() as u64, "cards");
    let (mut statistics, skipped) = gather(rules, &files, threads, &|| bar.inc(1));
    bar.finish_and_clear();
    for Skipped { file, reason } in &skipped {
        screen.say(&left_out(file, reason))?;
    }
    for path in &args.merge {
        let text = store::read_whole(path)?;
        statistics.add(Statistics::read(rules, &path.display().to_string(), &text)?);
    }
    if let Some(path) = &args.stats {
        write_statistics(rules, &statistics, path, args.force, screen)?;
    }
    if statistics.cards == 0 {
        return Err(Failure::Input(format!(
            "no card to learn from: {} read, {} left out",
            files.len(),
            skipped.len()
        )));
    }
    let bar = progress(screen, 0, "rounds of fitting");
    let learned = learn(rules, &statistics, args.weight, threads, &|| bar.inc(1));
    bar.finish_and_clear();
    let bar = progress(screen, 0, "rounds of judging on cases left out");
    let judged = gain(rules, &statistics, args.weight, threads, &|| bar.inc(1));
    bar.finish_and_clear();
    let better = judged.filter(|g| g.kept != Kept::Nothing);
    let kept = judged.map_or(Kept::Nothing, |g| g.kept);
    let report = Report {
        cards: statistics.cards,
        patterns: statistics.patterns.len(),
        skipped: skipped.into_iter().map(|s| SkippedCard { file: s.file, reason: s.reason }).collect(),
        gain: judged,
        written: better.is_some(),
        rounds: learned.fit.climb.len(),
        changes: learned.changes.iter().map(|c| line(rules, c, kept)).collect(),
    };
    let pack = better.map(|g| overlay(rules, &learned.changes, statistics.cards, args.weight, &g));
    match (&pack, &args.output) {
        (Some(pack), Some(path)) => output::write(path, pack, Form::Yaml, args.force, screen)?,
        (Some(pack), None) if !screen.json => screen.text(pack)?,
        _ => {}
    }
    if screen.json {
        screen.document(&report)?;
    } else {
        screen.say(words(&report, args, screen.width).trim_end())?;
    }
    match (judged, pack) {
        (_, Some(_)) => Ok(()),
        (Some(_), None) => Err(Failure::Input(
            "no pack was written: on cases left out, the figures learned do worse than the authored ones; more cards, or a \
             greater --weight, may change that"
                .into(),
        )),
        (None, None) => {
            Err(Failure::Input("no pack was written: too few cases to judge what was learned".into()))
        }
    }
}

/// A card that was left out, its file named once.
pub(super) fn left_out(file: &str, reason: &str) -> String {
    // What is wrong at a place in a file begins with the place.
    let line = match reason.strip_prefix(file).and_then(|rest| rest.split_once(": ")) {
        Some((place, why)) => format!("{file}{place}: left out: {why}"),
        None => format!("{file}: left out: {reason}"),
    };
    inert::text(&line)
}

fn words(report: &Report, args: &Args, width: usize) -> String {
    let left = match report.skipped.len() {
        0 => "none left out".into(),
        n => format!("{n} left out, named above"),
    };
    let head = format!(
        "{} learned from, {left}; {} figures moved noticeably.",
        counted(report.cards, "card"),
        report.changes.len()
    );
    let mut out = wrap(&head, width, "", "");
    if let Some(gain) = &report.gain {
        out += &judgement(gain, width);
    }
    if let (true, Some(path)) = (report.written, &args.output) {
        let path = quoted(&path.display().to_string());
        out += &format!("Written: {path}; use it with --rules {path}\n");
    }
    out
}

fn counted(n: u64, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// How learning was judged, and what came of it.
fn judgement(gain: &Gain, width: usize) -> String {
    let how = match gain.folds {
        1 => format!("left out together, from the other {}", gain.of - gain.cases),
        n if n == gain.of => "each left out alone".to_string(),
        n => format!("left out by {n} parts in turn"),
    };
    let head = format!(
        "Judged on {} of {}, {how} (scores nearer 0 are better):",
        gain.cases,
        counted(gain.of, "case")
    );
    let mut out = wrap(&head, width, "", "");
    out += "  figures         log score  Brier score  true fault at  its rank\n";
    let rows = [
        ("as authored", gain.before),
        ("all learned", gain.all),
        ("strengths only", gain.strengths),
        ("priors only", gain.priors),
    ];
    for (name, score) in rows {
        out += &format!(
            "  {name:<14}  {:>9.3}  {:>11.3}  {:>11.1} %  {:>8.1}\n",
            score.log,
            score.brier,
            score.probability * 100.0,
            score.rank
        );
    }
    let (before, after) = (gain.effort_before, gain.effort_after);
    if gain.played > 0 {
        let played = format!(
            "Until the true fault led ({} played): {:.2} checks, {:.1} min with the authored figures; {:.2} checks, {:.1} min \
             with those {}.",
            counted(gain.played, "case"),
            before.steps,
            before.minutes,
            after.steps,
            after.minutes,
            if gain.kept == Kept::Nothing { "learned" } else { "kept" }
        );
        out += &wrap(&played, width, "", "");
    }
    let kept = match gain.kept {
        Kept::All => "Kept: all figures learned.",
        Kept::Strengths => "Kept: strengths and leaks. Priors stay as authored.",
        Kept::Priors => "Kept: priors and build factors. Strengths and leaks stay as authored.",
        Kept::Nothing => "Kept: nothing. The authored figures do better.",
    };
    out + &wrap(kept, width, "", "")
}

fn line(rules: &Rules, c: &Change, kept: Kept) -> ChangeLine {
    let (item, figure) = match c.spot {
        Spot::Prior(id, history) => (rules.fault(id).id.clone(), format!("prior {history}")),
        Spot::Factor(id, build) => (rules.fault(id).id.clone(), format!("build {build}")),
        Spot::Share(id, k) => {
            let link = rules.link(id);
            let to = rules.effect_name(link.to);
            let answer = match link.to {
                crate::rules::Effect::Check(c) => format!(" {}", rules.check(c).answers[k]),
                crate::rules::Effect::Condition(_) => String::new(),
            };
            (rules.cause_name(link.from).to_string(), format!("leads-to {to}{answer}"))
        }
        Spot::CheckLeak(id, k) => {
            (rules.check(id).id.clone(), format!("leak {}", rules.check(id).answers[k]))
        }
        Spot::ConditionLeak(id) => (rules.condition(id).id.clone(), "leak".into()),
        Spot::CheckMinutes(id) => (rules.check(id).id.clone(), "minutes".into()),
        Spot::RemedyMinutes(id) => (rules.remedy(id).id.clone(), "minutes".into()),
        Spot::Success(id) => (rules.remedy(id).id.clone(), "success".into()),
    };
    ChangeLine {
        item,
        figure,
        was: c.was,
        is: c.is,
        cases: c.cases,
        effective: c.effective,
        interval: c.interval,
        written: kept.takes(c.spot),
    }
}

fn write_statistics(
    rules: &Rules,
    statistics: &Statistics,
    path: &std::path::Path,
    force: bool,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    let mut text = Vec::new();
    statistics.write(rules, &mut text).map_err(|e| Failure::System(format!("{}: {e}", path.display())))?;
    let text = String::from_utf8(text).map_err(|e| Failure::System(e.to_string()))?;
    output::write(path, &text, Form::Json, force, screen)
}

/// A bar on stderr, or with a length of 0 (not known) a count; hidden where stderr is no terminal.
pub(super) fn progress(screen: &Screen<'_>, length: u64, what: &'static str) -> indicatif::ProgressBar {
    if !screen.styled || length == 1 {
        return indicatif::ProgressBar::hidden();
    }
    let (bar, template) = match length {
        0 => (indicatif::ProgressBar::new_spinner(), "{spinner} {pos} {msg}, {elapsed} so far"),
        n => (indicatif::ProgressBar::new(n), "{wide_bar} {human_pos}/{human_len} {msg}, {eta} left"),
    };
    let bar = bar.with_message(what);
    // The first round of a long fit takes a while: it must not look like nothing.
    bar.enable_steady_tick(std::time::Duration::from_millis(200));
    match indicatif::ProgressStyle::with_template(template) {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::Report>("cases-learn");
    }
}
