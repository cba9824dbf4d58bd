//! One item explained: everything the rules say of it, gathered for reading or as JSON.

use super::figures::{Minutes, Money, Probability, rounded};
use super::ids::{
    Cause, CautionId, CheckId, Effect, FaultId, Item, LinkId, PackId, RemedyId, SetupId, Strength,
};
use super::set::{Check, Rules, UnknownName};
use super::words::{Build, History, Power, Tool};
use super::written::Evidence;
use crate::text::Place;
use serde::Serialize;
use std::collections::{BTreeMap, VecDeque};

/// One item explained. Lists that don't concern its kind are empty. [`Sheet::text`] puts it into words.
#[derive(Clone, Debug, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Sheet {
    /// Text id.
    pub id: String,
    /// Kind, as a word.
    pub kind: &'static str,
    /// Its pack.
    pub pack: String,
    /// File and line where it is written.
    pub written_at: String,
    /// What it says.
    pub says: String,
    /// For a fault: the same for a customer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plain: Option<String>,
    /// For a fault: prior by history.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub prior: BTreeMap<&'static str, f64>,
    /// For a fault: factor by build method.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub build: BTreeMap<&'static str, f64>,
    /// For a check or symptom: how it is found out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub how: Option<How>,
    /// For a check or symptom: its answers.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub answers: Vec<Answer>,
    /// For a symptom: an owner's words.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub words: Vec<String>,
    /// For a fault or condition: its effects.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub leads_to: Vec<Leads>,
    /// For a condition, check or symptom: its causes.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub caused_by: Vec<Leads>,
    /// For a fault or condition: the checks that it reaches, the quick ones first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub checked_by: Vec<CheckedBy>,
    /// For a fault: what puts it right. For a remedy: itself.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub remedies: Vec<RemedyRow>,
    /// For a remedy: the faults that it puts right. For a pack: its items.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub refers_to: Vec<Named>,
    /// For a device or part kind: pins, limits, ways of failing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<super::show_part::PartFace>,
    /// Figures that later packs changed.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub amended: Vec<AmendedRow>,
    /// Where the knowledge comes from.
    pub source: String,
}

/// An item by name.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Named {
    /// Text id.
    pub id: String,
    /// What it says.
    pub says: String,
}

/// How a check is done.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct How {
    /// The check.
    pub check: String,
    /// Step by step.
    pub text: String,
    /// Where on the unit.
    #[serde(rename = "where", skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// The healthy reading.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub healthy: Option<String>,
    /// Tools.
    pub tools: Vec<Tool>,
    /// Supply state.
    pub power: Power,
    /// Minutes.
    pub minutes: f64,
    /// Preparations.
    pub setup: Vec<String>,
    /// Cautions.
    pub cautions: Vec<String>,
    /// Whether it comes before the first power-on.
    pub gate: bool,
    /// Blocks it is about; of any unit, if left out.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub blocks: Vec<String>,
}

/// An answer of a check.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Answer {
    /// The answer.
    pub answer: String,
    /// Its stretch of readings, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub band: Option<String>,
    /// Chance of it with nothing wrong.
    pub leak: f64,
    /// Symptoms that it is.
    pub symptoms: Vec<String>,
    /// Whether it forbids powered checks.
    pub holds_power: bool,
}

/// A link from the item's side.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Leads {
    /// The other end.
    pub id: String,
    /// What it says.
    pub says: String,
    /// Strength: one figure for a condition, else one an abnormal answer.
    pub strength: Vec<Share>,
    /// The mechanism.
    pub why: String,
    /// Where the knowledge comes from.
    pub source: String,
}

/// A share of a strength.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Share {
    /// The answer; nothing for a condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub answer: Option<String>,
    /// Chance that the cause alone brings it about.
    pub chance: f64,
}

/// A check that shows a fault or condition.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CheckedBy {
    /// The check.
    pub id: String,
    /// Its short name.
    pub says: String,
    /// Minutes.
    pub minutes: f64,
    /// Supply state.
    pub power: Power,
    /// Tools.
    pub tools: Vec<Tool>,
    /// Conditions on the shortest way there.
    pub through: Vec<String>,
}

