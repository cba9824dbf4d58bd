//! YAML text to a tree of values with places.

use super::complaint::{Complaint, Complaints, Place};
use super::nearest::or_nearest;
use saphyr_parser::{Event, Parser, Span as RawSpan};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::OnceLock;

/// Largest file read, in bytes.
pub const MAX_BYTES: usize = 4 * 1024 * 1024;
/// Deepest nesting of lists and maps.
pub const MAX_DEPTH: usize = 48;

/// A file's name (as shown in messages) and its text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// Name shown in messages; need not exist on disk.
    pub name: String,
    /// The whole text; it stays as it was made.
    pub text: String,
    starts: Starts,
}

/// Where the lines of a text start, found when first asked for.
#[derive(Clone, Debug, Default)]
struct Starts(OnceLock<Vec<usize>>);

/// It follows from the text, and makes no difference between two sources.
impl PartialEq for Starts {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for Starts {}

impl Source {
    /// A source from text already in hand.
    pub fn new(name: impl Into<String>, text: impl Into<String>) -> Self {
        Self { name: name.into(), text: text.into(), starts: Starts::default() }
    }

    /// A source from bytes as read from a file.
    ///
    /// # Errors
    /// A complaint when the bytes are more than [`MAX_BYTES`] or not UTF-8 (names the line).
    pub fn from_bytes(name: impl Into<String>, bytes: Vec<u8>) -> Result<Self, Complaints> {
        let name = name.into();
        if bytes.len() > MAX_BYTES {
            return Err(too_large(&name, bytes.len() as u64));
        }
        String::from_utf8(bytes).map(|text| Self::new(name.clone(), text)).map_err(|e| {
            let good = e.utf8_error().valid_up_to();
            let line = e.as_bytes()[..good].iter().filter(|b| **b == b'\n').count() + 1;
            Complaint::nowhere("not-utf8", format!("{name}:{line}: not valid UTF-8 text"))
                .help("save the file with UTF-8 encoding")
                .into()
        })
    }

    /// Line and column (from 1, columns in characters) of a byte offset.
    pub fn line_column(&self, at: usize) -> (usize, usize) {
        let mut at = at.min(self.text.len());
        while !self.text.is_char_boundary(at) {
            at -= 1;
        }
        let starts = self.starts.0.get_or_init(|| {
            std::iter::once(0).chain(self.text.match_indices('\n').map(|(end, _)| end + 1)).collect()
        });
        let line = starts.partition_point(|start| *start <= at);
        let column = self.text.get(starts[line - 1]..at).map_or(0, |before| before.chars().count()) + 1;
        (line, column)
    }
}

/// The complaint about a file of so many bytes.
pub fn too_large(name: &str, bytes: u64) -> Complaints {
    let message = format!("{name} has {bytes} bytes, more than the {MAX_BYTES} that a file may have");
    Complaint::nowhere("too-large", message).help("split it into smaller files").into()
}

/// Bytes `start..end` of a source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span {
    /// First byte.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

/// A scalar as written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scalar {
    /// The text without quotes.
    pub text: String,
    /// Whether it stood without quotes (only then may it be a number, a truth value or null).
    pub plain: bool,
}

/// What a node holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Value {
    /// Text, number, truth value or nothing.
    Scalar(Scalar),
    /// A list.
    List(Vec<Node>),
    /// A map in the order written; keys are unique.
    Map(Vec<(At, Node)>),
}

/// A map key with its span.
pub type At = super::decode::At<String>;

/// A value with its span.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Node {
    /// Where it stands.
    pub span: Span,
    /// What it is.
    pub value: Value,
}

impl Node {
    /// Whether nothing was written (`key:` alone, `~` or `null`).
    pub fn is_null(&self) -> bool {
        matches!(&self.value, Value::Scalar(s) if s.plain && matches!(s.text.as_str(), "" | "~" | "null"))
    }

    /// The entry of a map.
    pub fn get(&self, key: &str) -> Option<&Node> {
        match &self.value {
            Value::Map(entries) => entries.iter().find(|(k, _)| k.value == key).map(|(_, v)| v),
            _ => None,
        }
    }

    /// What it is, in a reader's words: `a map`, `a list`, `nothing` or the text in quotes.
    pub fn describe(&self) -> String {
        match &self.value {
            Value::Map(_) => "a map".into(),
            Value::List(_) => "a list".into(),
            Value::Scalar(_) if self.is_null() => "nothing".into(),
            Value::Scalar(s) => {
                let short: String = s.text.chars().take(40).collect();
                format!("'{short}{}'", if short.len() < s.text.len() { "…" } else { "" })
            }
        }
    }
}

/// A parsed file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Document {
    /// The file.
    pub file: Arc<Source>,
    /// Its root value.
    pub root: Node,
}

impl Document {
    /// A place in this file.
    pub fn place(&self, span: Span) -> Place {
        Place { file: self.file.clone(), span }
    }
}

