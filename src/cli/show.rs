//! `halfsplit show`, `halfsplit compare`.

use super::screen::{Failure, Screen, wrap};
use super::target::JobArg;
use crate::job::{CompareLine, Comparison, Diagnosis, JobCard, Record, RecordLine};
use crate::rules::Rules;
use crate::units::{Minutes, show};
use unicode_width::UnicodeWidthStr;

/// Shows a job as a record: findings and what each was taken for, what was tried, the time so far
#[derive(Debug, clap::Args)]
#[command(visible_aliases = ["status", "history"])]
#[command(after_help = "Examples:\n  halfsplit show lantern.yaml\n  halfsplit show --example silent-build")]
pub struct ShowArgs {
    #[command(flatten)]
    job: JobArg,
}

/// Puts a good unit's readings beside this one's; what differs by more than the spread of parts is marked
#[derive(Debug, clap::Args)]
#[command(
    after_help = "The good unit's readings come onto the card with 'note --good':\n  halfsplit note lantern.yaml --good volts:Q1.c=4.1V\n  halfsplit note lantern.yaml --good --readings good.txt\n  halfsplit compare lantern.yaml"
)]
pub struct CompareArgs {
    #[command(flatten)]
    job: JobArg,
}

/// Runs `show`.
///
/// # Errors
/// When the card is at fault or can't be read.
pub fn show(args: &ShowArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (job, record) = record(&args.job, rules, screen)?;
    if screen.json {
        return screen.document(&record);
    }
    let text = text(rules, &job, &record, &args.job.typed(), screen.width)?
        + &next_words(&record, &args.job.typed(), screen.width);
    screen.text(&text)
}

/// The record; of a card whose findings can't be understood what stands on it, with what is wrong said on stderr.
fn record(target: &JobArg, rules: &Rules, screen: &mut Screen<'_>) -> Result<(JobCard, Record), Failure> {
    let (job, board) = target.load()?;
    if job.card.declined().is_some() {
        return Ok((job.clone(), Record::of_card(&job.card)));
    }
    match Diagnosis::on(rules, job.clone(), board.as_ref()) {
        Ok(diagnosis) => Ok((job, Record::of(&diagnosis))),
        Err(complaints) => {
            screen.say(complaints.render(false).trim_end())?;
            Ok((job.clone(), Record::of_card(&job.card)))
        }
    }
}

fn next_words(record: &Record, typed: &str, width: usize) -> String {
    let words = match record.state.as_str() {
        "closed" => format!("The written summary: halfsplit summary {typed}"),
        "open" => format!("Next step: halfsplit next {typed}"),
        _ => return String::new(),
    };
    format!("\n{}", wrap(&words, width, "", "  "))
}

/// A record in words.
///
/// # Errors
/// When a word file is at fault.
pub fn text(
    rules: &Rules,
    job: &JobCard,
    record: &Record,
    typed: &str,
    width: usize,
) -> Result<String, Failure> {
    let mut out = super::next::heading(rules, job, Some(typed), width)?;
    let mut field = |name: &str, value: &Option<String>| {
        if let Some(value) = value {
            out += &wrap(value, width, &format!("{name:<11}"), "           ");
        }
    };
    let state = match (record.state.as_str(), &record.outcome) {
        ("out-of-scope", _) => {
            job.card.declined().map_or_else(|| "out of scope".into(), |why| format!("out of scope: {why}"))
        }
        (_, Some(outcome)) => format!("closed, {outcome}"),
        _ => "open".into(),
    };
    field("State", &Some(state));
    field("Number", &record.number);
    field("Owner", &record.owner);
    field("Serial", &record.serial);
    field("Received", &record.received.as_ref().map(|at| day(at)));
    field("Condition", &record.condition);
    field("Taken for", &(!record.symptoms.is_empty()).then(|| record.symptoms.join("; ")));
    field("Time", &Some(time(record)));
    out.push('\n');
    if record.findings.is_empty() {
        out += "Nothing has been found yet.\n";
    } else {
        out += "Found\n";
        for line in &record.findings {
            out += &finding(line, width);
        }
    }
    let mut list = |title: &str, items: &[String]| {
        if !items.is_empty() {
            out += &format!("\n{title}\n");
            for item in items {
                out += &wrap(&one_line(item), width, "  ", "    ");
            }
        }
    };
    list("Work", &record.work);
    list("Readings of a good unit", &record.good);
    list("Left out of this job", &record.skipped);
    list("Not tested", &record.not_tested);
    list("Remarks", &record.remarks);
    Ok(out)
}

/// A text of several lines in one.
fn one_line(text: &str) -> String {
    text.lines().map(str::trim).filter(|l| !l.is_empty()).collect::<Vec<_>>().join(" / ")
}

/// The day of a time, with its hour and minute.
fn day(at: &str) -> String {
    at.replace('T', " ").chars().take(16).collect()
}