/// A remedy in short.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct RemedyRow {
    /// Text id.
    pub id: String,
    /// What is done.
    pub says: String,
    /// Minutes.
    pub minutes: f64,
    /// Cost of parts in currency units.
    pub money: f64,
    /// Chance that it works.
    pub success: f64,
    /// Tools.
    pub tools: Vec<Tool>,
    /// Cautions.
    pub cautions: Vec<String>,
}

/// A figure that a later pack changed.
#[derive(Clone, Debug, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct AmendedRow {
    /// Which figure.
    pub figure: String,
    /// Before.
    pub was: f64,
    /// Now.
    pub is: f64,
    /// The pack that says so.
    pub pack: String,
    /// What it rests on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<Evidence>,
}

impl Rules {
    /// Explains the item of a name, or the pack of it.
    ///
    /// # Errors
    /// When nothing has that name; names the nearest.
    ///
    /// ```
    /// use halfsplit::rules::Rules;
    /// use halfsplit::text::Source;
    /// # let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/packs/lantern.yaml"));
    /// let rules = Rules::load(&[Source::new("lantern.yaml", text)])?;
    /// let page = rules.show("regulator-turned").unwrap().text();
    /// assert!(page.contains("turn-regulator"));
    /// assert!(page.lines().all(|line| line.chars().count() <= 80));
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn show(&self, name: &str) -> Result<Sheet, UnknownName> {
        let item = match (self.find(name), self.find_pack(name)) {
            (Ok(item), _) => item,
            (Err(_), Ok(pack)) => return Ok(self.show_pack(pack)),
            (Err(e), Err(_)) => return Err(e),
        };
        let mut sheet = match item {
            Item::Fault(id) => self.show_fault(id),
            Item::Condition(id) => {
                let c = self.condition(id);
                let mut sheet = self.head(item, &c.id, c.pack, &c.place, &c.says, &c.source);
                sheet.leads_to = self.leads_to(Cause::Condition(id));
                sheet.caused_by = self.caused_by(Effect::Condition(id), None);
                sheet.checked_by = self.checked_by(Cause::Condition(id));
                sheet
            }
            Item::Check(id) => {
                let c = self.check(id);
                let mut sheet = self.head(item, &c.id, c.pack, &c.place, &c.says, &c.source);
                self.show_check(&mut sheet, id, None);
                sheet
            }
            Item::Symptom(id) => {
                let s = self.symptom(id);
                let mut sheet = self.head(item, &s.id, s.pack, &s.place, &s.says, &s.source);
                sheet.words = s.words.clone();
                self.show_check(&mut sheet, s.check, Some(s.answer));
                sheet
            }
            Item::Remedy(id) => {
                let r = self.remedy(id);
                let mut sheet = self.head(item, &r.id, r.pack, &r.place, &r.says, &r.source);
                sheet.remedies = vec![self.remedy_row(id)];
                let fault = |f: &FaultId| named(&self.fault(*f).id, &self.fault(*f).says);
                sheet.refers_to = r.fixes.iter().map(fault).collect();
                sheet
            }
            Item::Caution(id) => {
                let c = self.caution(id);
                self.head(item, &c.id, c.pack, &c.place, &c.says, "")
            }
            Item::Setup(id) => {
                let s = self.setup(id);
                let says = format!("{} ({})", s.says, s.minutes);
                self.head(item, &s.id, s.pack, &s.place, &says, "")
            }
        };
        sheet.amended = self.amended_rows(item);
        Ok(sheet)
    }

    fn head(&self, item: Item, id: &str, pack: PackId, place: &Place, says: &str, source: &str) -> Sheet {
        Sheet {
            id: id.into(),
            kind: item.kind(),
            pack: self.pack(pack).id.clone(),
            written_at: format!("{}:{}", place.file.name, place.line_column().0),
            says: says.into(),
            source: source.into(),
            ..Sheet::default()
        }
    }

    fn show_pack(&self, id: PackId) -> Sheet {
        let pack = self.pack(id);
        let items = self.list().items.into_iter().filter(|i| i.pack == pack.id);
        Sheet {
            id: pack.id.clone(),
            kind: "pack",
            pack: pack.id.clone(),
            written_at: format!("{}:{}", pack.place.file.name, pack.place.line_column().0),
            says: format!("{}: {}", pack.title, pack.about),
            refers_to: items.map(|i| named(&i.id, &format!("{}: {}", i.kind, i.says))).collect(),
            ..Sheet::default()
        }
    }

