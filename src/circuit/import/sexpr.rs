//! S-expressions with places: lists of words and quoted texts in round brackets.

use crate::text::{Complaint, Place, Source, Span};
use std::sync::Arc;

/// Deepest nesting read.
const DEEPEST: usize = 60;

/// A word, a quoted text, or a list.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Expr {
    Word(String, Span),
    List(Vec<Expr>, Span),
}

impl Expr {
    pub(super) fn span(&self) -> Span {
        match self {
            Self::Word(_, s) | Self::List(_, s) => *s,
        }
    }

    /// The text of a word; empty for a list.
    pub(super) fn text(&self) -> &str {
        match self {
            Self::Word(w, _) => w,
            Self::List(..) => "",
        }
    }

    /// The items of a list.
    pub(super) fn items(&self) -> &[Expr] {
        match self {
            Self::List(items, _) => items,
            Self::Word(..) => &[],
        }
    }

    /// The word a list begins with.
    pub(super) fn head(&self) -> &str {
        self.items().first().map_or("", Self::text)
    }

    /// The lists in this one that begin with a word.
    pub(super) fn all<'a>(&'a self, head: &'a str) -> impl Iterator<Item = &'a Expr> {
        self.items().iter().filter(move |e| e.head() == head)
    }

    /// The first list in this one that begins with a word.
    pub(super) fn get(&self, head: &str) -> Option<&Expr> {
        self.items().iter().find(|e| e.head() == head)
    }

    /// The word behind the head of such a list: `(ref "C1")`.
    pub(super) fn field(&self, head: &str) -> Option<&str> {
        self.get(head)?.items().get(1).map(Self::text)
    }
}

/// Reads one expression.
pub(super) fn read(source: &Source) -> Result<Expr, Complaint> {
    let file = Arc::new(source.clone());
    let text = source.text.as_str();
    let slip = |at: usize, message: &str, help: &str| {
        let place = Place { file: file.clone(), span: Span { start: at, end: at + 1 } };
        Complaint::at("bad-netlist", place, message).help(help)
    };
    let mut open: Vec<(Vec<Expr>, usize)> = Vec::new();
    let mut rest = text.char_indices().peekable();
    while let Some((at, sign)) = rest.next() {
        match sign {
            c if c.is_whitespace() || c == '\u{feff}' => {}
            '(' if open.len() >= DEEPEST => {
                return Err(slip(at, "brackets are nested too deeply", "export the netlist anew"));
            }
            '(' => open.push((Vec::new(), at)),
            ')' => {
                let Some((items, start)) = open.pop() else {
                    return Err(slip(
                        at,
                        "a closing bracket without an opening one",
                        "export the netlist anew",
                    ));
                };
                let list = Expr::List(items, Span { start, end: at + 1 });
                match open.last_mut() {
                    Some((outer, _)) => outer.push(list),
                    None => return Ok(list),
                }
            }
            _ => {
                let (word, end) = match sign {
                    '"' => match quoted(&mut rest) {
                        Some(found) => found,
                        None => return Err(slip(at, "a quoted text has no end", "close it with \"")),
                    },
                    first => bare(first, at, &mut rest),
                };
                match open.last_mut() {
                    Some((items, _)) => items.push(Expr::Word(word, Span { start: at, end })),
                    None => {
                        return Err(slip(
                            at,
                            "a netlist begins with an opening bracket",
                            "choose the format with --format",
                        ));
                    }
                }
            }
        }
    }
    let at = open.first().map_or(0, |(_, at)| *at);
    Err(match open.is_empty() {
        true => slip(at, "there is nothing in the file", "export the netlist anew"),
        false => slip(at, "this bracket is never closed: the file ends too early", "export the netlist anew"),
    })
}

type Signs<'a> = std::iter::Peekable<std::str::CharIndices<'a>>;

fn quoted(rest: &mut Signs<'_>) -> Option<(String, usize)> {
    let mut out = String::new();
    loop {
        match rest.next()? {
            (at, '"') => return Some((out, at + 1)),
            (_, '\\') => match rest.next()?.1 {
                'n' => out.push('\n'),
                't' => out.push('\t'),
                other => out.push(other),
            },
            (_, c) => out.push(c),
        }
    }
}

fn bare(first: char, at: usize, rest: &mut Signs<'_>) -> (String, usize) {
    let mut out = String::from(first);
    let mut end = at + first.len_utf8();
    while let Some((at, c)) = rest.next_if(|(_, c)| !c.is_whitespace() && !"()\"".contains(*c)) {
        out.push(c);
        end = at + c.len_utf8();
    }
    (out, end)
}
