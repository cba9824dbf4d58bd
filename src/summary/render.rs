//! Model to paper: templates, escaping, wrapping.
//!
//! Every text is made harmless first ([`crate::text::inert`]); what a template prints is then escaped for its format:
//! HTML by entities, Markdown by backslashes, plain text as it is, broken at 80 columns. Only the drawings go in as they
//! are; they escape their own texts.

use super::model::Summary;
use super::pictures;
use crate::text::{inert, or_nearest};
use minijinja::machinery::{Span, Token, tokenize};
use minijinja::syntax::SyntaxConfig;
use minijinja::value::Kwargs;
use minijinja::{
    AutoEscape, Environment, Error, ErrorKind, State, UndefinedBehavior, Value, escape_formatter,
};
use std::collections::BTreeMap;
use std::sync::mpsc;
use std::time::Duration;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// Columns of plain text.
pub const COLUMNS: usize = 80;

/// Largest template, in bytes.
pub const MAX_TEMPLATE: usize = 256 * 1024;

/// Work that a template may make for every summary: one unit is one instruction or 64 bytes of text made, so that this bounds
/// time and memory alike (64 MB of text).
const FUEL: u64 = 1_000_000;

/// Further units for each byte of the summary's own data: a long job may fill a long paper. The built-in templates use less than
/// half of it.
const FUEL_A_BYTE: u64 = 4;

/// How deep macros, includes and blocks may stand in each other; an include counts for ten.
const MAX_NESTING: usize = 200;

/// Widest column that `pad` and `padl` fill.
const MAX_COLUMN: usize = 500;

/// Most signs, words and numbers in one tag of a template: the reader goes one level deeper for every operator in a row.
const MAX_TAG: usize = 2_000;

/// Most lines of a template, and most bytes of a line: the engine counts both with 16 bits.
const MAX_LINES: usize = 65_000;

/// Stack for working with a template, bytes; an `elif` takes one level of it. The system gives memory only for what is used.
const STACK: usize = 256 * 1024 * 1024;

/// The longest that a template may take, whatever else bounds it.
const LONGEST: Duration = Duration::from_secs(20);

/// Who reads it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Audience {
    /// The owner of the unit.
    Customer,
    /// Whoever works on it next.
    Bench,
}

impl Audience {
    /// Its word on the command line, and the stem of its templates.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Customer => "customer",
            Self::Bench => "bench",
        }
    }
}

/// How it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// Plain text of 80 columns.
    Text,
    /// Markdown.
    Markdown,
    /// One HTML file with everything in it.
    Html,
}

impl Format {
    /// The ending of its templates.
    pub const fn ending(self) -> &'static str {
        match self {
            Self::Text => "txt",
            Self::Markdown => "md",
            Self::Html => "html",
        }
    }
}

/// Why a summary could not be put on paper.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SummaryError {
    /// A template is at fault.
    #[error("{file}:{line}: {message}")]
    Template {
        /// Its file name.
        file: String,
        /// The line, from 1; 0 where it is not known.
        line: usize,
        /// What is wrong, with the piece of the template.
        message: String,
    },
    /// A file that is no template of a summary.
    #[error("no template is called '{name}'; {help}")]
    UnknownTemplate {
        /// The name given.
        name: String,
        /// The nearest valid one.
        help: String,
    },
    /// The model could not be handed to the templates.
    #[error("the summary can't be read by its templates: {0}")]
    Model(String),
}

const BUILTIN: [(&str, &str); 8] = [
    ("customer.html", include_str!("templates/customer.html")),
    ("customer.md", include_str!("templates/customer.md")),
    ("customer.txt", include_str!("templates/customer.txt")),
    ("bench.html", include_str!("templates/bench.html")),
    ("bench.md", include_str!("templates/bench.md")),
    ("bench.txt", include_str!("templates/bench.txt")),
    ("page.css", include_str!("templates/page.css")),
    ("parts.html", include_str!("templates/parts.html")),
];

/// The templates: the built-in ones, each of which a shop may replace.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Templates {
    files: BTreeMap<String, String>,
}

