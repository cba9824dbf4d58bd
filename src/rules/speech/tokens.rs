//! A text to words with their places.

/// What stands before a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Break {
    /// A blank or a hyphen.
    None,
    /// A comma, colon, bracket or dash.
    Comma,
    /// The end of a sentence or line.
    Strong,
}

/// One word.
#[derive(Clone, Debug)]
pub(super) struct Token {
    /// In lower case, without apostrophes and accents.
    pub word: String,
    /// Bytes in the text.
    pub start: usize,
    pub end: usize,
    /// What stands before it.
    pub before: Break,
    /// Whether it begins with a digit.
    pub number: bool,
}

/// Characters of a text that are read; an owner's complaint is a page at most.
pub const MAX_CHARS: usize = 8_000;

/// A word longer than this is cut: no language here has one.
const MAX_WORD: usize = 48;

/// The words of a text, of at most its first [`MAX_CHARS`] characters.
pub(super) fn tokens(text: &str) -> Vec<Token> {
    let mut out: Vec<Token> = Vec::new();
    let mut before = Break::Strong;
    let chars: Vec<(usize, char)> = text.char_indices().take(MAX_CHARS).collect();
    let at = |i: usize| chars.get(i).map(|(_, c)| *c);
    let mut i = 0;
    while let Some(c) = at(i) {
        if c.is_alphanumeric() {
            let from = i;
            let number = c.is_ascii_digit();
            let mut word = String::new();
            while let Some(c) = at(i) {
                let inner = |n: Option<char>| n.is_some_and(char::is_alphanumeric);
                let digit = |n: Option<char>| n.is_some_and(|d| d.is_ascii_digit());
                if c.is_alphanumeric() {
                    push(&mut word, c);
                } else if matches!(c, '.' | ',') && number && digit(at(i - 1)) && digit(at(i + 1)) {
                    word.push('.');
                } else if !(matches!(c, '\'' | '\u{2019}' | '`') && inner(at(i + 1))) {
                    break;
                }
                i += 1;
            }
            let end =
                chars.get(i).map_or_else(|| chars.last().map_or(0, |(b, c)| b + c.len_utf8()), |(b, _)| *b);
            out.push(Token { word, start: chars[from].0, end, before, number });
            before = Break::None;
            continue;
        }
        let spaced = |n: Option<char>| n.is_none_or(char::is_whitespace);
        // `HF -12 dB`.
        let minus = |i: usize| {
            let digit = at(i + 1).is_some_and(|d| d.is_ascii_digit());
            digit && i.checked_sub(1).is_none_or(|before| spaced(at(before)))
        };
        let found = match c {
            '.' | '!' | '?' | ';' | '\n' | '\u{2026}' => Break::Strong,
            ',' | ':' | '(' | ')' | '[' | ']' | '\u{2014}' | '\u{2013}' => Break::Comma,
            '/' if spaced(at(i + 1)) && i > 0 && spaced(at(i - 1)) => Break::Comma,
            '-' | '\u{2212}' if minus(i) => Break::None,
            '-' if spaced(at(i + 1)) || (i > 0 && spaced(at(i - 1))) => Break::Comma,
            _ => Break::None,
        };
        before = before.max(found);
        let sign = match c {
            '&' => "and",
            '=' => "is",
            '@' => "at",
            '-' | '\u{2212}' if minus(i) => "minus",
            '+' if spaced(at(i + 1)) => "plus",
            _ => "",
        };
        if !sign.is_empty() {
            let (start, c) = chars[i];
            out.push(Token { word: sign.into(), start, end: start + c.len_utf8(), before, number: false });
            before = Break::None;
        }
        i += 1;
    }
    out
}

/// Adds a character in lower case, without its accent; the third and later of one letter in a row is left out.
fn push(word: &mut String, c: char) {
    if word.len() >= MAX_WORD {
        return;
    }
    for c in c.to_lowercase() {
        let plain = match c {
            'à'..='å' => 'a',
            'ç' => 'c',
            'è'..='ë' => 'e',
            'ì'..='ï' => 'i',
            'ñ' => 'n',
            'ò'..='ö' | 'ø' => 'o',
            'ù'..='ü' => 'u',
            'ý' | 'ÿ' => 'y',
            other => other,
        };
        let mut last = word.chars().rev();
        let thrice = last.next() == Some(plain) && last.next() == Some(plain) && plain.is_alphabetic();
        if !thrice {
            word.push(plain);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<String> {
        tokens(text).into_iter().map(|t| t.word).collect()
    }

    #[test]
    fn words_are_small_and_bare() {
        assert_eq!(words("It's DEAD!!! 9,5V café – hummmm"), ["its", "dead", "9.5v", "cafe", "humm"]);
        assert_eq!(words("dit-dit & more"), ["dit", "dit", "and", "more"]);
        assert_eq!(words(""), Vec::<String>::new());
        assert_eq!(words("HF -12 dB @ 3k - off"), ["hf", "minus", "12", "db", "at", "3k", "off"]);
    }

    #[test]
    fn breaks_stand_before_their_word() {
        let breaks: Vec<Break> = tokens("Hums, a-b - c. D").iter().map(|t| t.before).collect();
        use Break::*;
        assert_eq!(breaks, [Strong, Comma, None, Comma, Strong]);
        let breaks: Vec<Break> = tokens("a / b c/d -9").iter().map(|t| t.before).collect();
        assert_eq!(breaks, [Strong, Comma, None, None, None, None]);
    }

    #[test]
    fn places_are_bytes_of_the_text() {
        let text = "é größer now";
        let cut: Vec<&str> = tokens(text).iter().map(|t| &text[t.start..t.end]).collect();
        assert_eq!(cut, ["é", "größer", "now"]);
    }
}
