//! Word files to the proven lexicon: every name found, every wording compiled, no wording that goes round in a circle.

use super::written::{Does, Rule, Takes, WordFile};
use crate::text::{At, Complaint, Complaints, Place, Source, Span, decode_all, or_nearest, parse};
use rust_stemmers::{Algorithm, Stemmer};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// Index of an entry.
pub(super) type Ix = usize;

/// What an entry is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    Thing {
        good: bool,
        other: bool,
        aside: bool,
    },
    State {
        noise: bool,
        good: bool,
        takes: Takes,
        simile: bool,
    },
    Time,
    Turn(Does),
    /// A wording that says a symptom outright.
    Symptom,
    /// A wording that says an open reading outright.
    Open,
    /// A wording that says a fact outright.
    Fact,
}

/// A thing, state, time, turn, or what is said outright.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    pub id: String,
    pub kind: Kind,
    /// Itself and all that it is one of.
    pub is: Vec<Ix>,
    /// State: what it is when denied.
    pub denied: Option<Ix>,
    /// State: the thing meant where none is named. Thing: the time that it tells.
    pub of: Option<Ix>,
    /// Times that it stands for.
    pub all: Vec<Ix>,
    /// Where it is written.
    pub place: Place,
}

/// A piece of a wording.
#[derive(Clone, Debug)]
pub(super) enum Piece {
    /// A word by its exact form.
    Form(u32),
    /// A word by its stem.
    Stem(u32),
    /// Any wording of an entry, or of one that is one of it.
    Entry(Ix),
    /// A number.
    Number,
}

/// An element of a wording.
#[derive(Clone, Debug)]
pub(super) enum Element {
    /// One of the pieces; may be absent.
    One { any: Vec<Piece>, optional: bool },
    /// Up to three words of any kind.
    Gap,
    /// A comma or stop, or the end of the text, before what follows: where a stretch begins, or where it ends.
    Edge { start: bool },
}

/// A wording of an entry.
#[derive(Clone, Debug)]
pub(super) struct Wording {
    pub entry: Ix,
    /// As written, its choices made.
    pub text: String,
    pub elements: Vec<Element>,
    /// Where it stands among those that refer to each other: wordings of lower levels are found first.
    pub level: usize,
}

/// A rule with its names found.
#[derive(Clone, Debug, Default)]
pub(super) struct Ruled {
    pub what: Vec<Ix>,
    pub not_what: Vec<Ix>,
    pub how: Vec<Ix>,
    pub when: Vec<Ix>,
    pub unless: Vec<Ix>,
    pub with: Vec<Ix>,
    pub text: Vec<Ix>,
    pub not_text: Vec<Ix>,
    pub good: Vec<Ix>,
    pub bad: Vec<Ix>,
    pub assumed: bool,
}

/// What the rules lead to.
#[derive(Clone, Debug)]
pub(super) struct Outcome {
    pub id: String,
    pub rules: Vec<Ruled>,
    /// Symptom: entries that hint at it where a sentence names all of a list.
    pub hints: Vec<Vec<Ix>>,
    /// The entry whose wordings say it outright.
    pub entry: Ix,
    /// Symptom: those that go without saying.
    pub covers: Vec<String>,
    /// Symptom: those that are no more than this one at its bad times.
    pub absorbs: Vec<String>,
    /// Open reading: the symptoms that may be meant.
    pub one_of: Vec<String>,
    /// Fact: its value; the id is its key.
    pub value: String,
    /// Fact: check and answer.
    pub finding: Option<(String, String)>,
    /// Fact: key and value of one that goes with it.
    pub tells: Option<(String, String)>,
    /// Symptom: sentences that must be read as it.
    pub examples: Vec<(String, Place)>,
    pub place: Place,
}

/// Everything that the reader knows of words. Built once, then only read.
#[derive(Debug)]
pub struct Lexicon {
    pub(super) entries: Vec<Entry>,
    pub(super) wordings: Vec<Wording>,
    pub(super) levels: usize,
    pub(super) symptoms: Vec<Outcome>,
    pub(super) open: Vec<Outcome>,
    pub(super) facts: Vec<Outcome>,
    pub(super) words: Words,
    /// Wordings by the form or stem that they begin with, and those that begin with an entry or number.
    pub(super) by_word: BTreeMap<Piece2, Vec<usize>>,
    /// The entries that the reader itself uses.
    pub(super) own: Own,
    /// Pairs of thing and state that some rule speaks of.
    pub(super) fits: BTreeSet<(Ix, Ix)>,
    /// States that some rule takes of any thing.
    pub(super) of_any: BTreeSet<Ix>,
    /// States that some rule makes a symptom of, not an open choice.
    pub(super) sure: BTreeSet<Ix>,
}