    fn show_fault(&self, id: FaultId) -> Sheet {
        let f = self.fault(id);
        let mut sheet = self.head(Item::Fault(id), &f.id, f.pack, &f.place, &f.says, &f.source);
        sheet.plain = Some(f.plain.clone());
        sheet.prior = History::ALL.iter().map(|h| (h.name(), f.prior.of(*h).get())).collect();
        sheet.build = Build::AUTHORED.iter().map(|b| (b.name(), f.build.of(*b).get())).collect();
        sheet.leads_to = self.leads_to(Cause::Fault(id));
        sheet.checked_by = self.checked_by(Cause::Fault(id));
        sheet.remedies = self.remedies_of(id).iter().map(|r| self.remedy_row(*r)).collect();
        sheet
    }

    fn show_check(&self, sheet: &mut Sheet, id: CheckId, answer: Option<usize>) {
        let c = self.check(id);
        sheet.how = Some(How {
            check: c.id.clone(),
            text: c.how.clone(),
            place: c.place_on_unit.clone(),
            healthy: c.healthy.clone(),
            tools: c.tools.clone(),
            power: c.power,
            minutes: c.minutes.get(),
            setup: c.setup.iter().map(|s: &SetupId| self.setup(*s).says.clone()).collect(),
            cautions: self.caution_texts(&c.cautions),
            gate: c.gate,
            blocks: c.blocks.iter().map(|p| self.pack(*p).id.clone()).collect(),
        });
        sheet.answers = (0..c.answers.len()).map(|a| self.answer_row(id, c, a)).collect();
        sheet.caused_by = self.caused_by(Effect::Check(id), answer);
    }

    fn answer_row(&self, id: CheckId, check: &Check, answer: usize) -> Answer {
        let bands = check.reading.iter().flat_map(|r| r.bands.iter().map(move |b| (r.unit, b)));
        let band = bands.filter(|(_, (a, _))| *a == answer).map(|(unit, (_, band))| format!("{band} {unit}"));
        Answer {
            answer: check.answers[answer].clone(),
            band: band.reduce(|a, b| format!("{a}, {b}")),
            leak: check.leak[answer].get(),
            symptoms: self.symptoms_of(id, answer).map(|(_, s)| s.id.clone()).collect(),
            holds_power: check.holds_power[answer],
        }
    }

    fn caution_texts(&self, ids: &[CautionId]) -> Vec<String> {
        ids.iter().map(|c| self.caution(*c).says.clone()).collect()
    }

    fn remedy_row(&self, id: RemedyId) -> RemedyRow {
        let r = self.remedy(id);
        RemedyRow {
            id: r.id.clone(),
            says: r.says.clone(),
            minutes: r.minutes.get(),
            money: f64::from(r.money.hundredths()) / 100.0,
            success: r.success.get(),
            tools: r.tools.clone(),
            cautions: self.caution_texts(&r.cautions),
        }
    }

    fn amended_rows(&self, item: Item) -> Vec<AmendedRow> {
        let same = |of: Item| match (of, item) {
            (Item::Check(check), Item::Symptom(s)) => self.check(check).symptom == Some(s),
            _ => of == item,
        };
        let rows = self.amended.iter().filter(|a| same(a.item));
        let row = |a: &super::set::Amended| AmendedRow {
            figure: a.figure.clone(),
            was: a.was,
            is: a.is,
            pack: self.pack(a.pack).id.clone(),
            from: a.from.clone(),
        };
        rows.map(row).collect()
    }

    fn shares(&self, to: Effect, strength: &Strength) -> Vec<Share> {
        match (to, strength) {
            (Effect::Check(id), Strength::Graded(shares)) => {
                let named = self.check(id).answers.iter().zip(shares).skip(1).filter(|(_, p)| !p.is_zero());
                named.map(|(a, p)| Share { answer: Some(a.clone()), chance: p.get() }).collect()
            }
            (_, strength) => vec![Share { answer: None, chance: strength.total() }],
        }
    }

