//! `halfsplit drill`.

use super::screen::{Failure, Screen};
use super::{drawn, target};
use crate::cases::drill::{
    self, Drill, DrillReport, Hand, Hidden, Noise, OutlineReport, PractiseError, Setting,
};
use crate::circuit::board::Board;
use crate::job::Terms;
use crate::rules::parts::Library;
use crate::rules::{History, Rules, Tool};
use crate::text::or_nearest;
use crate::units::{Minutes, show};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::path::PathBuf;

/// Hides a fault in a simulated unit: to practise on, or with --auto to let strategies play and keep their score
#[derive(Debug, clap::Args)]
#[command(
    after_help = "With --cases and no board, units are drawn from the rules alone: fast, for thousands of cards. With a board, the \
    first of --strategies (the planner, if left out) plays each unit: seconds a card.\n\nExamples:\n  halfsplit drill --example tin-lantern\n  halfsplit drill my-board.yaml --auto 100 --seed 7\n  halfsplit drill my-board.yaml --auto 100 --double --strategies planner\n  halfsplit drill --outline echo-delay --auto 20\n  halfsplit drill --cases 1000 --seed 7 -o drawn/\n  halfsplit drill --example tin-lantern --cases 20 -o played/\n  halfsplit cases learn drawn/ -o learned.yaml"
)]
pub struct Args {
    /// The board file
    #[arg(value_name = "BOARD", required_unless_present_any = ["example", "cases", "outline"])]
    board: Option<PathBuf>,
    /// Use a built-in board instead
    #[arg(long, value_name = "NAME", conflicts_with = "board")]
    example: Option<String>,
    /// Let the planner play the faults of a kind of unit without a drawing, or of `all`, by typical answers; with --auto at most so
    /// many of each kind
    #[arg(long, value_name = "KIND", conflicts_with_all = ["board", "example", "cases", "seed", "history", "double", "any_number", "outside", "strategies"])]
    outline: Option<String>,
    /// Let the strategies play so many units
    #[arg(long, value_name = "N")]
    auto: Option<usize>,
    /// Write so many simulated resolved jobs, their truth known, as cards
    #[arg(long, value_name = "N", requires = "output", conflicts_with_all = ["auto", "json"], value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    cases: Option<u32>,
    /// Folder for the cards; made if it isn't there, must be empty
    #[arg(short, long, value_name = "DIR", requires = "cases")]
    output: Option<PathBuf>,
    /// What the units and all that happens to them are drawn from [default: the time for practice, else 1]
    #[arg(long, value_name = "S")]
    seed: Option<u64>,
    /// fresh-build, worked-before or after-change [default: fresh-build; any, where cards are drawn from the rules]
    #[arg(long, value_name = "H")]
    pub(super) history: Option<History>,
    /// Tools at hand, with commas
    #[arg(long, value_delimiter = ',', value_name = "a,b", default_value = "meter,audio-probe,iron,spares")]
    tools: Vec<Tool>,
    /// Hide two faults in each unit
    #[arg(long)]
    double: bool,
    /// Hide as many faults in each unit as the priors give, one at least
    #[arg(long, conflicts_with = "double")]
    any_number: bool,
    /// Hide faults outside the board as well: leads, jacks, switch, supply, settings
    #[arg(long)]
    outside: bool,
    /// Who plays, with commas: planner,information,half-split,checklist,random (all of them, if left out)
    #[arg(long, value_delimiter = ',', value_name = "a,b")]
    strategies: Vec<String>,
    /// Print every game step by step as well
    #[arg(long, conflicts_with = "json")]
    trail: bool,
}