/// How a wording begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Piece2 {
    Form(u32),
    Stem(u32),
    Entry(Ix),
    Number,
}

/// Entries that the reader uses by name.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Own {
    /// The unit itself.
    pub unit: Ix,
    /// What a denied thing is.
    pub none: Ix,
    /// What a denied fault is.
    pub fine: Ix,
    /// What something is that does not do its work.
    pub fails: Ix,
    /// Gone: of a noise, that it is not there.
    pub gone: Ix,
    /// The same as was said before.
    pub same: Ix,
    /// The sound of the unit.
    pub sound: Ix,
    /// Silent, which of a noise is praise.
    pub hushed: Ix,
    /// Quiet, which of a noise is praise too.
    pub calm: Ix,
    /// Lit, which a lamp is.
    pub lit: Ix,
}

/// Words by form and stem.
pub(super) struct Words {
    stemmer: Stemmer,
    /// Forms by number: those of wordings, then those of general language.
    pub forms: BTreeMap<String, u32>,
    pub stems: BTreeMap<String, u32>,
    /// Forms of wordings alone.
    pub of_wordings: BTreeSet<String>,
    /// Short forms, and the words that each is read as.
    pub short: BTreeMap<String, Vec<String>>,
    /// Forms and their stems by first letter, for slips of the hand; forms of wordings come first.
    pub near: BTreeMap<char, Vec<(Spelling, Spelling)>>,
}

/// A word with what rules most others out as its neighbours at a glance.
#[derive(Clone, Debug)]
pub(super) struct Spelling {
    pub word: String,
    /// Characters.
    pub length: usize,
    /// One bit a letter that it has.
    letters: u32,
}

impl Spelling {
    pub fn new(word: &str) -> Self {
        let bit = |c: char| if c.is_ascii_lowercase() { 1 << (c as u32 - 'a' as u32) } else { 1 << 31 };
        Self {
            word: word.into(),
            length: word.chars().count(),
            letters: word.chars().fold(0, |all, c| all | bit(c)),
        }
    }

    /// The edits between two words, adjacent swaps counting one, if they are at most `most`.
    pub fn edits(&self, other: &Self, most: usize) -> Option<usize> {
        // An edit adds or drops at most two letters.
        let apart = (self.letters ^ other.letters).count_ones() as usize;
        if self.length.abs_diff(other.length) > most || apart > 2 * most {
            return None;
        }
        Some(strsim::osa_distance(&self.word, &other.word)).filter(|d| *d <= most)
    }
}

impl std::fmt::Debug for Words {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Words").field("forms", &self.forms.len()).field("stems", &self.stems.len()).finish()
    }
}

impl Words {
    fn new() -> Self {
        Self {
            stemmer: Stemmer::create(Algorithm::English),
            forms: BTreeMap::new(),
            stems: BTreeMap::new(),
            of_wordings: BTreeSet::new(),
            short: BTreeMap::new(),
            near: BTreeMap::new(),
        }
    }

    /// The stem of a word; Porter's second English stemmer (Porter 2001, Snowball). Words of other scripts are their own.
    pub fn stem(&self, word: &str) -> String {
        if word.is_ascii() { self.stemmer.stem(word).into_owned() } else { word.to_string() }
    }

    fn number(map: &mut BTreeMap<String, u32>, word: &str) -> u32 {
        let next = map.len() as u32;
        *map.entry(word.to_string()).or_insert(next)
    }

    fn add(&mut self, word: &str, plain: bool) -> (u32, u32) {
        let stem = self.stem(word);
        let numbers = (Self::number(&mut self.forms, word), Self::number(&mut self.stems, &stem));
        if !plain {
            self.of_wordings.insert(word.to_string());
        }
        numbers
    }

    fn index(&mut self) {
        let (ours, plain): (Vec<&String>, Vec<&String>) =
            self.forms.keys().partition(|w| self.of_wordings.contains(*w));
        for word in ours.into_iter().chain(plain) {
            if let Some(first) = word.chars().next().filter(|_| word.chars().count() >= 3) {
                let stem = if word.is_ascii() { self.stemmer.stem(word).into_owned() } else { word.clone() };
                self.near.entry(first).or_default().push((Spelling::new(word), Spelling::new(&stem)));
            }
        }
    }
}

/// Wordings that one with brackets may spread to.
const MAX_SPREAD: usize = 200;