    fn leads_to(&self, cause: Cause) -> Vec<Leads> {
        let row = |(_, l): (LinkId, &super::set::Link)| {
            let says = match l.to {
                Effect::Condition(id) => &self.condition(id).says,
                Effect::Check(id) => &self.check(id).says,
            };
            Leads {
                id: self.effect_name(l.to).into(),
                says: says.clone(),
                strength: self.shares(l.to, &l.strength),
                why: l.why.clone(),
                source: l.source.clone(),
            }
        };
        self.links_from(cause).map(row).collect()
    }

    fn caused_by(&self, effect: Effect, answer: Option<usize>) -> Vec<Leads> {
        let shows = |l: &super::set::Link| match (answer, &l.strength) {
            (Some(a), Strength::Graded(shares)) => shares.get(a).is_some_and(|p| !p.is_zero()),
            _ => true,
        };
        let mut links: Vec<_> = self.links_to(effect).map(|(_, l)| l).filter(|l| shows(l)).collect();
        links.sort_by(|a, b| b.strength.total().total_cmp(&a.strength.total()));
        let row = |l: &super::set::Link| {
            let says = match l.from {
                Cause::Fault(id) => &self.fault(id).says,
                Cause::Condition(id) => &self.condition(id).says,
            };
            Leads {
                id: self.cause_name(l.from).into(),
                says: says.clone(),
                strength: self.shares(l.to, &l.strength),
                why: l.why.clone(),
                source: l.source.clone(),
            }
        };
        links.into_iter().map(row).collect()
    }

    /// Breadth first, so that the way noted is a shortest one.
    fn checked_by(&self, cause: Cause) -> Vec<CheckedBy> {
        let mut seen = vec![false; self.conditions.len()];
        let mut found: BTreeMap<CheckId, Vec<String>> = BTreeMap::new();
        let mut queue = VecDeque::from([(cause, Vec::new())]);
        while let Some((cause, way)) = queue.pop_front() {
            for (_, link) in self.links_from(cause) {
                match link.to {
                    Effect::Check(id) => {
                        found.entry(id).or_insert_with(|| way.clone());
                    }
                    Effect::Condition(id) if !seen[id.index()] => {
                        seen[id.index()] = true;
                        let mut longer = way.clone();
                        longer.push(self.condition(id).id.clone());
                        queue.push_back((Cause::Condition(id), longer));
                    }
                    Effect::Condition(_) => {}
                }
            }
        }
        let row = |(id, through): (CheckId, Vec<String>)| {
            let c = self.check(id);
            CheckedBy {
                id: c.id.clone(),
                says: c.says.clone(),
                minutes: c.minutes.get(),
                power: c.power,
                tools: c.tools.clone(),
                through,
            }
        };
        let mut rows: Vec<_> = found.into_iter().map(row).collect();
        rows.sort_by(|a, b| a.through.len().cmp(&b.through.len()).then(a.minutes.total_cmp(&b.minutes)));
        rows
    }
}

fn named(id: &str, says: &str) -> Named {
    Named { id: id.into(), says: says.into() }
}

/// Lines of the page, and how wide it is; wide texts wrap with a hanging indent.
pub(super) struct Page(String, usize);

const WIDTH: usize = 80;

impl Page {
    pub(super) fn title(&mut self, text: &str) {
        self.0.push_str(&format!("\n{text}\n"));
    }

    pub(super) fn put(&mut self, indent: usize, hang: usize, text: &str) {
        let mut line = " ".repeat(indent);
        let mut empty = true;
        for word in text.split_whitespace() {
            let wide = unicode_width::UnicodeWidthStr::width(line.as_str());
            if !empty && wide + 1 + unicode_width::UnicodeWidthStr::width(word) > self.1 {
                self.0.push_str(line.trim_end());
                self.0.push('\n');
                line = " ".repeat(hang);
                empty = true;
            }
            if !empty {
                line.push(' ');
            }
            line.push_str(word);
            empty = false;
        }
        self.0.push_str(line.trim_end());
        self.0.push('\n');
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + chars.as_str())
}

pub(super) fn sentence(text: &str) -> String {
    let text = text.trim();
    if text.ends_with(['.', '!', '?']) || text.is_empty() { text.into() } else { format!("{text}.") }
}

