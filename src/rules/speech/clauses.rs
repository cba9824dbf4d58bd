//! What is said of what: clauses of a text, with denials, comparisons, conditions and times.

use super::lexicon::{Ix, Kind, Lexicon};
use super::spans::{Found, Span};
use super::spell::Word;
use super::tokens::Break;
use super::written::{Does, Takes};

/// One thing said: a state of a thing, at times.
#[derive(Clone, Debug)]
pub(super) struct Said {
    pub thing: Ix,
    pub state: Ix,
    pub denied: bool,
    pub times: Vec<Ix>,
    /// Times at which it ends: `fine until it gets warm`.
    pub until: Vec<Ix>,
    pub clause: usize,
    /// Words it rests on.
    pub at: Vec<(usize, usize)>,
    /// Whether it holds at these times alone.
    pub only: bool,
}

/// How a clause is joined to the one before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Lead {
    Strong,
    Comma,
    Join,
    Relative,
    Either,
    Contrast,
}

/// A clause: words `from..to`.
#[derive(Clone, Debug)]
pub(super) struct Clause {
    pub from: usize,
    pub to: usize,
    lead: Lead,
}

impl Clause {
    /// Whether it is one word and no more.
    pub fn is_one_word(&self) -> bool {
        self.to - self.from == 1
    }

    /// Whether an `and` joins it to the one before.
    pub fn is_joined(&self) -> bool {
        self.lead == Lead::Join
    }

    /// Whether a sentence begins with it.
    pub fn begins_sentence(&self) -> bool {
        self.lead == Lead::Strong
    }
}

/// A wording in a clause that something is said with.
#[derive(Clone, Copy, Debug)]
struct Item {
    span: Span,
    kind: Kind,
    denied: bool,
    /// Used up by another: an adjective of a denied thing, the `sound` of a hissing sound.
    spent: bool,
}

impl Item {
    fn is_thing(&self) -> bool {
        matches!(self.kind, Kind::Thing { .. })
    }

    fn is_noise(&self) -> bool {
        matches!(self.kind, Kind::State { noise: true, .. })
    }
}

/// What one clause hands on to the next.
#[derive(Clone, Debug, Default)]
struct Carried {
    /// The thing spoken of.
    topic: Option<Ix>,
    /// The thing named last.
    last: Option<Ix>,
    /// The last noise said, by its index.
    noise: Option<usize>,
    /// Times that led the sentence.
    lead: Vec<Ix>,
    /// Whether the clause denied something, and whether that was a noise.
    denies: Option<bool>,
    /// Things named with nothing said of them yet.
    hanging: Vec<Span>,
    /// States said of nothing yet, by their index: `crunchy, broken-up repeats`.
    orphans: Vec<usize>,
    /// Where what the sentence says begins.
    said_from: usize,
    /// Whether the sentence tells of the past.
    past: bool,
}

/// Everything said in a text.
pub(super) struct Speech {
    pub clauses: Vec<Clause>,
    pub said: Vec<Said>,
    /// Times named anywhere, with their words.
    pub times: Vec<(Ix, usize, usize)>,
}

/// Reads the clauses of a text.
pub(super) fn read(lexicon: &Lexicon, words: &[Word], found: &Found) -> Speech {
    let clauses = split(lexicon, words, found);
    let mut reader =
        Reader { lexicon, found, said: Vec::new(), times: Vec::new(), carried: Carried::default() };
    for (i, clause) in clauses.iter().enumerate() {
        let next = clauses.get(i + 1).map_or(Lead::Strong, |c| c.lead);
        reader.clause(i, clause, next);
    }
    Speech { said: reader.said, times: reader.times, clauses }
}

fn split(lexicon: &Lexicon, words: &[Word], found: &Found) -> Vec<Clause> {
    let mut out: Vec<Clause> = Vec::new();
    let mut from = 0;
    let mut lead = Lead::Strong;
    let mut at = 0;
    while at < words.len() {
        let here = found.spans.partition_point(|s| s.start < at);
        let turns = found.spans[here..].iter().take_while(|s| s.start == at);
        let turn = turns.into_iter().find_map(|s| match lexicon.entries[s.entry].kind {
            Kind::Turn(Does::Contrast) => Some((Lead::Contrast, s.end)),
            Kind::Turn(Does::Join) => Some((Lead::Join, s.end)),
            Kind::Turn(Does::Relative) => Some((Lead::Relative, s.end)),
            Kind::Turn(Does::Either) => Some((Lead::Either, s.end)),
            _ => None,
        });
        let mark = match words[at].token.before {
            Break::Strong => Some(Lead::Strong),
            Break::Comma => Some(Lead::Comma),
            Break::None => None,
        };
        if mark.is_some() || turn.is_some() {
            if at > from {
                out.push(Clause { from, to: at, lead });
                lead = Lead::Comma;
            }
            // A stop outweighs a word; a word outweighs a comma, and one that stands with another before it.
            lead = match (mark, turn) {
                (Some(Lead::Strong), _) => Lead::Strong,
                (_, Some((word, _))) if lead != Lead::Strong || at > from => word,
                (Some(mark), None) => mark,
                _ => lead,
            };
            from = at;
            if let Some((_, end)) = turn {
                at = end.max(at + 1);
                from = at;
                continue;
            }
        }
        at += 1;
    }
    if words.len() > from {
        out.push(Clause { from, to: words.len(), lead });
    }
    out
}

