//! What is wrong, where, and what to write instead.

use super::document::Span;
use super::inert;
use annotate_snippets::{AnnotationKind, Group, Level, Renderer, Snippet};
use std::fmt;
use std::sync::Arc;

/// The file a span belongs to, shared by all complaints about it.
pub type File = Arc<super::document::Source>;

/// A stretch of text in a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The file.
    pub file: File,
    /// Bytes `start..end` in it.
    pub span: Span,
}

impl Place {
    /// Line and column of the start, both from 1; columns count characters.
    pub fn line_column(&self) -> (usize, usize) {
        self.file.line_column(self.span.start)
    }
}

/// One complaint: a stable code, a message, a place, and help.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Complaint {
    /// Kebab-case name of the kind of mistake, such as `unknown-name`.
    pub code: &'static str,
    /// What is wrong, as a lower-case fragment.
    pub message: String,
    /// Where, if it is in a file.
    pub place: Option<Place>,
    /// What to write instead; may be empty.
    pub help: String,
}

impl Complaint {
    /// A complaint at a place.
    pub fn at(code: &'static str, place: Place, message: impl Into<String>) -> Self {
        Self { code, message: message.into(), place: Some(place), help: String::new() }
    }

    /// A complaint about something that is in no file.
    pub fn nowhere(code: &'static str, message: impl Into<String>) -> Self {
        Self { code, message: message.into(), place: None, help: String::new() }
    }

    /// The last complaint of an input that has more of them than are listed.
    pub fn and_more(place: Place) -> Self {
        let message = format!("more than {} mistakes; nothing from here on was looked at", Complaints::MOST);
        Self::at("too-many", place, message).help("put right those above first")
    }

    /// The same with advice on what to write instead.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = help.into();
        self
    }
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(place) = &self.place {
            let (line, column) = place.line_column();
            write!(f, "{}:{line}:{column}: ", place.file.name)?;
        }
        write!(f, "{}", self.message)?;
        if !self.help.is_empty() {
            write!(f, "; {}", self.help)?;
        }
        Ok(())
    }
}

/// Every complaint about some input, in order of file and place.
#[derive(Clone, Debug, Default, PartialEq, Eq, thiserror::Error)]
pub struct Complaints(pub Vec<Complaint>);

impl fmt::Display for Complaints {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, complaint) in self.0.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{complaint}")?;
        }
        Ok(())
    }
}

impl From<Complaint> for Complaints {
    fn from(complaint: Complaint) -> Self {
        Self(vec![complaint])
    }
}

impl Complaints {
    /// So many complaints of one input are listed; with more the reader stops.
    pub const MOST: usize = 100;

    /// Whether there are as many as are listed.
    pub fn is_full(&self) -> bool {
        self.0.len() >= Self::MOST
    }

    /// `Ok(value)` when there is nothing to complain of.
    ///
    /// # Errors
    /// The complaints themselves, sorted, when there are any.
    pub fn or_ok<T>(mut self, value: T) -> Result<T, Self> {
        if self.0.is_empty() {
            return Ok(value);
        }
        self.sort();
        Err(self)
    }

    /// Sorts by file, place and code, and drops exact repeats.
    pub fn sort(&mut self) {
        let key = |c: &Complaint| {
            let place = c.place.as_ref().map(|p| (p.file.name.clone(), p.span.start, p.span.end));
            (place, c.code, c.message.clone())
        };
        self.0.sort_by_cached_key(key);
        self.0.dedup();
    }

    /// The complaints with the text around each place, underlined.
    /// `styled` adds terminal colours; without it the result is plain text.
    pub fn render(&self, styled: bool) -> String {
        let renderer = if styled { Renderer::styled() } else { Renderer::plain() };
        let mut out = String::new();
        for complaint in &self.0 {
            out.push_str(&render_one(complaint, &renderer));
            out.push_str("\n\n");
        }
        out.truncate(out.trim_end().len());
        out.push('\n');
        out
    }
}

fn render_one(complaint: &Complaint, renderer: &Renderer) -> String {
    let message = inert::text(&complaint.message);
    let help = inert::lines(&complaint.help);
    let title = Level::ERROR.primary_title(message.as_str()).id(complaint.code);
    let mut groups: Vec<Group<'_>> = Vec::new();
    let excerpt = complaint.place.as_ref().map(|place| (inert::text(&place.file.name), Excerpt::of(place)));
    match &excerpt {
        Some((name, excerpt)) => groups.push(
            title.element(
                Snippet::source(excerpt.text.as_str())
                    .line_start(excerpt.line)
                    .path(name.as_str())
                    .annotation(AnnotationKind::Primary.span(excerpt.start..excerpt.end)),
            ),
        ),
        None => groups.push(Group::with_title(title)),
    }
    if !help.is_empty() {
        groups.push(Group::with_title(Level::HELP.secondary_title(help.as_str())));
    }
    renderer.render(&groups)
}

/// The lines around a place, cut to what fits a screen.
struct Excerpt {
    text: String,
    line: usize,
    start: usize,
    end: usize,
}

impl Excerpt {
    const WIDEST: usize = 160;

    fn of(place: &Place) -> Self {
        let text = place.file.text.as_str();
        let at = place.span.start.min(text.len());
        let from = text[..at].rfind('\n').map_or(0, |i| i + 1);
        let to = text[at..].find('\n').map_or(text.len(), |i| at + i);
        let (line, _) = place.line_column();
        let row = text[from..to].trim_end_matches('\r');
        let mut cut_from = 0;
        if at - from > Self::WIDEST / 2 && row.len() > Self::WIDEST {
            cut_from = floor_boundary(row, at - from - Self::WIDEST / 2);
        }
        let cut_to = floor_boundary(row, (cut_from + Self::WIDEST).min(row.len()));
        let mut shown = String::new();
        let (mut start, mut end) = (None, 0);
        for (i, c) in row[cut_from..cut_to].char_indices() {
            let here = from + cut_from + i;
            if here >= at && start.is_none() {
                start = Some(shown.len());
            }
            // One sign for one sign, so that the mark below stands where it should.
            let mut sign = [0; 4];
            shown.push(inert::lines(c.encode_utf8(&mut sign)).chars().next().unwrap_or('\u{fffd}'));
            if here < place.span.end {
                end = shown.len();
            }
        }
        let start = start.unwrap_or(shown.len());
        let one = start + shown[start..].chars().next().map_or(0, char::len_utf8);
        Self { end: end.max(one), text: shown, line, start }
    }
}

fn floor_boundary(text: &str, mut at: usize) -> usize {
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}
