//! Text from a card made harmless: nothing that drives a terminal, turns the direction of a line, or hides.

use serde_json::Value;

/// A text on one line, without control, direction and invisible characters. White space runs become one space; a control
/// character or a direction override becomes U+FFFD, so that it is seen that something was there.
///
/// ```
/// assert_eq!(halfsplit::summary::inert("a\n b\u{1b}[31mred\u{202e}x"), "a b\u{fffd}[31mred\u{fffd}x");
/// ```
pub fn text(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\t' | '\n' | '\r' | ' ' | '\u{2028}' | '\u{2029}' | '\u{85}' => {
                if !out.is_empty() && !out.ends_with(' ') {
                    out.push(' ');
                }
            }
            c if c.is_control() => out.push('\u{fffd}'),
            // Embeddings, overrides and isolates turn what stands after them.
            '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' => out.push('\u{fffd}'),
            // Marks without a width: nothing is lost without them.
            '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{61c}' | '\u{feff}' | '\u{2060}' | '\u{180e}' => {}
            '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}' => {}
            c => out.push(c),
        }
    }
    out.truncate(out.trim_end().len());
    out
}

/// Every text of a value made harmless.
pub(super) fn all(value: &mut Value) {
    match value {
        Value::String(s) => *s = text(s),
        Value::Array(list) => list.iter_mut().for_each(all),
        Value::Object(map) => map.values_mut().for_each(all),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_drives_nothing() {
        let bad: String =
            (0..0x300u32).chain(0x2000..0x2100).chain(0xe0000..0xe0080).filter_map(char::from_u32).collect();
        let clean = text(&bad);
        assert!(!clean.chars().any(|c| c.is_control()));
        assert!(
            !clean
                .chars()
                .any(|c| matches!(c as u32, 0x200b | 0x200e | 0x200f | 0x202a..=0x202e | 0x2066..=0x2069))
        );
        assert_eq!(text(&clean), clean, "twice is once");
        assert_eq!(
            text("\u{1f9d1}\u{200d}\u{1f527} na\u{ef}ve \u{5e9}\u{5dc}\u{5d5}\u{5dd}"),
            "\u{1f9d1}\u{200d}\u{1f527} na\u{ef}ve \u{5e9}\u{5dc}\u{5d5}\u{5dd}"
        );
    }
}
