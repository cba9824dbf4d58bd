//! What resolved cards say about a bench: what fails, how long it takes, whether the rules' probabilities can be believed,
//! which cases surprised them, which checks never mattered.
//!
//! Cards are read one by one and not held. At most [`JUDGED`] of them, spread evenly, are judged by the rules: that is what
//! takes time.

use super::learn::{JUDGED, Judge, Skipped, facts};
use crate::job::{JobCard, store};
use crate::rules::{CheckId, Rules};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::PathBuf;

/// True faults that stood below this at the end surprised the rules.
const SURPRISE: f64 = 0.05;
/// A check that was done so often without ever deciding anything is named.
const OFTEN: u64 = 5;
/// Longest list of surprises.
const LISTED: usize = 50;

/// How often each fault was found in one kind of job.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Tally {
    /// Unit, history or block.
    pub name: String,
    /// Jobs.
    pub jobs: u64,
    /// Faults with how often each was found, the commonest first; at most ten.
    pub faults: Vec<(String, u64)>,
}

/// Minutes on jobs where they were noted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct JobMinutes {
    /// Jobs with times.
    pub jobs: u64,
    /// Mean.
    pub mean: f64,
    /// Median.
    pub median: f64,
    /// Nine jobs in ten took less.
    pub p90: f64,
}

/// One bar of the reliability table.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reliability {
    /// Lower end of the stretch of probabilities.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Probabilities given that lie in it.
    pub count: u64,
    /// Their mean.
    pub said: f64,
    /// Share of them where the fault was there.
    pub was: f64,
}

/// A case that the rules did not see coming.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Surprising {
    /// The card's file.
    pub case: String,
    /// What was true.
    pub truth: Vec<String>,
    /// Probability of it at the end.
    pub probability: f64,
    /// What led instead.
    pub leader: String,
}

/// A check that never changed who led.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct IdleCheck {
    /// Check id.
    pub check: String,
    /// How often it was done in the cases judged.
    pub done: u64,
}

/// The report.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BenchReport {
    /// Resolved cards.
    pub cards: u64,
    /// Cards left out, with the reason.
    pub left_out: Vec<(String, String)>,
    /// What fails, by unit.
    pub units: Vec<Tally>,
    /// What fails, by history.
    pub histories: Vec<Tally>,
    /// What fails, by block.
    pub blocks: Vec<Tally>,
    /// Minutes on a job.
    pub minutes: JobMinutes,
    /// Cases judged by the rules.
    pub judged: u64,
    /// Reliability of the probabilities at the end of a job, in tenths; probabilities below 0.1 % are left out.
    pub calibration: Vec<Reliability>,
    /// Cases that surprised the rules, the most surprising first: where a rule may be missing.
    pub surprising: Vec<Surprising>,
    /// Checks done at least five times in the cases judged that never changed who led.
    pub idle: Vec<IdleCheck>,
}

#[derive(Default)]
struct Names(BTreeMap<String, (u64, BTreeMap<String, u64>)>);

impl Names {
    fn add(&mut self, name: &str, truth: &[String]) {
        let entry = self.0.entry(name.into()).or_default();
        entry.0 += 1;
        truth.iter().for_each(|f| *entry.1.entry(f.clone()).or_default() += 1);
    }

    fn tallies(self) -> Vec<Tally> {
        let one = |(name, (jobs, faults)): (String, (u64, BTreeMap<String, u64>))| {
            let mut faults: Vec<_> = faults.into_iter().collect();
            faults.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
            faults.truncate(10);
            Tally { name, jobs, faults }
        };
        let mut all: Vec<Tally> = self.0.into_iter().map(one).collect();
        all.sort_by(|a, b| b.jobs.cmp(&a.jobs).then_with(|| a.name.cmp(&b.name)));
        all
    }
}