fn time(record: &Record) -> String {
    let usual = show::minutes(Minutes(record.minutes_usual));
    match record.minutes_noted {
        Some(noted) => format!("{} noted", show::minutes(Minutes(noted))),
        None if record.minutes_usual > 0.0 => format!("none noted; what was done usually takes {usual}"),
        None => "none noted".into(),
    }
}

fn finding(line: &RecordLine, width: usize) -> String {
    let mark = match (line.struck.is_some(), line.verdict.as_str()) {
        (true, _) => '-',
        (_, "abnormal") => '*',
        _ => ' ',
    };
    let head = format!("{:>3} {mark} ", line.number);
    let rest = " ".repeat(head.width());
    let taken = line.taken.clone().unwrap_or_else(|| line.answer.clone());
    let mut out = wrap(&format!("{}: {taken}", line.says.trim_end_matches('.')), width, &head, &rest);
    let noted = format!("{}={}", line.check, line.answer);
    let healthy = line.healthy.as_ref().map(|h| format!("; healthy {}", lower(h))).unwrap_or_default();
    out += &wrap(&format!("{noted}{healthy}"), width, &format!("{rest}  "), &format!("{rest}    "));
    if let Some(struck) = &line.struck {
        out += &wrap(&format!("struck: {struck}"), width, &format!("{rest}  "), &format!("{rest}    "));
    }
    if let Some(remark) = &line.remark {
        out += &wrap(remark, width, &format!("{rest}  # "), &format!("{rest}    "));
    }
    out
}

fn lower(text: &str) -> String {
    let mut signs = text.chars();
    match (signs.next(), text.chars().nth(1)) {
        (Some(first), Some(second)) if second.is_lowercase() => {
            first.to_lowercase().collect::<String>() + signs.as_str()
        }
        _ => text.to_owned(),
    }
}

/// Runs `compare`.
///
/// # Errors
/// When the card is at fault or has no readings of a good unit.
pub fn compare(args: &CompareArgs, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let (job, board) = args.job.load()?;
    let diagnosis = Diagnosis::on(rules, job, board.as_ref())?;
    let comparison = diagnosis.compare()?;
    if screen.json {
        return screen.document(&comparison);
    }
    let typed = args.job.typed();
    if comparison.good == 0 {
        return Err(Failure::Input(format!(
            "this card has no readings of a good unit; note some with: halfsplit note {typed} --good volts:Q1.c=4.1V"
        )));
    }
    screen.text(&side_by_side(&comparison, &typed, screen.width))
}

fn side_by_side(c: &Comparison, typed: &str, width: usize) -> String {
    let both: Vec<&CompareLine> = c.lines.iter().filter(|l| l.good.is_some() && l.this.is_some()).collect();
    let mut out = wrap(&format!("{} beside a unit that works", c.unit), width, "", "  ");
    out.push('\n');
    if !both.is_empty() {
        let wide = |of: &dyn Fn(&CompareLine) -> usize, least: usize| {
            both.iter().map(|l| of(l)).max().unwrap_or(0).max(least)
        };
        let place = wide(&|l| l.check.width(), 5);
        let good = wide(&|l| l.good.as_ref().map_or(0, |t| t.width()), 4);
        let row = |mark: char, check: &str, good_text: &str, this: &str| {
            let pad =
                |text: &str, to: usize| format!("{text}{}", " ".repeat(to.saturating_sub(text.width())));
            format!("{mark} {}  {}  {this}", pad(check, place), pad(good_text, good)).trim_end().to_owned()
                + "\n"
        };
        out += &row(' ', "check", "good", "this unit");
        for l in &both {
            let mark = if l.differs { '*' } else { ' ' };
            out += &row(
                mark,
                &l.check,
                l.good.as_deref().unwrap_or_default(),
                l.this.as_deref().unwrap_or_default(),
            );
        }
        out.push('\n');
        let differ = both.iter().filter(|l| l.differs).count();
        let words = match differ {
            0 => "None of them differs by more than the spread of parts.".to_owned(),
            1 => "The one marked * differs by more than the spread of parts.".to_owned(),
            n => format!("The {n} marked * differ by more than the spread of parts."),
        };
        out += &wrap(&words, width, "", "");
    }
    let mut alone = |title: &str, of: &dyn Fn(&CompareLine) -> bool| {
        let names: Vec<&str> = c.lines.iter().filter(|l| of(l)).map(|l| l.check.as_str()).collect();
        if !names.is_empty() {
            out += &wrap(&format!("{title}: {}", names.join(", ")), width, "", "  ");
        }
    };
    alone("Read on the good unit alone", &|l| l.this.is_none());
    alone("Read on this unit alone", &|l| l.good.is_none());
    out + "\n" + &wrap(&format!("Next step: halfsplit next {typed}"), width, "", "  ")
}
