//! `halfsplit board import`.

use crate::circuit::board::Board;
use crate::circuit::import::{self, Drawing, Fitted, Format, Pick, Plan, SupplyPlan, board_text};
use crate::cli::asking::Asker;
use crate::cli::input::Input;
use crate::cli::screen::{Failure, Screen, wrap};
use crate::cli::target::quoted;
use crate::job::store;
use crate::rules::Build;
use crate::rules::parts::Library;
use crate::text::{Complaint, Source, or_nearest};
use crate::units::notation;
use serde::Serialize;
use std::io::{IsTerminal, Read};
use std::path::{Path, PathBuf};

/// Makes a board file from a netlist: SPICE, KiCad's netlist export, or a plain list of parts
#[derive(Debug, clap::Args)]
#[command(
    after_help = "What the netlist does not say (ground, supply, where the sound goes in and out) is guessed; at a terminal each guess is asked about, elsewhere it is taken and said.\n\nExamples:\n  halfsplit board import lantern.net\n  halfsplit board import lantern.cir -o lantern-board.yaml --build stripboard\n  halfsplit board import lantern.net --ground GND --supply V9=9V --in IN --out OUT --yes\n  halfsplit board import parts.txt --format list -o -"
)]
pub struct Args {
    /// The netlist; - reads it from stdin
    file: PathBuf,
    /// The board file to make; - prints it. Usually FILE-board.yaml beside you
    #[arg(short = 'o', value_name = "BOARD")]
    to: Option<PathBuf>,
    /// spice, kicad or list, where the text does not tell
    #[arg(long, value_name = "F", value_parser = ["spice", "kicad", "list"])]
    format: Option<String>,
    /// The unit's name
    #[arg(long, value_name = "NAME")]
    name: Option<String>,
    /// How it is built: breadboard, stripboard, pcb or point-to-point
    #[arg(long, value_name = "B")]
    build: Option<Build>,
    /// The ground net
    #[arg(long, value_name = "NET")]
    ground: Option<String>,
    /// A supply: PLUS=VOLTS or PLUS/MINUS=VOLTS (may be given again)
    #[arg(long, value_name = "NET=9V")]
    supply: Vec<String>,
    /// The net where the sound goes in
    #[arg(long = "in", value_name = "NET")]
    input: Option<String>,
    /// The net where it comes out
    #[arg(long = "out", value_name = "NET")]
    output: Option<String>,
    /// Leave out the parts that have no counterpart here instead of stopping
    #[arg(long)]
    leave_out: bool,
    /// Take every guess as it is
    #[arg(short, long)]
    yes: bool,
}

/// What `board import --json` prints.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Report {
    /// The file made; nothing where the text goes to stdout.
    board: Option<String>,
    /// How the drawing was written: `spice`, `kicad` or `list`.
    format: &'static str,
    /// Number of parts.
    parts: usize,
    /// Number of nets, ground included.
    nets: usize,
    /// What was guessed.
    guesses: Vec<Guessed>,
    /// What was taken otherwise than it stands.
    remarks: Vec<String>,
    /// Parts left out, each with why.
    left_out: Vec<String>,
    /// The board file's text.
    text: String,
}

/// A guess.
#[derive(Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
struct Guessed {
    /// `ground`, `supply`, `input` or `output`.
    what: &'static str,
    /// The net.
    net: String,
    /// What it was guessed by.
    why: String,
}

/// Runs the command.
///
/// # Errors
/// When the netlist is at fault or has parts that nothing here stands for, or a file can't be read or written.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let library = Library::builtin()?;
    let source = source(&args.file)?;
    let format =
        args.format.as_ref().and_then(|f| Format::ALL.into_iter().find(|(w, _)| w == f)).map(|(_, f)| f);
    let format = format.unwrap_or_else(|| Format::of(&source.text));
    let out = target(args)?;
    let drawing = import::read(&source, Some(format), &library)?;
    let fitted = Fitted::of(&drawing, &library);
    if !fitted.complaints.0.is_empty() && !args.leave_out {
        return Err(fitted.complaints.into());
    }
    let mut plan = Plan::of(&drawing, &fitted, &library);
    flags(args, &fitted, &mut plan)?;
    let asks = !args.yes && !screen.json && std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    if asks && args.file != Path::new("-") {
        let mut input = Input::new(false, console::Term::stderr());
        ask(&mut Asker { input: &mut input, screen, aside: true }, &fitted, &mut plan)?;
    }
    let report = report(args, format, &drawing, &fitted, &plan, &library, out.as_deref());
    write(&report, out.as_deref(), screen)?;
    prove(&report, out.as_deref(), &library, screen)
}