/// Reads YAML into a tree. An empty file is an empty map.
///
/// # Errors
/// Syntax errors, duplicate keys (all of them), anchors, aliases, tags, a second document,
/// nesting over [`MAX_DEPTH`], size over [`MAX_BYTES`].
pub fn parse(source: &Source) -> Result<Document, Complaints> {
    let file = Arc::new(source.clone());
    if source.text.len() > MAX_BYTES {
        return Err(too_large(&source.name, source.text.len() as u64));
    }
    let mut builder = Builder::new(file.clone());
    let root = builder.run(&spaces_behind_colons(&source.text))?;
    builder.complaints.or_ok(Document { file, root })
}

/// Tabs that part a key from its value are turned into spaces, since the parser takes none there though YAML does. Tabs inside
/// texts stay. Each costs a pass over the text in front of it; so large files, and files with very many, keep theirs.
fn spaces_behind_colons(text: &str) -> Cow<'_, str> {
    const MOST_TABS: usize = 64;
    const MOST_BYTES: usize = 100_000;
    if text.len() > MOST_BYTES || !text.contains(":\t") {
        return Cow::Borrowed(text);
    }
    let mut text = text.to_owned();
    for _ in 0..MOST_TABS {
        let Some(e) = Parser::new_from_str(&text).find_map(Result::err) else { break };
        let at = text.char_indices().nth(e.marker().index()).map_or(text.len(), |(i, _)| i);
        let colon = text[..at].rfind(":\t").filter(|_| e.info().contains(NO_SPACE));
        // The parser stops at the tab or just behind it.
        let Some(colon) = colon.filter(|colon| at - colon <= 2) else { break };
        text.replace_range(colon + 1..colon + 2, " ");
    }
    Cow::Owned(text)
}

/// What the parser says of a colon without a space behind it.
const NO_SPACE: &str = "must be followed by a valid YAML whitespace";

struct Open {
    span: Span,
    kind: OpenKind,
}

enum OpenKind {
    List(Vec<Node>),
    Map(Entries),
}

/// A map that is being read.
#[derive(Default)]
struct Entries {
    entries: Vec<(At, Node)>,
    /// The key whose value comes next; nothing where a key comes next.
    key: Option<At>,
    /// Whether that key stood here before.
    again: bool,
    /// Where each key stands.
    seen: BTreeMap<String, Span>,
}

struct Builder {
    file: Arc<Source>,
    offsets: Option<Vec<usize>>,
    stack: Vec<Open>,
    root: Option<Node>,
    complaints: Complaints,
}

impl Builder {
    fn new(file: Arc<Source>) -> Self {
        let offsets = (!file.text.is_ascii())
            .then(|| file.text.char_indices().map(|(i, _)| i).chain([file.text.len()]).collect());
        Self { file, offsets, stack: Vec::new(), root: None, complaints: Complaints::default() }
    }

    fn byte(&self, index: usize) -> usize {
        match &self.offsets {
            Some(offsets) => offsets.get(index).copied().unwrap_or(self.file.text.len()),
            None => index.min(self.file.text.len()),
        }
    }

    fn span(&self, raw: RawSpan) -> Span {
        let start = self.byte(raw.start.index());
        let end = self.byte(raw.end.index()).max(start);
        let end = start + self.file.text[start..end].trim_end().len();
        Span { start, end }
    }

    fn fail(&mut self, code: &'static str, span: Span, message: &str, help: &str) -> Complaints {
        let place = Place { file: self.file.clone(), span };
        self.complaints.0.push(Complaint::at(code, place, message).help(help));
        self.complaints.sort();
        std::mem::take(&mut self.complaints)
    }

    fn run(&mut self, text: &str) -> Result<Node, Complaints> {
        let mut documents = 0;
        for next in Parser::new_from_str(text) {
            let (event, raw) = match next {
                Ok(pair) => pair,
                Err(e) => {
                    let at = self.byte(e.marker().index());
                    let span = Span { start: at, end: at };
                    let (message, help) = explain(e.info(), text, at);
                    return Err(self.fail("bad-yaml", span, &message, help));
                }
            };
            let span = self.span(raw);
            match event {
                Event::DocumentStart(_) => {
                    documents += 1;
                    if documents > 1 {
                        return Err(self.fail(
                            "second-document",
                            span,
                            "a second document starts here",
                            "keep one document in a file; remove the '---' line",
                        ));
                    }
                }
                Event::Alias(_) => {
                    return Err(self.fail(
                        "alias",
                        span,
                        "aliases are not used in these files",
                        "write the value out in full",
                    ));
                }
                Event::Scalar(text, style, anchor, tag) => {
                    self.plain_only(span, anchor, tag.is_some())?;
                    let plain = style == saphyr_parser::ScalarStyle::Plain;
                    self.add(Node { span, value: Value::Scalar(Scalar { text: text.into_owned(), plain }) })?;
                }
                Event::SequenceStart(anchor, tag) => {
                    self.plain_only(span, anchor, tag.is_some())?;
                    self.open(span, OpenKind::List(Vec::new()))?;
                }
                Event::MappingStart(anchor, tag) => {
                    self.plain_only(span, anchor, tag.is_some())?;
                    self.open(span, OpenKind::Map(Entries::default()))?;
                }
                Event::SequenceEnd | Event::MappingEnd => self.close(span)?,
                _ => {}
            }
        }
        let empty = Node { span: Span::default(), value: Value::Map(Vec::new()) };
        let root = self.root.take().unwrap_or(empty.clone());
        Ok(if root.is_null() { empty } else { root })
    }

