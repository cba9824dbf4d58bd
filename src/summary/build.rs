//! From a diagnosis to its summary.

use super::model::*;
use super::pictures;
use super::shop::Shop;
use super::trail::Trail;
use super::{certainty, estimate, money, tense, timeline, words};
use crate::belief::FaultId;
use crate::job::{
    Card, Diagnosis, EndState, JobCard, Meaning, Retest, Suspects, Why, hear, minutes_noted, unit_of,
};
use crate::rules::Rules;
use crate::text::{Complaint, Complaints};

/// Suspects with a column of weights, and a line in the picture.
const COLUMNS: usize = 3;
/// Suspects listed on the bench copy.
const LISTED: usize = 8;
/// Leading suspects named to a customer before the repair.
const NAMED: usize = 3;
/// Findings named as reasons.
const REASONS: usize = 3;

/// What every part of the summary is made from.
pub(super) struct Parts<'a, 'r> {
    pub diagnosis: &'a Diagnosis<'r>,
    pub shop: &'a Shop,
    /// Faults with a column.
    pub columns: Vec<FaultId>,
    /// Why each of them stands where it stands.
    pub whys: Vec<Why>,
    pub trail: Trail,
}

impl Summary {
    /// The summary of a job: pure, so the same job and shop give the same summary. The posterior is recomputed after each
    /// finding, so it costs a diagnosis a finding, and one plan where the job is not finished.
    ///
    /// ```
    /// use halfsplit::{job::{Diagnosis, JobCard}, rules::Rules, summary::*, text::Source};
    /// let card = "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {words: no sound, symptoms: [silent]}\n";
    /// let job = JobCard::read(&Source::new("job.yaml", card))?;
    /// let diagnosis = Diagnosis::of(Rules::builtin()?, job)?;
    /// let summary = Summary::of(&diagnosis, &Shop::default())?;
    /// let text = render(&summary, Audience::Customer, Format::Text, &Templates::builtin()).unwrap();
    /// assert!(text.contains("\"no sound\""));
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// When the engine can't finish within its limits, or a price on the card can't be read.
    pub fn of(diagnosis: &Diagnosis<'_>, shop: &Shop) -> Result<Self, Complaints> {
        let suspects = diagnosis.suspects()?;
        let mut out = frame(&diagnosis.job, diagnosis.rules, shop)?;
        let trail = Trail::of(diagnosis)?;
        let columns = columns(diagnosis, &suspects, &trail);
        let whys: Result<Vec<Why>, Complaints> =
            columns.iter().map(|f| diagnosis.why(&diagnosis.model.faults[f.0].id)).collect();
        let parts = Parts { diagnosis, shop, columns, whys: whys?, trail };
        out.timeline = timeline::of(&parts);
        out.complaint.symptoms = symptoms(&parts);
        out.complaint.read = read(&parts)?;
        out.columns = letters(&parts);
        out.suspects = rows(&parts, &suspects);
        out.ruled_out = ruled_out(&parts, &out.timeline);
        out.surprise = Some(surprise(&parts, &suspects));
        out.result = result(&parts, &suspects, out.status, &out.timeline);
        out.work = work(&parts, &out.timeline);
        if out.status == Status::Interim && !diagnosis.cured() {
            let next = diagnosis.next(0)?;
            out.estimate = estimate::of(diagnosis, shop, next.expected_minutes);
            out.cautions = next_cautions(&next);
            out.next = Some(next_face(shop, &next));
        }
        out.proposed = proposed(&parts, out.status, &suspects);
        out.cautions.extend(out.suspects.iter().take(1).flat_map(|s| s.cautions.clone()));
        let mut seen = Vec::new();
        out.cautions.retain(|c| {
            !seen.contains(c) && {
                seen.push(c.clone());
                true
            }
        });
        out.not_tested.extend(not_tested(&parts));
        once(&mut out.not_tested);
        once(&mut out.care);
        once(&mut out.proposed);
        out.versions.packs = diagnosis
            .rules
            .packs()
            .filter(|(id, _)| diagnosis.model.in_play.get(id.index()).copied().unwrap_or(false))
            .map(|(_, p)| p.id.clone())
            .collect();
        out.pictures = pictures::of(&parts, &out.timeline, &suspects)?;
        out.glossary = words::glossary(&plain_text(&out))?;
        Ok(out)
    }