impl Templates {
    /// The built-in ones.
    pub fn builtin() -> Self {
        Self { files: BUILTIN.iter().map(|(name, text)| ((*name).into(), (*text).into())).collect() }
    }

    /// The same with one replaced.
    ///
    /// # Errors
    /// [`SummaryError::UnknownTemplate`]; [`SummaryError::Template`] for one of more than [`MAX_TEMPLATE`] bytes.
    pub fn with(mut self, name: &str, text: &str) -> Result<Self, SummaryError> {
        if text.len() > MAX_TEMPLATE {
            let message =
                format!("{} bytes, more than the {MAX_TEMPLATE} that a template may have", text.len());
            return Err(SummaryError::Template { file: name.into(), line: 1, message });
        }
        match self.files.get_mut(name) {
            Some(file) => *file = text.into(),
            None => {
                let help = or_nearest(name, self.files.keys().map(String::as_str));
                return Err(SummaryError::UnknownTemplate { name: name.into(), help });
            }
        }
        Ok(self)
    }

    /// Name and text of each, by name.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &str)> {
        self.files.iter().map(|(name, text)| (name.as_str(), text.as_str()))
    }
}

/// Puts a summary on paper.
///
/// # Errors
/// [`SummaryError::Template`] with file and line where a template is at fault.
pub fn render(
    summary: &Summary,
    audience: Audience,
    format: Format,
    templates: &Templates,
) -> Result<String, SummaryError> {
    let mut model = serde_json::to_value(summary).map_err(|e| SummaryError::Model(e.to_string()))?;
    inert::all(&mut model);
    let fuel = FUEL + FUEL_A_BYTE * model.to_string().len() as u64;
    let name = format!("{}.{}", audience.name(), format.ending());
    let (pictures, files) = (summary.pictures.clone(), templates.clone());
    let text = on_its_own(move || {
        let mut env = environment();
        env.set_fuel(Some(fuel));
        draw(&mut env, pictures);
        for (name, text) in files.iter() {
            sober(name, text)?;
            env.add_template(name, text).map_err(|e| told(&e, &files))?;
        }
        let template = env.get_template(&name).map_err(|e| told(&e, &files))?;
        template.render(Value::from(minijinja::value::Serde(&model))).map_err(|e| told(&e, &files))
    })?;
    Ok(match format {
        Format::Text => tidy(&text.lines().map(|l| fold(l, COLUMNS)).collect::<Vec<_>>().join("\n")),
        Format::Markdown | Format::Html => tidy(&text),
    })
}

/// Works with templates on a stack of their own, and not for ever. Where the time is up the work is left to itself; it ends with the
/// process, or when its fuel does.
fn on_its_own(
    work: impl FnOnce() -> Result<String, SummaryError> + Send + 'static,
) -> Result<String, SummaryError> {
    let failed = |message: String| SummaryError::Template { file: "template".into(), line: 0, message };
    let (sender, result) = mpsc::channel();
    let thread = std::thread::Builder::new().stack_size(STACK).spawn(move || {
        // Nobody listens any more where the time was up.
        let _ = sender.send(work());
    });
    if let Err(e) = thread {
        return Err(failed(format!("there is no memory to work with it: {e}")));
    }
    match result.recv_timeout(LONGEST) {
        Ok(result) => result,
        Err(mpsc::RecvTimeoutError::Timeout) => {
            Err(failed(format!("it takes more than {} seconds", LONGEST.as_secs())))
        }
        Err(mpsc::RecvTimeoutError::Disconnected) => Err(failed("it can't be worked with".into())),
    }
}

/// White space as a writer of templates expects it: a tag alone on its line leaves no line.
fn syntax() -> SyntaxConfig {
    SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build().unwrap_or_default()
}

