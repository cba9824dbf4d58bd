//! Where a command's paper goes: the one place that decides whether a file may be written, for every command.
//!
//! A file that the command has read is never replaced, nor one that is a job card, a board, a pack or device card, a shop's
//! settings or a template, whatever is asked for. Any other file that is there is replaced only if it carries this program's mark,
//! or with `--force`. A device or a pipe is written to, and `-` is the standard output. The store keeps owner, group and mode.

use super::screen::{Failure, Screen};
use crate::job::store::{self, StoreError};
use crate::summary::Templates;
use crate::text::{MAX_BYTES, Source, Value, parse};
use std::io::Read;
use std::path::Path;

/// What a file that this program has written says somewhere near its beginning or end.
const MARK: &str = "Written by halfsplit";
/// How many bytes at each end are looked through for it.
const NEAR: usize = 4096;

/// How a paper is written, which decides how it can be marked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Plain text for people: it carries no mark, but for what it says itself.
    Text,
    /// Markdown.
    Markdown,
    /// HTML.
    Html,
    /// YAML.
    Yaml,
    /// JSON, which says itself what it is.
    Json,
    /// A manual page.
    Page,
    /// A SPICE netlist.
    Netlist,
}

/// The text with the mark, where its form has room for one that no reader sees.
fn marked(text: &str, form: Form) -> String {
    let mark = format!("{MARK} {}", env!("CARGO_PKG_VERSION"));
    let mut text = text.to_string();
    if !text.is_empty() && !text.ends_with('\n') {
        text.push('\n');
    }
    match form {
        Form::Text | Form::Json => text,
        Form::Markdown => format!("{text}\n<!-- {mark} -->\n"),
        Form::Html => format!("{text}<!-- {mark} -->\n"),
        Form::Yaml => format!("# {mark}\n{text}"),
        Form::Page => format!("{text}.\\\" {mark}\n"),
        Form::Netlist => format!("{text}* {mark}\n"),
    }
}

/// Writes a paper to where it was asked for.
///
/// # Errors
/// When the file may not be replaced (see the module), or can't be written.
pub fn write(
    path: &Path,
    text: &str,
    form: Form,
    force: bool,
    screen: &mut Screen<'_>,
) -> Result<(), Failure> {
    match place(path, force)? {
        Place::Out => screen.text(text),
        Place::Err => Ok(screen.err.write_all(text.as_bytes())?),
        Place::Stream => store::pour(path, text).map_err(Failure::from),
        Place::File => Ok(store::replace(path, &marked(text, form))?),
    }
}

/// Whether a paper may be written to a place, for commands that work long before they write.
///
/// # Errors
/// As [`write`], as far as it can be told before.
pub fn check(path: &Path, force: bool) -> Result<(), Failure> {
    place(path, force).map(|_| ())
}

/// What stands where a command is to write, where it may.
enum Place {
    /// Standard output.
    Out,
    /// Standard error.
    Err,
    /// A device or a pipe.
    Stream,
    /// A file, or nothing yet.
    File,
}

fn place(path: &Path, force: bool) -> Result<Place, Failure> {
    match path.to_str() {
        Some("-" | "/dev/stdout" | "/dev/fd/1" | "/proc/self/fd/1") => return Ok(Place::Out),
        Some("/dev/stderr" | "/dev/fd/2" | "/proc/self/fd/2") => return Ok(Place::Err),
        _ => {}
    }
    let shown = path.display();
    let Ok(found) = std::fs::metadata(path) else {
        return match path.symlink_metadata() {
            Ok(_) => Err(Failure::Input(format!(
                "{shown} is a link that leads nowhere; remove it or name another file"
            ))),
            Err(_) => Ok(Place::File),
        };
    };
    if store::was_read(path) {
        let message = format!("{shown} is what this is made from; name another file");
        return Err(Failure::Usage(message));
    }
    if found.is_dir() {
        return Err(Failure::Input(format!("{shown} is a folder; name a file in it")));
    }
    if !found.is_file() || path.starts_with("/dev") || path.starts_with("/proc") {
        return Ok(Place::Stream);
    }
    let text = start(path)?;
    let ours = is_ours(&text);
    match kind(&text, path) {
        // What was learned is a pack, and is learned anew.
        Some("a rule pack") if ours => Ok(Place::File),
        Some(kind) => {
            Err(Failure::Usage(format!("{shown} is {kind}, which is never written over; name another file")))
        }
        None if ours || force || text.trim().is_empty() => Ok(Place::File),
        None => Err(Failure::Input(format!(
            "{shown} is there already, and does not say that halfsplit wrote it; --force replaces it"
        ))),
    }
}

/// The text of a file, as much of it as a file of ours may have; what is no text with signs in its place.
fn start(path: &Path) -> Result<String, Failure> {
    let mut bytes = Vec::new();
    let read = std::fs::File::open(path).and_then(|f| f.take(MAX_BYTES as u64 + 1).read_to_end(&mut bytes));
    match read {
        Ok(_) => Ok(String::from_utf8_lossy(&bytes).into_owned()),
        Err(e) => Err(Failure::System(format!("{}: can't look at what is there: {e}", path.display()))),
    }
}

