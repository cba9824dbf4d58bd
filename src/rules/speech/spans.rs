//! Wordings found in a text.

use super::lexicon::{Element, Ix, Kind, Lexicon, Piece, Piece2, Wording};
use super::spell::Word;
use super::tokens::Break;
use super::written::Does;

/// Filler words that may stand between two words of a wording.
const MAX_FILLERS: usize = 3;
/// Words that a gap may cover.
const MAX_GAP: usize = 3;

/// A wording found: words `start..end`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Span {
    pub start: usize,
    pub end: usize,
    pub entry: Ix,
    /// The wording that was found, by its index.
    pub wording: usize,
}

/// All that was found.
#[derive(Debug)]
pub(super) struct Found {
    /// Every wording found, by where it starts.
    pub all: Vec<Vec<Span>>,
    /// Those that no longer one hides, in order; several of one stretch stand side by side.
    pub spans: Vec<Span>,
    /// Whether each word is a filler.
    pub fillers: Vec<bool>,
}

/// Finds every wording.
pub(super) fn find(lexicon: &Lexicon, words: &[Word]) -> Found {
    let denies = words.iter().map(|w| denies(lexicon, w)).collect();
    let (all, fillers) = (vec![Vec::new(); words.len()], vec![false; words.len()]);
    let mut finder = Finder { lexicon, words, all, fillers, denies };
    for level in 0..lexicon.levels {
        for at in 0..words.len() {
            finder.look(at, level);
        }
        if level == 0 {
            for at in 0..words.len() {
                let filler = |s: &Span| matches!(lexicon.entries[s.entry].kind, Kind::Turn(Does::Filler));
                for span in finder.all[at].clone().into_iter().filter(filler) {
                    finder.fillers[span.start..span.end].fill(true);
                }
            }
            // Now that the fillers are known, wordings of words alone may reach over them.
            for at in 0..words.len() {
                finder.look(at, 0);
            }
        }
    }
    let Finder { all, fillers, .. } = finder;
    // Fillers and parts say nothing by themselves; facts hide nothing.
    let silent = |s: &Span| {
        matches!(lexicon.entries[s.entry].kind, Kind::Turn(Does::Filler | Does::Part) | Kind::Fact)
    };
    let mut sorted: Vec<Span> = all.iter().flatten().copied().filter(|s| !silent(s)).collect();
    sorted.sort_by_key(|s| (std::cmp::Reverse(s.end - s.start), s.start, s.entry));
    let mut taken: Vec<Option<(usize, usize)>> = vec![None; words.len()];
    let mut spans: Vec<Span> = Vec::new();
    for span in sorted {
        let range = Some((span.start, span.end));
        if taken[span.start..span.end].iter().all(|t| t.is_none() || *t == range) {
            taken[span.start..span.end].fill(range);
            spans.push(span);
        }
    }
    spans.sort_by_key(|s| (s.start, s.end, s.entry));
    Found { all, spans, fillers }
}

struct Finder<'a> {
    lexicon: &'a Lexicon,
    words: &'a [Word],
    all: Vec<Vec<Span>>,
    fillers: Vec<bool>,
    /// Whether each word is a denial by itself.
    denies: Vec<bool>,
}

/// Whether a word is a denial by itself.
fn denies(lexicon: &Lexicon, word: &Word) -> bool {
    let keys = word.form.map(Piece2::Form).into_iter().chain(word.stem.map(Piece2::Stem));
    keys.flat_map(|key| lexicon.by_word.get(&key).into_iter().flatten()).any(|i| {
        let wording = &lexicon.wordings[*i];
        let kind = lexicon.entries[wording.entry].kind;
        wording.elements.len() == 1 && matches!(kind, Kind::Turn(Does::DenyThing | Does::DenyState))
    })
}