/// Refuses what would cost the engine too much before it charges for anything: endless lines and tags, and `+` but with a plain
/// number behind it. The engine joins lists with it at no charge, and lists joined to themselves a few dozen times fill any memory.
fn sober(name: &str, text: &str) -> Result<(), SummaryError> {
    let refuse =
        |line: usize, message: String| Err(SummaryError::Template { file: name.into(), line, message });
    for (i, line) in text.split('\n').enumerate() {
        if i >= MAX_LINES {
            return refuse(i + 1, format!("more than {MAX_LINES} lines"));
        }
        if line.len() > MAX_LINES {
            return refuse(i + 1, format!("a line of more than {MAX_LINES} bytes; break it"));
        }
    }
    // What the tokenizer takes ill the engine takes ill too, with better words.
    let tokens: Vec<_> = tokenize(text, false, syntax()).map_while(Result::ok).collect();
    let mut start = 0;
    for (i, (token, span)) in tokens.iter().enumerate() {
        let line = usize::from(span.start_line);
        match token {
            Token::TemplateData(_) | Token::VariableStart | Token::BlockStart => start = i,
            _ if i - start > MAX_TAG => {
                return refuse(
                    line,
                    format!("a tag of more than {MAX_TAG} words and signs; use 'set' for its pieces"),
                );
            }
            Token::Plus if !is_plain_sum(&tokens[i + 1..]) => {
                let message = "'+' is for plain numbers: write 'a + 1', 'a | plus(b)', or 'a ~ b' for texts";
                return refuse(line, message.into());
            }
            _ => {}
        }
    }
    Ok(())
}

