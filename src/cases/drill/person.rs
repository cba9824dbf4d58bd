//! A person plays: lines in, lines out.

use super::play::{Hand, Setting, Table, play};
use super::unit::{Rig, Unit};
use crate::circuit::predict::CheckId;
use crate::job::{CardFinding, Diagnosis, Meaning, Planning, RemedyRef};
use crate::plan::Step;
use crate::text::{At, Complaints};
use crate::units::{Minutes, Probability, show};
use std::io::{self, BufRead, Write};

/// Why a practice game broke off.
#[derive(Debug, thiserror::Error)]
pub enum PractiseError {
    /// The job can't be weighed.
    #[error(transparent)]
    Job(#[from] Complaints),
    /// Lines can't be read or written.
    #[error("can't read or write a line: {0}")]
    Lines(#[from] io::Error),
}

const HELP: &str = "Type a check such as volts:NET, ohms:NET, level:NET, hertz:NET, amps:SUPPLY or a check of the list;\n\
    try:FAULT or try:REMEDY to mend something; next for a hint; list for what can be checked;\n\
    suspects for who is under suspicion; stop to give up and see what it was.\n";

/// Lets a person play a unit, from `input` to `out`; at the end the score against the planner on the same unit.
///
/// # Errors
/// [`PractiseError`].
pub fn practise(
    rig: &Rig<'_>,
    unit: &Unit,
    setting: &Setting,
    input: &mut dyn BufRead,
    out: &mut dyn Write,
) -> Result<(), PractiseError> {
    let mut table = Table::new(rig, unit, setting)?;
    welcome(rig, &table, setting, out)?;
    let mut line = String::new();
    while table.game.end.is_empty() {
        write!(out, "> ")?;
        out.flush()?;
        line.clear();
        if input.read_line(&mut line)? == 0 {
            writeln!(out)?;
            break;
        }
        turn(&mut table, line.trim(), setting, out)?;
    }
    score(rig, unit, setting, &table, out)
}

fn welcome(
    rig: &Rig<'_>,
    table: &Table<'_, '_>,
    setting: &Setting,
    out: &mut dyn Write,
) -> Result<(), PractiseError> {
    let board = rig.board();
    writeln!(out, "{}: {}", board.name(), board.says())?;
    let says =
        |id: &String| rig.rules.find_symptom(id).map_or(id.clone(), |s| rig.rules.symptom(s).says.clone());
    let symptoms: Vec<String> = table.game.symptoms.iter().map(says).collect();
    writeln!(out, "Complaint: {}", symptoms.join("; "))?;
    let tools: Vec<&str> = setting.tools.iter().map(|t| t.name()).collect();
    writeln!(out, "History: {}. Tools: {}.", setting.history.name().replace('-', " "), tools.join(", "))?;
    let where_to_look = match rig.outside().is_empty() {
        true => "What is wrong is on the board: all around it is known to be good.",
        false => "What is wrong may lie outside the board as well: leads, jacks, switch, supply, settings.",
    };
    writeln!(out, "{where_to_look}")?;
    writeln!(out, "Nets: {}", board.nets().join(" "))?;
    write!(out, "{HELP}")?;
    Ok(())
}

fn turn(
    table: &mut Table<'_, '_>,
    typed: &str,
    setting: &Setting,
    out: &mut dyn Write,
) -> Result<(), PractiseError> {
    if typed.is_empty() {
        return Ok(());
    }
    let diagnosis = table.diagnosis()?;
    let planning = diagnosis.planning(&setting.terms)?;
    match typed {
        "help" | "?" => write!(out, "{HELP}")?,
        "stop" | "quit" => table.give_up("stopped"),
        "next" => hint(&diagnosis, setting, out)?,
        "list" => list(&diagnosis, &planning, out)?,
        "suspects" => suspects(&diagnosis, out)?,
        id => match step(&diagnosis, &planning, id) {
            Err(why) => writeln!(out, "{why}")?,
            Ok(What { id, remedy, minutes, money }) => {
                table.note(&diagnosis, &id, remedy.as_ref(), minutes, money)?;
                if let Some(last) = table.game.steps.last() {
                    let spent = show::minutes(Minutes(table.game.minutes));
                    writeln!(out, "{id} = {}   ({} so far)", last.answer, spent)?;
                }
            }
        },
    }
    Ok(())
}

struct What {
    id: String,
    remedy: Option<RemedyRef>,
    minutes: f64,
    money: f64,
}

/// Minutes of a reading that the planner would not take, and of a remedy's way to the unit.
const READING: f64 = 1.5;

/// What a typed id means, with its price; or why it can't be done.
fn step(diagnosis: &Diagnosis<'_>, planning: &Planning, typed: &str) -> Result<What, String> {
    let circuit = diagnosis.circuit.as_deref();
    let at = |value: &str| At { value: value.to_owned(), ..At::default() };
    let answer = at(if typed.starts_with("try:") { "no-change" } else { "unsure" });
    let finding =
        CardFinding { at: None, check: at(typed), answer, minutes: None, remark: None, struck: None };
    let meaning = crate::job::meaning(diagnosis.rules, circuit, &finding);
    let told = |message: &str, help: &str| match help {
        "" => message.to_owned(),
        help => format!("{message}; {help}"),
    };
    let meaning = meaning.map_err(|e| told(&e.message, &e.help))?;
    let remedy = match meaning {
        Meaning::Tried { remedy, .. } => Some(remedy),
        _ => None,
    };
    let id = remedy.as_ref().map_or_else(|| typed.to_owned(), |r| diagnosis.offer(r).id);
    let found = planning.step(diagnosis, &id);
    let price = match &found {
        Some(Step::Check(ix)) => planning.problem.checks().get(ix.0).map(|c| &c.price),
        Some(Step::Remedy(ix)) => planning.problem.remedies().get(ix.0).map(|r| &r.price),
        _ => None,
    };
    let powered =
        price.map_or_else(|| typed.parse::<CheckId>().is_ok_and(|c| c.powered()), |p| p.power.is_powered());
    if powered && planning.state.held {
        return Err("No power on this unit yet: the supply reads short. Put that right first.".into());
    }
    if powered
        && let Some(gate) =
            planning.problem.open_gates().find(|g| planning.problem.check_allowed(*g, &planning.state))
    {
        let first = planning.id(diagnosis, &Step::Check(gate)).unwrap_or_default();
        return Err(format!("Before this unit gets power: {first}."));
    }
    if let Some(price) = price {
        let cost = planning.problem.pay(price, &planning.state).0;
        return Ok(What { id, remedy, minutes: cost.minutes, money: cost.money / 100.0 });
    }
    match &remedy {
        Some(r) => {
            let offer = diagnosis.offer(r);
            Ok(What { id, remedy, minutes: offer.minutes, money: offer.money })
        }
        None => Ok(What { id, remedy, minutes: READING, money: 0.0 }),
    }
}

fn hint(diagnosis: &Diagnosis<'_>, setting: &Setting, out: &mut dyn Write) -> Result<(), PractiseError> {
    let next = diagnosis.next_on(0, &setting.terms)?;
    if let Some(check) = &next.check {
        writeln!(out, "Hint: {} ({})", check.id, check.says)?;
    }
    if let Some(remedy) = &next.remedy {
        writeln!(out, "Hint: {} ({})", remedy.id, remedy.text)?;
    }
    if let Some(done) = &next.done {
        writeln!(out, "Hint: {done}")?;
    }
    if let Some(why) = next.why.first() {
        writeln!(out, "      {why}")?;
    }
    Ok(())
}

fn list(diagnosis: &Diagnosis<'_>, planning: &Planning, out: &mut dyn Write) -> Result<(), PractiseError> {
    for ix in planning.checklist(diagnosis) {
        if planning.problem.checks()[ix.0].standing == crate::plan::Standing::Open
            && let Some(id) = planning.id(diagnosis, &Step::Check(ix))
        {
            writeln!(out, "  {id}")?;
        }
    }
    Ok(())
}

fn suspects(diagnosis: &Diagnosis<'_>, out: &mut dyn Write) -> Result<(), PractiseError> {
    for suspect in diagnosis.suspects()?.suspects.iter().take(6) {
        let p = Probability::new(suspect.probability).map_or_else(String::new, show::probability);
        writeln!(out, "  {p:>8}  {:<20} {}", suspect.id, suspect.says)?;
    }
    Ok(())
}

fn score(
    rig: &Rig<'_>,
    unit: &Unit,
    setting: &Setting,
    table: &Table<'_, '_>,
    out: &mut dyn Write,
) -> Result<(), PractiseError> {
    let of_rules = |id: &str| rig.outside().get(id).map(|f| rig.rules.fault(*f).says.as_str());
    let says = |id: &String| match rig.board().fault(id).map(|f| f.says.as_str()).or_else(|| of_rules(id)) {
        Some(says) => format!("{id}, {says}"),
        None => id.clone(),
    };
    let hidden: Vec<String> = table.game.hidden.iter().map(says).collect();
    let planner = play(rig, unit, Hand::Planner, setting)?;
    let line = |who: &str, game: &super::play::Game| {
        let end = if game.found { "found it" } else { "did not find it" };
        let count = |n: usize, one: &str, more: &str| format!("{n} {}", if n == 1 { one } else { more });
        let took = show::minutes(Minutes(game.minutes));
        let steps = count(game.steps.len(), "step", "steps");
        let wrong = count(game.wrong_remedies, "remedy", "remedies");
        format!("{who}: {end} in {took}, {steps}, {wrong} that put nothing right\n")
    };
    writeln!(out, "It was: {}", hidden.join(" and "))?;
    write!(out, "{}", line("You", &table.game))?;
    write!(out, "{}", line("The planner", &planner))?;
    Ok(())
}
