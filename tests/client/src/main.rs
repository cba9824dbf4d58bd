//! Two benches, each on a thread of its own, weigh their unit and ask what is next, without a line of YAML.

use halfsplit::job::{Diagnosis, NewCard, NewFinding};
use halfsplit::rules::{History, Rules, Tool};
use std::error::Error;

fn bench(unit: &str, outline: &str, found: &[(&str, &str)]) -> Result<String, Box<dyn Error>> {
    let card = NewCard {
        unit: unit.into(),
        history: Some(History::WorkedBefore),
        symptoms: vec!["silent".into()],
        outline: Some(outline.into()),
        tools: vec![Tool::Meter, Tool::AudioProbe],
        ..NewCard::default()
    };
    let mut job = card.job()?;
    for (check, answer) in found {
        let finding =
            NewFinding { at: None, check: check.to_string(), answer: answer.to_string(), remark: None };
        job = job.with_finding(&finding)?;
    }
    let diagnosis = Diagnosis::of(Rules::builtin()?, job)?;
    let (suspects, next) = (diagnosis.suspects()?.suspects, diagnosis.next(0)?);
    let step = next.check.map(|c| c.says).or(next.remedy.map(|r| r.text)).ok_or("no step is left")?;
    let first = suspects.first().ok_or("nobody is under suspicion")?;
    Ok(format!("{unit}: {:.0} %  {}; next: {step}", 100.0 * first.probability, first.says))
}

fn main() -> Result<(), Box<dyn Error>> {
    let fuzz = || {
        bench("Rust Fuzz", "fuzz", &[("bypass-sound", "normal"), ("listen@Q1", "there"), ("volts@Q2", "off")])
    };
    let echo = || bench("Cellar Echo", "echo-delay", &[("bypass-sound", "normal"), ("status-light", "dark")]);
    std::thread::scope(|scope| {
        let benches = [
            scope.spawn(move || fuzz().map_err(|e| e.to_string())),
            scope.spawn(move || echo().map_err(|e| e.to_string())),
        ];
        for bench in benches {
            println!("{}", bench.join().map_err(|_| "a bench gave up")??);
        }
        Ok(())
    })
}
