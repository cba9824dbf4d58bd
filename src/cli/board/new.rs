//! `halfsplit board new`.

use crate::circuit::board::Board;
use crate::circuit::import::{
    Drawing, DrawnPart, Fitted, FittedPart, Listed, Plan, SupplyDrawn, board_text, read_line, read_list,
    wanted,
};
use crate::circuit::predict::Bench;
use crate::circuit::sheet;
use crate::cli::asking::Asker;
use crate::cli::input::Input;
use crate::cli::screen::{Failure, Screen, wrap};
use crate::cli::target::quoted;
use crate::job::store;
use crate::rules::parts::Library;
use crate::text::{Source, inline};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Makes a board file part by part, or from a plain list of lines such as 'R1 1M IN GND'
#[derive(Debug, clap::Args)]
#[command(
    after_help = "A list has a line a part: designator, value or number, nets in the order of the pins (a transistor's c, b, e; a diode's anode, cathode; a chip's pins from 1), or by name: Q1 2N5088 e=E b=B c=C. Lines 'board NAME', 'build stripboard', 'supply 9V V9 GND battery', 'in IN' and 'out OUT' say the rest.\n\nExamples:\n  halfsplit board new lantern.yaml                      asks part by part\n  halfsplit board new lantern.yaml --from parts.txt\n  halfsplit board new lantern.yaml --from - < parts.txt"
)]
pub struct Args {
    /// The board file to make; an existing one is left alone
    board: PathBuf,
    /// Take the parts from a list; - reads it from stdin
    #[arg(long, value_name = "FILE")]
    from: Option<PathBuf>,
    /// Plain lines: no arrow keys and no redrawing
    #[arg(long)]
    plain: bool,
}

/// Runs the command.
///
/// # Errors
/// When the list is at fault, the file exists, or a file can't be read or written.
pub fn run(args: &Args, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if args.board.symlink_metadata().is_ok() {
        return Err(store::StoreError::Exists { path: args.board.display().to_string() }.into());
    }
    let library = Library::builtin()?;
    match &args.from {
        Some(list) => from_list(args, list, &library, screen),
        None if screen.json => Err(Failure::Usage(
            "board new asks part by part and has no --json; give it a list with --from".into(),
        )),
        None => by_asking(args, &library, screen),
    }
}

fn from_list(args: &Args, list: &Path, library: &Library, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let source = if list == Path::new("-") {
        let mut bytes = Vec::new();
        std::io::stdin().lock().take(crate::text::MAX_BYTES as u64 + 1).read_to_end(&mut bytes)?;
        Source::from_bytes("stdin", bytes)?
    } else {
        store::read(list)?
    };
    let mut drawing = read_list(&source, library)?;
    // What came in by a pipe has no name of its own.
    if list == Path::new("-") && drawing.title.is_empty() {
        drawing.title = args.board.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    }
    let fitted = Fitted::of(&drawing, library);
    if !fitted.complaints.0.is_empty() {
        return Err(fitted.complaints.into());
    }
    let plan = Plan::of(&drawing, &fitted, library);
    let (text, told) = board_text(&fitted, &plan, library);
    let name = args.board.display().to_string();
    // The list is what its author mends, so nothing is written while something is wrong.
    let board = Board::load(&Source::new(name.as_str(), text.as_str()), library)?;
    store::create(&args.board, &text)?;
    if screen.json {
        return screen.document(&serde_json::json!({ "board": name, "text": text }));
    }
    let mut page = String::new();
    for part in &fitted.parts {
        page += &wrap(&echo(part), screen.width, "", "  ");
    }
    for line in
        fitted.parts.iter().flat_map(|p| p.remarks.iter().map(move |r| format!("{}: {r}", p.id))).chain(told)
    {
        page += &wrap(&line, screen.width, "- ", "  ");
    }
    for (what, net, why) in plan.open() {
        page += &wrap(&format!("{what} guessed: {net} ({why})"), screen.width, "- ", "  ");
    }
    screen.text(&page)?;
    made(&board, &args.board, screen)
}

