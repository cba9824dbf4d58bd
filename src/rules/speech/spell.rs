//! What word a typed one is: as it stands, with a slip of the hand put right, or two words grown together.

use super::lexicon::{Lexicon, Spelling, Words};
use super::tokens::Token;
use std::collections::BTreeMap;

/// Words of a text whose spelling is looked into; a complaint with more strange words is in another language.
const MAX_STRANGE: usize = 80;

/// A word of the text as the lexicon knows it.
#[derive(Clone, Debug)]
pub(super) struct Word {
    /// Form and stem numbers; nothing where no wording has such a word.
    pub form: Option<u32>,
    pub stem: Option<u32>,
    /// What it was taken for, where it was not typed so.
    pub taken_for: Option<String>,
    /// Whether it is general language, or in some wording.
    pub known: bool,
    pub token: Token,
}

/// The words of a text, looked up.
pub(super) fn words(lexicon: &Lexicon, tokens: Vec<Token>) -> Vec<Word> {
    let known = &lexicon.words;
    let mut memory: BTreeMap<String, Option<Vec<String>>> = BTreeMap::new();
    let mut out: Vec<Word> = Vec::new();
    let mut rest = tokens.into_iter().peekable();
    while let Some(token) = rest.next() {
        let next = rest.peek().filter(|n| n.before == super::tokens::Break::None);
        let two = next.map(|n| (format!("{} {}", token.word, n.word), n.end));
        let two = two.and_then(|(key, end)| Some((known.short.get(&key)?, end)));
        if two.is_some() {
            rest.next();
        }
        if let Some((parts, end)) = two.or_else(|| Some((known.short.get(&token.word)?, token.end))) {
            // Each word of a short form stands at the place of the whole.
            for (i, part) in parts.iter().enumerate() {
                let before = if i == 0 { token.before } else { super::tokens::Break::None };
                let read_as = (i == 0).then(|| parts.join(" "));
                out.push(word(known, part, read_as, Token { before, end, ..token.clone() }));
            }
            continue;
        }
        // `wall wart` is `wallwart` where wordings have it so, and not each part.
        if let Some(next) = rest.peek()
            && next.before == super::tokens::Break::None
            && token.word.len() + next.word.len() >= 6
            && !(is_known(known, &token.word) && is_known(known, &next.word))
        {
            let joined = format!("{}{}", token.word, next.word);
            if is_ours(known, &joined) && !token.number {
                let end = next.end;
                rest.next();
                out.push(word(known, &joined, None, Token { end, ..token }));
                continue;
            }
        }
        if token.number || is_known(known, &token.word) {
            let typed = token.word.clone();
            out.push(word(known, &typed, None, token));
            continue;
        }
        let taken = match memory.get(&token.word) {
            Some(taken) => taken.clone(),
            None if memory.len() >= MAX_STRANGE => None,
            None => {
                let taken = meant(known, &token.word);
                memory.insert(token.word.clone(), taken.clone());
                taken
            }
        };
        match taken.as_deref() {
            None => out.push(Word { form: None, stem: None, taken_for: None, known: false, token }),
            Some([one]) => out.push(word(known, one, Some(one.clone()), token)),
            Some(several) => {
                // Each part of a compound stands at the place of the whole.
                for (i, part) in several.iter().enumerate() {
                    let before = if i == 0 { token.before } else { super::tokens::Break::None };
                    out.push(word(known, part, None, Token { before, ..token.clone() }));
                }
            }
        }
    }
    out
}

fn word(known: &Words, as_: &str, taken_for: Option<String>, token: Token) -> Word {
    Word {
        form: known.forms.get(as_).copied(),
        stem: known.stems.get(&known.stem(as_)).copied(),
        taken_for,
        known: true,
        token,
    }
}

fn is_known(words: &Words, word: &str) -> bool {
    words.forms.contains_key(word) || words.stems.contains_key(&words.stem(word))
}

/// Whether a wording has the word, or one of its stem.
fn is_ours(words: &Words, word: &str) -> bool {
    words.of_wordings.contains(word)
}

/// What a strange word may mean: one word, or the two that it is made of.
fn meant(words: &Words, word: &str) -> Option<Vec<String>> {
    let length = word.chars().count();
    // `humm`, `soo`: a letter too long held.
    let mut single = String::new();
    for c in word.chars() {
        if !single.ends_with(c) {
            single.push(c);
        }
    }
    if single.len() >= 2 && is_known(words, &single) {
        return Some(vec![single]);
    }
    if !(4..=24).contains(&length) {
        return None;
    }
    let near = nearest(words, word, length);
    if let Some((1, found)) = near {
        return Some(vec![found]);
    }
    compound(words, word).or_else(|| near.map(|(_, found)| vec![found]))
}

/// The word that is one slip away, or two for a long word: of several the first of the wordings by the alphabet.
fn nearest(words: &Words, word: &str, length: usize) -> Option<(usize, String)> {
    let most = if length >= 8 { 2 } else { 1 };
    let (form, stem) = (Spelling::new(word), Spelling::new(&words.stem(word)));
    let mut chars = word.chars();
    let (first, second) = (chars.next()?, chars.next()?);
    let mut best: Option<(usize, &String)> = None;
    let mut look = |initial: char, most: usize| {
        for (known, known_stem) in words.near.get(&initial).into_iter().flatten() {
            // A form that is near goes before a stem that is: `droped` is dropped, not drone. A letter not doubled is the
            // slip most made of all: `preses` is presses, not presets.
            let doubled = |d: usize| if same_but_doubled(word, &known.word) { 2 * d - 1 } else { 2 * d };
            let by_form = form.edits(known, most).map(doubled);
            // `buzing`: the stems are near though the forms are not.
            let telling = stem.length >= 5 && known_stem.length >= 4;
            let by_stem = if telling { stem.edits(known_stem, 1).map(|_| 3) } else { None };
            if let Some(rank) = by_form.into_iter().chain(by_stem).min()
                && best.is_none_or(|(r, _)| rank < r)
            {
                best = Some((rank, &known.word));
            }
        }
    };
    look(first, most);
    if second != first {
        // The first two letters in the wrong order.
        look(second, 1);
    }
    best.map(|(rank, w)| ((rank / 2).max(1), w.clone()))
}

/// Whether two words differ in nothing but letters written twice.
fn same_but_doubled(a: &str, b: &str) -> bool {
    let once = |word: &str| {
        let mut chars: Vec<char> = word.chars().collect();
        chars.dedup();
        chars
    };
    once(a) == once(b)
}

/// Two words of wordings written as one, the longer first part first.
fn compound(words: &Words, word: &str) -> Option<Vec<String>> {
    if !word.is_ascii() || word.len() < 8 {
        return None;
    }
    (4..=word.len() - 4).rev().find_map(|at| {
        let (a, b) = word.split_at(at);
        let ours = |w: &str| is_ours(words, w) || (w.len() >= 4 && words.stems.contains_key(&words.stem(w)));
        (ours(a) && ours(b)).then(|| vec![a.to_string(), b.to_string()])
    })
}