/// Reports on cards. `tick` is called once a card.
pub fn report(rules: &Rules, files: &[PathBuf], tick: &dyn Fn()) -> BenchReport {
    let mut out = BenchReport::default();
    let [mut units, mut histories, mut blocks] = [Names::default(), Names::default(), Names::default()];
    let mut minutes = Vec::new();
    let judge = Judge::new(rules);
    let every = (files.len() as u64).div_ceil(JUDGED).max(1);
    let mut bins = [(0u64, 0.0, 0u64); 10];
    let mut checks: BTreeMap<CheckId, (u64, bool)> = BTreeMap::new();
    for (number, file) in files.iter().enumerate() {
        tick();
        let read = || -> Result<_, String> {
            let first = |e: String| e.lines().next().unwrap_or_default().to_string();
            let job = JobCard::read(&store::read(file).map_err(|e| first(e.to_string()))?)
                .map_err(|e| first(e.to_string()))?;
            if job.card.outcome.is_none() {
                return Err("it is not resolved: no outcome".into());
            }
            Ok(job)
        };
        let name = file.display().to_string();
        let job = match read() {
            Ok(job) => job,
            Err(reason) => {
                out.left_out.push((name, reason));
                continue;
            }
        };
        out.cards += 1;
        let card = &job.card;
        let truth: Vec<String> =
            card.outcome.iter().flat_map(|o| &o.faults).map(|f| f.value.clone()).collect();
        units.add(&card.unit.value, &truth);
        histories.add(card.history.value.name(), &truth);
        card.blocks.iter().for_each(|b| blocks.add(&b.value, &truth));
        minutes.extend(minutes_of(card));
        if !(number as u64).is_multiple_of(every) {
            continue;
        }
        // Boards have faults and readings of their own; the rules alone can't judge them.
        let Some(pattern) = facts(rules, card, None)
            .ok()
            .filter(|_| card.board.is_none())
            .and_then(|f| f.patterns.into_iter().next())
        else {
            continue;
        };
        let (standing, without) = judge.standing(&pattern);
        out.judged += 1;
        for (fault, p) in &standing.faults {
            let there = fault.map_or(pattern.unlisted, |f| pattern.faults.contains(&f));
            if *p >= 0.001 {
                let bin = &mut bins[((p * 10.0) as usize).min(9)];
                (bin.0, bin.1, bin.2) = (bin.0 + 1, bin.1 + p, bin.2 + u64::from(there));
            }
        }
        for ((check, _), leader) in pattern.findings.iter().zip(without) {
            let entry = checks.entry(*check).or_default();
            (entry.0, entry.1) = (entry.0 + 1, entry.1 || leader != standing.leader);
        }
        if standing.truth < SURPRISE {
            let leader = standing.leader.map_or("unlisted", |f| rules.fault(f).id.as_str());
            out.surprising.push(Surprising {
                case: name,
                truth,
                probability: standing.truth,
                leader: leader.into(),
            });
        }
    }
    out.units = units.tallies();
    out.histories = histories.tallies();
    out.blocks = blocks.tallies();
    out.minutes = spread(minutes);
    for (i, (count, said, was)) in bins.iter().enumerate() {
        let n = (*count).max(1) as f64;
        let (low, high) = (i as f64 / 10.0, (i + 1) as f64 / 10.0);
        out.calibration.push(Reliability { low, high, count: *count, said: said / n, was: *was as f64 / n });
    }
    out.surprising.sort_by(|a, b| a.probability.total_cmp(&b.probability).then_with(|| a.case.cmp(&b.case)));
    out.surprising.truncate(LISTED);
    let idle = checks.into_iter().filter(|(_, (done, told))| *done >= OFTEN && !told);
    out.idle = idle.map(|(id, (done, _))| IdleCheck { check: rules.check(id).id.clone(), done }).collect();
    out.idle.sort_by(|a, b| b.done.cmp(&a.done).then_with(|| a.check.cmp(&b.check)));
    out
}

/// Minutes on a job: those of the outcome, else those noted on findings and work.
fn minutes_of(card: &crate::job::Card) -> Option<f64> {
    let noted =
        card.findings.iter().filter_map(|f| f.minutes).chain(card.work.iter().filter_map(|w| w.minutes));
    let total: f64 = noted.filter(|m| m.is_finite() && *m >= 0.0).sum();
    card.outcome.as_ref().and_then(|o| o.minutes).or(Some(total)).filter(|m| m.is_finite() && *m > 0.0)
}

fn spread(mut minutes: Vec<f64>) -> JobMinutes {
    minutes.sort_by(f64::total_cmp);
    let n = minutes.len();
    let at = |share: f64| {
        minutes.get(((n as f64 * share) as usize).min(n.saturating_sub(1))).copied().unwrap_or(0.0)
    };
    let mean = minutes.iter().sum::<f64>() / (n.max(1)) as f64;
    JobMinutes { jobs: n as u64, mean, median: at(0.5), p90: at(0.9) }
}