fn source(path: &Path) -> Result<Source, Failure> {
    if path != Path::new("-") {
        return Ok(store::read(path)?);
    }
    let mut bytes = Vec::new();
    let most = crate::text::MAX_BYTES as u64 + 1;
    std::io::stdin().lock().take(most).read_to_end(&mut bytes)?;
    Ok(Source::from_bytes("stdin", bytes)?)
}

/// Where the board goes; nothing for stdout. An existing file is left alone, which is said before any question is asked.
fn target(args: &Args) -> Result<Option<PathBuf>, Failure> {
    let path = match &args.to {
        Some(out) if out == Path::new("-") => return Ok(None),
        Some(out) => out.clone(),
        None => {
            let stem = args.file.file_stem().map(|s| s.to_string_lossy().into_owned()).filter(|s| s != "-");
            PathBuf::from(format!("{}-board.yaml", stem.unwrap_or_else(|| "imported".into())))
        }
    };
    match path.symlink_metadata() {
        Ok(_) => Err(store::StoreError::Exists { path: path.display().to_string() }.into()),
        Err(_) => Ok(Some(path)),
    }
}

fn nets(fitted: &Fitted) -> Vec<&str> {
    let mut nets: Vec<&str> =
        fitted.parts.iter().flat_map(|p| p.nets.iter().map(|(_, n)| n.as_str())).collect();
    nets.sort_unstable();
    nets.dedup();
    nets
}

/// A net that somebody named: as on the board, or as in the drawing.
fn known(name: &str, fitted: &Fitted) -> Result<String, Failure> {
    let all = nets(fitted);
    if let Some(net) = all.iter().find(|n| **n == name).copied().or_else(|| fitted.net(name)) {
        return Ok(net.to_owned());
    }
    if let Some(net) = all.iter().find(|n| n.eq_ignore_ascii_case(name)) {
        return Ok((*net).to_owned());
    }
    let complaint = Complaint::nowhere("unknown-name", format!("there is no net '{name}' in the drawing"));
    Err(Failure::Complaints(complaint.help(or_nearest(name, all)).into()))
}

fn sure(net: String) -> Option<Pick> {
    Some(Pick { net, why: "as given".into(), others: Vec::new(), sure: true })
}

fn flags(args: &Args, fitted: &Fitted, plan: &mut Plan) -> Result<(), Failure> {
    if let Some(name) = &args.name {
        plan.name.clone_from(name);
    }
    plan.build = args.build.or(plan.build);
    if let Some(ground) = &args.ground {
        plan.ground = sure(known(ground, fitted)?);
    }
    if let Some(net) = &args.input {
        plan.input = sure(known(net, fitted)?);
    }
    if let Some(net) = &args.output {
        plan.output = sure(known(net, fitted)?);
    }
    if !args.supply.is_empty() {
        plan.supplies.clear();
    }
    for text in &args.supply {
        let supply = supply(text, fitted, plan)?;
        plan.supplies.push(supply);
    }
    Ok(())
}

