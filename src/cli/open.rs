//! `halfsplit open`.

use super::asking::{Asker, Choice};
use super::heard;
use super::input::Input;
use super::screen::{Failure, Screen, wrap};
use super::set::power_source;
use super::target::{self, board_of, quoted};
use crate::job::store;
use crate::job::{
    Diagnosis, FACTS, Hearing, JobCard, NewCard, NewFinding, OwnersFinding, PowerSource, hear, outline_of,
    owners_remark, unit_rules,
};
use crate::rules::places::Library as Places;
use crate::rules::{Build, History, Rules, Tool};
use crate::text::{Complaint, Source, or_nearest};
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Makes a job card; at a terminal it asks for what the flags leave open
#[derive(Clone, Debug, Default, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit open tin-lantern.yaml          asks at a terminal; Enter skips a question\n  halfsplit open tin-lantern.yaml --history fresh-build --complaint \"no sound\"\n  halfsplit open echo.yaml --block echo-chip --symptom latch-up --tools meter"
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
    /// What kind of unit it is, such as echo-delay; else it is read out of the words (halfsplit rules list --kind outline)
    #[arg(long, value_name = "KIND")]
    outline: Option<String>,
    /// Something that the unit has or lacks, such as battery=no (may be given again)
    #[arg(long, value_name = "FACT=yes|no")]
    fact: Vec<String>,
    /// What happened just before, such as dropped (may be given again)
    #[arg(long, value_name = "EVENT")]
    happened: Vec<String>,
    /// What was changed last
    #[arg(long, value_name = "TEXT")]
    changed: Option<String>,
    #[command(flatten)]
    fields: super::set::FieldArgs,
    /// Ask for what is missing also where stdin is no terminal
    #[arg(long, conflicts_with = "no_ask")]
    ask: bool,
    /// Ask nothing, also at a terminal
    #[arg(long)]
    no_ask: bool,
    /// An open reading, and the symptom that was picked for it
    #[arg(skip)]
    settled: Option<(Vec<String>, String)>,
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
    if !asks && !screen.json {
        let read = JobCard::read(&store::read(&args.job)?)?;
        let text = understood(&args, rules, &read, screen)?;
        screen.text(&text)?;
    }
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
    screen.text(&format!("The card is {}.\n\n", quoted(&args.job.display().to_string())))?;
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
    // A board says how it is built.
    if args.build.is_none()
        && let Some(board) = &args.board
    {
        let board = target::board(Some(Path::new(board)), None);
        args.build = board.ok().map(|b| b.build());
    }
    if args.build.is_none() && args.history != Some(History::WorkedBefore) {
        args.build = asker.build()?;
    }
    if args.complaint.is_none() && args.symptom.is_empty() {
        args.complaint = asker.line("What is heard, or not heard? In your own words:")?;
        if let Some(words) = args.complaint.clone() {
            listen(args, asker, rules, &words)?;
        }
    }
    if args.block.is_empty() && args.board.is_none() && args.outline.is_none() {
        let library = rules.library()?;
        let power = args.power.as_deref().map(power_source).transpose()?;
        let read = outline_read(args, &library, power);
        let kinds: Vec<Choice> = library
            .outlines
            .iter()
            .filter(|(id, _)| !id.starts_with("any"))
            .map(|(id, o)| Choice { word: id.clone(), says: o.says.value.clone() })
            .collect();
        // What the words name need not be asked.
        if read.starts_with("any") {
            args.outline = asker.kind(&kinds)?;
        } else if let Some(outline) = library.outlines.get(&read) {
            asker.say(&format!("Taken for: {}.", outline.says.value))?;
        }
    }
    if args.tools.is_empty() {
        args.tools = asker.tools()?;
    }
    Ok(())
}

/// The kind of unit that the words name.
fn outline_read(args: &Args, library: &Places, power: Option<PowerSource>) -> String {
    let texts = [args.unit.as_deref().unwrap_or_default(), args.complaint.as_deref().unwrap_or_default()];
    outline_of(library, &texts, power)
}

/// `battery=no` as typed.
fn fact(typed: &str) -> Result<(String, bool), Failure> {
    let (name, value) = typed.split_once('=').unwrap_or((typed, "yes"));
    let value = match value.trim() {
        "yes" | "true" => true,
        "no" | "false" | "none" => false,
        other => {
            let message = format!("'{other}' is no answer to '{name}'");
            return Err(Failure::Complaints(
                Complaint::nowhere("bad-value", message).help("write yes or no").into(),
            ));
        }
    };
    let name = name.trim();
    if !FACTS.contains(&name) {
        let message = format!("unknown fact '{name}'");
        let help = or_nearest(name, FACTS);
        return Err(Failure::Complaints(Complaint::nowhere("unknown-name", message).help(help).into()));
    }
    Ok((name.to_string(), value))
}

/// A board's path as the card has it, from its own folder: as typed where it is there, else from where the command was typed.
fn from_card(card: &Path, board: &str) -> String {
    let folder = card.parent().filter(|p| !p.as_os_str().is_empty());
    let Some(folder) = folder else { return board.into() };
    if folder.join(board).exists() || !Path::new(board).exists() {
        return board.into();
    }
    let plain = |p: &Path| p.components().all(|c| matches!(c, std::path::Component::Normal(_)));
    if plain(folder) && plain(Path::new(board)) {
        let up: PathBuf = folder.components().map(|_| "..").collect();
        return up.join(board).display().to_string();
    }
    std::fs::canonicalize(board).map_or_else(|_| board.into(), |p| p.display().to_string())
}

