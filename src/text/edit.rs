//! Changes to a YAML text that leave every other byte as the user wrote it.
//!
//! A file that a person keeps by hand is never written anew from values: that would lose comments,
//! order and layout. Instead one list item or one map entry is put in as text at the right place, and
//! the result is read again to prove that it says what was meant.

use super::decode::At;
use super::document::{Document, MAX_BYTES, Node, Source, Span, Value, parse};
use super::emit::inline;

/// Why an edit could not be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum EditError {
    /// The key exists but holds no list (or no map).
    #[error("'{key}' on line {line} is not {wanted}")]
    WrongShape {
        /// The key.
        key: String,
        /// Its line.
        line: usize,
        /// `a list` or `a map`.
        wanted: &'static str,
    },
    /// The edited text does not read back as meant; nothing was changed.
    #[error(
        "the text around line {line} is laid out in a way that '{key}' can't be changed in safely, so nothing was; \
         write '{key}:' at the start of a line of its own at the end of the file, what it holds indented below it, and try again"
    )]
    Layout {
        /// The key that was to change.
        key: String,
        /// The line.
        line: usize,
    },
    /// The edited text would be more than a file may have; nothing was changed.
    #[error(
        "with this the file would have {bytes} bytes, more than the {MAX_BYTES} that a file may have; begin a new one"
    )]
    TooLarge {
        /// How many bytes it would have.
        bytes: usize,
    },
}

/// How pieces are put into a text: as YAML, or as JSON where all of it is JSON and should stay so.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    /// YAML.
    Yaml,
    /// JSON.
    Json,
}

impl Style {
    /// The style of a text.
    pub fn of(text: &str) -> Self {
        let json =
            text.trim_start().starts_with('{') && serde_json::from_str::<serde::de::IgnoredAny>(text).is_ok();
        if json { Self::Json } else { Self::Yaml }
    }

    /// A text as a scalar that may stand inside `{…}` or `[…]`.
    pub fn scalar(self, text: &str) -> String {
        match self {
            Self::Yaml => flow_scalar(text),
            Self::Json => serde_json::Value::from(text).to_string(),
        }
    }

    /// A one-line map of values already in this style.
    pub fn map<'a>(self, entries: impl IntoIterator<Item = (&'a str, String)>) -> String {
        let parts: Vec<String> = entries.into_iter().map(|(k, v)| format!("{}: {v}", self.key(k))).collect();
        format!("{{{}}}", parts.join(", "))
    }

    fn key(self, key: &str) -> String {
        match self {
            Self::Yaml => key.to_string(),
            Self::Json => self.scalar(key),
        }
    }
}

/// A one-line map `{key: value, …}` of values already in YAML form.
pub fn flow_map<'a>(entries: impl IntoIterator<Item = (&'a str, String)>) -> String {
    let parts: Vec<String> = entries.into_iter().map(|(k, v)| format!("{k}: {v}")).collect();
    format!("{{{}}}", parts.join(", "))
}

/// A text as one YAML scalar that may stand inside `{…}` or `[…]`. A dash at its end would not be told from one before the bracket.
///
/// ```
/// use halfsplit::text::flow_scalar;
/// assert_eq!(flow_scalar("hums"), "hums");
/// assert_eq!(flow_scalar("hums -"), "\"hums -\"");
/// ```
pub fn flow_scalar(text: &str) -> String {
    let plain = inline(text);
    if !plain.starts_with('"') && (plain.contains([',', '#', '?']) || plain.ends_with([':', '-'])) {
        quote(text)
    } else {
        plain
    }
}

fn quote(text: &str) -> String {
    // `inline` quotes whatever holds a quote-worthy sign; a leading blank is one.
    let quoted = inline(&format!(" {text}"));
    format!("\"{}", &quoted[2..])
}