/// A wording with every choice in brackets made: nothing where brackets don't pair or there are too many choices.
fn spread(text: &str) -> Option<Vec<String>> {
    let Some((before, rest)) = text.split_once('(') else {
        return (!text.contains(')')).then(|| vec![text.to_string()]);
    };
    let (inside, after) = rest.split_once(')')?;
    if before.contains(')') || inside.contains('(') {
        return None;
    }
    let (after, optional) = match after.strip_prefix('?') {
        Some(after) => (after, true),
        None => (after, false),
    };
    let mut out = Vec::new();
    let words =
        inside.split('|').all(|c| !c.is_empty() && !c.contains(char::is_whitespace) && !c.ends_with('?'));
    let within = !before.trim().is_empty() && !after.trim().is_empty();
    for tail in spread(after)? {
        if words && (within || !optional) {
            // Single words are one element.
            let may = if optional { "?" } else { "" };
            out.push(format!("{before} {inside}{may} {tail}"));
            continue;
        }
        // Of choices of several kinds the single words are one element too.
        let (several, one): (Vec<&str>, Vec<&str>) = inside
            .split('|')
            .partition(|c| c.contains(char::is_whitespace) || c.ends_with('?') || c.is_empty());
        let one = Some(one.join("|")).filter(|o| !o.is_empty());
        for choice in several.into_iter().map(str::to_string).chain(one).chain(optional.then(String::new)) {
            out.push(format!("{before} {choice} {tail}"));
        }
    }
    (out.len() <= MAX_SPREAD).then_some(out)
}

/// A file read.
struct File {
    source: Arc<Source>,
    written: WordFile,
}

impl File {
    fn place(&self, span: Span) -> Place {
        Place { file: self.source.clone(), span }
    }
}

/// A symptom of a pack with its own wordings.
#[derive(Clone, Debug)]
pub struct PackWords {
    /// The symptom's id.
    pub symptom: String,
    /// Its wordings, each with its place.
    pub words: Vec<(String, Place)>,
    /// Where the symptom is written.
    pub place: Place,
}

struct Loader<'a> {
    complaints: Complaints,
    names: BTreeMap<String, Ix>,
    entries: Vec<Entry>,
    /// Wordings to compile: entry, text, place.
    texts: Vec<(Ix, String, Place)>,
    words: Words,
    files: &'a [File],
}

impl Lexicon {
    /// Reads word files, with the wordings that packs bring for symptoms of their own.
    ///
    /// # Errors
    /// Every complaint about every file: unknown names, wordings that can't be read or that refer to themselves, what the
    /// reader needs and no file has.
    pub fn load(sources: &[Source], packs: &[PackWords]) -> Result<Self, Complaints> {
        let mut complaints = Complaints::default();
        let mut files = Vec::new();
        for source in sources {
            match parse(source) {
                Ok(document) => {
                    let (written, more) = decode_all::<WordFile>(&document);
                    complaints.0.extend(more.0);
                    files.extend(written.map(|written| File { source: document.file, written }));
                }
                Err(more) => complaints.0.extend(more.0),
            }
        }
        if !complaints.0.is_empty() {
            return complaints.or_ok(()).and_then(|()| Err(Complaints::default()));
        }
        let mut loader = Loader {
            complaints,
            names: BTreeMap::new(),
            entries: Vec::new(),
            texts: Vec::new(),
            words: Words::new(),
            files: &files,
        };
        loader.declare();
        loader.resolve();
        let symptoms = loader.symptoms(packs);
        let (open, facts) = (loader.open(), loader.facts());
        let (wordings, levels) = loader.compile();
        loader.plain();
        loader.short();
        let own = if sources.is_empty() { Own::default() } else { loader.own() };
        let Loader { complaints, entries, mut words, .. } = loader;
        words.index();
        let mut by_word: BTreeMap<Piece2, Vec<usize>> = BTreeMap::new();
        for (i, wording) in wordings.iter().enumerate() {
            for first in firsts(wording) {
                by_word.entry(first).or_default().push(i);
            }
        }
        let mut lexicon = Self {
            entries,
            wordings,
            levels,
            symptoms,
            open,
            facts,
            words,
            by_word,
            own,
            fits: BTreeSet::new(),
            of_any: BTreeSet::new(),
            sure: BTreeSet::new(),
        };
        lexicon.pair();
        complaints.or_ok(lexicon)
    }

    /// Which states are said of which things.
    fn pair(&mut self) {
        let all = self.symptoms.iter().chain(&self.open).chain(&self.facts).flat_map(|o| &o.rules);
        for rule in all {
            for how in &rule.how {
                if rule.what.is_empty() {
                    self.of_any.insert(*how);
                }
                self.fits.extend(rule.what.iter().chain(&rule.not_what).map(|what| (*what, *how)));
            }
        }
        let open: BTreeSet<Ix> =
            self.open.iter().flat_map(|o| &o.rules).flat_map(|r| r.how.clone()).collect();
        let sure = self.symptoms.iter().flat_map(|o| &o.rules).flat_map(|r| r.how.iter().copied());
        self.sure = sure.filter(|how| !open.contains(how)).collect();
    }