struct Reader<'a> {
    lexicon: &'a Lexicon,
    found: &'a Found,
    said: Vec<Said>,
    times: Vec<(Ix, usize, usize)>,
    carried: Carried,
}

/// How a word is said: outright, under a condition, up to a condition, in a comparison, in one that some states are said by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Region {
    Main,
    Condition,
    Until,
    Beside,
    Like,
}

/// A denial in a clause.
#[derive(Clone, Copy, Debug)]
enum Denial {
    /// It denied something; whether a noise.
    Hit(bool),
    /// Nothing follows it: the thing before it, if any, does not do what was said of another.
    Alone(Option<Span>, Span),
}

impl Reader<'_> {
    fn kind(&self, span: Span) -> Kind {
        self.lexicon.entries[span.entry].kind
    }

    fn turns(&self, span: &Span, does: Does) -> bool {
        self.kind(*span) == Kind::Turn(does)
    }

    fn spans(&self, clause: &Clause) -> Vec<Span> {
        let from = self.found.spans.partition_point(|s| s.start < clause.from);
        self.found.spans[from..].iter().take_while(|s| s.start < clause.to).copied().collect()
    }

    fn clause(&mut self, number: usize, clause: &Clause, next: Lead) {
        let spans = self.spans(clause);
        self.begin(clause, &spans);
        let regions = self.regions(clause, &spans);
        let region = |s: &Span| regions[s.start - clause.from];
        let main = |does: Does| spans.iter().any(|s| self.turns(s, does) && region(s) == Region::Main);
        let past = !main(Does::Present) && (main(Does::Past) || self.carried.past);
        let (only, normal) = (main(Does::Only), main(Does::Normal));
        let mut items = self.items(&spans, region);
        let (times, until, first_time) = self.name_times(&spans, region);
        let denial = self.deny(clause, &spans, &regions, &mut items);
        let first_item = items.first().map_or(usize::MAX, |i| i.span.start);
        let leading = first_time <= first_item || items.is_empty();
        let begin = self.said.len();
        let goes_on = self.goes_on(clause, next, &mut items, denial);
        self.attach(number, clause, next, &mut items, denial);
        if past {
            self.said.truncate(begin);
        }
        if normal {
            // `hums a little, as they all do` is no complaint; `works as it should on battery` is praise.
            let right: Vec<Said> = self.said[begin..].iter().filter(|s| self.is_good(s)).cloned().collect();
            self.said.truncate(begin);
            self.said.extend(right);
        }
        let content = self.said.len() > begin;
        // Times go to what is said in the clause, else those that led the sentence do.
        let given = if times.is_empty() { self.carried.lead.clone() } else { times.clone() };
        for said in &mut self.said[begin..] {
            said.only = only;
            said.until.clone_from(&until);
            said.times.extend(given.iter().copied());
        }
        let conditional = regions.contains(&Region::Condition) || !times.is_empty();
        self.gone(begin, conditional);
        self.same(begin);
        if content || !times.is_empty() {
            self.carried.lead = if leading { given } else { Vec::new() };
        }
        let ends = next == Lead::Strong && clause.lead != Lead::Strong;
        if !content && ends {
            // A condition at the end of a sentence: `Squeals, with the lid off.`
            for said in self.said[self.carried.said_from..].iter_mut().filter(|s| s.times.is_empty()) {
                said.times.clone_from(&times);
                said.until.clone_from(&until);
            }
        }
        self.carried.past = past;
        let denies = self.carried.denies.filter(|_| goes_on);
        self.hand_on(&items, begin, denial);
        // `it used to repeat, and now it doesn't`: what it no longer does is what it did.
        let once = spans.iter().find(|s| self.turns(s, Does::Past)).map(|s| s.end);
        let did = |s: &&Span| {
            let good = matches!(self.kind(**s), Kind::Thing { good: true, aside: false, .. });
            good && once.is_some_and(|once| s.start >= once && s.start <= once + 2)
        };
        if let Some(did) = spans.iter().find(did).filter(|_| !content) {
            self.carried.topic = Some(did.entry);
        }
        self.carried.denies = self.carried.denies.or(denies);
    }

    /// What a new sentence, or a `but`, leaves of what was carried.
    fn begin(&mut self, clause: &Clause, spans: &[Span]) {
        if clause.lead == Lead::Strong {
            let kept = spans.first().is_some_and(|s| self.turns(s, Does::Pronoun));
            let noise = self.carried.noise.filter(|n| *n >= self.carried.said_from);
            let topic = self.carried.topic.filter(|_| kept);
            self.carried = Carried { topic, noise, said_from: self.said.len(), ..Carried::default() };
        } else if clause.lead == Lead::Contrast {
            self.carried.denies = None;
            self.carried.past = false;
            self.carried.hanging.clear();
        } else if clause.lead == Lead::Relative {
            self.carried.topic = self.carried.last.or(self.carried.topic);
        }
    }

    /// What something is said with.
    fn items(&self, spans: &[Span], region: impl Fn(&Span) -> Region) -> Vec<Item> {
        let own = self.lexicon.own;
        // `helicopter noise`, `noisy as a waterfall`: a picture says something only where it describes a sound or a state.
        let names_a_sound = |s: &Span| {
            let sound = |n: &Span| {
                n.start == s.end && (self.lexicon.is(n.entry, own.sound) || self.is_noise(n.entry))
            };
            let like = |n: &Span| n.end <= s.start && n.end + 2 >= s.start && self.turns(n, Does::As);
            spans.iter().any(|n| sound(n) || like(n))
        };
        let pictured = |s: &Span| {
            let simile = |n: &Span| matches!(self.kind(*n), Kind::State { simile: true, .. });
            spans.iter().any(|n| n.start == s.start && simile(n))
        };
        let says = |s: &&Span| match self.kind(**s) {
            Kind::Time | Kind::Turn(_) | Kind::Fact => false,
            Kind::State { noise: true, simile: false, .. } if region(s) == Region::Like => !pictured(s),
            Kind::State { simile: true, .. } => {
                region(s) == Region::Like || (region(s) == Region::Main && names_a_sound(s))
            }
            _ => region(s) == Region::Main,
        };
        let item = |s: &Span| Item { span: *s, kind: self.kind(*s), denied: false, spent: false };
        let mut items: Vec<Item> = spans.iter().filter(says).map(item).collect();
        self.drop_pictures(spans, &mut items);
        // `even switched off` tells a time; `the adaptor switches off` a state.
        let named = items.iter().filter(|i| i.is_thing()).map(|i| i.span.start).min();
        let a_time = |i: &Item| {
            let same = |s: &Span| s.start == i.span.start && s.end == i.span.end;
            spans.iter().any(|s| same(s) && self.kind(*s) == Kind::Time)
        };
        items.retain(|i| {
            let state = matches!(i.kind, Kind::State { noise: false, .. });
            let plain = state && a_time(i) && !self.speaks(own.unit, i.span.entry);
            !plain || named.is_some_and(|n| n < i.span.start)
        });
        for i in 1..items.len() {
            let (before, here) = (items[i - 1], items[i]);
            let close = here.span.start <= before.span.end && here.span.start > before.span.start;
            // `a hissing sound` is a hiss; the sound in it is not what is spoken of.
            if close && before.is_noise() && self.lexicon.is(here.span.entry, own.sound) {
                items[i].spent = true;
            }
            // `has gone noisy` is noisy, not gone.
            let state = matches!(here.kind, Kind::State { .. });
            if close && state && self.lexicon.is(before.span.entry, own.gone) {
                items[i - 1].spent = true;
            }
        }
        items
    }

    /// `drones like the engine of a ferry` is a drone and no putter: where what a picture is of was said outright, it says no
    /// more than that.
    fn drop_pictures(&self, spans: &[Span], items: &mut Vec<Item>) {
        let turn =
            spans.iter().find(|s| self.turns(s, Does::Like) || self.turns(s, Does::As)).map(|s| s.start);
        let Some(turn) = turn else { return };
        let own = self.lexicon.own;
        let part = |t: &Item, state: Ix| {
            let unit = self.lexicon.is(t.span.entry, own.unit) || self.lexicon.is(t.span.entry, own.sound);
            t.is_thing() && t.span.end <= turn && !unit && self.speaks(t.span.entry, state)
        };
        let outright = |i: &Item| {
            let state = i.span.entry;
            let near = i.span.end <= turn && i.span.end + 3 >= turn;
            let sure = i.is_noise() && self.lexicon.sure.contains(&state);
            let plain = matches!(i.kind, Kind::State { simile: false, good: false, .. });
            let names = self.lexicon.entries[state].of.is_some_and(|of| of != own.unit && of != own.sound);
            near && plain && (sure || names || items.iter().any(|t| part(t, state)))
        };
        let said: Vec<Ix> = items.iter().filter(|i| outright(i)).map(|i| i.span.entry).collect();
        let picture = |i: &Item| {
            i.span.start >= turn && (i.is_noise() || matches!(i.kind, Kind::State { simile: true, .. }))
        };
        let same = |i: &Item| said.iter().any(|s| self.lexicon.is(i.span.entry, *s));
        items.retain(|i| said.is_empty() || !picture(i) || same(i));
    }

    /// The times that a clause names: those of what it says, those that end it, and where the first stands.
    fn name_times(&mut self, spans: &[Span], region: impl Fn(&Span) -> Region) -> (Vec<Ix>, Vec<Ix>, usize) {
        let (mut times, mut until, mut first) = (Vec::new(), Vec::new(), usize::MAX);
        for span in spans {
            let region = region(span);
            if matches!(region, Region::Beside | Region::Like) {
                continue;
            }
            let entry = &self.lexicon.entries[span.entry];
            let told: Vec<Ix> = match entry.kind {
                Kind::Time if entry.all.is_empty() => vec![span.entry],
                Kind::Time => entry.all.clone(),
                Kind::Thing { .. } => self.when_of(span.entry).into_iter().collect(),
                _ => Vec::new(),
            };
            if told.is_empty() {
                continue;
            }
            self.times.extend(told.iter().map(|t| (*t, span.start, span.end)));
            let list = if region == Region::Until { &mut until } else { &mut times };
            if region != Region::Until {
                first = first.min(span.start);
            }
            for t in told {
                if !list.contains(&t) {
                    list.push(t);
                }
            }
        }
        (times, until, first)
    }

    fn hand_on(&mut self, items: &[Item], begin: usize, denial: Option<Denial>) {
        let own = self.lexicon.own;
        let noise = |s: &Said| self.is_noise(s.state) && !s.denied;
        let from = self.carried.said_from;
        let last = self.said[from..].iter().rposition(noise).map(|i| i + from);
        self.carried.noise = last.or(self.carried.noise.filter(|n| *n < self.said.len()));
        let heads: Vec<Span> = items.iter().filter(|i| i.is_thing() && !i.spent).map(|i| i.span).collect();
        let said_nothing = self.said.len() == begin && denial.is_none();
        self.carried.hanging = if said_nothing { heads.clone() } else { Vec::new() };
        let named = heads.iter().find(|h| h.entry != own.unit).or(heads.first());
        // `two repeats at most and they are crunchy`: a wording may name its thing itself.
        let told =
            |s: &&Said| self.lexicon.entries[s.state].of.is_some_and(|of| of == s.thing && of != own.sound);
        let told = self.said[begin..].iter().rev().find(told).map(|s| s.thing);
        if let Some(topic) = named.map(|h| h.entry).or(told) {
            self.carried.topic = Some(topic);
        }
        if let Some(head) = heads.last() {
            self.carried.last = Some(head.entry);
        }
        self.carried.orphans = (begin..self.said.len())
            .filter(|i| {
                heads.is_empty() && self.said[*i].at.len() == 1 && !self.is_noise(self.said[*i].state)
            })
            .collect();
        self.carried.denies = match denial {
            Some(Denial::Hit(noise)) => Some(noise),
            Some(Denial::Alone(..)) | None => None,
        };
    }

    /// The time that naming a thing tells, its own or that of what it is one of.
    fn when_of(&self, thing: Ix) -> Option<Ix> {
        let things = self.lexicon.entries[thing].is.iter().map(|t| &self.lexicon.entries[*t]);
        things.filter(|e| matches!(e.kind, Kind::Thing { .. })).find_map(|e| e.of)
    }

    /// Whether something said is praise.
    fn is_good(&self, said: &Said) -> bool {
        match self.lexicon.entries[said.state].kind {
            Kind::State { good, noise, .. } => (good && !said.denied) || (noise && said.denied),
            _ => false,
        }
    }

    fn is_noise(&self, state: Ix) -> bool {
        matches!(self.lexicon.entries[state].kind, Kind::State { noise: true, .. })
    }

    /// Which words of a clause are said outright.
    fn regions(&self, clause: &Clause, spans: &[Span]) -> Vec<Region> {
        let mut out = vec![Region::Main; clause.to - clause.from];
        for (i, span) in spans.iter().enumerate() {
            let from = span.start - clause.from;
            match self.kind(*span) {
                Kind::Turn(Does::Than) if out[from] != Region::Like => out[from..].fill(Region::Beside),
                Kind::Turn(Does::Like) if out[from] != Region::Beside => out[from..].fill(Region::Like),
                Kind::Turn(turn @ (Does::When | Does::Until))
                    if !matches!(out[from], Region::Condition | Region::Until) =>
                {
                    let to = self.condition_ends(clause, spans, i);
                    let region = if turn == Does::Until { Region::Until } else { Region::Condition };
                    out[from..to - clause.from].fill(region);
                }
                _ => {}
            }
        }
        out
    }

    /// Where a condition ends: with its clause where something was said before it; else at its first time, or where a new
    /// subject or denial follows.
    fn condition_ends(&self, clause: &Clause, spans: &[Span], turn: usize) -> usize {
        let says = |s: &Span| {
            matches!(
                self.kind(*s),
                Kind::Thing { .. } | Kind::State { .. } | Kind::Symptom | Kind::Turn(Does::DenyThing)
            )
        };
        if spans[..turn].iter().any(says) {
            return clause.to;
        }
        let start = spans[turn].end;
        for span in &spans[turn + 1..] {
            match self.kind(*span) {
                Kind::Time => return span.end,
                Kind::Turn(Does::Subject | Does::Pronoun) if span.start >= start + 2 => return span.start,
                Kind::Turn(Does::DenyThing | Does::DenyState) if span.start >= start + 2 => {
                    return span.start;
                }
                // `if I put it in there's nothing`: a wording may begin with the new subject.
                Kind::State { .. } if span.start >= start + 2 && self.begins_with_subject(span) => {
                    return span.start;
                }
                Kind::Thing { .. } if span.start >= start + 3 => return span.start,
                _ => {}
            }
        }
        clause.to
    }

    fn begins_with_subject(&self, span: &Span) -> bool {
        let all = &self.found.all[span.start];
        all.iter().any(|s| self.turns(s, Does::Subject) || self.turns(s, Does::Pronoun))
    }

    /// Marks what is denied; returns the last denial that found its mark, or one that stands alone.
    fn deny(
        &self,
        clause: &Clause,
        spans: &[Span],
        regions: &[Region],
        items: &mut [Item],
    ) -> Option<Denial> {
        let mut out = None;
        let denies = |s: &Span| self.turns(s, Does::DenyThing) || self.turns(s, Does::DenyState);
        for span in spans.iter().filter(|s| denies(s)) {
            if regions[span.start - clause.from] != Region::Main {
                continue;
            }
            let next = spans.iter().find(|s| s.start >= span.end && denies(s));
            let until = next.map_or(usize::MAX, |s| s.start);
            // `stops until I unplug it`: what begins with its own condition is not what is denied.
            let ends_it = |i: &Item| self.found.all[i.span.start].iter().any(|s| self.turns(s, Does::Until));
            let follows =
                |i: &Item| i.span.start >= span.end && i.span.start < until && !i.spent && !ends_it(i);
            let first = items.iter().position(follows);
            let target = if self.turns(span, Does::DenyThing) {
                first.filter(|i| items[*i].span.start <= span.end + 3).map(|i| denied_noun(items, i))
            } else {
                let state = |i: &Item| matches!(i.kind, Kind::State { .. } | Kind::Symptom | Kind::Open);
                let good = |i: &Item| matches!(i.kind, Kind::Thing { good: true, .. });
                let state = items.iter().position(|i| follows(i) && state(i));
                state.or_else(|| items.iter().position(|i| follows(i) && good(i)))
            };
            let before = items.iter().rposition(|i| i.span.end <= span.start && !i.spent);
            let own = self.lexicon.own;
            // `voice 2 doesn't sound` is said of the voice.
            let verb = target.filter(|t| {
                items[*t].span.start == span.end
                    && self.lexicon.is(items[*t].span.entry, own.sound)
                    && self.turns(span, Does::DenyState)
            });
            if let (Some(verb), Some(head)) = (verb, before.filter(|b| items[*b].is_thing())) {
                items[verb].spent = true;
                out = Some(Denial::Alone(Some(items[head].span), *span));
                continue;
            }
            if let Some(target) = target {
                let range = items[target].span;
                let noise = items[target].is_noise();
                // All readings of one wording are denied together.
                let same = |i: &&mut Item| i.span.start == range.start && i.span.end == range.end;
                items.iter_mut().filter(same).for_each(|i| i.denied = !i.denied);
                out = Some(Denial::Hit(noise));
            } else if self.turns(span, Does::DenyState) && self.ends(clause, span, regions) {
                // `hum it is not`, `the right one doesn't`.
                out = match before.map(|i| (i, items[i])) {
                    Some((_, head)) if head.is_thing() => Some(Denial::Alone(Some(head.span), *span)),
                    Some((i, item)) => {
                        items[i].denied = !items[i].denied;
                        Some(Denial::Hit(item.is_noise()))
                    }
                    // `and it's not when I press it`: of what was said of nothing else.
                    None if self.idle_denial(clause, span, spans) => None,
                    None => Some(Denial::Alone(None, *span)),
                };
            }
        }
        out
    }

    /// Whether a denial stands before a condition where nothing was praised: there is nothing for it to turn round.
    fn idle_denial(&self, clause: &Clause, span: &Span, spans: &[Span]) -> bool {
        let when = spans.iter().any(|s| s.start >= span.end && self.turns(s, Does::When));
        let praised = self.said[self.carried.said_from..].iter().any(|s| self.is_good(s));
        when && !praised && clause.lead != Lead::Strong
    }

    /// Whether nothing that tells follows a denial in its clause.
    fn ends(&self, clause: &Clause, span: &Span, regions: &[Region]) -> bool {
        let here = self.spans(clause);
        // `not with the adaptor`: when, and no more.
        let tells = |s: &&Span| {
            self.kind(**s) == Kind::Time || self.turns(s, Does::Of) || self.when_of(s.entry).is_some()
        };
        let idle =
            |i: usize| self.found.fillers[i] || here.iter().filter(tells).any(|s| s.start <= i && i < s.end);
        (span.end..clause.to).take_while(|i| regions[*i - clause.from] == Region::Main).all(idle)
    }

    fn push(&mut self, thing: Ix, state: Ix, denied: bool, clause: usize, at: &[Span]) {
        let (state, denied) = match (denied, self.lexicon.entries[state].denied) {
            (true, Some(other)) => (other, false),
            (denied, _) => (state, denied),
        };
        let mut at: Vec<(usize, usize)> = at.iter().map(|s| (s.start, s.end)).collect();
        at.sort_unstable();
        at.dedup();
        let (times, until) = (Vec::new(), Vec::new());
        self.said.push(Said { thing, state, denied, times, until, clause, at, only: false });
    }

    /// A denial goes on over bare nouns: `no hum or buzz`, `no hum, hiss or buzz`, `no light and sound`.
    fn goes_on(&self, clause: &Clause, next: Lead, items: &mut [Item], denial: Option<Denial>) -> bool {
        let Some(noise) = self.carried.denies.filter(|_| denial.is_none()) else { return false };
        let alone = items.len() == 1 && clause.to - clause.from <= 2;
        let has_state = items.iter().skip(1).any(|i| matches!(i.kind, Kind::State { .. }))
            || items.first().is_some_and(|i| matches!(i.kind, Kind::State { noise: false, .. }));
        let Some(first) = items.first_mut() else { return false };
        let goes_on = match clause.lead {
            Lead::Either => first.span.start <= clause.from + 2,
            Lead::Comma => {
                alone && first.is_noise() && noise && matches!(next, Lead::Comma | Lead::Either | Lead::Join)
            }
            Lead::Join => !has_state && first.span.start == clause.from && first.is_noise() == noise,
            _ => false,
        };
        first.denied |= goes_on;
        goes_on
    }

    /// Says what the items of a clause say.
    fn attach(
        &mut self,
        number: usize,
        clause: &Clause,
        next: Lead,
        items: &mut [Item],
        denial: Option<Denial>,
    ) {
        let own = self.lexicon.own;
        // Of several readings of one wording those count that some rule speaks of, and of these those whose thing is named.
        let mut subjects: Vec<Option<(Ix, Option<Span>)>> = vec![None; items.len()];
        let mut best: Vec<(Span, u8)> = Vec::new();
        for (i, item) in items.iter().enumerate().filter(|(_, i)| !i.spent) {
            let Kind::State { noise: false, takes, .. } = item.kind else { continue };
            subjects[i] = self.subject(clause, items, item, takes);
            let rank = subjects[i].map_or(0, |(thing, span)| self.rank(thing, item.span.entry, span));
            match best.iter_mut().find(|(s, _)| s.start == item.span.start && s.end == item.span.end) {
                Some((_, known)) => *known = (*known).max(rank),
                None => best.push((item.span, rank)),
            }
        }
        for (i, item) in items.iter().enumerate().filter(|(_, i)| !i.spent) {
            match item.kind {
                Kind::State { noise: false, .. } => {
                    let Some((thing, span)) = subjects[i] else { continue };
                    let rank = self.rank(thing, item.span.entry, span);
                    let same = |(s, _): &&(Span, u8)| s.start == item.span.start && s.end == item.span.end;
                    if best.iter().find(same).is_some_and(|(_, best)| *best > rank) {
                        continue;
                    }
                    self.say(number, clause, item, thing, span);
                }
                Kind::State { .. } => {
                    let head = items
                        .iter()
                        .rev()
                        .find(|h| h.is_thing() && !h.spent && h.span.end <= item.span.start);
                    let noun = noun_after(items, item)
                        .filter(|n| n.is_thing() && self.speaks(n.span.entry, item.span.entry));
                    let head = head.filter(|_| noun.is_none()).or(noun).map(|h| h.span);
                    let fits = head.filter(|h| self.speaks(h.entry, item.span.entry));
                    let topic = self.carried.topic.filter(|t| {
                        head.is_none() && clause.lead != Lead::Strong && self.speaks(*t, item.span.entry)
                    });
                    let thing = fits.map(|h| h.entry).or(topic).unwrap_or(own.unit);
                    let mut at = vec![item.span];
                    at.extend(fits);
                    self.push(thing, item.span.entry, item.denied, number, &at);
                }
                Kind::Symptom | Kind::Open => {
                    self.push(own.unit, item.span.entry, item.denied, number, &[item.span]);
                }
                Kind::Thing { .. } if item.denied => {
                    // `output B has no signal` is said of the output.
                    let holder = items[..i]
                        .iter()
                        .rev()
                        .find(|h| h.is_thing() && !h.spent && !h.denied)
                        .map(|h| h.span);
                    let sound = item.span.entry == own.sound;
                    let part =
                        |h: &Span| !self.lexicon.is(h.entry, own.unit) && self.speaks(h.entry, own.none);
                    match holder.filter(|h| sound && part(h)) {
                        Some(holder) => {
                            self.push(holder.entry, own.none, false, number, &[holder, item.span])
                        }
                        None => self.push(item.span.entry, own.none, false, number, &[item.span]),
                    }
                }
                _ => {}
            }
        }
        // `LED: no.`
        let alone = clause.lead == Lead::Comma && next == Lead::Strong && clause.to - clause.from == 1;
        let answer = self.spans(clause).into_iter().find(|s| self.turns(s, Does::DenyThing));
        if let Some(answer) = answer.filter(|_| alone) {
            for hanging in self.carried.hanging.clone() {
                self.push(hanging.entry, own.none, false, number, &[hanging, answer]);
            }
        }
        if let Some(Denial::Alone(head, span)) = denial {
            let thing = head.map(|h| h.entry).or(self.carried.topic).unwrap_or(own.unit);
            let mut at = vec![span];
            at.extend(head);
            // `the echo is rough, the dry sound isn't`: what is denied is what was said last.
            let wrong = self.said[self.carried.said_from..].last().is_some_and(|s| !self.is_good(s));
            let state = if wrong && head.is_some() { own.fine } else { own.fails };
            self.push(thing, state, false, number, &at);
        }
    }

    /// How well a state sits with a thing: 2 where a rule speaks of both and the thing is named, 1 where a rule speaks of both.
    fn rank(&self, thing: Ix, state: Ix, named: Option<Span>) -> u8 {
        match (self.speaks(thing, state), named) {
            (true, Some(_)) => 2,
            (true, None) => 1,
            (false, _) => 0,
        }
    }

    /// Says a state of a thing, and of what hung in the air before it.
    fn say(&mut self, number: usize, clause: &Clause, item: &Item, thing: Ix, span: Option<Span>) {
        let mut at = vec![item.span];
        at.extend(span);
        self.push(thing, item.span.entry, item.denied, number, &at);
        let Some(span) = span.filter(|_| matches!(clause.lead, Lead::Join | Lead::Comma | Lead::Either))
        else {
            return;
        };
        // `light and sound are gone`.
        for hanging in self.carried.hanging.clone() {
            if self.lexicon.fit(hanging.entry, item.span.entry) {
                self.push(hanging.entry, item.span.entry, item.denied, number, &[hanging, item.span]);
            }
        }
        // `crunchy, broken-up repeats`.
        if span.start >= item.span.end {
            for orphan in std::mem::take(&mut self.carried.orphans) {
                if self.speaks(thing, self.said[orphan].state) {
                    self.said[orphan].thing = thing;
                }
            }
        }
    }

    /// Whether some rule speaks of just this thing with a state, not of any thing.
    fn speaks(&self, thing: Ix, state: Ix) -> bool {
        let (things, states) = (&self.lexicon.entries[thing].is, &self.lexicon.entries[state].is);
        states.iter().any(|s| things.iter().any(|t| self.lexicon.fits.contains(&(*t, *s))))
    }

    /// Whether a thing belongs to one that ends at `after`: `of the mixer`.
    fn belongs(&self, item: &Item, after: usize) -> bool {
        let start = item.span.start;
        (after.max(start.saturating_sub(4))..start).any(|i| self.is_of(i))
    }

    fn is_of(&self, at: usize) -> bool {
        self.found.all[at].iter().any(|s| self.turns(s, Does::Of))
    }

    /// What a state is said of; nothing where it belongs to a noise.
    fn subject(
        &self,
        clause: &Clause,
        items: &[Item],
        item: &Item,
        takes: Takes,
    ) -> Option<(Ix, Option<Span>)> {
        let own = self.lexicon.own;
        let state = item.span.entry;
        // `on the mains the light is dim`: what stands before its noun as a word of place is no state of it.
        let takes = if takes == Takes::Either && self.is_of(item.span.start) { Takes::Before } else { takes };
        // A picture is of the whole sound: `it crackles like a torn speaker`.
        let picture = matches!(item.kind, Kind::State { simile: true, .. });
        let here = self.spans(clause);
        // `after an hour under the lamps it's thin`: what a place or time is told by is not what is spoken of.
        let told_by = |i: &Item| {
            let subject =
                |s: &Span| s.start >= i.span.end && s.end <= item.span.start && self.turns(s, Does::Subject);
            let place =
                (i.span.start.saturating_sub(2)..i.span.start).any(|w| w >= clause.from && self.is_of(w));
            i.is_thing() && place && here.iter().any(subject) && !self.speaks(i.span.entry, item.span.entry)
        };
        let head = |i: &&Item| !i.spent && !told_by(i) && (i.is_thing() || (i.is_noise() && !picture));
        let mut before: Vec<&Item> =
            items.iter().rev().filter(head).filter(|i| i.span.end <= item.span.start).collect();
        let behind: Vec<&Item> =
            items.iter().filter(head).filter(|i| i.span.start >= item.span.end).collect();
        let near_before = before.first().is_some_and(|i| i.span.end + 2 >= item.span.start);
        // `channel 3 of the mixer is dead`: what belongs to another comes after it.
        let ends: Vec<usize> = before.iter().map(|i| i.span.end).collect();
        let previous = |i: &Item| ends.iter().copied().filter(|e| *e <= i.span.start).max();
        before.sort_by_key(|i| i.is_thing() && previous(i).is_some_and(|end| self.belongs(i, end)));
        // An adjective right before its noun, or before more of them.
        let close = noun_after(items, item)
            .filter(|n| n.is_noise() || !self.aside(n.span.entry) || self.speaks(n.span.entry, state));
        // `makes a little knocking`.
        if takes == Takes::Before && close.is_some_and(|n| n.is_noise() && n.span.start == item.span.end) {
            return None;
        }
        if let Some(noun) =
            close.filter(|_| takes != Takes::Before && (takes == Takes::After || !near_before))
        {
            if noun.is_noise() {
                return None;
            }
            return Some((noun.span.entry, Some(noun.span)));
        }
        let order: Vec<&Item> = match takes {
            Takes::After => behind.iter().chain(&before).copied().collect(),
            Takes::Before => before.clone(),
            Takes::Either => before.iter().chain(&behind).copied().collect(),
        };
        // `hiss that is not there on the direct sound`.
        let last = self.said.len().checked_sub(1).filter(|n| self.carried.noise == Some(*n));
        if let Some(noise) = last
            .filter(|_| clause.lead == Lead::Relative && before.is_empty() && self.carried.hanging.is_empty())
        {
            return self.lexicon.is(state, own.gone).then(|| (self.said[noise].state, None));
        }
        let of = self.lexicon.entries[state].of;
        let calm = self.lexicon.is(state, own.calm)
            || self.lexicon.entries[state].denied.is_some_and(|d| self.lexicon.is(own.calm, d));
        let noise = |i: &&&Item| i.is_noise() && takes != Takes::After && (of.is_none() || calm);
        if let Some(first) = order.first().filter(noise) {
            // Of a noise it can be said that it is gone; how loud or bright it is does not matter.
            let gone = self.lexicon.is(state, own.gone);
            return gone.then_some((first.span.entry, Some(first.span)));
        }
        let things = || order.iter().filter(|i| i.is_thing());
        if let Some(fit) = things().find(|i| self.speaks(i.span.entry, state)) {
            return Some((fit.span.entry, Some(fit.span)));
        }
        // `the footswitch itself is quiet` says nothing of the sound.
        let close =
            |i: &&Item| i.is_thing() && !self.aside(i.span.entry) && i.span.end + 3 >= item.span.start;
        let of = of.filter(|_| !(calm && before.first().is_some_and(close)));
        // `crunch on low notes` is not said of the notes.
        let beside = |i: &Item| i.span.start >= item.span.end && self.belongs(i, item.span.end);
        // A wording that names its thing itself needs no other: `one repeat`.
        if let Some(first) = things().find(|i| of.is_none() && !self.aside(i.span.entry) && !beside(i)) {
            return Some((first.span.entry, Some(first.span)));
        }
        // `Light: dead.`
        let hanging = self.carried.hanging.last().filter(|_| clause.lead == Lead::Comma);
        if let Some(hanging) = hanging.filter(|h| self.speaks(h.entry, state)) {
            return Some((hanging.entry, Some(*hanging)));
        }
        // `a whistle, quiet but always there`: how loud a noise is does not matter.
        let goes_on = matches!(clause.lead, Lead::Comma | Lead::Contrast)
            // `a whistle, very high and not so loud`.
            || (clause.lead == Lead::Join && item.denied);
        let noise = self.carried.noise.is_some_and(|n| n >= self.carried.said_from);
        if goes_on && noise && order.is_empty() && calm {
            return None;
        }
        if let Some(of) = of {
            return Some((of, None));
        }
        let carried =
            self.carried.topic.filter(|_| clause.lead != Lead::Strong || self.begins_with_pronoun(clause));
        if let Some(topic) = carried.filter(|t| self.speaks(*t, state)) {
            return Some((topic, None));
        }
        Some((own.unit, None))
    }

    fn begins_with_pronoun(&self, clause: &Clause) -> bool {
        self.spans(clause).first().is_some_and(|s| self.turns(s, Does::Pronoun))
    }

    /// Whether a thing may be passed over for the unit.
    fn aside(&self, thing: Ix) -> bool {
        matches!(self.lexicon.entries[thing].kind, Kind::Thing { aside: true, .. })
    }

    /// `the hum is gone on battery`: a noise that is gone is denied; where that holds at a time only, it is there otherwise.
    fn gone(&mut self, begin: usize, conditional: bool) {
        let own = self.lexicon.own;
        let mut more = Vec::new();
        for i in begin..self.said.len() {
            if !self.lexicon.is(self.said[i].state, own.gone) {
                continue;
            }
            let named = self.is_noise(self.said[i].thing);
            let earlier = self.carried.noise.filter(|n| *n < begin);
            // `hum all over, goes with a cap across it`, `a whistle, none with the guitar in`.
            let headless = self.said[i].thing == own.unit
                || self.said[i].at.len() == 1
                || self.aside(self.said[i].thing);
            let noise = match (named, earlier) {
                (true, _) => self.said[i].thing,
                (false, Some(n)) if headless => self.said[n].state,
                _ => continue,
            };
            if named && conditional {
                let mut there = self.said[i].clone();
                (there.state, there.thing) = (noise, own.unit);
                there.times.clear();
                more.push(there);
            }
            let said = &mut self.said[i];
            (said.thing, said.state, said.denied) = (own.unit, noise, true);
        }
        self.said.extend(more);
    }

    /// `on is the same`: what was wrong before is wrong at these times too.
    fn same(&mut self, begin: usize) {
        let own = self.lexicon.own;
        for i in begin..self.said.len() {
            if !self.lexicon.is(self.said[i].state, own.same) || self.said[i].denied {
                continue;
            }
            let good =
                |s: &Said| matches!(self.lexicon.entries[s.state].kind, Kind::State { good: true, .. });
            let last = self.said[..begin].iter().rev().find(|s| !s.denied && !good(s)).cloned();
            if let Some(last) = last.filter(|_| !self.said[i].times.is_empty()) {
                let at = [last.at.clone(), self.said[i].at.clone()].concat();
                let (times, clause) = (self.said[i].times.clone(), self.said[i].clause);
                self.said[i] = Said { times, at, clause, ..last };
            }
        }
    }
}

/// The thing or noise that an adjective stands right before; other adjectives may stand between.
fn noun_after<'i>(items: &'i [Item], item: &Item) -> Option<&'i Item> {
    let mut end = item.span.end;
    let mut noise = None;
    for next in items.iter().filter(|i| i.span.start >= item.span.end && !i.spent) {
        if next.span.start > end {
            break;
        }
        end = next.span.end;
        match next.kind {
            Kind::Thing { .. } => return Some(next),
            Kind::State { noise: true, .. } => noise = noise.or(Some(next)),
            Kind::State { .. } => {}
            _ => break,
        }
    }
    noise
}

/// The noun that a denial means where an adjective stands before it: `no clear sound`.
fn denied_noun(items: &mut [Item], first: usize) -> usize {
    let adjective = matches!(items[first].kind, Kind::State { noise: false, .. });
    let end = items[first].span.end;
    let noun = items.iter().position(|n| n.is_thing() && n.span.start == end);
    match noun.filter(|_| adjective) {
        Some(noun) => {
            items[first].spent = true;
            noun
        }
        None => first,
    }
}