/// Adds `item` (one line of YAML) to the list under the root key `key`, making the list at the end of
/// the file if there is none. Returns the new text.
///
/// # Errors
/// [`EditError::WrongShape`] when the key holds something else, [`EditError::Layout`] when the text
/// would not read back with exactly one more item.
pub fn append_item(document: &Document, key: &str, item: &str) -> Result<String, EditError> {
    let text = document.file.text.as_str();
    let flow_root = text[document.root.span.start.min(text.len())..].starts_with('{');
    let new = match entry(&document.root, key) {
        None => append_block(text, document, key, &format!("[{item}]"), &format!("{key}:\n  - {item}\n")),
        Some((span, node)) => match &node.value {
            Value::List(items) if !items.is_empty() && text[node.span.start..].starts_with('[') => {
                let last = items.last().map_or(node.span.start + 1, |n| n.span.end);
                splice(text, last..last, &format!(", {item}"))
            }
            Value::List(items) if !items.is_empty() => {
                let last = items.last().map_or(node.span, |n| n.span);
                let indent = dash_indent(text, last.start);
                let (at, _) = line_end(text, last.end);
                insert_line(text, at, &format!("{indent}- {item}"))
            }
            Value::List(_) if flow_root || text[node.span.start..node.span.end].contains('\n') => {
                splice(text, node.span.start..node.span.end, &format!("[{item}]"))
            }
            Value::List(_) => first_item(text, span, Some(node.span), item),
            Value::Scalar(s) if node.is_null() && flow_root && !s.text.is_empty() => {
                splice(text, node.span.start..node.span.end, &format!("[{item}]"))
            }
            Value::Scalar(s) if node.is_null() && s.text.is_empty() => first_item(text, span, None, item),
            Value::Scalar(_) if node.is_null() => first_item(text, span, Some(node.span), item),
            _ => {
                let line = document.place(node.span).line_column().0;
                return Err(EditError::WrongShape { key: key.into(), line, wanted: "a list" });
            }
        },
    };
    // As it was, with one more item in the list: nothing else may read differently.
    let added = parse(&Source::new("item", item)).map(|d| d.root);
    prove(document, key, new, |root| {
        let mut expected = document.root.clone();
        let Some(list) = value_of(&mut expected, key) else { return false };
        match &mut list.value {
            Value::List(items) => items.extend(added.clone().ok()),
            other => *other = Value::List(added.clone().into_iter().collect()),
        }
        alike(&expected, root)
    })
}

/// The first item of a list that was empty or not written: what stood for it goes, a comment beside it stays.
fn first_item(text: &str, key: Span, written: Option<Span>, item: &str) -> String {
    let (emptied, from) = match written {
        Some(span) => {
            let before = text[..span.start].trim_end_matches([' ', '\t']).len();
            (format!("{}{}", &text[..before], &text[span.end..]), before)
        }
        None => (text.to_string(), key.end),
    };
    let (end, _) = line_end(&emptied, from);
    insert_line(&emptied, end, &format!("  - {item}"))
}

/// Puts `name: value` (value on one line of YAML) into the map at `node`, as its last entry.
///
/// # Errors
/// [`EditError::WrongShape`] when the node is no map, [`EditError::Layout`] when the result would not
/// read back with exactly that entry more.
pub fn insert_entry(document: &Document, node: &Node, name: &str, value: &str) -> Result<String, EditError> {
    let text = document.file.text.as_str();
    let line = document.place(node.span).line_column().0;
    let Value::Map(entries) = &node.value else {
        return Err(EditError::WrongShape { key: name.into(), line, wanted: "a map" });
    };
    let Some((first, _)) = entries.first() else {
        let new = splice(text, node.span.start..node.span.end, &format!("{{{name}: {value}}}"));
        let start = node.span.start;
        return prove(document, name, new, |root| {
            let mut root = root.clone();
            find_mut(&mut root, start).is_some_and(|n| n.get(name).is_some())
        });
    };
    let last = last_end(entries);
    let new = if text[node.span.start..].starts_with('{') {
        splice(text, last..last, &format!(", {}: {value}", Style::of(text).key(name)))
    } else {
        let indent = " ".repeat(document.place(first.span).line_column().1 - 1);
        let (at, _) = line_end(text, last);
        insert_line(text, at, &format!("{indent}{name}: {value}"))
    };
    let start = node.span.start;
    let added = parse(&Source::new("value", value)).map(|d| d.root);
    prove(document, name, new, |root| {
        let mut expected = document.root.clone();
        let Some(Value::Map(entries)) = find_mut(&mut expected, start).map(|n| &mut n.value) else {
            return false;
        };
        let Ok(value) = added.clone() else { return false };
        entries.push((At { value: name.into(), span: Span::default() }, value));
        alike(&expected, root)
    })
}