    /// The summary of a card without a diagnosis: identification, complaint and why the unit is declined. For a unit out
    /// of scope.
    ///
    /// # Errors
    /// When a price on the card can't be read.
    pub fn declined(job: &JobCard, rules: &Rules, shop: &Shop) -> Result<Self, Complaints> {
        let mut out = frame(job, rules, shop)?;
        (out.status, out.status_says) = words::status(Some(EndState::Declined));
        let why = job.card.declined().unwrap_or("the unit is outside what we work on.");
        out.result.headline = format!("We did not work on this unit: {why}");
        out.care = words::care(job.card.power.as_ref().map(|p| p.value), out.status)?;
        out.care.extend(shop.care.iter().cloned());
        Ok(out)
    }

    /// The same with the time at which it is made, RFC 3339.
    #[must_use]
    pub fn made(mut self, shop: &Shop, at: &str) -> Self {
        self.made = (!at.is_empty()).then(|| words::moment(shop, at));
        self
    }
}

/// All that follows from card and shop alone.
fn frame(job: &JobCard, rules: &Rules, shop: &Shop) -> Result<Summary, Complaints> {
    let card = &job.card;
    let (status, status_says) = words::status(card.outcome.as_ref().map(|o| o.end));
    let power = card.power.as_ref().map(|p| p.value);
    let mut care = words::care(power, status)?;
    care.extend(shop.care.iter().cloned());
    Ok(Summary {
        language: "en",
        status,
        status_says,
        made: None,
        shop: ShopFace {
            name: shop.name.clone(),
            address: shop.address.clone(),
            contact: shop.contact.clone(),
            terms: shop.terms.clone(),
        },
        unit: unit(card, rules, shop),
        complaint: ComplaintFace {
            words: card.complaint.as_ref().and_then(|c| c.words.clone()).filter(|w| !w.trim().is_empty()),
            symptoms: Vec::new(),
            read: None,
        },
        result: ResultFace {
            headline: String::new(),
            faults: Vec::new(),
            sure: None,
            confirmed: false,
            because: Vec::new(),
            unlisted: None,
            none: None,
        },
        work: Vec::new(),
        proposed: Vec::new(),
        bill: bill(job, shop)?,
        estimate: None,
        next: None,
        not_tested: card.not_tested.clone(),
        care,
        glossary: Vec::new(),
        timeline: Vec::new(),
        columns: Vec::new(),
        suspects: Vec::new(),
        ruled_out: Vec::new(),
        surprise: None,
        cautions: Vec::new(),
        versions: Versions {
            tool: format!("halfsplit {}", env!("CARGO_PKG_VERSION")),
            rules: format!("{}; fingerprint {:016x}", rules.counts(), fingerprint(rules)),
            packs: Vec::new(),
            board: card.board.as_ref().map(|b| b.value.clone()),
            card: card.halfsplit.as_ref().map_or(1, |v| v.value),
        },
        pictures: pictures::Pictures::default(),
    })
}

fn unit(card: &Card, rules: &Rules, shop: &Shop) -> UnitFace {
    let title = |id: &str| match rules.find_pack(id) {
        Ok(pack) => rules.pack(pack).title.clone(),
        Err(_) => id.to_string(),
    };
    UnitFace {
        name: card.unit.value.clone(),
        number: card.number.clone(),
        owner: card.owner.clone(),
        serial: card.serial.clone(),
        received: card.received.as_ref().map(|at| words::moment(shop, at)),
        finished: card.outcome.as_ref().and_then(|o| o.at.as_ref()).map(|at| words::moment(shop, at)),
        history: words::history(card.history.value).into(),
        changed: card.changed.clone(),
        build: card.build.map(|b| words::build(b).into()),
        power: card.power.as_ref().map(|p| words::power(p.value).into()),
        condition: card.condition.clone(),
        board: card.board.as_ref().map(|b| b.value.clone()),
        blocks: card.blocks.iter().map(|b| title(&b.value)).collect(),
        tools: card.tools().iter().map(|t| t.name().into()).collect(),
    }
}

