//! `halfsplit why`.

use super::screen::{Failure, Screen, wrap};
use super::target::{JobArg, words};
use crate::job::{Diagnosis, LearnedFigure, Why};
use crate::rules::Rules;
use crate::units::{Decibels, Minutes, Probability, show};
use std::ffi::OsString;
use std::path::PathBuf;

/// Says why a suspect stands where it stands, finding by finding
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit why tin-lantern.yaml regulator-turned\n  halfsplit why --example silent-build regulator-turned"
)]
pub struct Args {
    /// The job card (left out with --example) and the suspect's id
    #[arg(value_name = "JOB SUSPECT", num_args = 1..=2, required = true)]
    names: Vec<OsString>,
    /// Use a built-in job card instead
    #[arg(long, value_name = "NAME")]
    example: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// When the card or the name is at fault.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (job, suspect) = match (&args.example, args.names.as_slice()) {
        (Some(_), [suspect]) => (JobArg { job: None, example: args.example.clone() }, suspect),
        (None, [job, suspect]) => (JobArg { job: Some(PathBuf::from(job)), example: None }, suspect),
        (Some(_), _) => return Err(Failure::Usage("with --example give the suspect's id alone".into())),
        (None, _) => {
            return Err(Failure::Usage(
                "give a job card and a suspect's id (from 'halfsplit suspects')".into(),
            ));
        }
    };
    let suspect = words(suspect)?;
    let (job, board) = job.load()?;
    let diagnosis = Diagnosis::on(rules, job, board.as_ref())?;
    let why = diagnosis.why(suspect)?;
    if screen.json {
        return screen.document(&why);
    }
    let mut out = text(&why, screen.width);
    if why.learned.is_empty() && rules.amended().iter().any(|a| a.from.is_some()) {
        out += &wrap(NOTHING_LEARNED, screen.width, "\n", "");
    }
    screen.text(&out)
}

/// Said where figures were learned, but none that this suspect rests on.
const NOTHING_LEARNED: &str = "Of the figures learned from resolved jobs none bears on this suspect: its prior, and the links and \
                               leaks behind the findings that weigh on it, stand as authored.";

/// A suspect's findings with their weights, in lines.
pub fn text(why: &Why, width: usize) -> String {
    let percent = |p: f64| Probability::new(p).map_or_else(String::new, show::probability);
    let mut out = wrap(&format!("{} ({})", why.says, why.id), width, "", "  ");
    out += &wrap(
        &format!(
            "{} before any finding, {} now: the findings weigh {} together.",
            percent(why.prior),
            percent(why.probability),
            show::weight(Decibels(why.weight_db))
        ),
        width,
        "",
        "",
    );
    if let Some(group) = &why.group {
        let named = group.others[..group.others.len().min(4)].join(", ");
        let more = if group.others.len() > 4 { ", …" } else { "" };
        let words = format!(
            "{} that it is this one or another of its group: {named}{more}.",
            percent(group.probability)
        );
        out += &wrap(&words, width, "", "");
    }
    if why.findings.len() > 1 {
        let words = "Each weight is what the finding adds to all the others. What several of them say alike counts for none of \
                     them alone, so they don't add up.";
        out += &wrap(words, width, "", "");
    }
    out.push('\n');
    for found in &why.findings {
        let number = if found.number == 0 { "complaint".into() } else { format!("finding {}", found.number) };
        let head = format!("{:>9}  ", show::weight(Decibels(found.weight_db)));
        out += &wrap(&format!("{}: {} ({number})", found.says, found.answer), width, &head, &" ".repeat(11));
        if let Some(healthy) = &found.healthy {
            let with_it =
                found.with_it.as_ref().map(|w| format!("; with this fault {w}")).unwrap_or_default();
            out += &wrap(
                &format!("healthy {healthy}{with_it}"),
                width,
                &format!("{}- ", " ".repeat(13)),
                &" ".repeat(15),
            );
        }
        for because in &found.because {
            out += &wrap(because, width, &format!("{}- ", " ".repeat(13)), &" ".repeat(15));
        }
    }
    if why.findings.is_empty() {
        out += "No finding speaks for or against it yet.\n";
    }
    if let Some(without) = why.without_strongest {
        out += &wrap(
            &format!("Without the finding that speaks most for it: {}.", percent(without)),
            width,
            "\n",
            "",
        );
    }
    for remedy in &why.remedies {
        out += &wrap(
            &format!(
                "{} ({}, parts {:.2})",
                remedy.text,
                show::minutes(Minutes(remedy.minutes)),
                remedy.money
            ),
            width,
            "\nRemedy: ",
            "        ",
        );
    }
    if !why.learned.is_empty() {
        out += "\nLearned from resolved jobs:\n";
    }
    for figure in &why.learned {
        out += &wrap(&learned(figure), width, "  - ", "    ");
    }
    if !why.source.is_empty() {
        out += &wrap(&format!("Rule from: {}", why.source), width, "\n", "");
    }
    out
}

/// What a learned figure is of, in words.
fn figure(l: &LearnedFigure) -> String {
    let (kind, of) = l.figure.split_once(' ').unwrap_or((&l.figure, ""));
    let answer = |of: &str| of.replacen(' ', "=", 1);
    match kind {
        "prior" => format!("{}, prior of a {of} unit", l.item),
        "build" => format!("{}, factor for {of}", l.item),
        "leads-to" => format!("{} leads to {}", l.item, answer(of)),
        "leak" if of.is_empty() => format!("{} with none of its listed causes", l.item),
        "leak" => format!("{}={of} with none of its listed causes", l.item),
        _ => format!("{}, {}", l.item, l.figure),
    }
}

fn learned(l: &LearnedFigure) -> String {
    // Factors are no probabilities and may exceed 1; of small probabilities the first digits count.
    let number = |x: f64| match l.figure.starts_with("build ") {
        true => format!("{x:.2}"),
        false if x < 0.000_005 => "0 %".into(),
        false if x < 0.01 => format!("{:.3} %", x * 100.0),
        false => format!("{:.1} %", x * 100.0),
    };
    let mut text = format!("{}: {} instead of {}", figure(l), number(l.is), number(l.was));
    if let Some(cases) = l.cases {
        text += &format!(", from {cases} {}", if cases == 1 { "case" } else { "cases" });
    }
    text += &l.effective.map(|n| format!(" worth {n:.1}")).unwrap_or_default();
    text += &l.note.as_ref().map(|n| format!(" ({n})")).unwrap_or_default();
    if let Some([low, high]) = l.interval {
        text += &format!("; 90 % interval {} to {}", number(low), number(high));
    }
    text
}
