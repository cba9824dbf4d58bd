//! `halfsplit summary`.

use super::output;
use super::screen::{Failure, Screen};
use super::target::{JobArg, quoted};
use crate::cases;
use crate::job::{Diagnosis, store};
use crate::rules::Rules;
use crate::summary::{Audience, Format, Shop, Summary, Templates, render};
use std::path::{Path, PathBuf};

/// Who reads the summary.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Reader {
    /// The owner of the unit: plain words, one page
    Customer,
    /// Whoever works on it next: everything
    Bench,
}

/// How the summary is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Paper {
    /// Plain text of 80 columns
    Text,
    /// Markdown
    Md,
    /// One HTML file with its pictures, for screen and print
    Html,
}

/// Writes the fault summary of a job, finished or not
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Examples:\n  halfsplit summary tin-lantern.yaml --format html -o summary.html --config shop.yaml\n  \
    halfsplit summary --example silent-build --for bench\n  halfsplit summary --write-templates my-templates"
)]
pub struct Args {
    /// The job card
    #[arg(value_name = "JOB", required_unless_present_any = ["example", "write_templates"])]
    job: Option<PathBuf>,
    /// Use a built-in job card instead
    #[arg(long, value_name = "NAME", conflicts_with = "job")]
    example: Option<String>,
    /// Who reads it
    #[arg(long = "for", value_name = "WHO", default_value = "customer")]
    reader: Reader,
    /// How it is written
    #[arg(long, value_name = "F", default_value = "text")]
    format: Paper,
    /// Write to this file instead of the screen
    #[arg(short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace a file that is there, whoever wrote it; never a card, board, pack, shop or template
    #[arg(long, requires = "output")]
    force: bool,
    /// The shop's settings: name, currency, rate, tax, terms; a built-in card has its own
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Use the templates in this folder in place of the built-in ones of the same names
    #[arg(long, value_name = "DIR")]
    templates: Option<PathBuf>,
    /// Copy the built-in templates into this folder, to be changed; no summary is written
    #[arg(long, value_name = "DIR", conflicts_with_all = ["job", "example", "output"])]
    write_templates: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// When the card, the settings or a template is at fault, or a file can't be written.
pub fn run(args: &Args, rules: &Rules, screen: &mut Screen<'_>) -> Result<(), Failure> {
    if let Some(folder) = &args.write_templates {
        return write_templates(folder, screen);
    }
    let shop = match (&args.config, &args.example) {
        (Some(path), _) => Shop::read(&store::read(path)?)?,
        // The built-in cards come from a bench of their own.
        (None, Some(_)) => Shop::read(&cases::shop_example())?,
        (None, None) => Shop::default(),
    };
    let templates = match &args.templates {
        Some(folder) => read_templates(folder)?,
        None => Templates::builtin(),
    };
    let (job, board) = JobArg { job: args.job.clone(), example: args.example.clone() }.load()?;
    let summary = if job.card.declined().is_some() {
        Summary::declined(&job, rules, &shop)?
    } else {
        Summary::of(&Diagnosis::on(rules, job, board.as_ref())?, &shop)?
    };
    let summary = summary.made(&shop, &screen.now);
    if screen.json {
        if args.output.is_some() {
            let says = "--json prints the summary's fields and takes no -o; send them into a file with '>'";
            return Err(Failure::Usage(says.into()));
        }
        return screen.document(&summary);
    }
    let audience = match args.reader {
        Reader::Customer => Audience::Customer,
        Reader::Bench => Audience::Bench,
    };
    let format = match args.format {
        Paper::Text => Format::Text,
        Paper::Md => Format::Markdown,
        Paper::Html => Format::Html,
    };
    let text = render(&summary, audience, format, &templates).map_err(|e| {
        let folder = args.templates.as_ref().map_or_else(String::new, |f| format!("{}/", f.display()));
        Failure::Input(format!("{folder}{e}"))
    })?;
    match &args.output {
        Some(path) => {
            let form = match format {
                Format::Text => output::Form::Text,
                Format::Markdown => output::Form::Markdown,
                Format::Html => output::Form::Html,
            };
            output::write(path, &text, form, args.force, screen)?;
            screen.say(&format!("Written: {}", quoted(&path.display().to_string())))
        }
        None => screen.text(&text),
    }
}

fn write_templates(folder: &Path, screen: &mut Screen<'_>) -> Result<(), Failure> {
    std::fs::create_dir_all(folder)
        .map_err(|e| Failure::System(format!("{}: can't make the folder: {e}", folder.display())))?;
    let templates = Templates::builtin();
    for (name, _) in templates.iter() {
        let path = folder.join(name);
        if path.exists() {
            return Err(Failure::Input(format!("{} is there already; nothing was written", path.display())));
        }
    }
    for (name, text) in templates.iter() {
        store::create(&folder.join(name), text)?;
    }
    screen.say(&format!(
        "Templates written to {}. Change them, then: halfsplit summary JOB --templates {}",
        quoted(&folder.display().to_string()),
        quoted(&folder.display().to_string())
    ))
}

/// The built-in templates with the files of a folder in place of those of the same names.
fn read_templates(folder: &Path) -> Result<Templates, Failure> {
    let fail =
        |e: std::io::Error| Failure::Input(format!("{}: can't read the folder: {e}", folder.display()));
    let mut names: Vec<PathBuf> = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(fail)? {
        names.push(entry.map_err(fail)?.path());
    }
    names.sort();
    let mut templates = Templates::builtin();
    for path in names.into_iter().filter(|p| p.is_file()) {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if name.starts_with('.') || name.ends_with('~') {
            continue;
        }
        let text = store::read(&path)?.text;
        templates =
            templates.with(&name, &text).map_err(|e| Failure::Input(format!("{}: {e}", path.display())))?;
    }
    Ok(templates)
}