/// A fingerprint of all figures of the rules: FNV-1a, 64 bits.
fn fingerprint(rules: &Rules) -> u64 {
    let mut hash: u64 = 0xcbf2_9ce4_8422_2325;
    let mut add = |bytes: &[u8]| {
        for b in bytes {
            hash = (hash ^ u64::from(*b)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    };
    for item in rules.list().items {
        add(item.id.as_bytes());
        add(item.says.as_bytes());
    }
    for (_, fault) in rules.faults() {
        for history in crate::rules::History::ALL {
            add(&fault.prior(*history, None).get().to_bits().to_le_bytes());
        }
    }
    for (_, link) in rules.links() {
        add(&link.strength.total().to_bits().to_le_bytes());
    }
    hash
}

/// The faults of the outcome, then the suspects, without repeats. Once the unit is mended nobody else is under suspicion:
/// there the rivals are those that stood highest on the way.
fn columns(diagnosis: &Diagnosis<'_>, suspects: &Suspects, trail: &Trail) -> Vec<FaultId> {
    let model = &diagnosis.model;
    let outcome = diagnosis.job.card.outcome.as_ref();
    let noted = outcome.iter().flat_map(|o| &o.faults).filter_map(|f| model.fault(&f.value));
    let now = suspects.suspects.iter().filter_map(|s| model.fault(&s.id));
    let mut out: Vec<FaultId> = noted.collect();
    if outcome.is_some_and(|o| o.end == EndState::Mended) && !out.is_empty() {
        let mut rivals: Vec<FaultId> = (0..model.faults.len()).map(FaultId).collect();
        rivals.retain(|f| *f != model.unlisted());
        rivals.sort_by(|a, b| {
            let by_height = trail.highest(*b).total_cmp(&trail.highest(*a));
            by_height.then_with(|| model.faults[a.0].id.cmp(&model.faults[b.0].id))
        });
        out.extend(rivals.into_iter().take(2 * COLUMNS));
    }
    out.extend(now);
    let mut seen = Vec::new();
    out.retain(|f| {
        !seen.contains(f) && seen.len() < COLUMNS && {
            seen.push(*f);
            true
        }
    });
    out
}

fn letters(parts: &Parts<'_, '_>) -> Vec<Column> {
    let faults = &parts.diagnosis.model.faults;
    let letters = ["A", "B", "C", "D", "E"];
    let of = |(letter, f): (&&str, &FaultId)| Column {
        letter: (*letter).into(),
        id: faults[f.0].id.clone(),
        says: faults[f.0].says.clone(),
    };
    letters.iter().zip(&parts.columns).map(of).collect()
}

fn symptoms(parts: &Parts<'_, '_>) -> Vec<String> {
    let rules = parts.diagnosis.rules;
    let says = |id: &str| rules.find_symptom(id).ok().map(|id| rules.symptom(id).says.clone());
    let Some(complaint) = &parts.diagnosis.job.card.complaint else { return Vec::new() };
    let sure = complaint.symptoms.iter().filter_map(|s| says(&s.value));
    let small = |says: String| words::lower(&says);
    let perhaps = complaint.perhaps.iter().map(|list| {
        let list: Vec<String> = list.iter().filter_map(|s| says(&s.value)).map(small).collect();
        format!("Perhaps {}", list.join(", or "))
    });
    sure.chain(perhaps).collect()
}

/// From which of the owner's words the symptoms were read; nothing where they were set by hand.
fn read(parts: &Parts<'_, '_>) -> Result<Option<String>, Complaints> {
    let card = &parts.diagnosis.job.card;
    let Some(words) = card.complaint.as_ref().and_then(|c| c.words.as_ref()) else { return Ok(None) };
    let parse = hear(parts.diagnosis.rules, words)?.parse;
    let quoted = |words: &[String]| words.iter().map(|w| format!("\"{w}\"")).collect::<Vec<_>>().join(", ");
    let on_card = |id: &str| card.complaint.iter().flat_map(|c| &c.symptoms).any(|s| s.value == id);
    let mut out: Vec<String> = parse
        .symptoms
        .iter()
        .filter(|h| on_card(&h.symptom))
        .map(|h| format!("{} from {}", h.symptom, quoted(&h.words)))
        .collect();
    if out.is_empty() {
        return Ok(None);
    }
    if !parse.left.is_empty() {
        out.push(format!("left: {}", quoted(&parse.left)));
    }
    Ok(Some(out.join("; ")))
}

fn rows(parts: &Parts<'_, '_>, suspects: &Suspects) -> Vec<SuspectRow> {
    let model = &parts.diagnosis.model;
    let shop = parts.shop;
    let prior = |s: &crate::job::Suspect| {
        let each = s.faults.iter().filter_map(|id| model.fault(id));
        1.0 - each.map(|f| 1.0 - model.faults[f.0].prior).product::<f64>()
    };
    // Those that the findings made likelier, and whoever leads; the rest stands where it stood.
    let mended = parts.diagnosis.job.card.outcome.as_ref().is_some_and(|o| o.end == EndState::Mended);
    let leaders = if mended { 1 } else { COLUMNS };
    let worth = |(i, s): &(usize, &crate::job::Suspect)| {
        *i < leaders || (s.probability >= 0.005 && s.weight_db >= 0.5)
    };
    suspects
        .suspects
        .iter()
        .enumerate()
        .filter(worth)
        .take(LISTED)
        .map(|(_, s)| SuspectRow {
            faults: s.faults.clone(),
            says: s.says.clone(),
            part: s.part.clone(),
            prior: words::chance(shop, prior(s)),
            chance: words::chance(shop, s.probability),
            weight: words::weight(shop, s.weight_db),
            remedy: s.remedy.as_ref().map(|r| words::remedy(shop, r)),
            remedy_id: s.remedy.as_ref().map(|r| r.id.clone()),
            cautions: s.remedy.as_ref().map(|r| r.cautions.clone()).unwrap_or_default(),
        })
        .collect()
}

fn ruled_out(parts: &Parts<'_, '_>, timeline: &[Entry]) -> Vec<RuledOut> {
    let model = &parts.diagnosis.model;
    let outcome = parts.diagnosis.job.card.outcome.as_ref();
    let named = |id: &str| outcome.is_some_and(|o| o.faults.iter().any(|f| f.value == id));
    let mut list: Vec<(f64, RuledOut)> = Vec::new();
    for (i, fault) in model.faults.iter().enumerate() {
        let id = FaultId(i);
        let (highest, now) = (parts.trail.highest(id), parts.diagnosis.probability(id));
        if id == model.unlisted() || named(&fault.id) || highest < 0.02 || now > 0.02 || now > highest / 5.0 {
            continue;
        }
        let Some((by, db)) = parts.trail.steepest_fall(id) else { continue };
        let by_says = timeline::name_of(timeline, by);
        list.push((
            highest,
            RuledOut {
                id: fault.id.clone(),
                says: fault.says.clone(),
                plain: fault.plain.clone(),
                highest: words::chance(parts.shop, highest),
                now: words::chance(parts.shop, now),
                by,
                by_says,
                weight: words::weight(parts.shop, db),
            },
        ));
    }
    list.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.id.cmp(&b.1.id)));
    list.into_iter().map(|(_, r)| r).take(LISTED).collect()
}