    /// Whether some rule speaks of a state of a thing.
    pub(super) fn fit(&self, thing: Ix, state: Ix) -> bool {
        let (things, states) = (&self.entries[thing].is, &self.entries[state].is);
        states.iter().any(|s| self.of_any.contains(s) || things.iter().any(|t| self.fits.contains(&(*t, *s))))
    }

    /// Whether an entry is a given one or one of it.
    pub(super) fn is(&self, entry: Ix, of: Ix) -> bool {
        self.entries[entry].is.contains(&of)
    }

    /// The symptoms that it can read, in the order of the files.
    pub fn reads(&self) -> impl Iterator<Item = &str> {
        self.symptoms.iter().map(|s| s.id.as_str())
    }

    /// Every symptom that its words can lead to, surely or softly, each with its place in a word file.
    pub fn names(&self) -> Vec<(String, Place)> {
        let mut out = Vec::new();
        for s in &self.symptoms {
            out.push((s.id.clone(), s.place.clone()));
        }
        for o in &self.open {
            out.extend(o.one_of.iter().map(|id| (id.clone(), o.place.clone())));
        }
        out
    }

    /// The sentences that show what a symptom's words read: symptom, sentence, place.
    pub fn examples(&self) -> impl Iterator<Item = (&str, &str, &Place)> {
        self.symptoms
            .iter()
            .flat_map(|s| s.examples.iter().map(|(e, place)| (s.id.as_str(), e.as_str(), place)))
    }

    /// The findings that words amount to: check, answer, place.
    pub fn findings(&self) -> impl Iterator<Item = (&str, &str, &Place)> {
        let finding = |f: &'_ Outcome| f.finding.is_some();
        self.facts.iter().filter(move |f| finding(f)).filter_map(|f| {
            f.finding.as_ref().map(|(check, answer)| (check.as_str(), answer.as_str(), &f.place))
        })
    }

    /// How many entries of each kind: things, states, times, turns; and wordings.
    pub fn counts(&self) -> [usize; 5] {
        let count = |f: fn(&Kind) -> bool| self.entries.iter().filter(|e| f(&e.kind)).count();
        [
            count(|k| matches!(k, Kind::Thing { .. })),
            count(|k| matches!(k, Kind::State { .. })),
            count(|k| matches!(k, Kind::Time)),
            count(|k| matches!(k, Kind::Turn(_))),
            self.wordings.len(),
        ]
    }
}

fn firsts(wording: &Wording) -> Vec<Piece2> {
    let mut out = Vec::new();
    for element in &wording.elements {
        let (any, optional) = match element {
            Element::One { any, optional } => (any, optional),
            Element::Edge { .. } => continue,
            Element::Gap => break,
        };
        out.extend(any.iter().map(|p| match p {
            Piece::Form(n) => Piece2::Form(*n),
            Piece::Stem(n) => Piece2::Stem(*n),
            Piece::Entry(n) => Piece2::Entry(*n),
            Piece::Number => Piece2::Number,
        }));
        if !optional {
            break;
        }
    }
    out
}

impl<'a> Loader<'a> {
    fn complain(&mut self, code: &'static str, place: Place, message: String, help: impl Into<String>) {
        self.complaints.0.push(Complaint::at(code, place, message).help(help));
    }

    fn entry(&mut self, id: &str, kind: Kind, place: Place) -> Ix {
        let ix = self.entries.len();
        self.entries.push(Entry {
            id: id.into(),
            kind,
            is: vec![ix],
            denied: None,
            of: None,
            all: Vec::new(),
            place,
        });
        ix
    }

    fn wordings(&mut self, ix: Ix, file: &File, words: &[At<String>]) {
        for word in words {
            self.texts.push((ix, word.value.clone(), file.place(word.span)));
        }
    }

    fn declare(&mut self) {
        let files = self.files;
        for file in files {
            macro_rules! section {
                ($section:ident, $item:ident, $kind:expr) => {
                    for (key, $item) in file.written.$section.iter() {
                        let kind = $kind;
                        let known =
                            self.names.get(&key.value).copied().filter(|ix| self.entries[*ix].kind == kind);
                        if let Some(ix) = known {
                            // A later file adds wordings to an entry that is known.
                            self.wordings(ix, file, &$item.words);
                            continue;
                        }
                        let ix = self.entry(&key.value, kind, file.place(key.span));
                        self.wordings(ix, file, &$item.words);
                        if let Some(first) = self.names.insert(key.value.clone(), ix) {
                            let first = &self.entries[first].place;
                            let (line, _) = first.line_column();
                            let message = format!(
                                "the name '{}' is here a second time; the first is at {}:{line}",
                                key.value, first.file.name
                            );
                            self.complain(
                                "duplicate-id",
                                file.place(key.span),
                                message,
                                "rename one of the two",
                            );
                        }
                    }
                };
            }
            section!(things, t, Kind::Thing { good: t.good, other: t.other, aside: t.aside });
            section!(
                states,
                s,
                Kind::State { noise: s.noise, good: s.good, takes: s.takes, simile: s.simile }
            );
            section!(times, t, Kind::Time);
            section!(turns, t, Kind::Turn(t.does));
        }
    }

