//! Written packs to the proven set: names declared, items built, all complaints gathered.

use super::figures::{Minutes, Probability};
use super::ids::{
    Cause, CautionId, CheckId, ConditionId, Effect, FaultId, Item, PackId, RemedyId, SetupId, SymptomId,
};
use super::set::{Caution, Check, Condition, Fault, Pack, Remedy, Rules, Setup, Symptom};
use super::speech::{self, OwnWords, PackWords, Speech, is_word_file};
use super::words::{Applies, Kind, Needs, Power, Tool, Unit};
use super::{link, proof, written};
use crate::text::{
    At, Complaint, Complaints, Named, Node, Place, Source, Span, Value, decode_all, or_nearest, parse,
};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A file read: its text and what it holds. The tree is gone by now; it is the largest of the three.
pub(super) struct File {
    pub source: Arc<Source>,
    pub pack: written::Pack,
}

impl File {
    pub fn place(&self, span: Span) -> Place {
        Place { file: self.source.clone(), span }
    }
}

/// Text that answers may not be called, since it answers any check.
const RESERVED_ANSWER: &str = "unsure";

impl Rules {
    /// Reads packs, merges them and proves them.
    ///
    /// The order of the sources is the order of everything in the set. A later pack may link to
    /// and amend items of any pack. Cost: linear in the text, a few milliseconds for ten packs of
    /// a thousand lines.
    ///
    /// # Errors
    /// Every complaint about every file, sorted by file and place. Where a file is no YAML at all,
    /// names are not looked up, since its own are unknown; where an item can't be read, the checks
    /// on the whole graph (unused items, unshown faults, cycles) wait until it can.
    pub fn load(sources: &[Source]) -> Result<Self, Complaints> {
        let mut loader = Loader::default();
        let (words, packs): (Vec<Source>, Vec<Source>) = sources.iter().cloned().partition(is_word_file);
        loader.word_files = if words.is_empty() { speech::builtin_sources() } else { words.clone() };
        let (files, whole) = loader.read(&packs);
        if !whole {
            return Err(loader.complaints.or_ok(()).err().unwrap_or_default());
        }
        loader.readable = loader.complaints.0.is_empty();
        let written = loader.declare(&files);
        loader.build(&written);
        link::links(&mut loader, &written);
        super::amend::amend(&mut loader, &files);
        proof::index(&mut loader.rules);
        if loader.readable {
            proof::prove(&mut loader);
        }
        loader.speech(!words.is_empty(), &written);
        let Loader { complaints, rules, .. } = loader;
        complaints.or_ok(rules)
    }
}

/// The work in hand.
#[derive(Default)]
pub(super) struct Loader {
    pub complaints: Complaints,
    pub rules: Rules,
    /// The word files that complaints are read with.
    word_files: Vec<Source>,
    /// Names of items that stand in a file and can't be read; they are not unknown.
    lost: BTreeSet<String>,
    places: BTreeMap<String, Place>,
    /// Symptoms that name no answer of a check, though they should.
    dangling: BTreeSet<SymptomId>,
    /// Places of the answers of each check.
    pub answer_places: Vec<Vec<Place>>,
    /// Causes and effects with a link that was refused; the graph is not whole round them, so what
    /// seems to be missing there is not complained of.
    pub cut_causes: BTreeSet<Cause>,
    pub cut_effects: BTreeSet<Effect>,
    /// Whether every item could be read.
    pub readable: bool,
    /// Whether the items follow from places: their ids name a spot behind an `@`.
    pub derived: bool,
    /// Cautions and setups that something refers to.
    pub used_cautions: BTreeSet<CautionId>,
    pub used_setups: BTreeSet<SetupId>,
}

/// An item as written, with its file and its key.
pub(super) struct Entry<'a, T> {
    pub file: &'a File,
    pub pack: PackId,
    pub key: &'a At<String>,
    pub item: T,
}

pub(super) enum Observable<'a> {
    Check(&'a written::Check),
    Symptom(&'a written::Symptom, SymptomId),
}

/// Everything written, each list in the order of the ids.
#[derive(Default)]
pub(super) struct Written<'a> {
    pub faults: Vec<Entry<'a, &'a written::Fault>>,
    pub conditions: Vec<Entry<'a, &'a written::Condition>>,
    pub symptoms: Vec<Entry<'a, &'a written::Symptom>>,
    pub checks: Vec<Entry<'a, Observable<'a>>>,
    pub remedies: Vec<Entry<'a, &'a written::Remedy>>,
    pub cautions: Vec<Entry<'a, &'a written::Caution>>,
    pub setups: Vec<Entry<'a, &'a written::Setup>>,
}