pub(super) fn percent(x: f64) -> String {
    Probability::clamped(x).to_string().replace(' ', "\u{a0}")
}

fn minutes(x: f64) -> String {
    Minutes::new(x).unwrap_or_default().to_string().replace(' ', "\u{a0}")
}

fn tools(tools: &[Tool]) -> String {
    if tools.is_empty() {
        return "no tools".into();
    }
    tools.iter().map(|t| t.name()).collect::<Vec<_>>().join(", ")
}

fn power(power: Power) -> &'static str {
    match power {
        Power::Off => "power off",
        Power::On => "power on",
        Power::Brief => "power on for a moment",
        Power::Any => "power on or off",
    }
}

impl Sheet {
    /// The item in words, for a terminal 80 columns wide.
    pub fn text(&self) -> String {
        self.text_in(WIDTH)
    }

    /// The item in words, in lines of at most `width` columns.
    pub fn text_in(&self, width: usize) -> String {
        let mut page = Page(String::new(), width);
        let of = match (&self.part, self.kind) {
            (Some(part), "device") => format!(" ({})", part.part_kind),
            (Some(_), _) | (None, "pack") => String::new(),
            (None, _) => format!(" of the pack {}", self.pack),
        };
        page.put(0, 4, &format!("{}: a {}{of}", self.id, self.kind.replace('-', " ")));
        page.put(0, 0, &sentence(&capital(&self.says)));
        if let Some(plain) = &self.plain {
            page.put(0, 4, &format!("For a customer: {}", sentence(plain)));
        }
        if !self.words.is_empty() {
            page.put(0, 4, &format!("An owner may say: {}.", self.words.join(", ")));
        }
        self.put_priors(&mut page);
        self.put_how(&mut page);
        self.put_links(&mut page, "What it leads to", &self.leads_to);
        self.put_links(&mut page, "What can cause it", &self.caused_by);
        self.put_checks(&mut page);
        self.put_remedies(&mut page);
        if let Some(part) = &self.part {
            part.put(&mut page);
        }
        self.put_references(&mut page);
        self.put_amended(&mut page);
        if !self.source.is_empty() {
            page.title("Source");
            page.put(2, 2, &sentence(&self.source));
        }
        page.0.push('\n');
        page.put(0, 2, &format!("Written at {}", self.written_at));
        page.0.replace('\u{a0}', " ")
    }

    fn put_priors(&self, page: &mut Page) {
        if self.prior.is_empty() {
            return;
        }
        page.title("How often, before any complaint is heard");
        for history in History::ALL {
            let p = self.prior.get(history.name()).copied().unwrap_or_default();
            let odds =
                if p > 0.0 { format!("(1 in {})", rounded((1.0 / p).round())) } else { "(never)".into() };
            page.0.push_str(format!("  {:<14} {:>8}  {odds}", history.name(), percent(p)).trim_end());
            page.0.push('\n');
        }
        let factors: Vec<_> = Build::AUTHORED
            .iter()
            .filter_map(|b| {
                self.build.get(b.name()).filter(|f| **f != 1.0).map(|f| format!("{b} × {}", rounded(*f)))
            })
            .collect();
        if !factors.is_empty() {
            page.put(2, 4, &format!("Times the build method: {}.", factors.join(", ")));
        }
    }

    fn put_how(&self, page: &mut Page) {
        let Some(how) = &self.how else { return };
        page.title(if how.check == self.id { "How" } else { "How it is found out" });
        let name = if how.check == self.id { String::new() } else { format!("{}: ", how.check) };
        page.put(2, 2, &format!("{name}{}", sentence(&how.text)));
        for (label, text) in [("Where", &how.place), ("Healthy", &how.healthy)] {
            if let Some(text) = text {
                page.put(2, 4, &format!("{label}: {}", sentence(text)));
            }
        }
        page.put(
            2,
            4,
            &format!("Takes {}, {}, {}.", minutes(how.minutes), power(how.power), tools(&how.tools)),
        );
        if !how.blocks.is_empty() {
            page.put(2, 4, &format!("Asked of a unit with one of these blocks: {}.", how.blocks.join(", ")));
        }
        if how.gate {
            page.put(2, 4, "Comes before the first power-on.");
        }
        how.setup.iter().for_each(|s| page.put(2, 4, &format!("First: {}", sentence(s))));
        how.cautions.iter().for_each(|c| page.put(2, 4, &format!("Caution: {}", sentence(c))));
        page.title("Answers");
        for (i, a) in self.answers.iter().enumerate() {
            let mut notes = Vec::new();
            notes.extend(a.band.clone());
            notes.push(if i == 0 {
                "normal".into()
            } else {
                format!("{} with nothing wrong", percent(a.leak))
            });
            if !a.symptoms.is_empty() && how.check != self.id {
                notes.push(format!("the symptom {}", a.symptoms.join(", ")));
            }
            if a.holds_power {
                notes.push("no power until it is put right".into());
            }
            page.put(2, 6, &format!("{}: {}", a.answer, notes.join("; ")));
        }
    }