    /// An entry of a given kind by name.
    fn find(&mut self, file: &File, name: &At<String>, what: &str, is: impl Fn(&Kind) -> bool) -> Option<Ix> {
        if let Some(ix) = self.names.get(&name.value)
            && is(&self.entries[*ix].kind)
        {
            return Some(*ix);
        }
        let valid = self.names.iter().filter(|(_, ix)| is(&self.entries[**ix].kind)).map(|(n, _)| n.as_str());
        let help = or_nearest(&name.value, valid);
        self.complain(
            "unknown-name",
            file.place(name.span),
            format!("unknown {what} '{}'", name.value),
            help,
        );
        None
    }

    /// Looks up what entries say of each other.
    fn resolve(&mut self) {
        let thing = |k: &Kind| matches!(k, Kind::Thing { .. });
        let state = |k: &Kind| matches!(k, Kind::State { .. });
        let time = |k: &Kind| matches!(k, Kind::Time);
        let mut parents: BTreeMap<Ix, Ix> = BTreeMap::new();
        let files = self.files;
        for file in files {
            for (key, t) in file.written.things.iter() {
                let ix = self.names[&key.value];
                if let Some(p) = t.is.as_ref().and_then(|p| self.find(file, p, "thing", thing)) {
                    parents.insert(ix, p);
                }
                self.entries[ix].of = t.when.as_ref().and_then(|p| self.find(file, p, "time", time));
            }
            for (key, s) in file.written.states.iter() {
                let ix = self.names[&key.value];
                if let Some(p) = s.is.as_ref().and_then(|p| self.find(file, p, "state", state)) {
                    parents.insert(ix, p);
                }
                self.entries[ix].denied = s.denied.as_ref().and_then(|p| self.find(file, p, "state", state));
                self.entries[ix].of = s.of.as_ref().and_then(|p| self.find(file, p, "thing", thing));
            }
            for (key, t) in file.written.times.iter() {
                let ix = self.names[&key.value];
                if let Some(p) = t.is.as_ref().and_then(|p| self.find(file, p, "time", time)) {
                    parents.insert(ix, p);
                }
                self.entries[ix].all =
                    t.all.iter().filter_map(|p| self.find(file, p, "time", time)).collect();
            }
        }
        for ix in 0..self.entries.len() {
            let mut at = ix;
            while let Some(p) = parents.get(&at) {
                if self.entries[ix].is.contains(p) {
                    let (place, id) = (self.entries[ix].place.clone(), self.entries[ix].id.clone());
                    self.complain("cycle", place, format!("'{id}' is one of itself"), "drop one 'is:'");
                    break;
                }
                self.entries[ix].is.push(*p);
                at = *p;
            }
        }
    }

    fn rules(&mut self, file: &File, rules: &[Rule]) -> Vec<Ruled> {
        let thing = |k: &Kind| matches!(k, Kind::Thing { .. });
        let state = |k: &Kind| matches!(k, Kind::State { .. });
        let time = |k: &Kind| matches!(k, Kind::Time);
        let any = |k: &Kind| !matches!(k, Kind::Turn(_));
        let mut out = Vec::new();
        for rule in rules {
            let mut all = |names: &[At<String>], what: &str, is: fn(&Kind) -> bool| -> Vec<Ix> {
                names.iter().filter_map(|n| self.find(file, n, what, is)).collect()
            };
            out.push(Ruled {
                what: all(&rule.what, "thing", thing),
                not_what: all(&rule.not_what, "thing", thing),
                how: all(&rule.how, "state", state),
                when: all(&rule.when, "time", time),
                unless: all(&rule.unless, "thing, state or time", any),
                with: all(&rule.with, "thing, state or time", any),
                text: all(&rule.text, "thing, state or time", any),
                not_text: all(&rule.not_text, "thing, state or time", any),
                good: all(&rule.good, "time", time),
                bad: all(&rule.bad, "time", time),
                assumed: rule.assumed,
            });
            let names = [&rule.what, &rule.how, &rule.when, &rule.text, &rule.good];
            if let Some(first) = [&rule.not_what, &rule.unless, &rule.with].iter().find_map(|l| l.first())
                && names.iter().all(|l| l.is_empty())
            {
                let message = "this combination names neither what nor how nor when".to_string();
                self.complain("empty-list", file.place(first.span), message, "add 'what: […]' or 'how: […]'");
            }
            if let Some(first) = rule.good.first().or(rule.bad.first())
                && (rule.good.is_empty() || rule.bad.is_empty())
            {
                let message = "'good' and 'bad' go together".to_string();
                let help = "name the time at which all is well, and the time at which something is wrong";
                self.complain("missing-field", file.place(first.span), message, help);
            }
        }
        out
    }