fn surprise(parts: &Parts<'_, '_>, suspects: &Suspects) -> SurpriseFace {
    let bits = suspects.surprise.conflict_bits;
    let says = match bits {
        b if b > 3.0 => {
            "The findings fit each other badly: one of them may be a slip, or the cause is not on the list"
        }
        b if b > 0.0 => "The findings support each other a little less than chance would",
        _ => "The findings support each other",
    };
    let worst = suspects.surprise.worst.as_ref().map(|w| {
        let number = if w.number == 0 { "the complaint".into() } else { format!("finding {}", w.number) };
        let chance = words::chance(parts.shop, w.probability).shown;
        format!(
            "{number} ({} = {}) sits worst with the others: {chance} given them. Take it again.",
            w.check, w.answer
        )
    });
    SurpriseFace {
        bits,
        shown: parts.shop.figure(&format!("{:+.1} bits", bits + 0.0)),
        says: says.into(),
        worst,
    }
}

/// Leaves what says the same as something before it out of a list.
fn once(list: &mut Vec<String>) {
    let mut seen: Vec<String> = Vec::new();
    list.retain(|text| {
        let plain = text.trim().trim_end_matches('.').to_lowercase();
        !seen.contains(&plain) && {
            seen.push(plain);
            true
        }
    });
}

fn fault_face(parts: &Parts<'_, '_>, id: &str, status: Status) -> FaultFace {
    let model = &parts.diagnosis.model;
    let Some(fault) = model.fault(id) else {
        let says = format!("Noted on the card as {id}");
        return FaultFace {
            id: id.into(),
            plain: says.clone(),
            says,
            repeats: false,
            together: None,
            chance: None,
            remedy: None,
        };
    };
    // What is not put right is still so.
    let still =
        matches!(status, Status::Interim | Status::HandedOn | Status::Found) && !parts.diagnosis.cured();
    let plain = |text: &str| if still { tense::now(text) } else { text.to_owned() };
    let entry = &model.faults[fault.0];
    let remedy = entry.remedies.first().map(|r| parts.diagnosis.offer(r));
    FaultFace {
        id: id.into(),
        plain: plain(&entry.plain),
        says: entry.says.clone(),
        repeats: false,
        together: None,
        chance: Some(words::chance(parts.shop, parts.diagnosis.probability(fault))),
        remedy: remedy.map(|r| words::remedy(parts.shop, &r)),
    }
}