/// Sets `name` in the map at `node` to `value` (on one line of YAML), replacing what is there or adding it as its last entry.
///
/// # Errors
/// As [`insert_entry`].
pub fn set_in(document: &Document, node: &Node, name: &str, value: &str) -> Result<String, EditError> {
    let there = match &node.value {
        Value::Map(entries) => entries.iter().find(|(k, _)| k.value == name).map(|(_, n)| n),
        _ => None,
    };
    let Some(old) = there.filter(|n| !n.is_null()) else {
        return insert_entry(document, node, name, value);
    };
    let new = splice(&document.file.text, old.span.start..old.span.end, value);
    let start = node.span.start;
    let set = parse(&Source::new("value", value)).map(|d| d.root);
    prove(document, name, new, |root| {
        let mut expected = document.root.clone();
        let Some(Value::Map(entries)) = find_mut(&mut expected, start).map(|n| &mut n.value) else {
            return false;
        };
        match (entries.iter_mut().find(|(k, _)| k.value == name), set.clone()) {
            (Some((_, old)), Ok(set)) => *old = set,
            _ => return false,
        }
        alike(&expected, root)
    })
}

/// Sets the root key `key` to `value` (YAML on one line, or a block that starts with a newline),
/// replacing what is there or adding it at the end of the file.
///
/// # Errors
/// [`EditError::Layout`] when the result would not read back with that key.
pub fn set_entry(document: &Document, key: &str, value: &str) -> Result<String, EditError> {
    let text = document.file.text.as_str();
    let gap = if value.starts_with('\n') { "" } else { " " };
    let new = match entry(&document.root, key) {
        None => append_block(text, document, key, value, &format!("{key}:{gap}{value}\n")),
        Some((span, node)) if node.is_null() && node.span.start <= span.end => {
            let colon = text[span.end..].find(':').map_or(span.end, |i| span.end + i + 1);
            splice(text, colon..colon, &format!("{gap}{value}"))
        }
        Some((_, node)) => splice(text, node.span.start..node.span.end, value.trim_start_matches('\n')),
    };
    let nothing = Value::Scalar(super::document::Scalar { text: "null".into(), plain: true });
    let set = match value {
        "null" => Ok(Node { span: Span::default(), value: nothing }),
        _ => parse(&Source::new("value", value.trim_start_matches('\n'))).map(|d| d.root),
    };
    prove(document, key, new, |root| {
        let mut expected = document.root.clone();
        match (value_of(&mut expected, key), set.clone()) {
            (Some(node), Ok(set)) => *node = set,
            _ => return false,
        }
        alike(&expected, root)
    })
}

fn entry<'a>(root: &'a Node, key: &str) -> Option<(Span, &'a Node)> {
    match &root.value {
        Value::Map(entries) => entries.iter().find(|(k, _)| k.value == key).map(|(k, n)| (k.span, n)),
        _ => None,
    }
}

fn last_end(entries: &[(At<String>, Node)]) -> usize {
    entries.last().map_or(0, |(k, n)| if n.is_null() { k.span.end + 1 } else { n.span.end }.max(n.span.end))
}

/// The map that starts at a byte.
fn find_mut(node: &mut Node, start: usize) -> Option<&mut Node> {
    let here = node.span.start == start && matches!(&node.value, Value::Map(e) if !holds_at(e, start));
    if here {
        return Some(node);
    }
    match &mut node.value {
        Value::Map(entries) => entries.iter_mut().find_map(|(_, n)| find_mut(n, start)),
        Value::List(items) => items.iter_mut().find_map(|n| find_mut(n, start)),
        Value::Scalar(_) => None,
    }
}

/// Whether a value in these entries is a map or list that starts at a byte.
fn holds_at(entries: &[(At<String>, Node)], start: usize) -> bool {
    entries.iter().any(|(_, n)| n.span.start == start && !matches!(n.value, Value::Scalar(_)))
}