    fn hints(&mut self, file: &File, hints: &[Vec<At<String>>]) -> Vec<Vec<Ix>> {
        let mut all = |names: &Vec<At<String>>| -> Vec<Ix> {
            names.iter().filter_map(|n| self.find(file, n, "entry", |_| true)).collect()
        };
        hints.iter().map(&mut all).filter(|h| !h.is_empty()).collect()
    }

    fn symptoms(&mut self, packs: &[PackWords]) -> Vec<Outcome> {
        let mut out: Vec<Outcome> = Vec::new();
        let files = self.files;
        for file in files {
            for (key, s) in file.written.symptoms.iter() {
                let place = file.place(key.span);
                let rules = self.rules(file, &s.reads);
                let hints = self.hints(file, &s.hints);
                if let Some(known) = out.iter_mut().find(|o| o.id == key.value) {
                    // A later file adds to a symptom that is known.
                    known.rules.extend(rules);
                    known.hints.extend(hints);
                    known.covers.extend(s.covers.iter().map(|c| c.value.clone()));
                    known.absorbs.extend(s.absorbs.iter().map(|c| c.value.clone()));
                    known.examples.extend(s.examples.iter().map(|c| (c.value.clone(), file.place(c.span))));
                    let entry = known.entry;
                    self.wordings(entry, file, &s.words);
                    continue;
                }
                let entry = self.entry(&key.value, Kind::Symptom, place.clone());
                self.wordings(entry, file, &s.words);
                out.push(Outcome {
                    id: key.value.clone(),
                    rules,
                    hints,
                    entry,
                    covers: s.covers.iter().map(|c| c.value.clone()).collect(),
                    absorbs: s.absorbs.iter().map(|c| c.value.clone()).collect(),
                    one_of: Vec::new(),
                    value: String::new(),
                    finding: None,
                    tells: None,
                    examples: s.examples.iter().map(|c| (c.value.clone(), file.place(c.span))).collect(),
                    place,
                });
            }
        }
        let known: Vec<(String, At<String>, usize)> = files
            .iter()
            .enumerate()
            .flat_map(|(i, f)| {
                f.written.symptoms.iter().flat_map(move |(k, s)| {
                    s.covers.iter().chain(&s.absorbs).map(move |c| (k.value.clone(), c.clone(), i))
                })
            })
            .collect();
        for (_, name, file) in known {
            let ids: Vec<&str> = out.iter().map(|o| o.id.as_str()).collect();
            if !ids.contains(&name.value.as_str()) {
                let help = or_nearest(&name.value, ids);
                let place = self.files[file].place(name.span);
                self.complain(
                    "unknown-name",
                    place,
                    format!("no words read the symptom '{}'", name.value),
                    help,
                );
            }
        }
        for pack in packs {
            let entry = match out.iter().find(|o| o.id == pack.symptom) {
                Some(known) => known.entry,
                None => {
                    let entry = self.entry(&pack.symptom, Kind::Symptom, pack.place.clone());
                    out.push(Outcome {
                        id: pack.symptom.clone(),
                        rules: Vec::new(),
                        hints: Vec::new(),
                        entry,
                        covers: Vec::new(),
                        absorbs: Vec::new(),
                        one_of: Vec::new(),
                        value: String::new(),
                        finding: None,
                        tells: None,
                        examples: Vec::new(),
                        place: pack.place.clone(),
                    });
                    entry
                }
            };
            self.texts.extend(pack.words.iter().map(|(text, place)| (entry, text.clone(), place.clone())));
        }
        out
    }

    fn open(&mut self) -> Vec<Outcome> {
        let mut out = Vec::new();
        let files = self.files;
        for file in files {
            for (key, o) in file.written.open.iter() {
                let place = file.place(key.span);
                if o.one_of.len() < 2 {
                    let message = format!("'{}' leaves nothing open", key.value);
                    self.complain(
                        "empty-list",
                        place.clone(),
                        message,
                        "name two symptoms or more in 'one-of: […]'",
                    );
                }
                let rules = self.rules(file, &o.reads);
                let entry = self.entry(&key.value, Kind::Open, place.clone());
                self.wordings(entry, file, &o.words);
                out.push(Outcome {
                    id: key.value.clone(),
                    rules,
                    hints: Vec::new(),
                    entry,
                    covers: Vec::new(),
                    absorbs: Vec::new(),
                    one_of: o.one_of.iter().map(|c| c.value.clone()).collect(),
                    value: String::new(),
                    finding: None,
                    tells: None,
                    examples: Vec::new(),
                    place,
                });
            }
        }
        out
    }