fn result(parts: &Parts<'_, '_>, suspects: &Suspects, status: Status, timeline: &[Entry]) -> ResultFace {
    let outcome = parts.diagnosis.job.card.outcome.as_ref();
    let noted: Vec<&str> =
        outcome.map(|o| o.faults.iter().map(|f| f.value.as_str()).collect()).unwrap_or_default();
    let open = matches!(status, Status::Interim | Status::HandedOn);
    let leading =
        suspects.suspects.iter().filter(|s| s.probability >= 0.05).take(NAMED).map(|s| s.id.as_str());
    let several = noted.len() > 1;
    let shown: Vec<&str> = if noted.is_empty() && open { leading.collect() } else { noted };
    let mut faults: Vec<FaultFace> = shown.iter().map(|id| fault_face(parts, id, status)).collect();
    if open && outcome.is_none_or(|o| o.faults.is_empty()) {
        // A suspect may stand for several places that no check parts.
        for face in &mut faults {
            if let Some(suspect) = suspects.suspects.iter().find(|s| s.id == face.id) {
                face.says.clone_from(&suspect.says);
                face.plain = suspect.of_group(std::mem::take(&mut face.plain));
                face.chance = Some(words::chance(parts.shop, suspect.probability));
            }
        }
    }
    for i in 1..faults.len() {
        // Two places on a board may be one thing to a customer.
        faults[i].repeats = faults[..i].iter().any(|f| f.plain == faults[i].plain);
    }
    for i in 0..faults.len() {
        let alike = |f: &&FaultFace| f.plain == faults[i].plain;
        let ids: Vec<FaultId> =
            faults.iter().filter(alike).filter_map(|f| parts.diagnosis.model.fault(&f.id)).collect();
        if ids.len() > 1 && !faults[i].repeats {
            faults[i].together = Some(words::chance(parts.shop, parts.diagnosis.any_of(&ids)));
        }
    }
    let cured = parts.diagnosis.cured();
    let confirmed = status == Status::Mended || (cured && status == Status::Interim);
    let chance = |p: f64| words::chance(parts.shop, p);
    ResultFace {
        headline: headline(parts, status, &faults, cured),
        sure: sure(status, confirmed, cured, &faults, suspects),
        confirmed,
        because: because(parts, &faults, several, timeline, confirmed),
        unlisted: Some(chance(suspects.unlisted)),
        none: Some(chance(suspects.none)),
        faults,
    }
}

fn headline(parts: &Parts<'_, '_>, status: Status, faults: &[FaultFace], cured: bool) -> String {
    let last = parts.diagnosis.model.last_retest();
    let weak = faults.first().and_then(|f| f.chance.as_ref()).is_some_and(|c| c.p < 0.25);
    match (status, faults.len()) {
        (Status::Interim, _) if cured => {
            let remark =
                parts.diagnosis.job.card.standing().filter(|(_, f)| f.answer.value == "cured").last();
            let remark = remark.and_then(|(_, f)| f.remark.clone());
            let offered = || last.map_or_else(String::new, |(r, _)| parts.diagnosis.offer(r).text);
            let did = words::sentence(&remark.unwrap_or_else(offered));
            format!("The unit works again. What was done last: {did}")
        }
        (Status::Interim, 0) => "The cause is not found yet, and no single cause stands out so far.".into(),
        (Status::Interim, _) if weak => "No single cause stands out yet. The likeliest so far:".into(),
        (Status::Interim, 1) => "The cause is not proved yet. One stands out:".into(),
        (Status::Interim, _) => "The cause is not proved yet. These stand out, the likeliest first:".into(),
        (Status::Mended, 0) => "The unit works again. The card does not record which fault it was.".into(),
        (Status::Mended, 1) => "We found the fault and put it right.".into(),
        (Status::Mended, n) => format!("We found {n} faults and put them right."),
        (Status::Found, 0 | 1) => "We found the fault. It has not been put right.".into(),
        (Status::Found, n) => format!("We found {n} faults. They have not been put right."),
        (Status::NothingWrong, _) => "We found nothing wrong with the unit.".into(),
        (Status::Unlisted, _) => "The cause was something outside our list of known faults.".into(),
        (Status::Declined, _) => "We did not work on this unit: it is outside what we do.".into(),
        (Status::HandedOn, 0) => "We did not find the cause.".into(),
        (Status::HandedOn, _) => "We did not prove the cause. When we stopped, this stood out:".into(),
    }
}