/// Runs the command. A person's lines come from standard input.
///
/// # Errors
/// When the board is at fault or can't be read, a name is unknown, or no fault can be hidden.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let cards = args.cases.zip(args.output.as_deref());
    if let (Some((count, folder)), None, None) = (cards, &args.board, &args.example) {
        return drawn::of_rules(args, count as usize, folder, rules, screen);
    }
    if let Some(name) = &args.outline {
        return of_outlines(args, name, rules, screen);
    }
    let source = target::board_source(args.board.as_deref(), args.example.as_deref())?;
    let hands = args.strategies.iter().map(|name| hand(name)).collect::<Result<Vec<Hand>, _>>()?;
    let all = || Hand::ALL.iter().map(|(_, h)| *h).collect();
    let hidden = match (args.double, args.any_number) {
        (true, _) => Hidden::Exactly(2),
        (_, true) => Hidden::AsDrawn,
        _ => Hidden::Exactly(1),
    };
    let mut drill = Drill {
        setting: Setting {
            history: args.history.unwrap_or(History::FreshBuild),
            tools: args.tools.clone(),
            terms: Terms::default(),
        },
        games: args.auto.unwrap_or(1),
        seed: args.seed(),
        hidden,
        outside: args.outside,
        hands: if hands.is_empty() { all() } else { hands },
        noise: Noise::default(),
    };
    if let Some((count, folder)) = cards {
        (drill.games, drill.hands) = (count as usize, vec![drill.hands[0]]);
        return drawn::of_board(&drill, &source, folder, rules, screen);
    }
    let board = Board::load(&source, &Library::builtin()?)?;
    if args.auto.is_none() {
        if !args.strategies.is_empty() {
            return Err(Failure::Usage("--strategies wants --auto N or --cases N".into()));
        }
        if args.trail {
            return Err(Failure::Usage("--trail wants --auto N; a person sees each step anyway".into()));
        }
        if screen.json {
            return Err(Failure::Usage("--json wants --auto N; a person plays in plain lines".into()));
        }
        if args.seed.is_none() {
            drill.seed = by_the_clock(&screen.now);
        }
        let again = format!("This unit is number {}; the same again: --seed {}", drill.seed, drill.seed);
        screen.say(&again)?;
        let rig = drill::rig(rules, &board, &drill)?;
        let unit = drill::unit(&rig, &drill, 0)?;
        return drill::practise(&rig, &unit, &drill.setting, &mut std::io::stdin().lock(), screen.out)
            .map_err(broke_off);
    }
    let bar = bar(drill.games * drill.hands.len());
    let games = drill::games(rules, &board, &drill, &|| bar.inc(1));
    bar.finish_and_clear();
    let games = games?;
    if args.trail {
        screen.text(&trail(&drill, &games))?;
    }
    let report = drill::report(&board, &drill, &games);
    if screen.json {
        return screen.document(&report);
    }
    screen.text(&page(&report, drill.hidden))
}

/// Plays the faults of outlines and prints them one by one, then the totals.
fn of_outlines(args: &Args, name: &str, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let mut faults = Vec::new();
    for outline in drill::outlines(rules, name)? {
        faults.extend(drill::outline_faults(rules, &outline, args.auto)?);
    }
    let bar = bar(faults.len());
    let games = drill::outline_games(rules, &faults, &args.tools, &|| bar.inc(1));
    bar.finish_and_clear();
    let report = OutlineReport::of(games?);
    if screen.json {
        return screen.document(&report);
    }
    if args.trail {
        screen.text(&outline_trail(&report))?;
    }
    screen.text(&format!("{}\n{}", report.table(), outline_totals(&report)))
}

/// Every game on outlines step by step.
fn outline_trail(report: &OutlineReport) -> String {
    let mut out = String::new();
    for game in &report.games {
        let minutes = show::minutes(Minutes(game.minutes));
        out += &format!(
            "{}: {} ({}) with {}; {} after {minutes}\n",
            game.outline, game.fault, game.history, game.symptom, game.end
        );
        for step in &game.steps {
            out += &format!("  {:>5.1} min  {} = {}\n", step.minutes, step.id, step.answer);
        }
    }
    out + "\n"
}

/// Totals by outline.
fn outline_totals(report: &OutlineReport) -> String {
    let mut out = format!(
        "{:<23} {:>6} {:>10} {:>7} {:>9} {:>9} {:>9} {:>11} | by how often it comes\n",
        "outline", "faults", "in 40 min", "mended", "mean min", "median", "90 %", "first right"
    );
    for s in &report.outlines {
        out += &format!(
            "{:<23} {:>6} {:>9.1}% {:>6.1}% {:>9.1} {:>9.1} {:>9.1} {:>10.1}% | {:>5.1}% in 40 min, mean {:.1}\n",
            s.outline,
            s.games,
            s.in_time * 100.0,
            s.mended * 100.0,
            s.minutes.mean,
            s.minutes.median,
            s.minutes.p90,
            s.first_right * 100.0,
            s.often_in_time * 100.0,
            s.often_minutes
        );
    }
    out
}