    fn facts(&mut self) -> Vec<Outcome> {
        let mut out = Vec::new();
        let files = self.files;
        for file in files {
            for (key, values) in file.written.facts.iter() {
                for (value, f) in values.iter() {
                    let place = file.place(value.span);
                    let rules = self.rules(file, &f.reads);
                    let entry =
                        self.entry(&format!("{}={}", key.value, value.value), Kind::Fact, place.clone());
                    self.wordings(entry, file, &f.words);
                    let finding =
                        f.finding.as_ref().and_then(|text| self.pair_of(file, text, "CHECK=ANSWER"));
                    let tells = f.tells.as_ref().and_then(|text| self.pair_of(file, text, "KEY=VALUE"));
                    out.push(Outcome {
                        id: key.value.clone(),
                        rules,
                        hints: Vec::new(),
                        entry,
                        covers: Vec::new(),
                        absorbs: Vec::new(),
                        one_of: Vec::new(),
                        value: value.value.clone(),
                        finding,
                        tells,
                        examples: Vec::new(),
                        place,
                    });
                }
            }
        }
        out
    }

    fn pair_of(&mut self, file: &File, text: &At<String>, form: &str) -> Option<(String, String)> {
        if let Some((check, answer)) = text.value.split_once('=') {
            return Some((check.trim().into(), answer.trim().into()));
        }
        let message = format!("'{}' has no '='", text.value);
        self.complain("bad-value", file.place(text.span), message, format!("write {form}"));
        None
    }

    fn plain(&mut self) {
        let files = self.files;
        for file in files {
            for text in &file.written.plain {
                for word in text.value.split_whitespace() {
                    self.words.add(&word.to_lowercase(), true);
                }
            }
        }
    }

    fn short(&mut self) {
        let files = self.files;
        for file in files {
            for (key, read_as) in file.written.short.iter() {
                let words = |text: &str| text.split(' ').map(str::to_string).collect::<Vec<_>>();
                let fits = |text: &str| {
                    !text.is_empty() && words(text).iter().all(|w| super::tokens::tokens(w).len() == 1)
                };
                if words(&key.value).len() > 2 || !fits(&key.value) || !fits(&read_as.value) {
                    let message =
                        format!("the short form '{}' is not one word or two, or is read as none", key.value);
                    let place = file.place(key.span);
                    self.complain(
                        "bad-value",
                        place,
                        message,
                        "write, for example, 'lvl: level' or 'w o: without'",
                    );
                    continue;
                }
                for word in words(&read_as.value) {
                    self.words.add(&word, true);
                }
                self.words.short.insert(key.value.clone(), words(&read_as.value));
            }
        }
    }

    fn own(&mut self) -> Own {
        let mut get = |name: &str| -> Ix {
            if let Some(ix) = self.names.get(name) {
                return *ix;
            }
            let message = format!("no word file has the entry '{name}', which the reader itself uses");
            self.complaints.0.push(
                Complaint::nowhere("missing-field", message).help("add it under 'things:' or 'states:'"),
            );
            0
        };
        Own {
            unit: get("unit"),
            none: get("none"),
            fine: get("fine"),
            fails: get("fails"),
            gone: get("gone"),
            same: get("same"),
            sound: get("sound"),
            hushed: get("hushed"),
            calm: get("calm"),
            lit: get("lit"),
        }
    }

