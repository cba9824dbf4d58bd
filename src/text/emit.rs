//! Values to YAML text. The one place that calls `serde_yaml`.

use serde::Serialize;

/// A value as a block of YAML, ending in a newline.
///
/// # Errors
/// When the value has no YAML form (a map with keys that are no scalars).
pub fn to_yaml<T: Serialize>(value: &T) -> Result<String, serde_yaml::Error> {
    serde_yaml::to_string(value)
}

/// A text as one YAML scalar on one line, quoted where YAML needs it; reading it back gives the
/// same text.
///
/// ```
/// use halfsplit::text::inline;
/// assert_eq!(inline("hums, then stops"), "hums, then stops");
/// assert_eq!(inline("note: loud"), "\"note: loud\"");
/// ```
pub fn inline(text: &str) -> String {
    let safe_start = text.chars().next().is_some_and(|c| c.is_alphanumeric() || c == '/');
    let safe = safe_start
        && text.trim() == text
        && text.chars().all(|c| !c.is_control() && c != '\u{feff}' && c != '\u{2028}' && c != '\u{2029}')
        && !text.contains(": ")
        && !text.ends_with(':')
        && !text.contains(" #")
        && !text.contains(['{', '}', '[', ']', '"', '\'', '`', '&', '*', '!', '|', '>', '%', '@', '\\'])
        && !reads_as_other(text);
    if safe { text.to_string() } else { quoted(text) }
}

fn reads_as_other(text: &str) -> bool {
    let lower = text.to_lowercase();
    matches!(lower.as_str(), "null" | "true" | "false" | "yes" | "no" | "on" | "off" | "y" | "n" | "~")
        || text.parse::<f64>().is_ok()
}

fn quoted(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            '\r' => out.push_str("\\r"),
            c if c.is_control() || matches!(c, '\u{feff}' | '\u{2028}' | '\u{2029}') => {
                out.push_str(&format!("\\u{:04x}", u32::from(c)));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}