fn sure(
    status: Status,
    confirmed: bool,
    cured: bool,
    faults: &[FaultFace],
    suspects: &Suspects,
) -> Option<String> {
    let least = faults.iter().filter_map(|f| f.chance.as_ref()).min_by(|a, b| a.p.total_cmp(&b.p));
    match (status, least) {
        (Status::NothingWrong, _) => {
            let sentence = match certainty::of(suspects.none) {
                step if step.from >= 0.9 => step.sentence,
                step if step.from >= 0.25 => {
                    "We think so, but a fault that did not show on the bench is not ruled out"
                }
                _ => "A fault that did not show on the bench may still be there",
            };
            let shown = suspects.none;
            let shown = crate::units::Probability::new(shown.clamp(0.0, 1.0))
                .map_or_else(String::new, crate::units::show::probability);
            Some(format!("{sentence} (probability of a healthy unit, by our findings: {shown})."))
        }
        (Status::Unlisted | Status::Declined, _) | (_, None) => {
            confirmed.then(|| "The repair has shown it: the unit has worked since.".into())
        }
        (_, Some(chance)) if confirmed && !cured => Some(format!(
            "The repair has shown it: the unit has worked since. By the findings alone the probability stood {}.",
            words::stands(&chance.shown)
        )),
        (_, Some(chance)) if confirmed && chance.p < 0.9 => Some(format!(
            "The repair has shown it: the unit has worked since. Which part of it did so is less sure: the findings and the repair together put this cause {}.",
            words::stands(&chance.shown)
        )),
        (_, Some(chance)) if confirmed => Some(format!(
            "The repair has shown it: the unit has worked since. The findings and the repair together put the probability {}.",
            words::stands(&chance.shown)
        )),
        (Status::Interim | Status::HandedOn, Some(_)) => {
            let first = faults.first().and_then(|f| f.chance.as_ref())?;
            if first.p < 0.25 {
                return Some(format!(
                    "It is too early to say: the likeliest cause stands {}.",
                    words::stands(&first.shown)
                ));
            }
            Some(format!("{} (probability of the first: {}).", certainty::of(first.p).sentence, first.shown))
        }
        (_, Some(chance)) => Some(format!(
            "{} (probability by our findings: {}).",
            certainty::of(chance.p).sentence,
            chance.shown
        )),
    }
}

/// The reasons for the first fault; where several were found, those for each of them, none of them twice.
fn because(
    parts: &Parts<'_, '_>,
    faults: &[FaultFace],
    several: bool,
    timeline: &[Entry],
    confirmed: bool,
) -> Vec<Reason> {
    let mut out: Vec<Reason> = Vec::new();
    let counted = if several { faults.len() } else { 1 };
    for fault in faults.iter().take(counted) {
        let Some(why) = parts.whys.iter().find(|w| w.id == fault.id) else { continue };
        for reason in reasons(parts, why, timeline, confirmed) {
            let same =
                |r: &Reason| r.says == reason.says && (r.number == reason.number || r.found == reason.found);
            if !out.iter().any(same) {
                out.push(reason);
            }
        }
    }
    // In the order in which they were found, whichever fault they speak for.
    out.sort_by_key(|r| r.number);
    out
}

fn reasons(parts: &Parts<'_, '_>, why: &Why, timeline: &[Entry], confirmed: bool) -> Vec<Reason> {
    // That the repair cured it is said before the list.
    let told = |number: usize, check: &str| {
        let entry = timeline::entry_of(timeline, number, check);
        confirmed && entry.is_some_and(|e| e.kind == EntryKind::Try)
    };
    let strong = why.findings.iter().filter(|f| f.weight_db >= 1.0).take(REASONS);
    strong
        .filter(|f| !told(f.number, &f.check))
        .map(|f| {
            let entry = timeline::entry_of(timeline, f.number, &f.check);
            let expected = entry.and_then(|e| e.expected.as_ref());
            Reason {
                number: f.number,
                says: match entry {
                    Some(e) if e.kind == EntryKind::Try => format!("Tried: {}", words::lower(&e.says)),
                    Some(e) => e.says.clone(),
                    None => f.says.clone(),
                },
                found: entry.map_or_else(|| f.answer.clone(), |e| plain_found(parts, e)),
                expected: expected.and_then(|e| e.band.clone().or_else(|| e.words.clone())),
                weight: words::weight(parts.shop, f.weight_db),
                because: f.because.clone(),
            }
        })
        .collect()
}