fn is_ours(text: &str) -> bool {
    let floor = |at: usize| (0..=at.min(text.len())).rev().find(|i| text.is_char_boundary(*i)).unwrap_or(0);
    let (head, tail) = (&text[..floor(NEAR)], &text[floor(text.len().saturating_sub(NEAR))..]);
    let says = |part: &str| part.contains(MARK);
    // The bench copy in plain text names its tool; statistics name their format first.
    says(head)
        || says(tail)
        || tail.contains("\nTool    halfsplit ")
        || head.trim_start_matches(['{', '\n', ' ']).starts_with("\"halfsplit_statistics\"")
}

/// What a file is, if it is one that a person keeps; also where it is broken at present.
fn kind(text: &str, path: &Path) -> Option<&'static str> {
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    if text.contains("{{") || text.contains("{%") || (Templates::builtin().iter().any(|(n, _)| n == name)) {
        return Some("a template");
    }
    let keys = root_keys(text);
    let has = |all: &[&str]| all.iter().all(|k| keys.iter().any(|key| key == k));
    let some = |any: &[&str]| keys.iter().filter(|key| any.contains(&key.as_str())).count();
    let card = ["history", "findings", "complaint", "outcome", "tools", "received"];
    let shop =
        ["currency", "labour-per-hour", "labour-step", "tax", "terms", "dates", "numbers", "care", "contact"];
    match () {
        () if has(&["halfsplit"]) || (has(&["unit"]) && some(&card) > 0) => Some("a job card"),
        () if has(&["board"]) && some(&["parts", "supply", "ground", "signal"]) > 0 => Some("a board"),
        () if has(&["parts", "ground"]) => Some("a board"),
        () if has(&["pack"]) => Some("a rule pack"),
        () if some(&["devices", "kinds", "shapes", "drawn", "roles", "places", "outline", "frame"]) > 0 => {
            Some("a file of the rules")
        }
        () if some(&shop) >= 2 || (has(&["name"]) && some(&shop) > 0) => Some("a shop's settings"),
        () => None,
    }
}

/// The keys of the outermost map: as the reader of such files has them, else the words before a colon at the start of a line.
fn root_keys(text: &str) -> Vec<String> {
    if text.len() <= MAX_BYTES
        && let Ok(document) = parse(&Source::new("", text))
    {
        return match document.root.value {
            Value::Map(entries) => entries.into_iter().map(|(k, _)| k.value).collect(),
            _ => Vec::new(),
        };
    }
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    let key = |line: &str| {
        let line = line.trim_start_matches(['{', '\u{feff}']).trim_start_matches(['"', '\'']);
        let end = line.find(|c: char| !plain(c))?;
        let rest = line[end..].trim_start_matches(['"', '\'']);
        (end > 0 && rest.starts_with(':')).then(|| line[..end].to_string())
    };
    text.lines().filter_map(key).collect()
}

impl From<StoreError> for Failure {
    fn from(e: StoreError) -> Self {
        match e {
            StoreError::Text(complaints) => Self::Complaints(complaints),
            StoreError::Missing { .. }
            | StoreError::Exists { .. }
            | StoreError::NotAFile { .. }
            | StoreError::IdlePipe { .. } => Self::Input(e.to_string()),
            _ => Self::System(e.to_string()),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn is(text: &str) -> Option<&'static str> {
        kind(text, Path::new("some.file"))
    }

    #[test]
    fn every_shipped_file_is_known_for_what_it_is() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        for (folder, wanted) in [
            ("cases", "a job card"),
            ("cases/boards", "a board"),
            ("cases/shops", "a shop's settings"),
            ("rules/packs", "a rule pack"),
            ("rules/devices", "a file of the rules"),
            ("rules/parts", "a file of the rules"),
            ("src/summary/templates", "a template"),
        ] {
            for entry in std::fs::read_dir(root.join(folder)).unwrap() {
                let path = entry.unwrap().path();
                if path.is_file() {
                    let text = std::fs::read_to_string(&path).unwrap();
                    assert_eq!(kind(&text, &path), Some(wanted), "{}", path.display());
                    assert!(!is_ours(&text), "{}", path.display());
                }
            }
        }
    }

    #[test]
    fn broken_and_odd_files_are_known_too() {
        assert_eq!(is("unit: A\nhistory: [\n"), Some("a job card"));
        assert_eq!(is("{\"unit\": \"A\", \"history\": \"fresh-build\"}"), Some("a job card"));
        assert_eq!(is("\u{feff}halfsplit: 9\nfuture: {}\n"), Some("a job card"));
        assert_eq!(is("board: A\nparts:\n\tR1: x\n"), Some("a board"));
        assert_eq!(is("pack: mine\n: :\n"), Some("a rule pack"));
        assert_eq!(is("FAULT SUMMARY\n\nunit: no key of a map, this\n"), None);
        assert_eq!(is(""), None);
    }

    #[test]
    fn what_is_written_is_known_as_ours_where_it_can_be() {
        for form in [Form::Markdown, Form::Html, Form::Yaml, Form::Page, Form::Netlist] {
            assert!(is_ours(&marked(&"x\n".repeat(9000), form)), "{form:?}");
        }
        assert!(is_ours("{\n\"halfsplit_statistics\": 1,\n"));
        assert!(
            !is_ours(&format!("{}{MARK}{}", "x\n".repeat(9000), "y\n".repeat(9000))),
            "in the middle it is only text"
        );
        assert!(!is_ours("my notes"));
    }
}