/// The value of a root key, which is added with nothing in it if it is not there.
fn value_of<'a>(root: &'a mut Node, key: &str) -> Option<&'a mut Node> {
    let Value::Map(entries) = &mut root.value else { return None };
    if !entries.iter().any(|(k, _)| k.value == key) {
        let nothing = Value::Scalar(super::document::Scalar { text: String::new(), plain: true });
        let node = Node { span: Span::default(), value: nothing };
        entries.push((At { value: key.into(), span: Span::default() }, node));
    }
    entries.iter_mut().find(|(k, _)| k.value == key).map(|(_, n)| n)
}

/// Whether two trees say the same, wherever it stands.
fn alike(a: &Node, b: &Node) -> bool {
    match (&a.value, &b.value) {
        (Value::Scalar(_), Value::Scalar(_)) if a.is_null() && b.is_null() => true,
        (Value::Scalar(a), Value::Scalar(b)) => a == b,
        (Value::List(a), Value::List(b)) => a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b)),
        (Value::Map(a), Value::Map(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|((k, a), (l, b))| k.value == l.value && alike(a, b))
        }
        _ => false,
    }
}

fn newline(text: &str) -> &'static str {
    if text.contains("\r\n") { "\r\n" } else { "\n" }
}

/// End of the line that holds byte `at` (before its line break) and whether a break follows.
fn line_end(text: &str, at: usize) -> (usize, bool) {
    match text[at.min(text.len())..].find('\n') {
        Some(i) => {
            let end = at + i;
            (if text[..end].ends_with('\r') { end - 1 } else { end }, true)
        }
        None => (text.len(), false),
    }
}

fn dash_indent(text: &str, at: usize) -> String {
    let start = text[..at].rfind('\n').map_or(0, |i| i + 1);
    text[start..at].chars().take_while(|c| *c == ' ').collect()
}

fn insert_line(text: &str, line_end: usize, line: &str) -> String {
    splice(text, line_end..line_end, &format!("\n{line}"))
}

fn splice(text: &str, range: std::ops::Range<usize>, new: &str) -> String {
    let new = new.replace('\n', newline(text));
    format!("{}{new}{}", &text[..range.start], &text[range.end..])
}

/// The text with one more root key, as a block at its end; a file that is one flow map (`{a: 1}`) gets it inside the braces.
fn append_block(text: &str, document: &Document, key: &str, value: &str, block: &str) -> String {
    if text[document.root.span.start.min(text.len())..].starts_with('{')
        && let Value::Map(entries) = &document.root.value
        && !entries.is_empty()
    {
        let last = last_end(entries);
        return splice(text, last..last, &format!(", {}: {value}", Style::of(text).key(key)));
    }
    let mut head = text.to_string();
    if !head.is_empty() && !head.ends_with('\n') {
        head.push_str(newline(text));
    }
    head + &block.replace('\n', newline(text))
}