/// What was found, for a reader who knows no ids: words without their hyphens, figures with their unit.
fn plain_found(parts: &Parts<'_, '_>, entry: &Entry) -> String {
    let found = timeline::found(entry);
    let id = entry.check.as_deref().unwrap_or_default();
    let rules = parts.diagnosis.rules;
    let by_rules =
        rules.find_check(id).ok().and_then(|c| rules.check(c).reading.as_ref()).map(|r| unit_of(r.unit));
    let unit = by_rules.or_else(|| parts.diagnosis.circuit.as_ref()?.check(id).ok().map(|c| c.unit()));
    match (unit, entry.answer.as_deref(), &entry.class) {
        (Some(unit), Some(answer), class) if answer.starts_with(|c: char| c.is_ascii_digit()) => {
            let shown = words::with_unit(answer, unit);
            class
                .as_ref()
                .map_or_else(|| shown.clone(), |class| format!("{shown} ({})", class.replace('-', " ")))
        }
        _ if found.starts_with(|c: char| c.is_ascii_digit()) => found,
        _ => found.replace('-', " "),
    }
}

fn work(parts: &Parts<'_, '_>, timeline: &[Entry]) -> Vec<WorkFace> {
    let outcome = parts.diagnosis.job.card.outcome.as_ref();
    let done = outcome.and_then(|o| o.did.clone());
    let mut out: Vec<WorkFace> = Vec::new();
    for e in timeline.iter().filter(|e| matches!(e.kind, EntryKind::Work | EntryKind::Try)) {
        let tried = e.kind == EntryKind::Try;
        let cured = tried && e.verdict.as_deref() == Some(retest_says(Retest::Cured));
        // What was done is told as it was done; what the remedy has on offer may be more than that.
        let did = match (&e.remark, &done) {
            (Some(remark), _) if tried => remark.clone(),
            (None, Some(done)) if cured => done.clone(),
            _ if tried => format!("Tried: {}", words::lower(&e.says)),
            _ => e.says.clone(),
        };
        out.push(WorkFace {
            at: e.at.clone(),
            did,
            result: if tried { e.verdict.clone() } else { None },
            minutes: e.minutes.clone(),
        });
    }
    if let Some(did) = done
        && !out.iter().any(|w| w.did.trim() == did.trim())
    {
        let at = outcome.and_then(|o| o.at.as_ref()).map(|at| words::moment(parts.shop, at));
        out.push(WorkFace { at, did, result: None, minutes: None });
    }
    let mut seen: Vec<(String, Option<String>)> = Vec::new();
    out.retain(|w| {
        let new = (w.did.trim().to_owned(), w.result.clone());
        !seen.contains(&new) && {
            seen.push(new);
            true
        }
    });
    out
}

fn proposed(parts: &Parts<'_, '_>, status: Status, suspects: &Suspects) -> Vec<String> {
    let model = &parts.diagnosis.model;
    match status {
        Status::Found => parts
            .diagnosis
            .job
            .card
            .outcome
            .iter()
            .flat_map(|o| &o.faults)
            .filter_map(|f| model.fault(&f.value))
            .filter_map(|f| model.faults[f.0].remedies.first())
            .map(|r| parts.diagnosis.offer(r).text)
            .collect(),
        Status::Interim if !parts.diagnosis.cured() => {
            let first = suspects.suspects.iter().find(|s| s.probability >= 0.6 && s.spot.is_none());
            first.and_then(|s| s.remedy.as_ref()).map(|r| r.text.clone()).into_iter().collect()
        }
        _ => Vec::new(),
    }
}

/// What the card shows was left out, or could not be told.
fn not_tested(parts: &Parts<'_, '_>) -> Vec<String> {
    let rules = parts.diagnosis.rules;
    let skipped = parts.diagnosis.job.card.skip.iter().filter_map(|s| rules.find_check(&s.value).ok());
    let mut out: Vec<String> =
        skipped.map(|id| format!("We left out: {}", words::lower(&rules.check(id).says))).collect();
    for found in &parts.diagnosis.model.findings {
        if let Meaning::Unsure { check: Some(check) } = found.meaning {
            out.push(format!("Could not be told: {}", words::lower(&rules.check(check).says)));
        }
    }
    out
}