/// `V9=9V`, `VCC/VEE=24V`.
fn supply(text: &str, fitted: &Fitted, plan: &Plan) -> Result<SupplyPlan, Failure> {
    let usage = || {
        Failure::Usage(format!("'{text}' is no supply; write PLUS=VOLTS such as V9=9V, or PLUS/MINUS=VOLTS"))
    };
    let (ends, volts) = text.split_once('=').ok_or_else(usage)?;
    notation::volts(volts).map_err(|e| Failure::Input(e.to_string()))?;
    let ground = plan.ground.as_ref().map(|g| g.net.clone()).unwrap_or_default();
    let (plus, minus) = match ends.split_once('/') {
        Some((plus, minus)) => (known(plus, fitted)?, known(minus, fitted)?),
        None => (known(ends, fitted)?, ground),
    };
    let name = match plan.supplies.len() {
        0 => "main".to_owned(),
        n => format!("supply{}", n + 1),
    };
    Ok(SupplyPlan {
        name,
        plus,
        minus,
        volts: volts.to_owned(),
        source: "adaptor".into(),
        inner: None,
        why: "as given".into(),
        sure: true,
    })
}

/// Asks about each guess: Enter takes it, a net's name another one.
fn ask(asker: &mut Asker<'_, '_>, fitted: &Fitted, plan: &mut Plan) -> Result<(), Failure> {
    if !plan.open().is_empty() || plan.input.is_none() || plan.output.is_none() {
        asker.say("What the netlist does not say. Enter takes the guess; a net's name puts another in its place; - for none.")?;
    }
    if let Some(ground) = plan.ground.clone().filter(|g| !g.sure) {
        plan.ground = ask_net(asker, "Ground", Some(&ground), fitted)?;
    }
    let ground = plan.ground.as_ref().map(|g| g.net.clone()).unwrap_or_default();
    for i in 0..plan.supplies.len() {
        if !plan.supplies[i].sure {
            ask_supply(asker, fitted, &ground, &mut plan.supplies[i])?;
        }
    }
    plan.supplies.retain(|s| !s.plus.is_empty());
    if plan.input.as_ref().is_none_or(|p| !p.sure) {
        plan.input = ask_net(asker, "The sound goes in at", plan.input.clone().as_ref(), fitted)?;
    }
    if plan.output.as_ref().is_none_or(|p| !p.sure) {
        plan.output = ask_net(asker, "It comes out at", plan.output.clone().as_ref(), fitted)?;
    }
    if plan.build.is_none() {
        plan.build = asker.build()?;
    }
    Ok(())
}

fn ask_net(
    asker: &mut Asker<'_, '_>,
    what: &str,
    guess: Option<&Pick>,
    fitted: &Fitted,
) -> Result<Option<Pick>, Failure> {
    let question = match guess {
        Some(g) if g.others.is_empty() => format!("{what} {}? ({})", g.net, g.why),
        Some(g) => format!("{what} {}? ({}; it might be {})", g.net, g.why, g.others.join(", ")),
        None => format!("{what} which net? There is no good guess."),
    };
    loop {
        let Some(line) = asker.line(&question)? else { return Ok(guess.cloned()) };
        if line == "-" {
            return Ok(None);
        }
        if let (Some(g), true) = (guess, ["y", "yes"].contains(&line.to_lowercase().as_str())) {
            return Ok(Some(g.clone()));
        }
        match known(&line, fitted) {
            Ok(net) => return Ok(sure(net)),
            Err(e) => asker.say(&e.to_string())?,
        }
    }
}

fn ask_supply(
    asker: &mut Asker<'_, '_>,
    fitted: &Fitted,
    ground: &str,
    supply: &mut SupplyPlan,
) -> Result<(), Failure> {
    let question = format!(
        "Supply {} from {} to {}? ({}) A voltage, a net, or both changes it.",
        supply.volts, supply.plus, supply.minus, supply.why
    );
    loop {
        let Some(line) = asker.line(&question)? else { return Ok(()) };
        if line == "-" {
            supply.plus.clear();
            return Ok(());
        }
        let mut changed = supply.clone();
        let mut wrong = None;
        for word in line.split_whitespace().filter(|w| !["y", "yes"].contains(&w.to_lowercase().as_str())) {
            match (known(word, fitted), notation::volts(word)) {
                // A supply below ground has its own net at the negative end.
                (Ok(net), _) if changed.plus == ground => changed.minus = net,
                (Ok(net), _) => changed.plus = net,
                (_, Ok(v)) if v.0 > 0.0 && v.0 < 1000.0 => {
                    changed.volts =
                        if word.to_uppercase().ends_with('V') { word.to_owned() } else { format!("{word}V") };
                }
                (Err(e), _) => wrong = Some(e.to_string()),
            }
        }
        match wrong {
            Some(says) => asker.say(&says)?,
            None => {
                *supply = SupplyPlan { sure: true, ..changed };
                return Ok(());
            }
        }
    }
}