impl<T> Entry<'_, T> {
    pub fn place(&self) -> Place {
        self.file.place(self.key.span)
    }
}

impl Loader {
    pub fn complain(&mut self, code: &'static str, place: Place, message: String, help: impl Into<String>) {
        self.complaints.0.push(Complaint::at(code, place, message).help(help));
    }

    /// Reads all files. The flag tells whether every one of them could be parsed.
    fn read(&mut self, sources: &[Source]) -> (Vec<File>, bool) {
        let mut files = Vec::new();
        let mut whole = true;
        for source in sources {
            match parse(source) {
                Ok(document) => {
                    let (pack, complaints) = decode_all::<written::Pack>(&document);
                    if !complaints.0.is_empty() {
                        self.lost.extend(names_in(&document.root, pack.as_ref()));
                    }
                    self.complaints.0.extend(complaints.0);
                    files.extend(pack.map(|pack| File { source: document.file, pack }));
                }
                Err(complaints) => {
                    whole = false;
                    self.complaints.0.extend(complaints.0);
                }
            }
        }
        (files, whole)
    }

    pub fn declare<'a>(&mut self, files: &'a [File]) -> Written<'a> {
        let mut all = Written::default();
        for file in files {
            let pack = self.declare_pack(file);
            macro_rules! section {
                ($section:ident, $id:ident, $item:ident) => {
                    for (key, item) in file.pack.$section.iter() {
                        let id = Item::$item($id::at(all.$section.len()));
                        if self.declare_name(file, key, id) {
                            all.$section.push(Entry { file, pack, key, item });
                        }
                    }
                };
            }
            section!(faults, FaultId, Fault);
            section!(conditions, ConditionId, Condition);
            section!(remedies, RemedyId, Remedy);
            section!(cautions, CautionId, Caution);
            section!(setups, SetupId, Setup);
            for (key, item) in file.pack.symptoms.iter() {
                let id = SymptomId::at(all.symptoms.len());
                if self.declare_name(file, key, Item::Symptom(id)) {
                    for was in &item.was {
                        self.declare_name(file, was, Item::Symptom(id));
                    }
                    all.symptoms.push(Entry { file, pack, key, item });
                    if item.check.is_none() {
                        all.checks.push(Entry { file, pack, key, item: Observable::Symptom(item, id) });
                    }
                }
            }
            for (key, item) in file.pack.checks.iter() {
                if self.declare_name(file, key, Item::Check(CheckId::at(all.checks.len()))) {
                    all.checks.push(Entry { file, pack, key, item: Observable::Check(item) });
                }
            }
        }
        all
    }

    /// The words that complaints are read with: the built-in ones unless files or packs bring others.
    fn speech(&mut self, own: bool, written: &Written<'_>) {
        let brings = |e: &&Entry<'_, &written::Symptom>| !e.item.words.is_empty();
        let packs: Vec<PackWords> = written
            .symptoms
            .iter()
            .filter(brings)
            .map(|e| PackWords {
                symptom: e.key.value.clone(),
                words: e.item.words.iter().map(|w| (w.value.clone(), e.file.place(w.span))).collect(),
                place: e.place(),
            })
            .collect();
        for (text, place) in packs.iter().flat_map(|p| &p.words) {
            if let Some((message, help)) = speech::misshapen(text) {
                self.complain("bad-wording", place.clone(), message, help);
            }
        }
        if own || !packs.is_empty() {
            let words = OwnWords::new(self.word_files.clone(), packs);
            // Whoever brings word files wants to know at once; the wordings of packs wait until something is read.
            if own && let Err(complaints) = words.lexicon() {
                self.complaints.0.extend(complaints.0);
            }
            self.rules.speech = Speech::Own(Arc::new(words));
        }
    }

    fn declare_pack(&mut self, file: &File) -> PackId {
        let pack = &file.pack;
        let place = file.place(pack.pack.span);
        self.kebab(&place, &pack.pack.value, "pack id");
        if let Some(first) = self.rules.packs.iter().find(|p| p.id == pack.pack.value) {
            let help = "give one of the two another name".to_string();
            let message = format!(
                "the pack '{}' is here a second time; the first is at {}",
                first.id,
                spot(&first.place)
            );
            self.complain("duplicate-id", place.clone(), message, help);
        }
        let (title, about) = (self.wording(file, &pack.title), self.wording(file, &pack.about));
        let id = pack.pack.value.clone();
        for role in &pack.made_of {
            self.kebab(&file.place(role.span), &role.value, "role");
        }
        let made_of = pack.made_of.iter().map(|r| r.value.clone()).collect();
        self.rules.packs.push(Pack { id, title, about, applies: pack.applies.value, made_of, place });
        PackId::at(self.rules.packs.len() - 1)
    }

    fn declare_name(&mut self, file: &File, key: &At<String>, id: Item) -> bool {
        let place = file.place(key.span);
        self.kebab(&place, &key.value, "id");
        if let Some(first) = self.places.get(&key.value) {
            let kind = self.rules.names.get(&key.value).map_or("item", |i| i.kind());
            let message = format!(
                "the id '{}' is here a second time; the first is a {kind} at {}",
                key.value,
                spot(first)
            );
            self.complain(
                "duplicate-id",
                place,
                message,
                "ids are unique over all packs and kinds; rename one of the two",
            );
            return false;
        }
        self.places.insert(key.value.clone(), place);
        self.rules.names.insert(key.value.clone(), id);
        true
    }

    pub fn kebab(&mut self, place: &Place, name: &str, what: &str) {
        let own = if self.derived { name.split('@').next().unwrap_or(name) } else { name };
        let good = !name.is_empty()
            && own.len() <= 60
            && own.split('-').all(|part| {
                !part.is_empty() && part.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit())
            });
        if !good {
            let short: String = name.chars().take(60).collect();
            let help = "write small letters and digits, joined by single hyphens, at most 60 characters";
            self.complain("bad-id", place.clone(), format!("'{short}' is no valid {what}"), help);
        }
    }

    /// A text without the blanks round it; complains if nothing is left.
    pub fn wording(&mut self, file: &File, text: &At<String>) -> String {
        let words = text.value.trim();
        if words.is_empty() {
            let place = file.place(text.span);
            self.complain(
                "empty-wording",
                place,
                "there is no text here".into(),
                "say it in plain bench words",
            );
        }
        words.to_string()
    }

    fn source<T>(&mut self, entry: &Entry<'_, T>, own: Option<&At<String>>) -> String {
        match own.or(entry.file.pack.source.as_ref()) {
            Some(source) => self.wording(entry.file, source),
            None => {
                let message = format!("'{}' states no source, nor does its pack", entry.key.value);
                let help = "add 'source: …' here, or once at the top of the pack";
                self.complain("no-source", entry.place(), message, help);
                String::new()
            }
        }
    }

    /// Complains of an unknown name, or of one of the wrong kind, unless its item is there but unreadable.
    pub fn unknown(&mut self, file: &File, name: &At<String>, what: &'static str, kinds: &[&str]) {
        if self.lost.contains(&name.value) {
            return;
        }
        let place = file.place(name.span);
        if let Some(item) = self.rules.names.get(&name.value) {
            let message = format!("'{}' is a {}, and this must be a {what}", name.value, item.kind());
            let valid = self.names_of(kinds);
            let help = or_nearest(&name.value, valid.iter().map(String::as_str));
            return self.complain("wrong-kind", place, message, help);
        }
        let short: String = name.value.chars().take(60).collect();
        let valid = self.names_of(kinds);
        let help = or_nearest(&name.value, valid.iter().map(String::as_str));
        self.complain("unknown-name", place, format!("unknown {what} '{short}'"), help);
    }

    fn names_of(&self, kinds: &[&str]) -> Vec<String> {
        self.rules.names.iter().filter(|(_, i)| kinds.contains(&i.kind())).map(|(n, _)| n.clone()).collect()
    }

    pub fn out_of_range(&mut self, file: &File, span: Span, message: String, help: &str) {
        self.complain("out-of-range", file.place(span), message, help);
    }

    fn positive_minutes(&mut self, file: &File, minutes: &At<Minutes>) -> Minutes {
        if minutes.get() == 0.0 {
            let help = "everything takes time: write 0.2 or more";
            self.out_of_range(file, minutes.span, "0 minutes is out of range".into(), help);
        }
        minutes.value
    }

    fn cautions<T>(&mut self, entry: &Entry<'_, T>, names: &[At<String>]) -> Vec<CautionId> {
        let mut out = Vec::new();
        for name in names {
            match self.rules.names.get(&name.value) {
                Some(Item::Caution(id)) => {
                    self.used_cautions.insert(*id);
                    out.push(*id);
                }
                _ => self.unknown(entry.file, name, "caution", &["caution"]),
            }
        }
        out
    }

    fn setups<T>(&mut self, entry: &Entry<'_, T>, names: &[At<String>]) -> Vec<SetupId> {
        let mut out = Vec::new();
        for name in names {
            match self.rules.names.get(&name.value) {
                Some(Item::Setup(id)) => {
                    self.used_setups.insert(*id);
                    out.push(*id);
                }
                _ => self.unknown(entry.file, name, "setup", &["setup"]),
            }
        }
        out
    }

    pub fn build(&mut self, all: &Written<'_>) {
        for e in &all.cautions {
            let says = self.wording(e.file, &e.item.says);
            self.rules.cautions.push(Caution {
                id: e.key.value.clone(),
                says,
                pack: e.pack,
                place: e.place(),
            });
        }
        for e in &all.setups {
            let says = self.wording(e.file, &e.item.says);
            let minutes = e.item.minutes.value;
            let fresh = e.item.fresh.as_ref().map_or(minutes, |m| self.positive_minutes(e.file, m));
            self.rules.setups.push(Setup {
                id: e.key.value.clone(),
                says,
                minutes,
                fresh,
                pack: e.pack,
                place: e.place(),
            });
        }
        for e in &all.checks {
            let check = match &e.item {
                Observable::Check(check) => self.check(e, check),
                Observable::Symptom(symptom, id) => self.symptom_check(e, symptom, *id),
            };
            self.rules.checks.push(check);
        }
        for e in &all.symptoms {
            match self.symptom(e) {
                (symptom, true) => self.rules.symptoms.push(symptom),
                (symptom, false) => {
                    self.dangling.insert(SymptomId::at(self.rules.symptoms.len()));
                    self.rules.symptoms.push(symptom);
                }
            }
        }
        for e in &all.conditions {
            let condition = Condition {
                id: e.key.value.clone(),
                says: self.wording(e.file, &e.item.says),
                leak: e.item.leak.as_ref().map_or(Probability::ZERO, |l| l.value),
                board: self.board_word(
                    e.file,
                    e.item.board.as_ref(),
                    &["bias-moved", "nets-apart", "nets-joined"],
                ),
                source: self.source(e, e.item.source.as_ref()),
                pack: e.pack,
                place: e.place(),
            };
            self.rules.conditions.push(condition);
        }
        for e in &all.faults {
            let fault = self.fault(e);
            self.rules.faults.push(fault);
        }
        for e in &all.remedies {
            let remedy = self.remedy(e);
            self.rules.remedies.push(remedy);
        }
    }

    fn fault(&mut self, e: &Entry<'_, &written::Fault>) -> Fault {
        let board = e.item.board.as_ref().map(|b| {
            for word in std::iter::once(&b.role).chain(&b.modes) {
                self.kebab(&e.file.place(word.span), &word.value, "role or mode");
            }
            if b.modes.is_empty() {
                let place = e.file.place(b.role.span);
                self.complain(
                    "empty-list",
                    place,
                    "no mode is named".into(),
                    "name at least one failure mode",
                );
            }
            (b.role.value.clone(), b.modes.iter().map(|m| m.value.clone()).collect())
        });
        for p in [&e.item.prior.fresh_build, &e.item.prior.worked_before, &e.item.prior.after_change] {
            if p.get() > 0.5 {
                let message = format!("a prior of {} is out of range", p.value);
                self.out_of_range(
                    e.file,
                    p.span,
                    message,
                    "a fault is doubtful before any complaint is heard: at most 50 %",
                );
            }
        }
        Fault {
            id: e.key.value.clone(),
            says: self.wording(e.file, &e.item.says),
            plain: self.wording(e.file, &e.item.plain),
            prior: e.item.prior.map(|p| p.value),
            build: e.item.build.map(|f| f.value),
            board,
            group: None,
            source: self.source(e, e.item.source.as_ref()),
            pack: e.pack,
            place: e.place(),
        }
    }

    fn check(&mut self, e: &Entry<'_, Observable<'_>>, check: &written::Check) -> Check {
        let answers: Vec<String> = check.answers.iter().map(|a| a.value.clone()).collect();
        self.answers(e, check);
        let leak = self.leak(e, check, &answers);
        let reading =
            check.reading.as_ref().and_then(|r| super::bands::prove(self, e.file, &e.key.value, check, r));
        let mut holds_power = vec![false; answers.len()];
        for name in &check.holds_power {
            match answers.iter().position(|a| *a == name.value) {
                Some(i) => holds_power[i] = true,
                None => self.unknown_answer(e.file, name, &e.key.value, &answers),
            }
        }
        self.power(e.file, check);
        let mut tools: Vec<_> = check.tools.iter().map(|t| t.value).collect();
        tools.sort_unstable();
        tools.dedup();
        let optional = |me: &mut Self, t: &Option<At<String>>| t.as_ref().map(|t| me.wording(e.file, t));
        Check {
            id: e.key.value.clone(),
            says: self.wording(e.file, &check.says),
            kind: check.kind.value,
            how: self.wording(e.file, &check.how),
            place_on_unit: optional(self, &check.place),
            answers,
            usual: 0,
            reading,
            healthy: optional(self, &check.healthy),
            tools,
            power: check.power.value,
            minutes: self.positive_minutes(e.file, &check.minutes),
            setup: self.setups(e, &check.setup),
            cautions: self.cautions(e, &check.cautions),
            blocks: self.blocks(e.file, &check.blocks),
            leak,
            gate: check.gate,
            holds_power,
            tells_supply: self.tells_supply(e.file, &e.key.value, check),
            needs: check.needs.as_ref().map(|n| n.value),
            board: self.board_word(
                e.file,
                check.board.as_ref(),
                &["level-out", "turned-parts", "modulation-out"],
            ),
            symptom: None,
            source: self.source(e, check.source.as_ref()),
            pack: e.pack,
            place: e.place(),
        }
    }

    /// The packs of the blocks that a check is about.
    fn blocks(&mut self, file: &File, names: &[At<String>]) -> Vec<PackId> {
        let mut out = Vec::new();
        for name in names {
            let with_block = |p: &Pack| p.applies == Applies::WithBlock;
            match self.rules.packs.iter().position(|p| with_block(p) && p.id == name.value) {
                Some(i) => out.push(PackId::at(i)),
                None => {
                    let valid = self.rules.packs.iter().filter(|p| with_block(p)).map(|p| p.id.as_str());
                    let mut help = or_nearest(&name.value, valid);
                    if help.is_empty() {
                        help = "no pack that is loaded applies with a block: load the one meant, or drop the line".into();
                    }
                    let message = format!("unknown block '{}'", name.value);
                    self.complain("unknown-name", file.place(name.span), message, help);
                }
            }
        }
        out
    }

    /// Only volts can tell the supply.
    fn tells_supply(&mut self, file: &File, id: &str, check: &written::Check) -> bool {
        let volts = check.reading.as_ref().is_some_and(|r| r.unit.value == Unit::Volt);
        if check.tells_supply && !volts {
            let message = format!("'{id}' tells no supply: it has no reading in volts");
            self.complain(
                "bad-reading",
                file.place(check.says.span),
                message,
                "drop 'tells-supply', or add 'reading: {unit: V, …}'",
            );
        }
        check.tells_supply && volts
    }

    fn answers(&mut self, e: &Entry<'_, Observable<'_>>, check: &written::Check) {
        let mut seen = BTreeSet::new();
        let mut places = Vec::new();
        for answer in &check.answers {
            let place = e.file.place(answer.span);
            self.kebab(&place, &answer.value, "answer");
            if answer.value == RESERVED_ANSWER {
                let message = format!("'{RESERVED_ANSWER}' is an answer to every check");
                self.complain("bad-answer", place.clone(), message, "leave it out");
            }
            if !seen.insert(answer.value.as_str()) {
                let message = format!("the answer '{}' is here a second time", answer.value);
                self.complain("bad-answer", place.clone(), message, "leave one of the two out");
            }
            places.push(place);
        }
        self.answer_places.push(places);
        if check.answers.len() < 2 {
            let message = format!("the check '{}' has fewer than two answers", e.key.value);
            self.complain(
                "bad-answer",
                e.place(),
                message,
                "list the normal answer first, then the abnormal ones",
            );
        }
    }

    pub fn unknown_answer(&mut self, file: &File, name: &At<String>, check: &str, answers: &[String]) {
        let short: String = name.value.chars().take(60).collect();
        let message = format!("the check '{check}' has no answer '{short}'");
        let help = or_nearest(&name.value, answers.iter().map(String::as_str));
        self.complain("unknown-name", file.place(name.span), message, help);
    }

    fn leak(
        &mut self,
        e: &Entry<'_, Observable<'_>>,
        check: &written::Check,
        answers: &[String],
    ) -> Vec<Probability> {
        let mut shares = vec![Probability::ZERO; answers.len()];
        match &check.leak.value {
            written::Leak::One(p) if answers.len() == 2 => shares[1] = *p,
            written::Leak::One(_) => {
                let place = e.file.place(check.leak.span);
                let message = format!("one leak for {} abnormal answers", answers.len().saturating_sub(1));
                let named: Vec<_> = answers.iter().skip(1).map(|a| format!("{a}: …")).collect();
                self.complain(
                    "leak-shape",
                    place,
                    message,
                    format!("write 'leak: {{{}}}'", named.join(", ")),
                );
            }
            written::Leak::Each(entries) => {
                for (name, p) in entries {
                    match answers.iter().position(|a| *a == name.value) {
                        Some(0) => self.normal_answer(e.file, name),
                        Some(i) => shares[i] = p.value,
                        None => self.unknown_answer(e.file, name, &e.key.value, answers),
                    }
                }
            }
        }
        self.close_shares(e.file, check.leak.span, &mut shares);
        shares
    }

    pub fn normal_answer(&mut self, file: &File, name: &At<String>) {
        let message = format!("'{}' is the normal answer", name.value);
        let help = "name abnormal answers only; the normal one gets the rest";
        self.complain("normal-answer", file.place(name.span), message, help);
    }

    /// Gives the rest to the normal answer; complains if the others exceed 1.
    pub fn close_shares(&mut self, file: &File, span: Span, shares: &mut [Probability]) {
        let sum: f64 = shares.iter().skip(1).map(|p| p.get()).sum();
        if sum > 1.0 + 1e-9 {
            let message = format!("the shares add up to {}, more than 1", super::figures::rounded(sum));
            let help = "the rest goes to the normal answer: lower them";
            self.complain("shares-exceed-one", file.place(span), message, help);
        }
        if let Some(first) = shares.first_mut() {
            *first = Probability::clamped(1.0 - sum);
        }
    }

    fn power(&mut self, file: &File, check: &written::Check) {
        use super::words::{Tool, Unit};
        let power = check.power.value;
        let unit = check.reading.as_ref().map(|r| r.unit.value);
        let iron = check.tools.iter().any(|t| t.value == Tool::Iron);
        let powered = matches!(power, Power::On | Power::Brief);
        let wrong = match (check.kind.value, unit) {
            (Kind::Measure, Some(Unit::Ohm)) if power != Power::Off => {
                Some(("ohms are measured with the power off", "write 'power: off'"))
            }
            (Kind::Measure, Some(Unit::Volt | Unit::Ampere)) if !powered => Some((
                "volts and amperes are there only with the power on",
                "write 'power: on' or 'power: brief'",
            )),
            (Kind::Listen, _) if power == Power::Off => {
                Some(("nothing is heard with the power off", "write 'power: on' or 'power: brief'"))
            }
            (Kind::Try, _) if iron && power == Power::Any => Some((
                "iron work is done with the power off",
                "write 'power: off'; 'on' or 'brief' if it ends with the power on",
            )),
            (Kind::Try, _) if iron && powered && !says_power_off(&check.how.value) => Some((
                "iron work is done with the power off, and 'how' does not say so",
                "write 'power: off', or say 'Power off' in 'how' before the iron is named",
            )),
            _ if check.gate && powered => Some((
                "a gate is answered before the power comes on",
                "write 'power: off', or drop 'gate: true'",
            )),
            _ => None,
        };
        if let Some((message, help)) = wrong {
            self.complain("power-state", file.place(check.power.span), message.into(), help);
        }
    }

    fn symptom_check(&mut self, e: &Entry<'_, Observable<'_>>, s: &written::Symptom, id: SymptomId) -> Check {
        for (field, there) in
            [("ask", s.ask.is_some()), ("minutes", s.minutes.is_some()), ("leak", s.leak.is_some())]
        {
            if !there {
                let message = format!("the symptom '{}' stands alone and has no '{field}'", e.key.value);
                let help = format!("add a line '{field}: …', or name the 'check' and 'answer' that it is");
                self.complain("missing-field", e.place(), message, help);
            }
        }
        self.answer_places.push(vec![e.place(), e.place()]);
        let leak = s.leak.as_ref().map_or(Probability::ZERO, |l| l.value);
        Check {
            id: e.key.value.clone(),
            says: self.wording(e.file, &s.says),
            kind: Kind::Ask,
            how: s.ask.as_ref().map(|a| self.wording(e.file, a)).unwrap_or_default(),
            place_on_unit: None,
            answers: vec!["no".into(), "yes".into()],
            usual: 0,
            reading: None,
            healthy: None,
            tools: Vec::new(),
            power: if s.shows_running { Power::On } else { Power::Any },
            minutes: s.minutes.as_ref().map(|m| self.positive_minutes(e.file, m)).unwrap_or_default(),
            setup: Vec::new(),
            cautions: Vec::new(),
            blocks: self.blocks(e.file, &s.blocks),
            leak: vec![leak.complement(), leak],
            gate: false,
            holds_power: vec![false, false],
            tells_supply: false,
            needs: s.needs.as_ref().map(|n| n.value).or(s.shows_running.then_some(Needs::Sound)),
            board: self.board_word(
                e.file,
                s.board.as_ref(),
                &[
                    "loud-out",
                    "distorted-out",
                    "dull-out",
                    "thin-out",
                    "hiss-out",
                    "hum-out",
                    "whine-out",
                    "squeal-out",
                    "putter-out",
                    "pace-off",
                    "echo-hangs",
                ],
            ),
            symptom: Some(id),
            source: self.source(e, s.source.as_ref()),
            pack: e.pack,
            place: e.place(),
        }
    }

    fn symptom(&mut self, e: &Entry<'_, &written::Symptom>) -> (Symptom, bool) {
        let s = e.item;
        if s.words.is_empty() && !speech::have_entry(&self.word_files, &e.key.value) {
            let message = format!("the symptom '{}' has no words, and no word file reads it", e.key.value);
            self.complain(
                "empty-wording",
                e.place(),
                message,
                "add 'words: […]' with what an owner may call it, or an entry under 'symptoms:' of a word file",
            );
        }
        let words = s.words.iter().map(|w| self.wording(e.file, w).to_lowercase()).collect();
        let at = match &s.check {
            Some(check) => self.alias(e, check),
            None => {
                if let Some(answer) = &s.answer {
                    let message = format!("the symptom '{}' names an answer and no check", e.key.value);
                    let help = "add a line 'check: …', or drop the answer";
                    self.complain("missing-field", e.file.place(answer.span), message, help);
                }
                self.rules.checks.iter().position(|c| c.id == e.key.value).map(|own| (CheckId::at(own), 1))
            }
        };
        let (check, answer) = at.unwrap_or((CheckId::at(0), 1));
        let symptom = Symptom {
            id: e.key.value.clone(),
            says: self.wording(e.file, &s.says),
            words,
            check,
            answer,
            shows_running: s.shows_running,
            noise: s.noise,
            source: self.source(e, s.source.as_ref()),
            pack: e.pack,
            place: e.place(),
        };
        (symptom, at.is_some())
    }

    /// The word that `board` may hold here, one of a few.
    fn board_word(&mut self, file: &File, word: Option<&At<String>>, valid: &[&str]) -> Option<String> {
        let word = word?;
        if !valid.contains(&word.value.as_str()) {
            let message = format!("'{}' is nothing of a board's circuit that can stand here", word.value);
            self.complain(
                "unknown-name",
                file.place(word.span),
                message,
                format!("write 'board: {}', or drop it", valid.join("' or 'board: ")),
            );
        }
        Some(word.value.clone())
    }

    /// The answer that a symptom names, or nothing after a complaint.
    fn alias(&mut self, e: &Entry<'_, &written::Symptom>, check: &At<String>) -> Option<(CheckId, usize)> {
        let s = e.item;
        let extra = [
            ("ask", s.ask.as_ref().map(|a| a.span)),
            ("minutes", s.minutes.as_ref().map(|a| a.span)),
            ("leak", s.leak.as_ref().map(|a| a.span)),
        ];
        for (field, span) in extra.iter().filter_map(|(f, s)| s.map(|s| (f, s))) {
            let message = format!(
                "'{}' is an answer of the check '{}', which has its own '{field}'",
                e.key.value, check.value
            );
            self.complain("extra-field", e.file.place(span), message, format!("drop '{field}' here"));
        }
        let Some(Item::Check(id)) = self.rules.names.get(&check.value).copied() else {
            self.unknown(e.file, check, "check", &["check"]);
            return None;
        };
        let Some(answer) = &s.answer else {
            let message = format!("the symptom '{}' names a check and no answer", e.key.value);
            self.complain("missing-field", e.place(), message, "add a line 'answer: …'");
            return None;
        };
        let answers = self.rules.check(id).answers.clone();
        match answers.iter().position(|a| *a == answer.value) {
            Some(0) => self.normal_answer(e.file, answer),
            Some(i) => return Some((id, i)),
            None => self.unknown_answer(e.file, answer, &check.value, &answers),
        }
        None
    }

    fn remedy(&mut self, e: &Entry<'_, &written::Remedy>) -> Remedy {
        let r = e.item;
        if r.fixes.is_empty() {
            let message = format!("the remedy '{}' fixes nothing", e.key.value);
            self.complain("empty-list", e.place(), message, "name at least one fault in 'fixes: […]'");
        }
        if r.success.is_zero() {
            let message = "a success of 0 is out of range".to_string();
            self.out_of_range(e.file, r.success.span, message, "a remedy that never works is none");
        }
        let iron = r.tools.iter().any(|t| t.value == super::words::Tool::Iron);
        if iron && r.power.value != Power::Off {
            let place = e.file.place(r.power.span);
            self.complain(
                "power-state",
                place,
                "iron work is done with the power off".into(),
                "write 'power: off'",
            );
        }
        let mut tools: Vec<_> = r.tools.iter().map(|t| t.value).collect();
        tools.sort_unstable();
        tools.dedup();
        Remedy {
            by_hand: !tools.contains(&Tool::Iron),
            id: e.key.value.clone(),
            says: self.wording(e.file, &r.says),
            fixes: self.fixes(e.file, &r.fixes),
            minutes: self.positive_minutes(e.file, &r.minutes),
            money: r.money.value,
            tools,
            power: r.power.value,
            success: r.success.value,
            setup: self.setups(e, &r.setup),
            cautions: self.cautions(e, &r.cautions),
            source: self.source(e, r.source.as_ref()),
            pack: e.pack,
            place: e.place(),
        }
    }

    pub fn fixes(&mut self, file: &File, names: &[At<String>]) -> Vec<FaultId> {
        let mut out = BTreeSet::new();
        for name in names {
            match self.rules.names.get(&name.value) {
                Some(Item::Fault(id)) => {
                    if !out.insert(*id) {
                        let message = format!("the fault '{}' is here a second time", name.value);
                        self.complain("repeated", file.place(name.span), message, "leave one of the two out");
                    }
                }
                _ => self.unknown(file, name, "fault", &["fault"]),
            }
        }
        out.into_iter().collect()
    }

    /// What a link may lead to: a condition, a check, or through a symptom one answer of a check.
    pub fn effect(&mut self, file: &File, name: &At<String>) -> Option<(Effect, Option<usize>)> {
        match self.rules.names.get(&name.value) {
            Some(Item::Condition(id)) => Some((Effect::Condition(*id), None)),
            Some(Item::Check(id)) => Some((Effect::Check(*id), None)),
            Some(Item::Symptom(id)) if self.dangling.contains(id) => None,
            Some(Item::Symptom(id)) => {
                let symptom = self.rules.symptom(*id);
                let alias = (!symptom.alone(&self.rules)).then_some(symptom.answer);
                Some((Effect::Check(symptom.check), alias))
            }
            _ => {
                self.unknown(file, name, "condition, check or symptom", &["condition", "check", "symptom"]);
                None
            }
        }
    }

    /// Whether a cause has a link to an effect already.
    pub fn linked(&self, from: Cause, to: Effect) -> Option<usize> {
        self.rules.links.iter().position(|l| l.from == from && l.to == to)
    }
}