impl BenchReport {
    /// The cards left out, for talk on stderr.
    pub fn skipped(&self) -> impl Iterator<Item = Skipped> + '_ {
        self.left_out.iter().map(|(file, reason)| Skipped { file: file.clone(), reason: reason.clone() })
    }

    /// As Markdown; read as plain text it stands as well.
    pub fn markdown(&self) -> String {
        let mut out = format!(
            "# What this bench has seen\n\n{} resolved cards, {} left out.\n",
            self.cards,
            self.left_out.len()
        );
        let m = &self.minutes;
        if m.jobs > 0 {
            let _ = writeln!(
                out,
                "\nMinutes a job ({} with times): mean {:.0}, median {:.0}, nine in ten under {:.0}.",
                m.jobs, m.mean, m.median, m.p90
            );
        }
        for (title, list) in [("unit", &self.units), ("history", &self.histories), ("block", &self.blocks)] {
            if list.is_empty() {
                continue;
            }
            let _ = writeln!(out, "\n## What fails, by {title}\n");
            for t in list.iter().take(20) {
                let faults: Vec<String> = t.faults.iter().map(|(f, n)| format!("{f} ({n})")).collect();
                let _ = writeln!(out, "- {}: {} jobs; {}", t.name, t.jobs, faults.join(", "));
            }
            if list.len() > 20 {
                let _ = writeln!(out, "- and {} more", list.len() - 20);
            }
        }
        let _ = writeln!(
            out,
            "\n## How far the probabilities hold\n\nFrom {} cases judged by the rules.\n\n| said | times | mean said | was so |\n|---|---:|---:|---:|",
            self.judged
        );
        for bin in self.calibration.iter().filter(|b| b.count > 0) {
            let _ = writeln!(
                out,
                "| {:.0} to {:.0} % | {} | {:.1} % | {:.1} % |",
                bin.low * 100.0,
                bin.high * 100.0,
                bin.count,
                bin.said * 100.0,
                bin.was * 100.0
            );
        }
        out += "\n## Cases that surprised the rules\n\n";
        for s in &self.surprising {
            let _ = writeln!(
                out,
                "- {}: {} stood at {:.2} %; {} led",
                s.case,
                s.truth.join(" and "),
                s.probability * 100.0,
                s.leader
            );
        }
        out += if self.surprising.is_empty() {
            "None.\n"
        } else {
            "\nWhere one kind keeps coming back, a rule may be missing.\n"
        };
        out += "\n## Checks that never changed who led\n\n";
        for c in &self.idle {
            let _ = writeln!(out, "- {}: done {} times", c.check, c.done);
        }
        if self.idle.is_empty() {
            out += "None.\n";
        }
        out
    }

    /// As an HTML page that stands alone, the reliability drawn.
    pub fn html(&self) -> String {
        let escape = |t: &str| t.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
        let mut body = String::new();
        let mut open = "";
        for line in self.markdown().lines() {
            let (kind, html) = match line {
                l if l.starts_with("# ") => ("", format!("<h1>{}</h1>", escape(&l[2..]))),
                l if l.starts_with("## ") => ("", format!("<h2>{}</h2>", escape(&l[3..]))),
                l if l.starts_with("- ") => ("ul", format!("<li>{}</li>", escape(&l[2..]))),
                l if l.starts_with("|---") => continue,
                l if l.starts_with("| ") => {
                    let tag = if l.starts_with("| said") { "th" } else { "td" };
                    let cells = l
                        .trim_matches('|')
                        .split('|')
                        .map(|c| format!("<{tag}>{}</{tag}>", escape(c.trim())));
                    ("table", format!("<tr>{}</tr>", cells.collect::<String>()))
                }
                "" => ("", String::new()),
                l => ("", format!("<p>{}</p>", escape(l))),
            };
            if kind != open {
                if !open.is_empty() {
                    let _ = writeln!(body, "</{open}>");
                }
                if !kind.is_empty() {
                    let _ = writeln!(body, "<{kind}>");
                }
                if open == "table" {
                    body += &self.plot();
                }
                open = kind;
            }
            let _ = writeln!(body, "{html}");
        }
        if !open.is_empty() {
            let _ = writeln!(body, "</{open}>");
        }
        format!(
            "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>What this bench has seen</title>\n\
             <style>body{{font:16px/1.5 sans-serif;max-width:50em;margin:2em auto;padding:0 1em}}\
             table{{border-collapse:collapse}}td,th{{padding:.2em .8em;border-bottom:1px solid #ccc;text-align:right}}</style>\
             </head><body>\n{body}</body></html>\n"
        )
    }

    /// Said against was: on the line is right.
    fn plot(&self) -> String {
        let mut out = String::from(
            "<svg viewBox=\"0 0 240 240\" width=\"240\" height=\"240\" role=\"img\" aria-label=\"Probability said against share that was so\">\n\
             <rect x=\"30\" y=\"10\" width=\"200\" height=\"200\" fill=\"none\" stroke=\"#888\"/>\n\
             <line x1=\"30\" y1=\"210\" x2=\"230\" y2=\"10\" stroke=\"#bbb\" stroke-dasharray=\"4\"/>\n",
        );
        for bin in self.calibration.iter().filter(|b| b.count > 0) {
            let (x, y) = (30.0 + 200.0 * bin.said, 210.0 - 200.0 * bin.was);
            let r = 2.0 + (bin.count as f64).ln().max(0.0);
            let _ = writeln!(
                out,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\" fill=\"#246\" fill-opacity=\"0.7\"/>"
            );
        }
        out + "<text x=\"130\" y=\"232\" font-size=\"12\" text-anchor=\"middle\">said</text>\n\
               <text x=\"14\" y=\"110\" font-size=\"12\" text-anchor=\"middle\" transform=\"rotate(-90 14 110)\">was so</text>\n</svg>\n"
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_committed_schema_says_what_the_type_says() {
        crate::rules::assert_output_schema::<super::BenchReport>("cases-report");
    }
}
