//! What was understood of a complaint, from which words, and how to put it right.

use super::screen::wrap;
use crate::job::{Card, Hearing, JobCard, hear};
use crate::rules::Rules;
use crate::rules::speech::Parse;
use crate::text::Complaints;

/// Columns for the first word of a row.
const LABEL: usize = 18;

/// Words in quotation marks, with commas.
fn quoted(words: &[String]) -> String {
    words.iter().map(|w| format!("\"{w}\"")).collect::<Vec<_>>().join(", ")
}

fn from(words: &[String]) -> String {
    if words.is_empty() { String::new() } else { format!(", from {}", quoted(words)) }
}

fn row(label: &str, text: &str, width: usize) -> String {
    wrap(text, width, &format!("  {label:<LABEL$} "), &" ".repeat(LABEL + 3))
}

/// `one`, `one or two`, `one, two or three`.
fn either(list: &[String]) -> String {
    match list.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
        None => String::new(),
    }
}

/// Every part of a reading in rows, for `open` and `rules read`.
pub fn rows(rules: &Rules, parse: &Parse, card: Option<&Card>, width: usize) -> String {
    let says =
        |id: &str| rules.find_symptom(id).map_or_else(|_| id.to_string(), |s| rules.symptom(s).says.clone());
    let mut out = String::new();
    for heard in &parse.symptoms {
        out += &row(&heard.symptom, &format!("{}{}", says(&heard.symptom), from(&heard.words)), width);
    }
    if let Some(card) = card {
        let hand = Hearing { parse: parse.clone() }.by_hand(card);
        for id in hand.added {
            out += &row(&id, &format!("{}, by hand", says(&id)), width);
        }
        for id in hand.dropped {
            out += &row(&id, "read, and dropped by hand", width);
        }
    }
    for open in &parse.open {
        let label = "open";
        out += &row(label, &format!("{}{}", either(&open.one_of), from(&open.words)), width);
    }
    for heard in &parse.denied {
        out += &row(
            &format!("no {}", heard.symptom),
            &format!("said not to be there{}", from(&heard.words)),
            width,
        );
    }
    for fact in &parse.facts {
        out += &row(&fact.key, &format!("{}{}", fact.value.replace('-', " "), from(&fact.words)), width);
    }
    if !parse.does_not_work.is_empty() {
        let text = format!("it does not work; no more is said of it{}", from(&parse.does_not_work));
        out += &row("no symptom", &text, width);
    } else if parse.symptoms.is_empty() && parse.open.is_empty() {
        out += &row("no symptom", "nothing that is heard or seen was recognised", width);
    }
    if !parse.taken.is_empty() {
        let taken: Vec<String> =
            parse.taken.iter().map(|t| format!("\"{}\" as {}", t.typed, t.read_as)).collect();
        out += &row("spelling", &taken.join(", "), width);
    }
    if !parse.left.is_empty() {
        out += &row("left", &quoted(&parse.left), width);
    }
    out
}

/// How to put a reading right in a word.
pub fn remedy(parse: &Parse, typed: &str, width: usize) -> String {
    let no = parse.symptoms.first().map(|h| format!("{}=no", h.symptom));
    let yes = match parse.open.first().and_then(|o| o.one_of.first()) {
        Some(id) => format!("{id}=yes"),
        None if parse.symptoms.iter().any(|h| h.symptom == "hum") => "buzz=yes".into(),
        None => "hum=yes".into(),
    };
    let how = match no {
        Some(no) => format!(
            "Misread? One word puts it right: halfsplit note {typed} {no} (or {yes} for what is missing)"
        ),
        None => format!("What is heard goes in by one word: halfsplit note {typed} {yes}"),
    };
    wrap(&how, width, "", "  ")
}

/// The reading of a card's complaint in a line or two: what counts, from which words, what is open, what was left. Empty for a
/// card without words.
///
/// # Errors
/// When a word file is at fault.
pub fn brief(rules: &Rules, job: &JobCard, typed: Option<&str>, width: usize) -> Result<String, Complaints> {
    let Some(complaint) = &job.card.complaint else { return Ok(String::new()) };
    let Some(words) = complaint.words.as_ref().filter(|w| !w.trim().is_empty()) else {
        return Ok(String::new());
    };
    let parse = hear(rules, words)?.parse;
    let told = |id: &str| parse.symptoms.iter().find(|h| h.symptom == id).map_or(&[][..], |h| &h.words);
    let shown = |id: &str| match told(id) {
        [] => id.to_string(),
        words => format!("{id} ({})", quoted(words)),
    };
    let mut read: Vec<String> = complaint.symptoms.iter().map(|s| shown(&s.value)).collect();
    for list in &complaint.perhaps {
        let list: Vec<String> = list.iter().map(|s| s.value.clone()).collect();
        let words = parse.open.iter().find(|o| o.one_of == list).map_or(&[][..], |o| &o.words);
        let words = if words.is_empty() { String::new() } else { format!(" ({})", quoted(words)) };
        read.push(format!("{}{words}", either(&list)));
    }
    let mut out = match read.as_slice() {
        [] => wrap("Read as: no symptom.", width, "", "  "),
        read => wrap(&format!("Read as: {}.", read.join("; ")), width, "", "  "),
    };
    if !parse.denied.is_empty() {
        let not: Vec<String> = parse.denied.iter().map(|h| h.symptom.clone()).collect();
        out += &wrap(&format!("Said not to be there: {}.", not.join(", ")), width, "", "  ");
    }
    if !parse.left.is_empty() {
        out += &wrap(&format!("Left: {}.", quoted(&parse.left)), width, "", "  ");
    }
    if let Some(typed) = typed {
        out += &remedy(&parse, typed, width);
    }
    Ok(out)
}
