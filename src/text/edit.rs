//! Changes to a YAML text that leave every other byte as the user wrote it.
//!
//! A file that a person keeps by hand is never written anew from values: that would lose comments,
//! order and layout. Instead one list item or one map entry is put in as text at the right place, and
//! the result is read again to prove that it says what was meant.

use super::document::{Document, Node, Source, Span, Value, parse};
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
    #[error("the text around line {line} is laid out in a way that can't be added to safely")]
    Layout {
        /// The line.
        line: usize,
    },
}

/// A one-line map `{key: value, …}` of values already in YAML form.
pub fn flow_map<'a>(entries: impl IntoIterator<Item = (&'a str, String)>) -> String {
    let parts: Vec<String> = entries.into_iter().map(|(k, v)| format!("{k}: {v}")).collect();
    format!("{{{}}}", parts.join(", "))
}

/// A text as one YAML scalar that may stand inside `{…}` or `[…]`.
pub fn flow_scalar(text: &str) -> String {
    let plain = inline(text);
    if !plain.starts_with('"') && (plain.contains([',', '#', '?']) || plain.ends_with(':')) {
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
    let before = match document.root.get(key).map(|n| &n.value) {
        Some(Value::List(items)) => items.len(),
        _ => 0,
    };
    let new = match entry(&document.root, key) {
        None => append_block(text, document, &format!("{key}:\n  - {item}\n")),
        Some((span, node)) if node.is_null() => {
            let (at, _) = line_end(text, span.end);
            let rest = text[span.end..at].trim_start();
            let colon = text[span.end..].find(':').map_or(span.end, |i| span.end + i + 1);
            if rest.trim_start_matches(':').trim_start().starts_with(['~', 'n']) {
                splice(text, colon..at, &format!("\n  - {item}"))
            } else {
                insert_line(text, at, &format!("  - {item}"))
            }
        }
        Some((_, node)) => match &node.value {
            Value::List(items) if items.is_empty() => {
                splice(text, node.span.start..node.span.end, &format!("\n  - {item}"))
            }
            Value::List(items) if text[node.span.start..].starts_with('[') => {
                let last = items.last().map_or(node.span.start + 1, |n| n.span.end);
                splice(text, last..last, &format!(", {item}"))
            }
            Value::List(items) => {
                let last = items.last().map_or(node.span, |n| n.span);
                let indent = dash_indent(text, last.start);
                let (at, _) = line_end(text, last.end);
                insert_line(text, at, &format!("{indent}- {item}"))
            }
            _ => {
                let line = document.place(node.span).line_column().0;
                return Err(EditError::WrongShape { key: key.into(), line, wanted: "a list" });
            }
        },
    };
    prove(document, new, |root| match root.get(key).map(|n| &n.value) {
        Some(Value::List(items)) => items.len() == before + 1,
        _ => false,
    })
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
        return prove(document, new, |_| true);
    };
    let last = last_end(entries);
    let new = if text[node.span.start..].starts_with('{') {
        splice(text, last..last, &format!(", {name}: {value}"))
    } else {
        let indent = " ".repeat(document.place(first.span).line_column().1 - 1);
        let (at, _) = line_end(text, last);
        insert_line(text, at, &format!("{indent}{name}: {value}"))
    };
    let start = node.span.start;
    prove(document, new, |root| find(root, start).is_some_and(|n| n.get(name).is_some()))
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
        None => append_block(text, document, &format!("{key}:{gap}{value}\n")),
        Some((span, node)) if node.is_null() && node.span.start <= span.end => {
            let colon = text[span.end..].find(':').map_or(span.end, |i| span.end + i + 1);
            splice(text, colon..colon, &format!("{gap}{value}"))
        }
        Some((_, node)) => splice(text, node.span.start..node.span.end, value.trim_start_matches('\n')),
    };
    prove(document, new, |root| root.get(key).is_some_and(|n| !n.is_null()))
}

fn entry<'a>(root: &'a Node, key: &str) -> Option<(Span, &'a Node)> {
    match &root.value {
        Value::Map(entries) => entries.iter().find(|(k, _)| k.value == key).map(|(k, n)| (k.span, n)),
        _ => None,
    }
}

fn last_end(entries: &[(super::document::At, Node)]) -> usize {
    entries.last().map_or(0, |(k, n)| if n.is_null() { k.span.end + 1 } else { n.span.end }.max(n.span.end))
}

fn find(node: &Node, start: usize) -> Option<&Node> {
    let inner = match &node.value {
        Value::Map(entries) => entries.iter().find_map(|(_, n)| find(n, start)),
        Value::List(items) => items.iter().find_map(|n| find(n, start)),
        Value::Scalar(_) => None,
    };
    inner.or((node.span.start == start && matches!(node.value, Value::Map(_))).then_some(node))
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

fn append_block(text: &str, document: &Document, block: &str) -> String {
    // A file that is one flow map (`{a: 1}`) gets its new entry inside the braces.
    if text[document.root.span.start.min(text.len())..].starts_with('{')
        && let Value::Map(entries) = &document.root.value
        && !entries.is_empty()
    {
        let last = last_end(entries);
        let flat = block.trim_end().replacen(":\n  - ", ": [", 1);
        let flat = if flat.contains(": [") { format!("{flat}]") } else { flat };
        return splice(text, last..last, &format!(", {flat}"));
    }
    let mut head = text.to_string();
    if !head.is_empty() && !head.ends_with('\n') {
        head.push_str(newline(text));
    }
    head + &block.replace('\n', newline(text))
}

fn prove(document: &Document, new: String, holds: impl Fn(&Node) -> bool) -> Result<String, EditError> {
    let source = Source::new(document.file.name.clone(), new.as_str());
    match parse(&source) {
        Ok(read) if holds(&read.root) => Ok(new),
        Ok(_) => Err(EditError::Layout { line: 1 }),
        Err(e) => {
            let line = e.0.first().and_then(|c| c.place.as_ref()).map_or(1, |p| p.line_column().0);
            Err(EditError::Layout { line })
        }
    }
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
            ("findings: []\nunit: A # x\n", format!("findings: \n  - {item}\nunit: A # x\n")),
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
        assert!(append("{unit: A}\n").contains("findings: [{check: a, answer: b}]"));
        let e = append_item(&doc("findings: soon\n"), "findings", item).unwrap_err();
        assert_eq!(e.to_string(), "'findings' on line 1 is not a list");
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
    fn a_root_key_is_set_or_replaced() {
        assert_eq!(set_entry(&doc("a: 1\nb: 2 # k\n"), "b", "3").unwrap(), "a: 1\nb: 3 # k\n");
        assert_eq!(set_entry(&doc("a: 1\n"), "b", "3").unwrap(), "a: 1\nb: 3\n");
        assert_eq!(set_entry(&doc("b:\na: 1\n"), "b", "3").unwrap(), "b: 3\na: 1\n");
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