    fn put_links(&self, page: &mut Page, title: &str, links: &[Leads]) {
        if links.is_empty() {
            return;
        }
        page.title(title);
        for link in links {
            let share = |s: &Share| match &s.answer {
                Some(answer) => format!("{answer} {}", percent(s.chance)),
                None => percent(s.chance),
            };
            let shares: Vec<_> = link.strength.iter().map(share).collect();
            page.put(2, 6, &format!("{} ({}): {}", link.id, shares.join(", "), sentence(&link.says)));
            page.put(6, 6, &sentence(&link.why));
            if link.source != self.source && !self.source.is_empty() {
                page.put(6, 6, &format!("Source: {}", sentence(&link.source)));
            }
        }
    }

    fn put_checks(&self, page: &mut Page) {
        const MOST: usize = 14;
        if self.checked_by.is_empty() {
            return;
        }
        page.title("How it is checked");
        for c in self.checked_by.iter().take(MOST) {
            let facts = format!("{}, {}, {}", minutes(c.minutes), power(c.power), tools(&c.tools));
            page.put(2, 6, &format!("{}: {} ({facts})", c.id, c.says));
            if !c.through.is_empty() {
                page.put(6, 6, &format!("through {}", c.through.join(", ")));
            }
        }
        if self.checked_by.len() > MOST {
            page.put(2, 2, &format!("and {} more, further off.", self.checked_by.len() - MOST));
        }
    }

    fn put_remedies(&self, page: &mut Page) {
        if self.remedies.is_empty() {
            return;
        }
        let own = self.kind == "remedy";
        page.title(if own { "What it takes" } else { "What puts it right" });
        for r in &self.remedies {
            let money = Money::from_hundredths((r.money * 100.0).round() as u32);
            if !own {
                page.put(2, 6, &format!("{}: {}", r.id, sentence(&r.says)));
            }
            let facts = format!(
                "{}, parts {money}, {}; works {} of the time.",
                minutes(r.minutes),
                tools(&r.tools),
                percent(r.success)
            );
            let indent = if own { 2 } else { 6 };
            page.put(indent, indent, &facts);
            r.cautions
                .iter()
                .for_each(|c| page.put(indent, indent + 2, &format!("Caution: {}", sentence(c))));
        }
    }

    fn put_references(&self, page: &mut Page) {
        if self.refers_to.is_empty() {
            return;
        }
        page.title(if self.kind == "pack" { "What it holds" } else { "The faults that it puts right" });
        self.refers_to.iter().for_each(|n| page.put(2, 6, &format!("{}: {}", n.id, n.says)));
    }

    fn put_amended(&self, page: &mut Page) {
        if self.amended.is_empty() {
            return;
        }
        page.title("Changed by later packs");
        for a in &self.amended {
            page.put(
                2,
                6,
                &format!("{}: {} was {} (pack {})", a.figure, rounded(a.is), rounded(a.was), a.pack),
            );
            let Some(from) = &a.from else { continue };
            let mut parts = Vec::new();
            parts.extend(from.authored.as_ref().map(|a| format!("authored {a}")));
            parts.extend(from.cases.map(|n| format!("{n} cases")));
            parts.extend(from.effective.map(|n| format!("worth {}", rounded(n))));
            parts.extend(from.interval.map(|[low, high]| format!("90 % interval {low} to {high}")));
            parts.extend(from.note.clone());
            page.put(6, 6, &sentence(&parts.join(", ")));
        }
    }
}