/// What a part became, in words: `Q1: 2N5088, c C, b B, e E`.
fn echo(part: &FittedPart) -> String {
    let is = match (&part.device, &part.kind) {
        (Some(number), _) => number.clone(),
        (None, Some(kind)) => format!("{kind} {}", part.value.as_deref().unwrap_or("")).trim().to_owned(),
        _ => String::new(),
    };
    let plain = part.nets.iter().map(|(p, _)| p.as_str()).eq(["1", "2"]);
    let nets: Vec<String> = match plain {
        true => part.nets.iter().map(|(_, n)| n.clone()).collect(),
        false => part.nets.iter().map(|(p, n)| format!("{p} {n}")).collect(),
    };
    let turn = part
        .turn
        .as_ref()
        .map_or(String::new(), |t| format!("; {} at {t}", part.taper.as_deref().unwrap_or("linear")));
    format!("{}: {is}, {}{turn}", part.id, if plain { nets.join(" to ") } else { nets.join(", ") })
}

/// Shows the sheet of a board just made, and what can be typed next.
fn made(board: &Board, path: &Path, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let typed = quoted(&path.display().to_string());
    match sheet::sheet(board, &Bench::default()) {
        Ok(page) => screen.text(&format!("\n{}", page.to_text(screen.width)))?,
        Err(e) => screen.say(&wrap(
            &format!("The board is written, but has no healthy readings yet: {e}"),
            screen.width,
            "",
            "",
        ))?,
    }
    screen.text(&wrap(
        &format!(
            "Made {typed}. Next: halfsplit board check {typed}, or halfsplit open job.yaml --board {typed}"
        ),
        screen.width,
        "\n",
        "  ",
    ))
}

const HELP: &str = "A line a part: R1 1M IN GND. Nets in the order of the pins, or by name: Q1 2N5088 e=E b=B c=C. A designator alone is asked about. 'list' shows the parts, 'nets' the nets, 'undo' takes the last line back, 'drop R1' takes a part out, 'done' ends. What you type is kept beside the board until then.";

/// What has been typed so far.
struct Draft {
    /// The lines that count, in order.
    lines: Vec<String>,
    path: PathBuf,
}

impl Draft {
    fn of(board: &Path) -> Result<Self, Failure> {
        let path = board.with_extension("parts");
        let lines = match path.exists() {
            true => {
                store::read(&path)?.text.lines().map(str::to_owned).filter(|l| !l.trim().is_empty()).collect()
            }
            false => Vec::new(),
        };
        Ok(Self { lines, path })
    }

    /// On disk before the next question.
    fn keep(&self) -> Result<(), Failure> {
        let text: String = self.lines.iter().map(|l| format!("{l}\n")).collect();
        Ok(store::replace(&self.path, &text)?)
    }

    fn drawing(&self, library: &Library) -> Drawing {
        let text: String = self.lines.iter().map(|l| format!("{l}\n")).collect();
        let source = Source::new(self.path.display().to_string(), text);
        // Only lines that were read once are in it.
        read_list(&source, library).unwrap_or_else(|_| Drawing::empty(&source))
    }

    fn has(&self, key: &str) -> bool {
        self.lines.iter().any(|l| l.split_whitespace().next() == Some(key))
    }
}

fn by_asking(args: &Args, library: &Library, screen: &mut Screen<'_>) -> Result<(), Failure> {
    let mut input = Input::new(args.plain, console::Term::stdout());
    let mut draft = Draft::of(&args.board)?;
    let resumed = draft.lines.len();
    let mut asker = Asker { input: &mut input, screen, aside: false };
    if resumed > 0 {
        asker.say(&format!("Going on with {resumed} lines typed before ({}).", draft.path.display()))?;
    }
    opening(&mut asker, args, &mut draft)?;
    asker.say("Now the parts. 'help' says what can be typed.")?;
    let mut warned = false;
    loop {
        let Some(line) = asker.raw("Part:")? else {
            asker.say(&format!(
                "Stopped. What was typed is in {}; the same command goes on with it.",
                draft.path.display()
            ))?;
            return Ok(());
        };
        match line.to_lowercase().as_str() {
            "help" | "?" => asker.say(HELP)?,
            "list" | "nets" => list(&mut asker, &draft, library, line.to_lowercase() == "nets")?,
            "undo" => undo(&mut asker, &mut draft)?,
            "done" | "end" => {
                let open = unfinished(&draft, library);
                if open.is_empty() || warned {
                    return finish(args, &draft, library, asker.screen, &open);
                }
                for line in open {
                    asker.say(&format!("- {line}"))?;
                }
                asker.say("Type what is missing, or 'done' once more to write the board as it is.")?;
                warned = true;
                continue;
            }
            other if other.starts_with("drop ") => drop_part(&mut asker, &mut draft, line[5..].trim())?,
            _ => {
                part(&mut asker, &mut draft, library, &line)?;
            }
        }
        warned = false;
    }
}