    fn plain_only(&mut self, span: Span, anchor: usize, tagged: bool) -> Result<(), Complaints> {
        if anchor > 0 {
            return Err(self.fail(
                "anchor",
                span,
                "anchors are not used in these files",
                "write the value out in full where it is needed",
            ));
        }
        if tagged {
            return Err(self.fail(
                "tag",
                span,
                "tags are not used in these files",
                "remove the '!…' before the value",
            ));
        }
        Ok(())
    }

    fn open(&mut self, span: Span, kind: OpenKind) -> Result<(), Complaints> {
        if self.stack.len() >= MAX_DEPTH {
            let message = format!("nested more than {MAX_DEPTH} deep");
            return Err(self.fail(
                "too-deep",
                span,
                &message,
                "no file of this kind needs that; check the brackets",
            ));
        }
        self.stack.push(Open { span, kind });
        Ok(())
    }

    fn close(&mut self, end: Span) -> Result<(), Complaints> {
        let Some(open) = self.stack.pop() else { return Ok(()) };
        let flow = self.file.text[open.span.start..].starts_with(['{', '[']);
        // A block ends with its last entry; the parser only notices at the next one.
        let last = match &open.kind {
            OpenKind::List(items) => items.last().map(|n| n.span.end),
            OpenKind::Map(map) => map.entries.last().map(|(k, n)| n.span.end.max(k.span.end)),
        };
        // The parser lets a closing bracket reach over the blanks and the comment behind it.
        let bracket = self.file.text[end.start..].starts_with(['}', ']']);
        let flow_end = if bracket { end.start + 1 } else { end.end };
        let end = if flow { flow_end } else { last.unwrap_or(open.span.end) };
        let span = Span { start: open.span.start, end: end.max(open.span.start) };
        let value = match open.kind {
            OpenKind::List(items) => Value::List(items),
            OpenKind::Map(map) => Value::Map(map.entries),
        };
        self.add(Node { span, value })
    }

    fn add(&mut self, node: Node) -> Result<(), Complaints> {
        match self.stack.last_mut().map(|open| &mut open.kind) {
            None => self.root = Some(node),
            Some(OpenKind::List(items)) => items.push(node),
            Some(OpenKind::Map(map)) if map.key.is_none() => {
                let Value::Scalar(scalar) = node.value else {
                    return Err(self.fail(
                        "bad-key",
                        node.span,
                        "a key must be a plain word",
                        "write 'name: value'",
                    ));
                };
                let first = map.seen.get(&scalar.text).copied();
                map.again = first.is_some();
                map.seen.entry(scalar.text.clone()).or_insert(node.span);
                map.key = Some(At { value: scalar.text.clone(), span: node.span });
                if let Some(first) = first {
                    let (line, _) = self.file.line_column(first.start);
                    let place = Place { file: self.file.clone(), span: node.span };
                    if self.complaints.is_full() {
                        self.complaints.0.push(Complaint::and_more(place));
                        self.complaints.sort();
                        return Err(std::mem::take(&mut self.complaints));
                    }
                    let message =
                        format!("'{}' is here a second time; the first is on line {line}", scalar.text);
                    self.complaints.0.push(
                        Complaint::at("duplicate-key", place, message)
                            .help("keep one of the two, or give one another name"),
                    );
                }
            }
            Some(OpenKind::Map(map)) => {
                if let Some(name) = map.key.take()
                    && !map.again
                {
                    map.entries.push((name, node));
                }
            }
        }
        Ok(())
    }
}

/// The parser's message in plain words, with advice for the usual slips.
fn explain(info: &str, text: &str, at: usize) -> (String, &'static str) {
    if info.contains("recursion limit") {
        return (
            format!("nested more than {MAX_DEPTH} deep"),
            "no file of this kind needs that; check the brackets",
        );
    }
    let line = text[..at.min(text.len())].rsplit('\n').next().unwrap_or("");
    let rest = text[at.min(text.len())..].split('\n').next().unwrap_or("");
    let help =
        if info.contains("tab") || line.trim_start_matches(' ').starts_with('\t') || rest.starts_with('\t') {
            "indent with spaces, not with tabs"
        } else if info.contains(NO_SPACE) {
            "put a space behind the ':'"
        } else if info.contains("mapping values") {
            "put quotes round a text that holds ': '"
        } else {
            "check the indentation, the quotes and the brackets above this place"
        };
    (format!("this is not valid YAML: {info}"), help)
}

/// Complaint about an unknown name at a place, with the nearest valid one.
pub(super) fn unknown<'a>(
    place: Place,
    what: &str,
    name: &str,
    valid: impl IntoIterator<Item = &'a str>,
) -> Complaint {
    let short: String = name.chars().take(60).collect();
    Complaint::at("unknown-name", place, format!("unknown {what} '{short}'")).help(or_nearest(name, valid))
}