fn report(
    args: &Args,
    format: Format,
    drawing: &Drawing,
    fitted: &Fitted,
    plan: &Plan,
    library: &Library,
    out: Option<&Path>,
) -> Report {
    let (text, told) = board_text(fitted, plan, library);
    let at = |note: &import::Note| match note.span {
        Some(span) => format!("line {}: {}", drawing.file.line_column(span.start).0, note.says),
        None => note.says.clone(),
    };
    let mut remarks: Vec<String> = drawing.notes.iter().map(at).collect();
    for part in &fitted.parts {
        remarks.extend(part.remarks.iter().map(|r| format!("{}: {r}", part.id)));
    }
    remarks.extend(told);
    if plan.build.is_none() {
        remarks.push("how it is built is not said; taken as a printed board (--build says otherwise)".into());
    }
    let mut left_out: Vec<String> = fitted.left_out.iter().map(|(id, why)| format!("{id}: {why}")).collect();
    if args.leave_out {
        left_out.extend(fitted.complaints.0.iter().map(|c| c.message.clone()));
    }
    Report {
        board: out.map(|p| p.display().to_string()),
        format: Format::ALL.into_iter().find(|(_, f)| *f == format).map_or("list", |(w, _)| w),
        parts: fitted.parts.len(),
        nets: nets(fitted).len(),
        guesses: plan
            .open()
            .into_iter()
            .map(|(what, net, why)| Guessed { what, net: net.to_owned(), why: why.to_owned() })
            .collect(),
        remarks,
        left_out,
        text,
    }
}

fn write(report: &Report, out: Option<&Path>, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if let Some(path) = out {
        store::create(path, &report.text)?;
    }
    if screen.json {
        return screen.document(report);
    }
    let width = screen.width;
    let mut page = String::new();
    let list = |title: &str, lines: &[String], page: &mut String| {
        if !lines.is_empty() {
            page.push_str(title);
            page.push('\n');
            lines.iter().for_each(|l| page.push_str(&wrap(l, width, "- ", "  ")));
        }
    };
    let head = format!("{} parts on {} nets, read as {}.", report.parts, report.nets, report.format);
    page.push_str(&wrap(&head, width, "", ""));
    let guesses: Vec<String> =
        report.guesses.iter().map(|g| format!("{}: {} ({})", g.what, g.net, g.why)).collect();
    list("Guessed; the file says so where it stands:", &guesses, &mut page);
    list("Worth a look:", &report.remarks, &mut page);
    list("Not on the board:", &report.left_out, &mut page);
    match out {
        Some(_) => screen.text(&page),
        None => {
            screen.err.write_all(page.as_bytes())?;
            screen.text(&report.text)
        }
    }
}

/// The board file read back: what is still wrong with it is said with its lines.
fn prove(
    report: &Report,
    out: Option<&Path>,
    library: &Library,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    let name = out.map_or("the board printed".to_owned(), |p| p.display().to_string());
    if let Err(complaints) = Board::load(&Source::new(name.as_str(), report.text.as_str()), library) {
        if out.is_some() {
            screen.say(&format!(
                "{name} is written, and wants an edit at these places before it can be used:"
            ))?;
        }
        return Err(complaints.into());
    }
    match out {
        Some(path) if !screen.json => {
            let typed = quoted(&path.display().to_string());
            let made = format!("Made {typed}. Next: halfsplit board check {typed}");
            screen.text(&format!("\n{}", wrap(&made, screen.width, "", "")))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_schema_of_the_report_is_committed() {
        crate::rules::assert_output_schema::<super::Report>("board-import");
    }
}