/// A seed that is another one each second: whoever practises wants another fault each time.
fn by_the_clock(now: &str) -> u64 {
    let digits: String = now.chars().filter(char::is_ascii_digit).collect();
    digits.parse::<u64>().map_or(1, |time| time % 100_000)
}

impl Args {
    /// The seed asked for, or the usual one.
    pub(super) fn seed(&self) -> u64 {
        self.seed.unwrap_or(1)
    }
}

fn broke_off(e: PractiseError) -> Failure {
    match e {
        PractiseError::Job(complaints) => Failure::Complaints(complaints),
        PractiseError::Lines(e) => e.into(),
    }
}

fn hand(name: &str) -> Result<Hand, Failure> {
    let found = Hand::ALL.iter().find(|(n, _)| *n == name).map(|(_, h)| *h);
    found.ok_or_else(|| {
        let help = or_nearest(name, Hand::ALL.iter().map(|(n, _)| *n));
        Failure::Usage(format!("no strategy is called '{name}'; {help}"))
    })
}

/// A bar on stderr, hidden where that is no terminal.
fn bar(length: usize) -> ProgressBar {
    let target = if std::io::stderr().is_terminal() {
        ProgressDrawTarget::stderr()
    } else {
        ProgressDrawTarget::hidden()
    };
    let bar = ProgressBar::with_draw_target(Some(length as u64), target);
    match ProgressStyle::with_template("{bar:40} {pos}/{len} games, {eta} left") {
        Ok(style) => bar.with_style(style),
        Err(_) => bar,
    }
}

/// Every game step by step.
fn trail(drill: &Drill, games: &drill::Games) -> String {
    let mut out = String::new();
    for (number, unit) in games.iter().enumerate() {
        for (hand, game) in drill.hands.iter().zip(unit) {
            let minutes = show::minutes(Minutes(game.minutes));
            let found = if game.found { "found" } else { "not found" };
            out += &format!(
                "Unit {} by {}: {} with {}; {found} in {minutes}, {}\n",
                number + 1,
                hand.name(),
                game.hidden.join(" and "),
                game.symptoms.join(", "),
                game.end
            );
            for step in &game.steps {
                out += &format!("  {:>5.1} min  {} = {}\n", step.minutes, step.id, step.answer);
            }
            for answer in &game.answers {
                let right = if answer.right { "right" } else { "wrong" };
                out += &format!("  answer {:.3} {right}: {}\n", answer.stated, answer.faults.join(", "));
            }
        }
    }
    out + "\n"
}

/// The report as text.
fn page(report: &DrillReport, hidden: Hidden) -> String {
    let hidden = match hidden {
        Hidden::Exactly(1) => "one fault each",
        Hidden::Exactly(_) => "two faults each",
        Hidden::AsDrawn => "as many faults as the priors give",
    };
    let mut out = format!(
        "{}: {} units with {hidden}, seed {}\n\n{:<12} {:>6} {:>10} {:>10} {:>10} {:>7} {:>6}\n",
        report.board,
        report.games,
        report.seed,
        "strategy",
        "found",
        "mean",
        "median",
        "90 %",
        "steps",
        "wrong"
    );
    let minutes = |m: f64| show::minutes(Minutes(m));
    for s in &report.strategies {
        out += &format!(
            "{:<12} {:>5.1}% {:>10} {:>10} {:>10} {:>7.1} {:>6.2}\n",
            s.name,
            s.found * 100.0,
            minutes(s.minutes.mean),
            minutes(s.minutes.median),
            minutes(s.minutes.p90),
            s.steps.mean,
            s.wrong_remedies
        );
    }
    for s in report.strategies.iter().filter(|s| !s.calibration.is_empty()) {
        out += &format!("\nWhat the {} strategy stated, and how often it was so\n", s.name);
        for b in &s.calibration {
            out += &format!(
                "  {:>3.0} to {:>3.0} %: {:>4} {:<8} stated {:>5.1} %, right {:>5.1} %\n",
                b.from * 100.0,
                b.to * 100.0,
                b.answers,
                if b.answers == 1 { "answer," } else { "answers," },
                b.stated * 100.0,
                b.right * 100.0
            );
        }
    }
    out
}