fn bill(job: &JobCard, shop: &Shop) -> Result<Option<Bill>, Complaints> {
    let card = &job.card;
    let mut complaints = Complaints::default();
    let (mut parts, mut unpriced, mut parts_sum) = (Vec::new(), 0, 0i64);
    for part in card.work.iter().flat_map(|w| &w.parts) {
        let count = part.count.unwrap_or(1);
        let each = match &part.price {
            Some(price) => match shop.minor(price) {
                Some(minor) => Some(minor),
                None => {
                    let text: String = price.chars().take(40).collect();
                    let place = job.document.place(price.span);
                    let message = format!("expected a price, found '{text}'");
                    complaints.0.push(
                        Complaint::at("bad-figure", place, message)
                            .help("write plain currency units such as 0.40"),
                    );
                    None
                }
            },
            None => {
                unpriced += 1;
                None
            }
        };
        let price = each.map(|e| e.saturating_mul(i64::from(count)));
        parts_sum = parts_sum.saturating_add(price.unwrap_or(0));
        let amount = |m: i64| words::amount(shop, m);
        parts.push(BillLine {
            what: part.part.clone(),
            count: Some(count),
            each: each.map(amount),
            price: price.map(amount),
        });
    }
    complaints.or_ok(())?;
    let time = minutes_noted(card);
    let billed = time.map(|m| money::billed(shop, m));
    let hourly = match &card.labour {
        None => shop.hourly(),
        Some(rate) => Some(shop.minor(rate).filter(|r| *r >= 0).ok_or_else(|| {
            let place = job.document.place(rate.span);
            Complaint::at(
                "bad-figure",
                place,
                format!("expected the price of an hour, found '{}'", rate.value),
            )
            .help("write plain currency units such as 40.00")
        })?),
    };
    let labour = billed.and_then(|b| Some(money::labour(b, hourly?)));
    if parts.is_empty() && time.is_none() {
        return Ok(None);
    }
    let priced = labour.is_some() || parts.iter().any(|p| p.price.is_some());
    let sum = priced.then(|| labour.unwrap_or(0).saturating_add(parts_sum));
    let taxed = sum.map(|s| money::taxed(shop, s));
    let tax = shop.tax.as_ref().filter(|_| sum.is_some());
    let amount = |m: i64| words::amount(shop, m);
    Ok(Some(Bill {
        time: time.map(|m| words::span(shop, m)),
        billed: billed.map(|b| words::span(shop, b as f64)),
        hourly: hourly.map(amount),
        labour: labour.map(amount),
        parts,
        sum: sum.map(amount),
        tax_label: tax.and_then(|_| shop.tax_label()),
        tax_included: tax.is_some_and(|t| t.included),
        tax: taxed.filter(|_| tax.is_some()).map(|t| amount(t.tax)),
        total: taxed.map(|t| amount(t.total)),
        unpriced,
    }))
}

fn next_face(shop: &Shop, next: &crate::job::Proposal) -> NextFace {
    let plain = match (&next.check, &next.remedy) {
        (Some(c), _) => words::step(&c.kind, &c.says),
        (None, Some(r)) => words::step("remedy", &r.text),
        (None, None) => words::sentence(&next.done.clone().unwrap_or_default()),
    };
    let (id, says, text) = match (&next.check, &next.remedy) {
        (Some(c), _) => (Some(c.id.clone()), c.says.clone(), Some(c.text.trim().to_string())),
        (None, Some(r)) => (Some(r.id.clone()), r.text.clone(), None),
        (None, None) => (None, next.done.clone().unwrap_or_default(), None),
    };
    NextFace {
        action: next.action.clone(),
        id,
        says,
        plain,
        text,
        why: next.why.clone(),
        expected: words::span(shop, next.expected_minutes),
    }
}

fn next_cautions(next: &crate::job::Proposal) -> Vec<String> {
    let check = next.check.iter().flat_map(|c| c.cautions.iter().cloned());
    check.chain(next.remedy.iter().flat_map(|r| r.cautions.iter().cloned())).collect()
}

/// What came of a remedy, in words.
pub(super) fn retest_says(retest: Retest) -> &'static str {
    match retest {
        Retest::Cured => "the unit has worked since",
        Retest::NoChange => "no difference",
        Retest::Changed => "better, but not mended",
    }
}

/// Everything a customer reads that comes from the rules, for the glossary.
fn plain_text(s: &Summary) -> String {
    let mut text: Vec<&str> = vec![&s.result.headline];
    text.extend(s.unit.build.as_deref());
    text.extend(s.unit.power.as_deref());
    text.extend(s.complaint.symptoms.iter().map(String::as_str));
    text.extend(s.result.faults.iter().map(|f| f.plain.as_str()));
    for reason in &s.result.because {
        text.push(&reason.says);
        text.push(&reason.found);
        text.extend(reason.expected.as_deref());
    }
    text.extend(s.work.iter().map(|w| w.did.as_str()));
    text.extend(s.proposed.iter().map(String::as_str));
    text.extend(s.not_tested.iter().map(String::as_str));
    text.extend(s.care.iter().map(String::as_str));
    text.extend(s.next.iter().map(|n| n.says.as_str()));
    if let Some(bill) = &s.bill {
        text.extend(bill.parts.iter().map(|p| p.what.as_str()));
    }
    if let Some(path) = &s.pictures.path {
        text.extend(path.points.iter().map(|p| p.label.as_str()));
    }
    text.join(" \n ")
}