    fn compile(&mut self) -> (Vec<Wording>, usize) {
        let mut out = Vec::new();
        let texts = std::mem::take(&mut self.texts);
        let mut places = Vec::new();
        for (entry, text, place) in texts {
            if let Some((message, help)) = misshapen(&text) {
                self.complain("bad-wording", place, message, help);
                continue;
            }
            for text in spread(&text).unwrap_or_default() {
                if let Some(elements) = self.elements(&text, &place) {
                    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
                    out.push(Wording { entry, text, elements, level: 0 });
                    places.push(place.clone());
                }
            }
        }
        // A wording stands above all that it refers to; an entry stands as high as the highest wording of what is one of it.
        let count = self.entries.len();
        let mut height = vec![0usize; count];
        for round in 0..=count {
            let mut moved = None;
            for (i, wording) in out.iter_mut().enumerate() {
                let refs = wording.elements.iter().flat_map(|e| match e {
                    Element::One { any, .. } => any.as_slice(),
                    Element::Gap | Element::Edge { .. } => &[],
                });
                let above =
                    refs.filter_map(|p| if let Piece::Entry(ix) = p { Some(height[*ix] + 1) } else { None });
                let needed = above.max().unwrap_or(0);
                if needed > wording.level {
                    wording.level = needed;
                    moved = Some(i);
                    for of in &self.entries[wording.entry].is {
                        height[*of] = height[*of].max(needed);
                    }
                }
            }
            let Some(i) = moved else { break };
            if round == count || out[i].level > count {
                let id = self.entries[out[i].entry].id.clone();
                let message = format!("the wordings of '{id}' refer to themselves");
                self.complain("cycle", places[i].clone(), message, "name words in place of one '{…}'");
                break;
            }
        }
        let levels = out.iter().map(|w| w.level).max().unwrap_or(0) + 1;
        (out, levels)
    }

    /// A wording: words, `a|b` for either, `(a b|c)` for either of several words, `(a b)?` for words that may be absent, `=word` for the exact form, `word?` for one that may be absent, `{entry}`, `#` for a
    /// number, `..` for up to three words, `^` and `$` for where a stretch between commas or stops begins and ends.
    fn elements(&mut self, text: &str, place: &Place) -> Option<Vec<Element>> {
        let mut out = Vec::new();
        for part in text.split_whitespace() {
            if part == ".." {
                out.push(Element::Gap);
                continue;
            }
            if matches!(part, "^" | "$") {
                out.push(Element::Edge { start: part == "^" });
                continue;
            }
            let (part, optional) = match part.strip_suffix('?') {
                Some(part) => (part, true),
                None => (part, false),
            };
            let mut any = Vec::new();
            for word in part.split('|') {
                any.push(self.piece(word, text, place)?);
            }
            out.push(Element::One { any, optional });
        }
        Some(out)
    }

    fn piece(&mut self, word: &str, text: &str, place: &Place) -> Option<Piece> {
        if word == "#" {
            return Some(Piece::Number);
        }
        if let Some(name) = word.strip_prefix('{').and_then(|w| w.strip_suffix('}')) {
            if let Some(ix) = self.names.get(name) {
                return Some(Piece::Entry(*ix));
            }
            let help = or_nearest(name, self.names.keys().map(String::as_str));
            self.complain(
                "unknown-name",
                place.clone(),
                format!("unknown entry '{name}' in the wording '{text}'"),
                help,
            );
            return None;
        }
        let (exact, word) = match word.strip_prefix('=') {
            Some(word) => (true, word),
            None => (false, word),
        };
        let (form, stem) = self.words.add(&single(word)?, false);
        Some(if exact { Piece::Form(form) } else { Piece::Stem(stem) })
    }
}

/// The one word that a piece of a wording is, as the reader sees it.
fn single(word: &str) -> Option<String> {
    let bare = super::tokens::tokens(word);
    match bare.as_slice() {
        [one] if one.word.chars().count() == word.chars().filter(|c| *c != '\'').count() => {
            Some(one.word.clone())
        }
        _ => None,
    }
}

/// What is wrong with the shape of a wording, whatever entries there are: message and help.
pub(in crate::rules) fn misshapen(text: &str) -> Option<(String, &'static str)> {
    let Some(all) = spread(text) else {
        let message = format!(
            "the brackets in the wording '{text}' don't pair, or spread to over {MAX_SPREAD} wordings"
        );
        return Some((message, "write (one thing|the other) with nothing nested"));
    };
    for text in all {
        let all: Vec<&str> = text.split_whitespace().collect();
        let parts = all.strip_prefix(&["^"]).unwrap_or(&all);
        let parts = parts.strip_suffix(&["$"]).unwrap_or(parts);
        let gap = |p: Option<&&str>| p == Some(&"..");
        let firm = |p: &&str| *p != ".." && !p.ends_with('?');
        if gap(parts.first()) || gap(parts.last()) || !parts.iter().any(firm) {
            let message =
                format!("the wording '{text}' begins or ends with a gap, or has no word that must be there");
            return Some((message, "write a word there that may not be absent"));
        }
        for word in parts.iter().flat_map(|p| p.strip_suffix('?').unwrap_or(p).split('|')) {
            let entry = word.starts_with('{') && word.ends_with('}');
            if word != "#"
                && word != ".."
                && !entry
                && single(word.strip_prefix('=').unwrap_or(word)).is_none()
            {
                let message = format!("'{word}' in the wording '{text}' is no single word");
                return Some((message, "write words with blanks between them; a hyphen counts as a blank"));
            }
        }
    }
    None
}
