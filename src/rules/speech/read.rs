//! From what is said to symptoms, open readings and facts.

use super::clauses::{self, Said, Speech};
use super::lexicon::{Ix, Kind, Lexicon, Outcome, Ruled};
use super::spans::{self, Found};
use super::spell::{self, Word};
use super::tokens::tokens;
use super::written::Does;
use serde::Serialize;
use std::collections::BTreeSet;

/// A symptom, with the words that it was read from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Heard {
    /// Its id.
    pub symptom: String,
    /// The words, as they stand in the text.
    pub words: Vec<String>,
}

/// Words that mean one of several symptoms.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Open {
    /// The symptoms that may be meant, the likeliest first.
    pub one_of: Vec<String>,
    /// The words, as they stand in the text.
    pub words: Vec<String>,
}

/// Something else that is said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Fact {
    /// What it is about, such as `history`.
    pub key: String,
    /// What it is, such as `fresh-build`.
    pub value: String,
    /// The check and answer that it amounts to, if it does.
    pub finding: Option<(String, String)>,
    /// The words, as they stand in the text.
    pub words: Vec<String>,
}

/// A word that was not typed as it was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Taken {
    /// As typed.
    pub typed: String,
    /// As read.
    pub read_as: String,
}

/// A wording found in a text.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct FoundWords {
    /// The words, as they stand in the text.
    pub words: String,
    /// The entry of the word files.
    pub entry: String,
    /// The wording, its choices made.
    pub wording: String,
}

/// One thing said, as it was taken apart.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Statement {
    /// The thing spoken of, an entry of the word files.
    pub what: String,
    /// Its state, an entry of the word files.
    pub how: String,
    /// Where and when.
    pub when: Vec<String>,
    /// Where and when it ends.
    pub until: Vec<String>,
    /// Whether it is denied.
    pub denied: bool,
    /// The words, as they stand in the text.
    pub words: Vec<String>,
}

/// What a text says.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Parse {
    /// The wordings found that no longer one hides, in their order.
    pub found: Vec<FoundWords>,
    /// The text taken apart, in its order.
    pub said: Vec<Statement>,
    /// Symptoms named for sure, in the order of the word files.
    pub symptoms: Vec<Heard>,
    /// Words that leave it open which symptom is meant.
    pub open: Vec<Open>,
    /// Symptoms that the text says are not there.
    pub denied: Vec<Heard>,
    /// What else is said.
    pub facts: Vec<Fact>,
    /// The words that say no more than that it does not work, where nothing else is read.
    pub does_not_work: Vec<String>,
    /// Words that were not typed as they were read.
    pub taken: Vec<Taken>,
    /// Stretches from which nothing was taken.
    pub left: Vec<String>,
}

impl Lexicon {
    /// Reads a text. Cost: linear in its length, of which at most [`MAX_CHARS`](super::MAX_CHARS) characters count.
    pub fn read(&self, text: &str) -> Parse {
        let words = spell::words(self, tokens(text));
        let found = spans::find(self, &words);
        let speech = clauses::read(self, &words, &found);
        let named = |from: usize, to: usize| -> BTreeSet<Ix> {
            let spans = found.all[from..to].iter().flatten();
            spans.flat_map(|s| self.entries[s.entry].is.iter().copied()).collect()
        };
        let clauses = speech.clauses.iter().map(|c| named(c.from, c.to)).collect();
        let whole = named(0, words.len());
        let used = BTreeSet::new();
        let mut judge =
            Judge { lexicon: self, text, words: &words, found: &found, speech, clauses, whole, used };
        judge.hush();
        judge.parse()
    }
}

struct Judge<'a> {
    lexicon: &'a Lexicon,
    text: &'a str,
    words: &'a [Word],
    found: &'a Found,
    speech: Speech,
    /// Entries named in each clause, with what they are one of.
    clauses: Vec<BTreeSet<Ix>>,
    /// Entries named anywhere.
    whole: BTreeSet<Ix>,
    /// Words that something was read from.
    used: BTreeSet<usize>,
}

