//! `halfsplit open`.

use super::asking::{Asker, Choice};
use super::input::Input;
use super::screen::{Failure, Screen, wrap};
use super::target::{board_of, quoted};
use crate::job::store;
use crate::job::{Diagnosis, JobCard, NewCard, PowerSource};
use crate::rules::{Applies, Build, History, Rules, Tool};
use crate::text::{Complaint, Source, or_nearest};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Makes a job card; at a terminal it asks for what the flags leave open
#[derive(Clone, Debug, Default, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit open tin-lantern.yaml          asks at a terminal; Enter skips a question\n  halfsplit open tin-lantern.yaml --unit \"Tin Lantern\" --history fresh-build --build stripboard --complaint \"no sound\"\n  halfsplit open echo.yaml --history worked-before --block echo-chip --tools meter,audio-probe --symptom latch-up"
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
    /// Ask for what is missing also where stdin is no terminal
    #[arg(long, conflicts_with = "no_ask")]
    ask: bool,
    /// Ask nothing, also at a terminal
    #[arg(long)]
    no_ask: bool,
}

/// Runs the command.
///
/// # Errors
/// When a name is unknown, the unit is out of scope, or the file exists or can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let mut args = args.clone();
    let at_terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    let asks = args.ask || (at_terminal && !args.no_ask && !screen.json);
    if asks {
        not_there_yet(&args.job)?;
        let mut input = Input::new(false, console::Term::stderr());
        fill(&mut args, &mut Asker { input: &mut input, screen, aside: true }, rules)?;
    }
    make(&args, rules, screen)?;
    let job = quoted(&args.job.display().to_string());
    if screen.json {
        let card = JobCard::read(&store::read(&args.job)?)?.card;
        return screen.document(&card);
    }
    let next = if asks { "bench" } else { "next" };
    screen.text(&format!("Opened {job}. Next: halfsplit {next} {job}\n"))
}

/// Makes a card by asking, for a command that was given none; returns where it is.
///
/// # Errors
/// When the questions are broken off, or as [`run`].
pub fn by_asking(input: &mut Input, rules: &Rules, screen: &mut Screen<'_>) -> Result<PathBuf, Failure> {
    let mut asker = Asker { input, screen, aside: false };
    let unit = asker.line("What is on the bench? A name for it:")?;
    let Some(unit) = unit else {
        return Err(Failure::Usage("give a job card, or a name for the unit".into()));
    };
    let mut args = Args { job: free_path(&unit), unit: Some(unit), ..Args::default() };
    fill(&mut args, &mut asker, rules)?;
    make(&args, rules, screen)?;
    screen.text(&format!("The card is {}.\n\n", args.job.display()))?;
    Ok(args.job)
}

/// A file name made of the unit's name that is not taken yet.
fn free_path(unit: &str) -> PathBuf {
    let words: Vec<String> = unit
        .to_lowercase()
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| !w.is_empty())
        .map(str::to_string)
        .collect();
    let stem: String = words.join("-").chars().take(60).collect();
    let stem = if stem.is_empty() { "job".into() } else { stem };
    let first = PathBuf::from(format!("{stem}.yaml"));
    let more = (2..10_000).map(|n| PathBuf::from(format!("{stem}-{n}.yaml")));
    std::iter::once(first.clone()).chain(more).find(|p| !p.exists()).unwrap_or(first)
}

fn not_there_yet(path: &Path) -> Result<(), Failure> {
    match path.symlink_metadata() {
        Ok(_) => Err(store::StoreError::Exists { path: path.display().to_string() }.into()),
        Err(_) => Ok(()),
    }
}

/// Asks for what the flags left open.
fn fill(args: &mut Args, asker: &mut Asker<'_, '_>, rules: &Rules) -> Result<(), Failure> {
    if args.history.is_none() {
        args.history = asker.history()?;
    }
    if args.history == Some(History::AfterChange) && args.changed.is_none() {
        args.changed = asker.line("What was changed last?")?;
    }
    if args.power.is_none() {
        args.power = asker.power()?;
    }
    let declined = match &args.power {
        Some(word) => power_source(word)?.declined().is_some(),
        None => false,
    };
    if declined {
        return Ok(());
    }
    if args.build.is_none() && args.history != Some(History::WorkedBefore) {
        args.build = asker.build()?;
    }
    if args.complaint.is_none() && args.symptom.is_empty() {
        args.complaint = asker.line("What is heard, or not heard? In your own words:")?;
        if let Some(words) = &args.complaint {
            let heard: Vec<String> = symptoms_in(rules, words)
                .iter()
                .filter_map(|id| rules.find_symptom(id).ok())
                .map(|id| rules.symptom(id).says.clone())
                .collect();
            if !heard.is_empty() {
                asker.say(&format!("Read as: {}.", heard.join("; ")))?;
            }
        }
    }
    if args.block.is_empty() && args.board.is_none() {
        let blocks: Vec<Choice> = rules
            .packs()
            .filter(|(_, p)| p.applies == Applies::WithBlock)
            .map(|(_, p)| Choice { word: p.id.clone(), says: p.title.clone() })
            .collect();
        if !blocks.is_empty() {
            args.block = asker.several("Which of these blocks has it? Enter if you don't know.", &blocks)?;
        }
    }
    if args.tools.is_empty() {
        args.tools = asker.tools()?;
    }
    Ok(())
}

/// Proves the card, writes it, and ends with the reason where the unit is out of scope.
fn make(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
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
        received: screen.at(),
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
    let declined = job.card.refusal();
    if declined.is_none() {
        let board = board_of(&job, Some(&args.job))?;
        Diagnosis::on(rules, job.clone(), board.as_ref())?;
    }
    store::create(&args.job, &text)?;
    if let Some(refusal) = declined {
        let help = refusal.help();
        let help = if help.is_empty() { help } else { format!(" ({help})") };
        return Err(Failure::Input(format!("out of scope: {}{help}", refusal.says())));
    }
    if args.power.is_none() && job.card.board.is_none() && !screen.json {
        let words = "The card doesn't say what feeds the unit. Find out before power comes on: a unit with a mains lead or \
                     valves inside is not for this bench. A line 'power: battery' (or adaptor, module-supply) on the card says it.";
        screen.say(wrap(words, screen.width, "", "").trim_end())?;
    }
    let heard = job.card.complaint.as_ref().map(|c| c.symptoms.len()).unwrap_or(0);
    if heard == 0 && !screen.json {
        screen
            .say("No symptom was recognised in the complaint: the first questions will ask what is heard.")?;
    }
    Ok(())
}

fn power_source(word: &str) -> Result<PowerSource, Failure> {
    PowerSource::ALL.iter().map(|(p, _)| *p).find(|p| p.name() == word).ok_or_else(|| {
        let names = PowerSource::ALL.map(|(p, _)| p.name());
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