fn opening(asker: &mut Asker<'_, '_>, args: &Args, draft: &mut Draft) -> Result<(), Failure> {
    let stem = args.board.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
    if !draft.has("board") {
        let name = asker.line(&format!("The unit's name? Enter for '{stem}'."))?.unwrap_or(stem);
        draft.lines.push(format!("board {}", inline(&name)));
    }
    if !draft.has("build") {
        let build = asker.build()?;
        draft.lines.push(format!("build {}", build.map_or("pcb", |b| b.name())));
    }
    if !draft.has("supply") {
        loop {
            let line = asker.line(
                "The supply: volts, plus net, ground net, battery or adaptor. Enter for '9V V9 GND battery'.",
            )?;
            let line = format!("supply {}", line.unwrap_or_else(|| "9V V9 GND battery".into()));
            match read_line(&line, &Library::default()) {
                Ok(Listed::Supply(supply)) => {
                    draft.lines.push(line);
                    if !draft.has("ground") {
                        draft.lines.push(format!("ground {}", supply.minus));
                    }
                    break;
                }
                Ok(_) => {}
                Err((says, help)) => asker.say(&format!("{says}; {help}"))?,
            }
        }
    }
    for (key, question) in [
        ("in", "Net where the sound goes in? Enter for IN, - for none."),
        ("out", "Net where it comes out? Enter for OUT, - for none."),
    ] {
        if !draft.has(key) {
            let net = asker.line(question)?.unwrap_or_else(|| key.to_uppercase());
            if net != "-" {
                let first = net.split_whitespace().next().unwrap_or(&net).to_owned();
                draft.lines.push(format!("{key} {first}"));
            }
        }
    }
    draft.keep()
}

/// One line: read, asked on where it is short, echoed, kept.
fn part(asker: &mut Asker<'_, '_>, draft: &mut Draft, library: &Library, line: &str) -> Result<(), Failure> {
    let mut line = line.to_owned();
    loop {
        let listed = match read_line(&line, library) {
            Ok(listed) => listed,
            Err((says, help)) => return asker.say(&format!("{says}; {help}")),
        };
        match listed {
            Listed::Nothing => return Ok(()),
            Listed::Supply(SupplyDrawn { id, .. }) => {
                draft.lines.push(line);
                asker.say(&format!("Supply {id} noted."))?;
                return draft.keep();
            }
            Listed::Given(key, value) => {
                draft.lines.retain(|l| l.split_whitespace().next() != line.split_whitespace().next());
                draft.lines.push(line.clone());
                asker.say(&format!("{key}: {value}"))?;
                return draft.keep();
            }
            Listed::Neighbours([a, b]) => {
                draft.lines.push(line);
                asker.say(&format!("{a} and {b} lie side by side."))?;
                return draft.keep();
            }
            Listed::Part(part) => match short(asker, &part, library)? {
                Some(more) => line = format!("{line} {more}"),
                None => return take(asker, draft, library, &line, &part),
            },
        }
    }
}

/// Asks for the value or the nets that a part still wants; nothing where it wants none, or where nothing was answered.
fn short(asker: &mut Asker<'_, '_>, part: &DrawnPart, library: &Library) -> Result<Option<String>, Failure> {
    let wants = wanted(part, library);
    if part.value.is_empty()
        && let Some(example) = &wants.value
    {
        let what = if wants.is.is_empty() {
            "Which part number".to_owned()
        } else {
            format!("The value of {}", wants.is)
        };
        return asker.line(&format!("{what}, such as {example}?"));
    }
    if !part.pins.is_empty() || wants.pins.is_empty() {
        return Ok(None);
    }
    let pins: Vec<String> = wants
        .pins
        .iter()
        .map(|(p, says)| if p == says { p.clone() } else { format!("{p} {says}") })
        .collect();
    asker.line(&format!("Its nets in order ({}); - for one left open?", pins.join("; ")))
}