/// Says what was read from a complaint that was typed, and asks one question where it is open what is meant.
fn listen(args: &mut Args, asker: &mut Asker<'_, '_>, rules: &Rules, words: &str) -> Result<(), Failure> {
    let heard = hear(rules, words)?;
    if heard.symptoms().is_empty() && heard.perhaps().is_empty() {
        return Ok(());
    }
    asker.say("Read as:")?;
    let width = asker.screen.width;
    asker.show(&heard::rows(rules, &heard.parse, None, width))?;
    let Some(open) = heard.parse.open.first() else { return Ok(()) };
    let says = |id: &String| {
        rules.find_symptom(id).map_or_else(|_| String::new(), |s| rules.symptom(s).says.clone())
    };
    let choices: Vec<Choice> =
        open.one_of.iter().map(|id| Choice { word: id.clone(), says: says(id) }).collect();
    let question = format!("\"{}\": which of these is it? Enter leaves it open.", open.words.join(", "));
    if let Some(picked) = asker.pick(&question, &choices)? {
        args.settled = Some((open.one_of.clone(), open.one_of[picked].clone()));
    }
    Ok(())
}

/// What was read from the complaint, for the screen.
fn understood(args: &Args, rules: &Rules, job: &JobCard, screen: &Screen<'_>) -> Result<String, Failure> {
    let Some(words) = args.complaint.as_ref().filter(|w| !w.trim().is_empty()) else {
        return Ok(String::new());
    };
    let heard = hear(rules, words)?;
    let typed = quoted(&args.job.display().to_string());
    Ok("Read from the complaint\n".to_string()
        + &heard::rows(rules, &heard.parse, Some(&job.card), screen.width)
        + &heard::remedy(&heard.parse, &typed, screen.width))
}

/// Proves the card, writes it, and ends with the reason where the unit is out of scope.
fn make(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let heard = match &args.complaint {
        Some(words) => hear(rules, words)?,
        None => Hearing::default(),
    };
    // Symptoms given by hand stand in for those of the words.
    let by_hand = !args.symptom.is_empty();
    let mut symptoms = if by_hand { args.symptom.clone() } else { heard.symptoms() };
    let mut perhaps = if by_hand { Vec::new() } else { heard.perhaps() };
    if let Some((list, picked)) = &args.settled {
        perhaps.retain(|l| l != list);
        symptoms.push(picked.clone());
    }
    let power = match &args.power {
        Some(word) => Some(power_source(word)?),
        None => heard.power(),
    };
    let owners = |f: OwnersFinding| NewFinding {
        at: screen.at(),
        check: f.check,
        answer: f.answer,
        remark: Some(owners_remark(&f.words)),
    };
    // What the rules have no event for stays in the words.
    let library = rules.library()?;
    let mut happened = args.happened.clone();
    let known = |h: &String| library.happened.happened.get(h).is_some() && !args.happened.contains(h);
    happened.extend(heard.happened().into_iter().filter(known));
    let stem = args.job.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    let mut new = NewCard {
        unit: args.unit.clone().unwrap_or(stem),
        received: screen.at(),
        history: args.history.or(heard.history()),
        changed: args.changed.clone(),
        build: args.build,
        power,
        words: args.complaint.clone(),
        symptoms,
        perhaps,
        findings: Vec::new(),
        board: args.board.as_ref().map(|b| from_card(&args.job, b)),
        blocks: args.block.clone(),
        outline: match &args.outline {
            Some(outline) => Some(outline.clone()),
            // A board says itself what the unit has; blocks are the older way to say it.
            None if args.board.is_none() && args.block.is_empty() => {
                Some(outline_read(args, &library, power))
            }
            None => None,
        },
        facts: args.fact.iter().map(|f| fact(f)).collect::<Result<_, _>>()?,
        happened,
        tools: args.tools.clone(),
    };
    if !by_hand {
        let draft = JobCard::read(&Source::new(args.job.display().to_string(), new.text()))?;
        let (of_unit, _) = unit_rules(rules, &draft)?;
        new.findings = heard.findings(of_unit).into_iter().map(owners).collect();
    }
    let job = JobCard::read(&Source::new(args.job.display().to_string(), new.text()))?;
    let job = args.fields.fields()?.set(&job)?;
    // The card is proven before it is written; a unit that is out of scope gets its card, so that the refusal is on record.
    let declined = job.card.refusal();
    if declined.is_none() {
        let board = board_of(&job, Some(&args.job))?;
        board.as_ref().map_or(Ok(()), |board| screen.doubts(board))?;
        Diagnosis::on(rules, job.clone(), board.as_ref())?;
    }
    store::create(&args.job, job.text())?;
    if let Some(refusal) = declined {
        let help = refusal.help();
        let help = if help.is_empty() { help } else { format!(" ({help})") };
        return Err(Failure::Input(format!("out of scope: {}{help}", refusal.says())));
    }
    if job.card.power.is_none() && job.card.board.is_none() && !screen.json {
        let words = "The card doesn't say what feeds the unit. Find out before power comes on: a unit with a mains lead or \
                     valves inside is not for this bench. A line 'power: battery' (or adaptor, module-supply) on the card says it.";
        screen.say(wrap(words, screen.width, "", "").trim_end())?;
    }
    let silent = job.card.complaint.as_ref().is_none_or(|c| c.symptoms.is_empty() && c.perhaps.is_empty());
    if silent && !screen.json {
        screen
            .say("No symptom was recognised in the complaint: the first questions will ask what is heard.")?;
    }
    Ok(())
}