fn prove(
    document: &Document,
    key: &str,
    new: String,
    holds: impl Fn(&Node) -> bool,
) -> Result<String, EditError> {
    if new.len() > MAX_BYTES {
        return Err(EditError::TooLarge { bytes: new.len() });
    }
    let source = Source::new(document.file.name.clone(), new.as_str());
    let line = match parse(&source) {
        Ok(read) if holds(&read.root) => return Ok(new),
        Ok(_) => entry(&document.root, key).map_or(1, |(span, _)| document.place(span).line_column().0),
        Err(e) => e.0.first().and_then(|c| c.place.as_ref()).map_or(1, |p| p.line_column().0),
    };
    Err(EditError::Layout { key: key.into(), line })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn doc(text: &str) -> Document {
        parse(&Source::new("job.yaml", text)).unwrap()
    }

    fn append(text: &str) -> String {
        append_item(&doc(text), "findings", "{check: a, answer: b}").unwrap()
    }

    #[test]
    fn an_item_goes_in_and_nothing_else_moves() {
        let item = "{check: a, answer: b}";
        for (text, expected) in [
            ("unit: A\n", format!("unit: A\nfindings:\n  - {item}\n")),
            ("unit: A", format!("unit: A\nfindings:\n  - {item}\n")),
            ("findings:\nunit: A\n", format!("findings:\n  - {item}\nunit: A\n")),
            ("findings: # none yet\nunit: A\n", format!("findings: # none yet\n  - {item}\nunit: A\n")),
            ("findings: []\nunit: A # x\n", format!("findings:\n  - {item}\nunit: A # x\n")),
            ("findings: []  # none\nunit: A\n", format!("findings:  # none\n  - {item}\nunit: A\n")),
            ("findings: null # yet\nunit: A\n", format!("findings: # yet\n  - {item}\nunit: A\n")),
            (
                "\u{feff}unit: Ä\r\nfindings: [ ]\r\nb: ü",
                format!("\u{feff}unit: Ä\r\nfindings:\r\n  - {item}\r\nb: ü"),
            ),
            (
                "findings: [\n  {check: c},   # one\n\n  {check: d},\n  # end\n]\nunit: A\n",
                format!(
                    "findings: [\n  {{check: c}},   # one\n\n  {{check: d}}, {item},\n  # end\n]\nunit: A\n"
                ),
            ),
            (
                "a: 1\nfindings:\n\n  # first\n  - check: c\n    remark: |\n      two\n      lines # no comment\n\n  # last\nunit: A\n",
                format!(
                    "a: 1\nfindings:\n\n  # first\n  - check: c\n    remark: |\n      two\n      lines # no comment\n  - {item}\n\n  # last\nunit: A\n"
                ),
            ),
            ("findings: []\t# t\nunit: A\n", format!("findings:\t# t\n  - {item}\nunit: A\n")),
            ("\"findings\": [{check: c}]", format!("\"findings\": [{{check: c}}, {item}]")),
            (
                "---\nunit: A\nfindings:\n- {check: c}\n",
                format!("---\nunit: A\nfindings:\n- {{check: c}}\n- {item}\n"),
            ),
            ("findings: [{check: c}]  # why\n", format!("findings: [{{check: c}}, {item}]  # why\n")),
            (
                "findings:\n- check: c   # first\n  answer: d # second\n# tail\nunit: A\n",
                format!("findings:\n- check: c   # first\n  answer: d # second\n- {item}\n# tail\nunit: A\n"),
            ),
            ("findings:\r\n  - {check: c}\r\n", format!("findings:\r\n  - {{check: c}}\r\n  - {item}\r\n")),
            ("findings:\n    - {check: c}", format!("findings:\n    - {{check: c}}\n    - {item}")),
            ("findings: ~\nunit: A\n", format!("findings:\n  - {item}\nunit: A\n")),
        ] {
            assert_eq!(append(text), expected, "from {text:?}");
        }
        assert_eq!(append("{unit: A}\n"), "{unit: A, findings: [{check: a, answer: b}]}\n");
        assert_eq!(append("{unit: A, findings: null}\n"), "{unit: A, findings: [{check: a, answer: b}]}\n");
        let e = append_item(&doc("findings: soon\n"), "findings", item).unwrap_err();
        assert_eq!(e.to_string(), "'findings' on line 1 is not a list");
    }

    #[test]
    fn a_layout_that_cannot_be_added_to_is_refused_with_advice() {
        for text in ["unit: A\n...\n", "unit: A\n? findings\n:\n", "unit: A\nremarks: >+\n  text\n  "] {
            let Ok(document) = parse(&Source::new("job.yaml", text)) else { continue };
            match append_item(&document, "findings", "{check: a}") {
                Ok(new) => assert!(new.contains(text.trim_end()), "all that was there is there: {new:?}"),
                Err(e) => assert!(e.to_string().contains("write 'findings:' at the start of a line"), "{e}"),
            }
        }
    }

    #[test]
    fn an_entry_goes_into_flow_and_block_maps() {
        for (text, expected) in [
            ("l:\n  - {a: 1} # c\n", "l:\n  - {a: 1, struck: x} # c\n"),
            ("l:\n  - a: 1 # c\n    b: 2\n\n# d\n", "l:\n  - a: 1 # c\n    b: 2\n    struck: x\n\n# d\n"),
        ] {
            let d = doc(text);
            let Value::List(items) = &d.root.get("l").unwrap().value else { unreachable!() };
            assert_eq!(insert_entry(&d, &items[0], "struck", "x").unwrap(), expected);
        }
    }

    #[test]
    fn a_text_that_is_json_stays_json() {
        let style = Style::of("{\"unit\": \"A\"}\n");
        assert_eq!((style, Style::of("{unit: A}")), (Style::Json, Style::Yaml));
        let item = style.map([("check", style.scalar("a")), ("answer", style.scalar("\"x\", 4,7 V"))]);
        for text in [
            "{\"unit\": \"A\"}\n",
            "{\"findings\": []}",
            "{\"findings\": null}",
            "{\"findings\": [{\"check\": \"c\"}]}",
        ] {
            let new = append_item(&doc(text), "findings", &item).unwrap();
            let json: serde_json::Value = serde_json::from_str(&new).unwrap();
            let last = json["findings"].as_array().unwrap().last().unwrap().clone();
            assert_eq!(last["answer"], "\"x\", 4,7 V", "{new}");
            let d = doc(&new);
            let Value::List(items) = &d.root.get("findings").unwrap().value else { unreachable!() };
            let new = insert_entry(&d, items.last().unwrap(), "struck", &style.scalar("why: not")).unwrap();
            let new = set_entry(&doc(&new), "outcome", &style.map([("faults", "[\"x\"]".into())])).unwrap();
            let json: serde_json::Value = serde_json::from_str(&new).unwrap();
            assert_eq!(
                (
                    &json["outcome"]["faults"][0],
                    json["findings"].as_array().unwrap().last().unwrap()["struck"].as_str()
                ),
                (&"x".into(), Some("why: not"))
            );
        }
        let flow = set_entry(&doc("{unit: A}\n"), "outcome", "{end: mended, faults: [x, y]}").unwrap();
        assert_eq!(flow, "{unit: A, outcome: {end: mended, faults: [x, y]}}\n");
    }

    #[test]
    fn a_text_that_is_full_says_so() {
        let text = format!("unit: A\nremarks: {}\n", "x".repeat(MAX_BYTES - 30));
        let e = append_item(&doc(&text), "findings", "{check: a, answer: b}").unwrap_err();
        assert!(e.to_string().contains("more than the 4194304 that a file may have"), "{e}");
    }

    #[test]
    fn a_root_key_is_set_or_replaced() {
        assert_eq!(set_entry(&doc("a: 1\nb: 2 # k\n"), "b", "3").unwrap(), "a: 1\nb: 3 # k\n");
        assert_eq!(set_entry(&doc("a: 1\n"), "b", "3").unwrap(), "a: 1\nb: 3\n");
        assert_eq!(set_entry(&doc("b:\na: 1\n"), "b", "3").unwrap(), "b: 3\na: 1\n");
        assert_eq!(set_entry(&doc("b: {c: 1}\na: 1\n"), "b", "null").unwrap(), "b: null\na: 1\n");
    }

    #[test]
    fn an_entry_of_a_map_is_set_or_replaced() {
        for (text, expected) in [
            ("o: {end: mended, minutes: 3} # c\n", "o: {end: mended, minutes: 9} # c\n"),
            ("o: {end: mended}\n", "o: {end: mended, minutes: 9}\n"),
            ("o:\n  minutes: 3 # about\n  end: found\n", "o:\n  minutes: 9 # about\n  end: found\n"),
        ] {
            let d = doc(text);
            assert_eq!(set_in(&d, d.root.get("o").unwrap(), "minutes", "9").unwrap(), expected);
        }
    }

    #[test]
    fn flow_scalars_survive_flow_context() {
        for text in
            ["a, b", "x: y", "4.36V", "-12.3dB", "[a]", "no", "say \"hi\"", "a-b", "2026-11-24T10:00:00Z"]
        {
            let d = doc(&format!("m: {{k: {}, z: 1}}\n", flow_scalar(text)));
            let Value::Scalar(s) = &d.root.get("m").unwrap().get("k").unwrap().value else { unreachable!() };
            assert_eq!(s.text, text);
        }
    }
}
