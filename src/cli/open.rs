//! `halfsplit open`.

use super::screen::{Failure, Screen};
use super::target::board_of;
use crate::job::store;
use crate::job::{Diagnosis, JobCard, NewCard, PowerSource};
use crate::rules::{Build, History, Rules, Tool};
use crate::text::{Complaint, Source, or_nearest};
use std::path::PathBuf;

/// Makes a job card
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit open tin-lantern.yaml --unit \"Tin Lantern\" --history fresh-build --build stripboard --complaint \"no sound\"\n  halfsplit open echo.yaml --history worked-before --block echo-chip --tools meter,audio-probe --symptom latch-up"
)]
pub struct Args {
    /// The card to make; an existing file is left alone
    job: PathBuf,
    /// What is on the bench
    #[arg(long, value_name = "NAME")]
    unit: Option<String>,
    /// What it has been through: fresh-build, worked-before or after-change
    #[arg(long, value_name = "H")]
    history: Option<History>,
    /// How it is built: breadboard, stripboard, pcb or point-to-point
    #[arg(long, value_name = "B")]
    build: Option<Build>,
    /// What it runs on: battery, adaptor, module-supply, mains or high-voltage
    #[arg(long, value_name = "P")]
    power: Option<String>,
    /// The complaint in the owner's words
    #[arg(long, value_name = "TEXT")]
    complaint: Option<String>,
    /// A symptom by id (may be given again); else they are read out of the complaint
    #[arg(long, value_name = "ID")]
    symptom: Vec<String>,
    /// Board file, relative to the card
    #[arg(long, value_name = "FILE")]
    board: Option<String>,
    /// Tools at hand, with commas: meter,audio-probe,tone-source,scope,capacitance-meter,limited-supply,iron,spares
    #[arg(long, value_delimiter = ',', value_name = "a,b")]
    tools: Vec<Tool>,
    /// A block the unit has, by pack id (may be given again)
    #[arg(long, value_name = "B")]
    block: Vec<String>,
    /// What was changed last
    #[arg(long, value_name = "TEXT")]
    changed: Option<String>,
}

/// Runs the command.
///
/// # Errors
/// When a name is unknown, the unit is out of scope, or the file exists or can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let mut symptoms = args.symptom.clone();
    if symptoms.is_empty()
        && let Some(words) = &args.complaint
    {
        symptoms = symptoms_in(rules, words);
    }
    let power = match &args.power {
        Some(word) => Some(power_source(word)?),
        None => None,
    };
    let stem = args.job.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let new = NewCard {
        unit: args.unit.clone().unwrap_or(stem),
        received: Some(screen.now.clone()),
        history: args.history,
        changed: args.changed.clone(),
        build: args.build,
        power,
        words: args.complaint.clone(),
        symptoms,
        board: args.board.clone(),
        blocks: args.block.clone(),
        tools: args.tools.clone(),
    };
    let text = new.text();
    let job = JobCard::read(&Source::new(args.job.display().to_string(), text.as_str()))?;
    // The card is proven before it is written; a unit that is out of scope gets its card, so that the refusal is on record.
    let declined = job.card.declined();
    if declined.is_none() {
        let board = board_of(&job, Some(&args.job))?;
        Diagnosis::on(rules, job.clone(), board.as_ref())?;
    }
    store::create(&args.job, &text)?;
    if let Some(why) = declined {
        return Err(Failure::Input(format!("out of scope: {why}")));
    }
    if screen.json {
        return screen.document(&job.card);
    }
    let heard = job.card.complaint.as_ref().map(|c| c.symptoms.len()).unwrap_or(0);
    if heard == 0 {
        screen
            .say("No symptom was recognised in the complaint: the first questions will ask what is heard.")?;
    }
    screen.text(&format!("Opened {}. Next: halfsplit next {}\n", args.job.display(), args.job.display()))
}

fn power_source(word: &str) -> Result<PowerSource, Failure> {
    let value = serde_json::Value::String(word.to_string());
    serde_json::from_value(value).map_err(|_| {
        let names = ["battery", "adaptor", "module-supply", "mains", "high-voltage"];
        let complaint = Complaint::nowhere("unknown-name", format!("unknown power source '{word}'"));
        Failure::Complaints(complaint.help(or_nearest(word, names)).into())
    })
}

/// Symptoms whose words or phrases stand in the complaint, in the order of the rules.
pub fn symptoms_in(rules: &Rules, words: &str) -> Vec<String> {
    let text = format!(" {} ", words.to_lowercase().replace(|c: char| !c.is_alphanumeric() && c != '-', " "));
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let text = format!(" {text} ");
    rules
        .symptoms()
        .filter(|(_, s)| s.words.iter().any(|w| text.contains(&format!(" {w} "))))
        .map(|(_, s)| s.id.clone())
        .collect()
}