/// Words that something rests on, and the times at which it was said.
#[derive(Clone, Debug)]
struct Evidence {
    at: Vec<(usize, usize)>,
    times: Vec<Ix>,
}

impl Judge<'_> {
    /// Where a noise is complained of, `silent on battery` is praise.
    fn hush(&mut self) {
        let own = self.lexicon.own;
        let noise = |s: &Said| matches!(self.lexicon.entries[s.state].kind, Kind::State { noise: true, .. });
        let noises: Vec<(usize, Vec<Ix>)> = self
            .speech
            .said
            .iter()
            .filter(|s| noise(s) && !s.denied)
            .map(|s| (s.clause, s.times.clone()))
            .collect();
        let calm = |s: &Said| s.state == own.hushed || s.state == own.calm;
        let mute = |s: &Said| {
            // `not a murmur on battery` is praise only where the noise has its time too.
            let dumb = self.lexicon.entries[own.hushed].is.get(1).is_some_and(|mute| s.state == *mute);
            (s.thing == own.unit || s.thing == own.sound) && (dumb || calm(s)) && !s.denied
        };
        let hushed: Vec<usize> = (0..self.speech.said.len())
            .filter(|i| {
                let s = &self.speech.said[*i];
                // `there is a whistle. Quiet, but there`: how quiet, of nothing that is named, goes for the noise.
                let bare = calm(s) && !s.denied && s.at.len() == 1 && s.thing != own.unit;
                // `It hisses and gets quiet` tells of two faults.
                let joined = self.speech.clauses[s.clause].is_joined();
                let apart = |c: usize| c != s.clause && !(joined && c + 1 == s.clause);
                // `silent, hum` lists two.
                let listed = s.state == own.hushed && self.speech.clauses[s.clause].is_one_word();
                if bare && !listed && noises.iter().any(|(c, _)| apart(*c)) {
                    return true;
                }
                mute(s)
                    && !s.times.is_empty()
                    && noises.iter().any(|(c, times)| {
                        *c != s.clause && *times != s.times && (calm(s) || !times.is_empty())
                    })
            })
            .collect();
        for i in hushed {
            self.speech.said[i].state = own.fine;
        }
    }

    fn parse(&mut self) -> Parse {
        let lexicon = self.lexicon;
        let mut yes: Vec<(usize, Vec<Evidence>)> = Vec::new();
        let mut no: Vec<(usize, Vec<Evidence>)> = Vec::new();
        for (i, symptom) in lexicon.symptoms.iter().enumerate() {
            let (for_it, against) = self.evidence(symptom);
            if !for_it.is_empty() {
                yes.push((i, for_it));
            } else if !against.is_empty() {
                no.push((i, against));
            }
        }
        self.settle(&mut yes);
        let mut out = Parse::default();
        for (i, evidence) in &yes {
            let words = self.quote(evidence);
            out.symptoms.push(Heard { symptom: lexicon.symptoms[*i].id.clone(), words });
        }
        for (i, evidence) in &no {
            let words = self.quote(evidence);
            out.denied.push(Heard { symptom: lexicon.symptoms[*i].id.clone(), words });
        }
        for open in &lexicon.open {
            let (evidence, _) = self.evidence(open);
            let known = |id: &String| out.symptoms.iter().any(|h| h.symptom == *id);
            if evidence.is_empty() || open.one_of.iter().any(known) {
                continue;
            }
            let one_of: Vec<String> = open
                .one_of
                .iter()
                .filter(|id| !out.denied.iter().any(|h| h.symptom == **id))
                .cloned()
                .collect();
            let words = self.quote(&evidence);
            match one_of.as_slice() {
                [] => {}
                [one] => out.symptoms.push(Heard { symptom: one.clone(), words }),
                _ if out.open.iter().any(|o| o.one_of == one_of) => {}
                _ => out.open.push(Open { one_of, words }),
            }
        }
        if out.symptoms.is_empty() && out.open.is_empty() {
            for (symptom, at) in self.hinted() {
                if !out.denied.iter().any(|h| h.symptom == symptom) {
                    let words = self.quote(&[Evidence { at, times: Vec::new() }]);
                    out.symptoms.push(Heard { symptom, words });
                }
            }
        }
        for fact in &lexicon.facts {
            let (evidence, _) = self.evidence(fact);
            if !evidence.is_empty() {
                let words = self.quote(&evidence);
                let (key, value) = (fact.id.clone(), fact.value.clone());
                out.facts.push(Fact { key, value, finding: fact.finding.clone(), words });
            }
        }
        for fact in &lexicon.facts {
            let Some((key, value)) = &fact.tells else { continue };
            let told = out.facts.iter().find(|f| f.key == fact.id && f.value == fact.value);
            let Some(words) = told.map(|f| f.words.clone()) else { continue };
            if !out.facts.iter().any(|f| f.key == *key) {
                out.facts.push(Fact { key: key.clone(), value: value.clone(), finding: None, words });
            }
        }
        if out.symptoms.is_empty() && out.open.is_empty() {
            let own = lexicon.own;
            let fails: Vec<Evidence> = self
                .speech
                .said
                .iter()
                .filter(|s| lexicon.is(s.state, own.fails) && !s.denied)
                .map(|s| Evidence { at: s.at.clone(), times: Vec::new() })
                .collect();
            out.does_not_work = self.quote(&fails);
        }
        out.said = self.statements();
        let words = |s: &spans::Span| FoundWords {
            words: self.stretch(s.start, s.end),
            entry: lexicon.entries[s.entry].id.clone(),
            wording: lexicon.wordings[s.wording].text.clone(),
        };
        out.found = self.found.spans.iter().map(words).collect();
        out.taken = self.taken();
        out.left = self.left();
        out
    }

    /// The symptoms that sentences hint at which deny nothing and tell of this unit today; the first of each sentence.
    fn hinted(&self) -> Vec<(String, Vec<(usize, usize)>)> {
        let lexicon = self.lexicon;
        let mut out: Vec<(String, Vec<(usize, usize)>)> = Vec::new();
        let clauses = &self.speech.clauses;
        let starts: Vec<usize> = (0..clauses.len()).filter(|i| clauses[*i].begins_sentence()).collect();
        for (n, first) in starts.iter().enumerate() {
            let (from, to) =
                (clauses[*first].from, starts.get(n + 1).map_or(self.words.len(), |c| clauses[*c].from));
            let turned = |s: &spans::Span| {
                let other = matches!(lexicon.entries[s.entry].kind, Kind::Thing { other: true, .. });
                let does = [Does::DenyThing, Does::DenyState, Does::Past, Does::Than];
                other || does.iter().any(|d| lexicon.entries[s.entry].kind == Kind::Turn(*d))
            };
            let inside = |s: &&spans::Span| s.start >= from && s.end <= to;
            if self.found.spans.iter().filter(inside).any(turned) {
                continue;
            }
            let named = |entry: Ix| {
                let all = self.found.all[from..to].iter().flatten();
                all.filter(|s| lexicon.is(s.entry, entry)).map(|s| (s.start, s.end)).next()
            };
            let hint = |h: &Vec<Ix>| h.iter().map(|e| named(*e)).collect::<Option<Vec<_>>>();
            let found =
                lexicon.symptoms.iter().find_map(|s| Some((s.id.clone(), s.hints.iter().find_map(hint)?)));
            if let Some((id, at)) = found
                && !out.iter().any(|(known, _)| *known == id)
            {
                out.push((id, at));
            }
        }
        out
    }

    /// What speaks for an outcome, and what denies it.
    fn evidence(&self, outcome: &Outcome) -> (Vec<Evidence>, Vec<Evidence>) {
        let (mut yes, mut no) = (Vec::new(), Vec::new());
        let mut add = |said: &Said| {
            let evidence = Evidence { at: said.at.clone(), times: said.times.clone() };
            if said.denied { no.push(evidence) } else { yes.push(evidence) }
        };
        for said in &self.speech.said {
            if said.state == outcome.entry || outcome.rules.iter().any(|r| self.holds(r, said)) {
                add(said);
            }
        }
        if matches!(self.lexicon.entries[outcome.entry].kind, Kind::Fact) {
            let direct = self.found.all.iter().flatten().filter(|s| s.entry == outcome.entry);
            yes.extend(direct.map(|s| Evidence { at: vec![(s.start, s.end)], times: Vec::new() }));
        }
        for rule in &outcome.rules {
            if rule.what.is_empty() && rule.how.is_empty() && !rule.when.is_empty() {
                let named = self.speech.times.iter().filter(|(t, ..)| self.any(&rule.when, *t));
                yes.extend(named.map(|(t, a, b)| Evidence { at: vec![(*a, *b)], times: vec![*t] }));
            }
            if !rule.good.is_empty() {
                yes.extend(self.contrast(rule));
            }
            if !rule.text.is_empty() && rule.what.is_empty() && rule.how.is_empty() && rule.when.is_empty() {
                yes.extend(self.named(rule));
            }
        }
        (yes, no)
    }

    /// A rule that only asks for words anywhere: all of `text`, each its first wording.
    fn named(&self, rule: &Ruled) -> Option<Evidence> {
        let mut at = Vec::new();
        for entry in &rule.text {
            let span = self.found.all.iter().flatten().find(|s| self.lexicon.is(s.entry, *entry))?;
            at.push((span.start, span.end));
        }
        Some(Evidence { at, times: Vec::new() })
    }

    fn any(&self, of: &[Ix], entry: Ix) -> bool {
        of.iter().any(|o| self.lexicon.is(entry, *o))
    }

    fn holds(&self, rule: &Ruled, said: &Said) -> bool {
        let entries = &self.lexicon.entries;
        if (rule.what.is_empty() && rule.how.is_empty()) || !rule.good.is_empty() {
            return false;
        }
        let other = matches!(entries[said.thing].kind, Kind::Thing { other: true, .. });
        let what = if rule.what.is_empty() { !other } else { self.any(&rule.what, said.thing) };
        what && !self.any(&rule.not_what, said.thing)
            && (rule.how.is_empty() || self.any(&rule.how, said.state))
            && (rule.when.is_empty() || said.times.iter().any(|t| self.any(&rule.when, *t)))
            && !said.times.iter().any(|t| self.any(&rule.unless, *t))
            && (rule.unless.is_empty() || !rule.unless.iter().any(|e| self.in_clause(said, *e)))
            && (rule.with.is_empty() || rule.with.iter().any(|e| self.in_clause(said, *e)))
            && (rule.text.is_empty() || rule.text.iter().any(|e| self.in_text(*e)))
            && !rule.not_text.iter().any(|e| self.in_text(*e))
    }

    fn in_text(&self, entry: Ix) -> bool {
        self.whole.contains(&entry)
    }

    /// Whether a thing or state is named in the clause, or a time was told of what it says.
    fn in_clause(&self, said: &Said, entry: Ix) -> bool {
        if self.lexicon.entries[entry].kind == Kind::Time {
            return said.times.iter().any(|t| self.lexicon.is(*t, entry));
        }
        self.clauses[said.clause].contains(&entry)
    }

    fn good(&self, said: &Said) -> bool {
        match self.lexicon.entries[said.state].kind {
            Kind::State { good, noise, .. } => (good && !said.denied) || (noise && said.denied),
            _ => false,
        }
    }

    fn wrong(&self, said: &Said) -> bool {
        match self.lexicon.entries[said.state].kind {
            Kind::State { good, noise: true, .. } => !good && !said.denied,
            Kind::State { good, .. } => {
                let own = self.lexicon.own;
                let telling = self.lexicon.is(said.state, own.fails)
                    || self.lexicon.entries[said.state].denied.is_some()
                    || self.lexicon.fit(said.thing, said.state);
                !good && !said.denied && telling
            }
            Kind::Symptom => !said.denied,
            _ => false,
        }
    }

    /// All is well at one time and something wrong at another, or wrong where no time is named.
    fn contrast(&self, rule: &Ruled) -> Option<Evidence> {
        let other = |s: &Said| matches!(self.lexicon.entries[s.thing].kind, Kind::Thing { other: true, .. });
        let own = self.lexicon.own;
        // `on the charger`, `off the battery`: a unit is not lit or dark.
        let lit = |s: &Said| {
            let dark = self.lexicon.entries[s.state].denied.is_some_and(|d| d == own.lit);
            s.thing == own.unit && (dark || self.lexicon.is(s.state, own.lit))
        };
        let said = || self.speech.said.iter().filter(|s| !other(s) && !lit(s));
        let at = |s: &Said, times: &[Ix]| s.times.iter().any(|t| self.any(times, *t));
        let rest = |s: &Said, mine: &[Ix], theirs: &[Ix]| at(s, mine) && !at(s, theirs);
        let is_good = |s: &&Said| self.good(s) && rest(s, &rule.good, &rule.bad);
        // That the battery is flat or the adaptor overloaded is no fault of the unit at that time.
        let of_time =
            |s: &Said| self.lexicon.entries[s.thing].is.iter().any(|t| self.lexicon.entries[*t].of.is_some());
        let mute = |s: &Said| self.lexicon.is(s.state, own.fails) || self.lexicon.is(s.state, own.none);
        let is_wrong =
            |s: &&Said| self.wrong(s) && rest(s, &rule.bad, &rule.good) && (!of_time(s) || mute(s));
        let ended = |s: &&Said| self.good(s) && s.until.iter().any(|t| self.any(&rule.bad, *t));
        let untimed = |s: &&Said| self.wrong(s) && !at(s, &rule.good) && !at(s, &rule.bad);
        let mut times = rule.bad.clone();
        times.dedup();
        let both =
            |a: &Said, b: &Said| Evidence { at: [a.at.clone(), b.at.clone()].concat(), times: times.clone() };
        if let Some(alone) = said().find(|s| s.only && (is_good(s) || is_wrong(s))) {
            return Some(Evidence { at: alone.at.clone(), times });
        }
        // `worked until I plugged in another adaptor` tells what happened, not when it is wrong.
        if let Some(ended) = said().find(ended).filter(|_| rule.assumed) {
            return Some(Evidence { at: ended.at.clone(), times });
        }
        if let Some(good) = said().find(is_good) {
            // `supply fine with another unit` tells of the supply.
            let wrong = said().find(is_wrong).or_else(|| said().find(untimed).filter(|_| !of_time(good)))?;
            return Some(both(good, wrong));
        }
        // `works, then after a minute it fades`: well at no time that is named, before it is wrong at one.
        let wrong = said().find(is_wrong).filter(|_| rule.assumed)?;
        let own_time =
            |s: &&Said| self.good(s) && s.times.is_empty() && s.clause < wrong.clause && s.thing == own.unit;
        let good = said().find(own_time)?;
        Some(both(good, wrong))
    }

    /// Drops what goes without saying.
    fn settle(&self, yes: &mut Vec<(usize, Vec<Evidence>)>) {
        let symptoms = &self.lexicon.symptoms;
        let mut gone: BTreeSet<usize> = BTreeSet::new();
        let covers = |i: usize, k: usize| symptoms[i].covers.contains(&symptoms[k].id);
        // What goes without saying itself makes nothing else go so: the sweep that is shallow does sweep.
        let covered = |i: usize| yes.iter().any(|(k, _)| covers(*k, i) && !covers(i, *k));
        for (i, evidence) in yes.iter() {
            for (k, other) in yes.iter() {
                if k == i {
                    continue;
                }
                let id = &symptoms[*k].id;
                if covers(*i, *k) && !covered(*i) {
                    gone.insert(*k);
                }
                let told = evidence.iter().flat_map(|e| e.times.iter().copied());
                let bad: Vec<Ix> =
                    told.chain(symptoms[*i].rules.iter().flat_map(|r| r.bad.iter().copied())).collect();
                let there = |e: &Evidence| e.times.iter().any(|t| self.any(&bad, *t));
                if symptoms[*i].absorbs.contains(id) && other.iter().all(there) {
                    gone.insert(*k);
                }
            }
        }
        yes.retain(|(i, _)| !gone.contains(i));
    }

    /// The words of evidence as they stand in the text, each stretch once.
    fn quote(&mut self, evidence: &[Evidence]) -> Vec<String> {
        let at: Vec<(usize, usize)> = evidence.iter().flat_map(|e| e.at.iter().copied()).collect();
        self.used.extend(at.iter().flat_map(|(from, to)| *from..*to));
        self.stretches(&at)
    }

    /// Words `from..to` as they stand in the text, neighbours together.
    fn stretches(&self, at: &[(usize, usize)]) -> Vec<String> {
        let mut at = at.to_vec();
        at.sort_unstable();
        let mut joined: Vec<(usize, usize)> = Vec::new();
        for (from, to) in at {
            match joined.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(to),
                _ => joined.push((from, to)),
            }
        }
        let mut out: Vec<String> = Vec::new();
        for (from, to) in joined {
            let words = self.stretch(from, to);
            if !out.contains(&words) {
                out.push(words);
            }
        }
        out
    }

    fn stretch(&self, from: usize, to: usize) -> String {
        let (start, end) = (self.words[from].token.start, self.words[to - 1].token.end);
        let words = self.text.get(start..end).unwrap_or_default();
        words.split_whitespace().collect::<Vec<_>>().join(" ")
    }

    fn statements(&self) -> Vec<Statement> {
        let id = |ix: &Ix| self.lexicon.entries[*ix].id.clone();
        let statement = |s: &Said| Statement {
            what: id(&s.thing),
            how: id(&s.state),
            when: s.times.iter().map(id).collect(),
            until: s.until.iter().map(id).collect(),
            denied: s.denied,
            words: self.stretches(&s.at),
        };
        self.speech.said.iter().map(statement).collect()
    }

    fn taken(&self) -> Vec<Taken> {
        let mut out: Vec<Taken> = Vec::new();
        for (i, word) in self.words.iter().enumerate() {
            let Some(read_as) = &word.taken_for else { continue };
            let typed = self.text.get(word.token.start..word.token.end).unwrap_or_default().to_string();
            let taken = Taken { typed, read_as: read_as.clone() };
            if self.used.contains(&i) && !out.contains(&taken) {
                out.push(taken);
            }
        }
        out
    }

    /// Clauses from which nothing was taken, neighbours together.
    fn left(&self) -> Vec<String> {
        let mut joined: Vec<(usize, usize)> = Vec::new();
        for clause in &self.speech.clauses {
            let telling = clause.to - clause.from > 1 || !self.words[clause.from].known;
            if self.used.range(clause.from..clause.to).next().is_some() || !telling {
                continue;
            }
            match joined.last_mut() {
                Some(last) if last.1 == clause.from => last.1 = clause.to,
                _ => joined.push((clause.from, clause.to)),
            }
        }
        joined.into_iter().map(|(from, to)| self.stretch(from, to)).collect()
    }
}