fn take(
    asker: &mut Asker<'_, '_>,
    draft: &mut Draft,
    library: &Library,
    line: &str,
    part: &DrawnPart,
) -> Result<(), Failure> {
    let mut one = Drawing::empty(&Source::new("line", line));
    one.parts.push(part.clone());
    let fitted = Fitted::of(&one, library);
    let Some(found) = fitted.parts.first() else {
        for c in &fitted.complaints.0 {
            asker.say(&format!("{}; {}", c.message, c.help))?;
        }
        return Ok(());
    };
    let before = draft.drawing(library);
    let known: Vec<&str> = before
        .parts
        .iter()
        .flat_map(|p| p.pins.iter().filter_map(|q| q.net.as_deref()))
        .chain(
            before
                .given
                .iter()
                .filter(|(k, _)| ["in", "out", "ground"].contains(&k.as_str()))
                .map(|(_, v)| v.as_str()),
        )
        .chain(before.supplies.iter().flat_map(|s| [s.plus.as_str(), s.minus.as_str()]))
        .collect();
    let mut fresh: Vec<&str> =
        found.nets.iter().map(|(_, n)| n.as_str()).filter(|n| !known.contains(n)).collect();
    fresh.dedup();
    let mut words = echo(found);
    if !fresh.is_empty() {
        words += &format!(" (new: {})", fresh.join(", "));
    }
    for remark in &found.remarks {
        words += &format!("; {remark}");
    }
    let same = |l: &String| matches!(read_line(l, library), Ok(Listed::Part(p)) if p.id == part.id);
    if let Some(old) = draft.lines.iter().position(same) {
        words += &format!("; instead of '{}'", draft.lines[old]);
        draft.lines.remove(old);
    }
    draft.lines.push(line.to_owned());
    draft.keep()?;
    asker.say(&words)
}

fn list(asker: &mut Asker<'_, '_>, draft: &Draft, library: &Library, by_net: bool) -> Result<(), Failure> {
    let fitted = Fitted::of(&draft.drawing(library), library);
    if !by_net {
        for part in &fitted.parts {
            asker.say(&echo(part))?;
        }
        return Ok(());
    }
    let mut nets: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for part in &fitted.parts {
        for (pin, net) in &part.nets {
            nets.entry(net).or_default().push(format!("{}.{pin}", part.id));
        }
    }
    for (net, pins) in nets {
        asker.say(&format!("{net}: {}", pins.join(", ")))?;
    }
    Ok(())
}

fn undo(asker: &mut Asker<'_, '_>, draft: &mut Draft) -> Result<(), Failure> {
    match draft.lines.pop() {
        Some(line) => {
            draft.keep()?;
            asker.say(&format!("Taken back: {line}"))
        }
        None => asker.say("There is nothing to take back."),
    }
}

fn drop_part(asker: &mut Asker<'_, '_>, draft: &mut Draft, id: &str) -> Result<(), Failure> {
    let before = draft.lines.len();
    draft.lines.retain(|l| l.split_whitespace().next().map(|w| w.trim_end_matches([':', '='])) != Some(id));
    match draft.lines.len() == before {
        true => asker.say(&format!("There is no line of '{id}'.")),
        false => {
            draft.keep()?;
            asker.say(&format!("{id} is out."))
        }
    }
}

/// What keeps the board from being whole.
fn unfinished(draft: &Draft, library: &Library) -> Vec<String> {
    let (text, told) = text(draft, library);
    let mut out: Vec<String> = told.into_iter().filter(|t| t.contains("left out")).collect();
    if let Err(complaints) = Board::load(&Source::new("board", text), library) {
        out.extend(complaints.0.iter().map(|c| {
            if c.help.is_empty() { c.message.clone() } else { format!("{}; {}", c.message, c.help) }
        }));
    }
    out
}

fn text(draft: &Draft, library: &Library) -> (String, Vec<String>) {
    let drawing = draft.drawing(library);
    let fitted = Fitted::of(&drawing, library);
    let plan = Plan::of(&drawing, &fitted, library);
    board_text(&fitted, &plan, library)
}

fn finish(
    args: &Args,
    draft: &Draft,
    library: &Library,
    screen: &mut Screen<'_>,
    open: &[String],
) -> Result<(), Failure> {
    let (text, told) = text(draft, library);
    store::create(&args.board, &text)?;
    let name = args.board.display().to_string();
    let board = Board::load(&Source::new(name.as_str(), text), library);
    match board {
        Ok(board) if open.is_empty() => {
            // The list is in the board now.
            std::fs::remove_file(&draft.path)
                .map_err(|e| Failure::System(format!("can't remove {}: {e}", draft.path.display())))?;
            for line in told {
                screen.text(&wrap(&line, screen.width, "- ", "  "))?;
            }
            made(&board, &args.board, screen)
        }
        Ok(board) => made(&board, &args.board, screen),
        Err(complaints) => {
            screen.say(&format!(
                "{name} is written, and wants an edit at these places before it can be used:"
            ))?;
            Err(complaints.into())
        }
    }
}
