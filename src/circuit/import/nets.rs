//! Names of nets as a board file takes them: short, of letters and digits, each only once.

use std::collections::{BTreeMap, BTreeSet};

/// Longest name that a board file takes.
const LONGEST: usize = 24;

/// Names given so far.
#[derive(Clone, Debug, Default)]
pub(super) struct Names {
    given: BTreeMap<String, String>,
    taken: BTreeSet<String>,
}

impl Names {
    /// The board's name of a net as drawn; the same each time it is asked for.
    pub(super) fn of(&mut self, drawn: &str) -> String {
        if let Some(name) = self.given.get(drawn) {
            return name.clone();
        }
        let plain = cleaned(drawn);
        let more = (2..).map(|n| format!("{}-{n}", plain.chars().take(LONGEST - 5).collect::<String>()));
        let free = |n: &String| !self.taken.contains(&n.to_lowercase());
        let name = std::iter::once(plain.clone()).chain(more).find(free).unwrap_or(plain);
        self.taken.insert(name.to_lowercase());
        self.given.insert(drawn.to_owned(), name.clone());
        name
    }

    /// The name that a net got, if it came up.
    pub(super) fn get(&self, drawn: &str) -> Option<&str> {
        self.given.get(drawn).map(String::as_str)
    }
}

fn cleaned(drawn: &str) -> String {
    let text = drawn.trim();
    if text == "0" {
        return "GND".into();
    }
    let inner = text.strip_prefix("Net-(").and_then(|t| t.strip_suffix(')'));
    let text = match inner {
        Some(inner) => inner.replace("-Pad", "-"),
        None => text.rsplit('/').find(|p| !p.is_empty()).unwrap_or(text).to_owned(),
    };
    let text = text.replace("~{", "").replace("{slash}", "_");
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '{' | '}' | '(' | ')' => {}
            c if c.is_alphanumeric() || "+-_/".contains(c) => out.push(c),
            _ if out.ends_with('_') => {}
            _ => out.push('_'),
        }
    }
    let mut out: String = out.trim_matches('_').chars().take(LONGEST).collect();
    // Bytes count too: a long name of letters beyond ASCII is cut further.
    while out.len() > LONGEST {
        out.pop();
    }
    match () {
        () if out.is_empty() => "N".into(),
        () if out.chars().all(|c| c.is_ascii_digit()) => format!("N{out}").chars().take(LONGEST).collect(),
        () => out,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_cleaned_and_kept_apart() {
        let mut names = Names::default();
        for (drawn, name) in [
            ("0", "GND"),
            ("Net-(C1-Pad2)", "C1-2"),
            ("Net-(Q1-C)", "Q1-C"),
            ("/IN", "IN"),
            ("/preamp/IN", "IN-2"),
            ("in", "in-3"),
            ("12", "N12"),
            ("+9V", "+9V"),
            ("Net-(IC1A-+)", "IC1A-+"),
            ("a b*c", "a_b_c"),
            ("/IN", "IN"),
        ] {
            assert_eq!(names.of(drawn), name, "{drawn}");
        }
        assert!(names.of(&"very-long-name-".repeat(9)).len() <= LONGEST);
    }
}