/// Whether behind a `+` stands a number and nothing that binds it closer.
fn is_plain_sum(behind: &[(Token<'_>, Span)]) -> bool {
    use Token::{BracketOpen, Div, Dot, FloorDiv, Mod, Mul, ParenOpen, Pipe, Pow};
    let number = |t: &Token<'_>| matches!(t, Token::Int(_) | Token::Int128(_) | Token::Float(_));
    let binds =
        |t: &Token<'_>| matches!(t, Mul | Pow | Div | FloorDiv | Mod | Dot | Pipe | BracketOpen | ParenOpen);
    behind.first().is_some_and(|(t, _)| number(t)) && behind.get(1).is_none_or(|(t, _)| !binds(t))
}

fn environment<'a>() -> Environment<'a> {
    let mut env = Environment::new();
    env.set_undefined_behavior(UndefinedBehavior::Strict);
    env.set_syntax(syntax());
    env.set_debug(true);
    env.set_recursion_limit(MAX_NESTING);
    env.set_auto_escape_callback(|name| match name.rsplit('.').next() {
        Some("html") => AutoEscape::Html,
        Some("md") => AutoEscape::Custom("md".into()),
        _ => AutoEscape::Custom("text".into()),
    });
    env.set_formatter(|out, state, value| {
        let kind = match state.auto_escape() {
            AutoEscape::Custom(kind) => kind.to_string(),
            _ => return escape_formatter(out, state, value),
        };
        if value.is_undefined() {
            return Err(Error::from(ErrorKind::UndefinedError));
        }
        let text = value.to_string();
        let text = if kind == "md" && !value.is_safe() { markdown(&text) } else { text };
        out.write_str(&text).map_err(|_| Error::new(ErrorKind::WriteFailure, "the text can't be written"))
    });
    env.add_filter("pad", |state: &State, text: &str, width: Value| -> Result<String, Error> {
        Ok(format!("{text}{}", blanks(state, text, &width)?))
    });
    env.add_filter("padl", |state: &State, text: &str, width: Value| -> Result<String, Error> {
        Ok(format!("{}{text}", blanks(state, text, &width)?))
    });
    env.add_filter("under", |state: &State, text: &str, kwargs: Kwargs| -> Result<Value, Error> {
        let mark: Option<String> = kwargs.get("with")?;
        let mark = mark.unwrap_or_else(|| "-".into());
        kwargs.assert_all_used()?;
        if mark.chars().count() != 1 {
            return Err(Error::new(ErrorKind::InvalidOperation, "'under' wants one sign after with="));
        }
        let columns = text.width();
        state.consume_fuel((columns * mark.len()) as u64)?;
        Ok(Value::from_safe_string(format!("{text}\n{}", mark.repeat(columns))))
    });
    env.add_filter("plus", |a: f64, b: f64| number(a + b));
    env.add_filter("sum", |state: &State, values: Value, kwargs: Kwargs| -> Result<Value, Error> {
        let attribute: Option<String> = kwargs.get("attribute")?;
        kwargs.assert_all_used()?;
        let mut sum = 0.0;
        for value in values.try_iter()? {
            state.consume_fuel(1)?;
            let value = match &attribute {
                Some(name) => value.get_attr(name)?,
                None => value,
            };
            sum += f64::try_from(value)?;
        }
        Ok(number(sum))
    });
    // The one joins lists as '+' does, at no charge; the other carries what has grown from one turn of a loop to the next.
    env.remove_filter("chain");
    env.remove_global("namespace");
    env.add_filter("stop", |text: &str| super::words::sentence(text));
    env.add_filter("small", |text: &str| super::words::lower(text));
    env
}

/// A number without a point where it is whole.
fn number(x: f64) -> Value {
    if x.fract() == 0.0 && x.abs() < 9e15 { Value::from(x as i64) } else { Value::from(x) }
}

/// What fills a text up to a column.
fn blanks(state: &State, text: &str, width: &Value) -> Result<String, Error> {
    let wide = width.as_usize().filter(|w| *w <= MAX_COLUMN).ok_or_else(|| {
        let message = format!("a column is a whole number from 0 to {MAX_COLUMN} wide, not {width}");
        Error::new(ErrorKind::InvalidOperation, message)
    })?;
    state.consume_fuel(wide as u64)?;
    Ok(" ".repeat(wide.saturating_sub(text.width())))
}

/// The drawings, as functions of a template.
fn draw(env: &mut Environment<'_>, p: pictures::Pictures) {
    let drawing = |text: String| Value::from_safe_string(text);
    let path = p.path.clone().map_or_else(String::new, |path| pictures::draw_path("path", &path));
    env.add_function("draw_path", move || drawing(path.clone()));
    let dots = if p.dots.is_empty() { String::new() } else { pictures::draw_dots("dots", &p.dots) };
    env.add_function("draw_dots", move || drawing(dots.clone()));
    let history = p.history.as_ref().map_or_else(String::new, |h| pictures::draw_history("history", h));
    env.add_function("draw_history", move || drawing(history.clone()));
    let bars = [true, false]
        .map(|plain| pictures::draw_bars(if plain { "plain-bars" } else { "bars" }, &p.bars, plain));
    env.add_function("draw_bars", move |plain: bool| drawing(bars[usize::from(!plain)].clone()));
}

/// What is wrong with a template, where, with the piece of it.
fn told(error: &Error, templates: &Templates) -> SummaryError {
    let mut deepest = error;
    let mut source = std::error::Error::source(error);
    while let Some(inner) = source {
        if let Some(e) = inner.downcast_ref::<Error>()
            && e.name().is_some()
        {
            deepest = e;
        }
        source = inner.source();
    }
    let file = deepest.name().unwrap_or("template").to_string();
    let piece = deepest
        .range()
        .and_then(|r| templates.files.get(&file)?.get(r))
        .map(|p| p.split_whitespace().collect::<Vec<_>>().join(" "))
        .filter(|p| !p.is_empty() && p.len() < 120);
    let what = match deepest.kind() {
        ErrorKind::UndefinedError => "the summary has no such field".to_string(),
        ErrorKind::OutOfFuel => "the template runs without end, or makes too much text".to_string(),
        kind => deepest.detail().map_or_else(|| kind.to_string(), str::to_string),
    };
    let message = match piece {
        Some(piece) => format!("{what}: {piece}"),
        None => what,
    };
    SummaryError::Template { file, line: deepest.line().unwrap_or(0), message }
}

/// A text that Markdown takes as text, wherever in a line it stands.
///
/// Every ASCII mark that can start a construct (CommonMark 0.31, 2.4: any ASCII punctuation may be escaped) gets a
/// backslash; so do the marks of tables, strikethrough, bare links and mathematics that common viewers add. At the start, where
/// a list or heading could begin, so do `-`, `+`, `=` and the mark behind a number.
pub(super) fn markdown(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 8);
    let leading = text.chars().take_while(char::is_ascii_digit).count();
    let chars: Vec<char> = text.chars().collect();
    for (i, c) in chars.iter().enumerate() {
        let link = |mark: &str| {
            chars[..i].iter().rev().take(mark.len()).rev().collect::<String>().eq_ignore_ascii_case(mark)
        };
        let escape = match c {
            '\\' | '`' | '*' | '_' | '[' | ']' | '<' | '>' | '|' | '~' | '$' | '&' | '#' | '{' | '}' => true,
            '!' => chars.get(i + 1) == Some(&'['),
            '-' | '+' | '=' => i == 0,
            '.' | ')' if leading > 0 && i == leading => chars.get(i + 1).is_none_or(|c| *c == ' '),
            ':' => chars.get(i + 1) == Some(&'/') || link("mailto") || link("xmpp"),
            '.' => link("www"),
            _ => false,
        };
        if escape {
            out.push('\\');
        }
        // An address would become a link in some viewers.
        if *c == '@' { out.push_str("&#64;") } else { out.push(*c) }
    }
    out
}

/// A line broken at `width` columns. What follows stands under the text behind a list mark or a quotation mark, or behind the last gap of two
/// spaces and more in the first half of the width; else under the line's start.
pub(super) fn fold(line: &str, width: usize) -> String {
    let line = line.trim_end();
    if line.width() <= width {
        return line.into();
    }
    let indent = line.len() - line.trim_start().len();
    let mut hang = indent;
    if line[indent..].starts_with("- ") {
        hang = indent + 2;
    } else if line[indent..].starts_with('"') {
        hang = indent + 1;
    } else {
        // The last of them: behind a row's columns.
        let bytes = line.as_bytes();
        for i in indent + 2..line.len().min(width / 2) {
            if bytes[i] != b' ' && bytes[i - 1] == b' ' && bytes[i - 2] == b' ' {
                hang = line[..i].width();
            }
        }
    }
    // A text that begins at the far side would have no room.
    let hang = hang.min(width / 2);
    let mut out = String::new();
    let mut now = String::new();
    let lead = byte_at(line, hang);
    now.push_str(&line[..lead]);
    let mut used = hang;
    let mut fresh = true;
    for word in line[lead..].split(' ') {
        let mut word = word;
        let needed = word.width() + usize::from(!fresh);
        if used + needed > width && !fresh {
            out.push_str(now.trim_end());
            out.push('\n');
            now = " ".repeat(hang);
            used = hang;
            fresh = true;
        }
        // A word longer than a line is cut.
        while used + word.width() > width && fresh {
            let cut = byte_at(word, width - used);
            let cut = if cut == 0 { word.chars().next().map_or(word.len(), char::len_utf8) } else { cut };
            out.push_str(&now);
            out.push_str(&word[..cut]);
            out.push('\n');
            now = " ".repeat(hang);
            word = &word[cut..];
            used = hang;
        }
        if !fresh {
            now.push(' ');
            used += 1;
        }
        now.push_str(word);
        used += word.width();
        fresh = false;
    }
    out.push_str(now.trim_end());
    out
}

/// The byte at which so many columns are full.
fn byte_at(text: &str, columns: usize) -> usize {
    let mut used = 0;
    for (i, c) in text.char_indices() {
        used += c.width().unwrap_or(0);
        if used > columns {
            return i;
        }
    }
    text.len()
}

/// No white space at line ends, never two blank lines, one line end at the end.
fn tidy(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut blank = true;
    for line in text.lines() {
        let line = line.trim_end();
        if line.is_empty() && blank {
            continue;
        }
        blank = line.is_empty();
        out.push_str(line);
        out.push('\n');
    }
    out.truncate(out.trim_end().len());
    out.push('\n');
    out
}