impl Finder<'_> {
    /// Adds the wordings of a level that begin at a word.
    fn look(&mut self, at: usize, level: usize) {
        let word = &self.words[at];
        let mut keys: Vec<Piece2> = Vec::new();
        keys.extend(word.form.map(Piece2::Form));
        keys.extend(word.stem.map(Piece2::Stem));
        if word.token.number {
            keys.push(Piece2::Number);
        }
        if level > 0 {
            let mut entries: Vec<Ix> =
                self.all[at].iter().flat_map(|s| self.lexicon.entries[s.entry].is.iter().copied()).collect();
            entries.sort_unstable();
            entries.dedup();
            keys.extend(entries.into_iter().map(Piece2::Entry));
        }
        let mut found = Vec::new();
        for key in keys {
            for i in self.lexicon.by_word.get(&key).into_iter().flatten() {
                let wording = &self.lexicon.wordings[*i];
                if wording.level == level
                    && let Some(end) = self.end(wording, 0, at, true)
                {
                    let end = self.repeated(at, end);
                    found.push(Span { start: at, end, entry: wording.entry, wording: *i });
                }
            }
        }
        for span in found {
            let same = |s: &Span| s.end == span.end && s.entry == span.entry;
            if !self.all[at].iter().any(same) {
                self.all[at].push(span);
            }
        }
    }

    /// Where a word that is written over and over ends: `pop pop pop pop` is no more than `pop pop pop`.
    fn repeated(&self, at: usize, end: usize) -> usize {
        let word = |i: usize| self.words.get(i).map(|w| &w.token.word);
        if end < at + 2 || (at..end).any(|i| word(i) != word(at)) {
            return end;
        }
        (end..self.words.len()).find(|i| word(*i) != word(at)).unwrap_or(self.words.len())
    }

    /// Where the elements of a wording from `element` on end if they begin at word `at`: the furthest end.
    fn end(&self, wording: &Wording, element: usize, at: usize, first: bool) -> Option<usize> {
        let Some(next) = wording.elements.get(element) else { return Some(at) };
        match next {
            Element::Edge { start } => {
                let broken = self.words.get(at).is_none_or(|w| w.token.before != Break::None);
                // What begins at an edge begins there; what ends at one has nothing after it.
                broken.then(|| self.end(wording, element + 1, at, *start && first)).flatten()
            }
            // A gap over a denial would turn it round: `I get no stations`.
            Element::Gap => (0..=MAX_GAP)
                .take_while(|n| (0..*n).all(|k| self.joined(at + k) && !self.denies[at + k]))
                .filter_map(|n| self.end(wording, element + 1, at + n, false))
                .max(),
            Element::One { any, optional } => {
                let mut best = if *optional { self.end(wording, element + 1, at, first) } else { None };
                for from in at..=at + MAX_FILLERS {
                    if from >= self.words.len() || (!first && !self.joined(from)) {
                        break;
                    }
                    for end in self.ends(any, from) {
                        best = best.max(self.end(wording, element + 1, end, false));
                    }
                    if first || !self.fillers[from] || self.denies[from] {
                        break;
                    }
                }
                best
            }
        }
    }

    /// Whether a word follows the one before it without a comma or stop.
    fn joined(&self, at: usize) -> bool {
        self.words.get(at).is_some_and(|w| w.token.before == Break::None)
    }

    /// Where the pieces may end that begin at a word.
    fn ends(&self, any: &[Piece], at: usize) -> Vec<usize> {
        let word = &self.words[at];
        let mut out = Vec::new();
        for piece in any {
            match piece {
                Piece::Form(n) if word.form == Some(*n) => out.push(at + 1),
                Piece::Stem(n) if word.stem == Some(*n) => out.push(at + 1),
                Piece::Number if word.token.number => out.push(at + 1),
                Piece::Entry(ix) => {
                    out.extend(self.all[at].iter().filter(|s| self.lexicon.is(s.entry, *ix)).map(|s| s.end))
                }
                _ => {}
            }
        }
        out.sort_unstable();
        out.dedup();
        out
    }
}