/// Whether instructions tell the user to take the power off.
fn says_power_off(how: &str) -> bool {
    let how = how.to_lowercase();
    ["power off", "power is off", "switch off", "switched off", "unplug", "disconnect"]
        .iter()
        .any(|w| how.contains(w))
}

/// `file:line` of a place.
fn spot(place: &Place) -> String {
    format!("{}:{}", place.file.name, place.line_column().0)
}

/// Names of items in a tree that the pack read from it does not hold.
fn names_in(root: &Node, pack: Option<&written::Pack>) -> Vec<String> {
    fn keys<T>(named: &Named<T>) -> impl Iterator<Item = &str> {
        named.iter().map(|(k, _)| k.value.as_str())
    }
    let mut held = BTreeSet::new();
    if let Some(p) = pack {
        held.extend(
            keys(&p.faults).chain(keys(&p.conditions)).chain(keys(&p.symptoms)).chain(keys(&p.checks)),
        );
        held.extend(keys(&p.remedies).chain(keys(&p.cautions)).chain(keys(&p.setups)));
    }
    let sections = ["faults", "conditions", "symptoms", "checks", "remedies", "cautions", "setups"];
    let mut out = Vec::new();
    for section in sections {
        if let Some(Value::Map(entries)) = root.get(section).map(|n| &n.value) {
            out.extend(entries.iter().map(|(k, _)| k.value.clone()).filter(|k| !held.contains(k.as_str())));
        }
    }
    out
}
