//! From the spots of a unit to rules: faults, what they bring about, and what each check would show.
//!
//! Every mode at every spot is a fault. What it does there is a hidden condition of that spot ([`Hidden`]): one an effect and
//! class of times, so that all checks that rest on it agree. A check says what it touches ([`Show`]); the links follow.

use super::library::{Kind, Library, Mode};
use super::unit::{Region, SpotIn, Unit, UnitFacts};
use super::words::{Branch, Does, Mark, Path, Role, Scope, Timing, When};
use super::written::{ChecksFile, Each, Family, Resting, Show, SupplyBand, Symptom};
use crate::rules::figures::{Factor, Probability};
use crate::rules::ids::{Cause, CheckId, ConditionId, Effect, FaultId, Item, RemedyId, Strength};
use crate::rules::load::{File, Loader};
use crate::rules::resting::{Ends, RestingPin, RestingSpot, SUPPLY};
use crate::rules::set::{Condition, Fault, Link, Remedy, Rules};
use crate::rules::words::{Applies, History, Tool};
use crate::rules::written::{self, ByBuild, Leak};
use crate::rules::{PackId, proof};
use crate::text::{At, Complaints, Named, Place};
use std::collections::BTreeMap;

/// Largest prior of one fault of an outline.
const MOST_LIKELY: f64 = 0.45;
/// Chances below this are not worth a link.
const LEAST: f64 = 0.004;
/// Largest chance of a derived link.
const MOST: f64 = 0.97;
/// Effects of one verb exclude each other, those of different verbs show together. Chance that a mode has the first of its verb,
/// the second, …, by how many there are.
const ONE_OF: [&[f64]; 4] = [&[0.97], &[0.62, 0.45], &[0.52, 0.36, 0.3], &[0.45, 0.33, 0.27, 0.22]];
/// Chance that a mode adds its noise: alone, or beside other effects.
const ADDS: [f64; 2] = [0.85, 0.5];
/// Chance that a mode draws what it should not, where that is named first, and where it is one of several things.
const DRAWS: [f64; 2] = [0.9, 0.45];
/// Chance of any other effect.
const DOES: f64 = 0.9;
/// Share of a mode that comes at times by being moved, and of one that comes at other times, which is there when first looked at.
const THERE: [f64; 2] = [0.55, 0.3];
/// Chance that a mode that comes at times shows at such a time.
const AT_TIMES: f64 = 0.8;
/// Chance that something wrong is wrong at a given moment: always, or at times.
const WRONG: [f64; 2] = [0.97, 0.65];

/// Between what is wrong and where, for a slip that may be anywhere.
pub const LIKELIEST_AT: &str = ", at ";

/// A fault before it is one of the set.
struct Draft<'l> {
    id: String,
    /// The spot that its kind stands at; a look at it sees what can be anywhere, wherever it is.
    home: usize,
    /// Where it is itself.
    spot: usize,
    path: Path,
    kind: &'l Kind,
    mode: &'l Mode,
    prior: f64,
    located: bool,
}

/// What faults bring about at a spot.
struct Hidden {
    spot: usize,
    path: Path,
    does: Does,
    timing: Timing,
    causes: Vec<(usize, f64)>,
}

/// Where an effect is felt.
#[derive(Clone, Copy)]
struct Seat {
    spot: usize,
    order: Option<usize>,
    branch: Branch,
    /// Whether the whole unit lives on it.
    whole: bool,
    path: Path,
    region: Region,
    role: Option<Role>,
}

/// A check of the unit with what brings its answers about.
struct Made<'l> {
    id: String,
    spot: Option<usize>,
    shows: &'l [Show],
    usual: Option<&'l At<String>>,
    resting: Option<&'l Resting>,
}

struct Deriver<'l> {
    library: &'l Library,
    unit: &'l Unit,
    drafts: Vec<Draft<'l>>,
    hidden: Vec<Hidden>,
    /// Faults by spot: those of the part itself, and those around it.
    wrong: BTreeMap<(usize, bool), Vec<(usize, f64)>>,
}

/// The rules of one unit.
///
/// # Errors
/// `46%` or `0.46`.
fn share(text: &str) -> Option<f64> {
    match text.strip_suffix('%') {
        Some(percent) => percent.trim().parse::<f64>().ok().map(|p| p / 100.0),
        None => text.trim().parse().ok(),
    }
}

/// An unknown outline or event, or a check that can't be made.
pub fn rules_for(library: &Library, facts: &UnitFacts) -> Result<(Rules, Unit), Complaints> {
    let unit = library.unit(facts)?;
    let mut deriver =
        Deriver { library, unit: &unit, drafts: Vec::new(), hidden: Vec::new(), wrong: BTreeMap::new() };
    deriver.faults();
    deriver.effects();
    let rules = deriver.rules()?;
    Ok((rules, unit))
}

impl<'l> Deriver<'l> {
    fn faults(&mut self) {
        for (spot, at) in self.unit.spots.iter().enumerate() {
            for (name, share) in &at.kinds {
                let Some(kind) = self.library.kinds.get(name) else { continue };
                for mode in &kind.modes {
                    let prior = self.prior(kind, mode) * share * at.count;
                    if prior <= 0.0 {
                        continue;
                    }
                    let loci = match at.path {
                        Path::Everywhere if kind.path == Path::Everywhere && is_somewhere(mode) => {
                            self.loci(mode)
                        }
                        _ => vec![(spot, at.path)],
                    };
                    let located = loci != [(spot, at.path)];
                    for (locus, path) in &loci {
                        let id = self.fault_id(kind, mode, *locus, located);
                        let prior = (prior / loci.len() as f64).min(MOST_LIKELY);
                        let (home, spot, path) = (spot, *locus, *path);
                        self.drafts.push(Draft { id, home, spot, path, kind, mode, prior, located });
                    }
                }
            }
        }
    }

    fn fault_id(&self, kind: &Kind, mode: &Mode, spot: usize, located: bool) -> String {
        let spot = &self.unit.spots[spot].id;
        let plain = format!("{}@{spot}", mode.id);
        if located || self.drafts.iter().any(|d| d.id == plain) {
            return format!("{}-{}@{spot}", kind.id, mode.id);
        }
        plain
    }

    /// Where something that can be anywhere may be, for a mode: inside the box, where its effects make sense.
    fn loci(&self, mode: &Mode) -> Vec<(usize, Path)> {
        let soldered = |s: &SpotIn| {
            s.kinds
                .iter()
                .filter_map(|(k, _)| self.library.kinds.get(k))
                .any(|k| k.modes.iter().any(|m| m.marks.iter().any(|(mark, _)| *mark == Mark::Joint)))
        };
        let inside = |s: &SpotIn| {
            matches!(s.path, Path::Supply | Path::Signal | Path::Control)
                && (s.region == Region::Own || soldered(s))
        };
        let mut out: Vec<(usize, Path)> = self
            .unit
            .spots
            .iter()
            .enumerate()
            .filter(|(_, s)| inside(s) && mode.does.iter().any(|d| fits(*d, s.path)))
            .map(|(i, s)| (i, s.path))
            .collect();
        if out.is_empty() {
            let own = self.unit.spots.iter().position(|s| s.path == Path::Everywhere).unwrap_or(0);
            out.push((own, Path::Everywhere));
        }
        out
    }

    /// Probability of a mode at one spot of its kind, before its share and number.
    fn prior(&self, kind: &Kind, mode: &Mode) -> f64 {
        let facts = &self.unit.facts;
        let (fresh, worked) = (kind.rate.0 * mode.share.0, kind.rate.1 * mode.share.1);
        let per_thousand = match facts.history {
            History::FreshBuild => fresh,
            History::WorkedBefore => worked,
            History::AfterChange => 0.5 * (fresh + worked),
        };
        let of = |factors: &Named<At<Factor>>| -> Option<f64> {
            let exact = format!("{}.{}", kind.id, mode.id);
            factors.get(&exact).or_else(|| factors.get(&kind.id)).map(|f| f.get())
        };
        let mut factor = 1.0;
        let happened = &self.library.happened;
        for name in &facts.happened {
            if let Some(event) = happened.happened.get(name) {
                let else_ = event.all_else.as_ref().map_or(1.0, |f| f.get());
                let named = of(&event.factors).into_iter();
                let variants = event.variants.iter().filter_map(|(_, v)| of(&v.factors));
                let best =
                    named.chain(variants).fold(None, |a: Option<f64>, b| Some(a.map_or(b, |a| a.max(b))));
                factor *= best.unwrap_or(else_);
            }
        }
        if let Some(factors) = facts.build.as_ref().and_then(|b| happened.builds.get(b)) {
            factor *= of(factors).unwrap_or(1.0);
        }
        let p = (per_thousand / 1000.0).clamp(0.0, 0.9);
        let odds = p / (1.0 - p) * factor;
        odds / (1.0 + odds)
    }

    fn effects(&mut self) {
        type Sightings = BTreeMap<(usize, Does, Timing, Path), Vec<(usize, f64)>>;
        let mut hidden = Sightings::new();
        for (f, draft) in self.drafts.iter().enumerate() {
            let when = &draft.mode.when;
            let there = match when.is_empty() {
                true => 1.0,
                false if when.iter().all(|w| class(*w) == Timing::Moved) => THERE[0],
                false => THERE[1],
            };
            let effects: Vec<Does> = draft
                .mode
                .does
                .iter()
                .filter(|d| !draft.located || fits_there(**d, draft.path))
                .filter_map(
                    |d| if draft.path == Path::Everywhere { Some(*d) } else { at_home(*d, draft.path) },
                )
                .collect();
            for (i, does) in effects.iter().enumerate() {
                if effects[..i].contains(does) {
                    continue;
                }
                let strength = chance(*does, &effects, i);
                let mut add = |timing, p: f64| {
                    hidden.entry((draft.spot, *does, timing, draft.path)).or_default().push((f, p));
                };
                add(Timing::Always, strength * there);
                let mut classes: Vec<Timing> = when.iter().map(|w| class(*w)).collect();
                classes.sort_unstable();
                classes.dedup();
                for timing in classes {
                    add(timing, strength * AT_TIMES);
                }
            }
            let wrong = if when.is_empty() { WRONG[0] } else { WRONG[1] };
            self.wrong.entry((draft.spot, draft.mode.around || draft.located)).or_default().push((f, wrong));
        }
        self.hidden = hidden
            .into_iter()
            .map(|((spot, does, timing, path), causes)| Hidden { spot, path, does, timing, causes })
            .collect();
    }

    fn seat(&self, spot: usize, path: Path) -> Seat {
        let s = &self.unit.spots[spot];
        Seat { spot, order: s.order, branch: s.branch, whole: false, path, region: s.region, role: s.role }
    }

    /// Where what goes on from a spot is felt: what it feeds or acts on, else itself.
    fn reach(&self, spot: usize, path: Path) -> Seat {
        let here = self.seat(spot, path);
        let s = &self.unit.spots[spot];
        let targets = match path {
            Path::Supply => &s.feeds,
            Path::Control => &s.acts_on,
            _ => return here,
        };
        let first = targets
            .iter()
            .map(|t| self.seat(*t, self.unit.spots[*t].path))
            .min_by_key(|t| (t.branch != Branch::Main, t.order.unwrap_or(usize::MAX)));
        match first {
            Some(seat) => Seat { role: here.role.or(seat.role), ..seat },
            None if path == Path::Supply => {
                let own = |s: &&SpotIn| s.path == Path::Signal && s.region == Region::Own;
                let order = self.unit.spots.iter().find(own).and_then(|s| s.order);
                Seat { order, branch: Branch::Main, whole: true, ..here }
            }
            None => here,
        }
    }

    /// The effects of a condition, with where each is felt: its own, and what follows from it.
    fn felt(&self, hidden: &Hidden) -> Vec<(Does, f64, Seat, bool)> {
        let here = self.seat(hidden.spot, hidden.path);
        let reach = self.reach(hidden.spot, hidden.path);
        let mut out = vec![(hidden.does, 1.0, here, true)];
        for (_, file) in &self.library.checks {
            for follow in &file.follows {
                let path = follow.path.as_ref().is_none_or(|p| p.value == hidden.path);
                let whole = self.unit.spots[hidden.spot].feeds.is_empty();
                let whole = follow.whole.is_none_or(|w| w == whole);
                let role = follow.role.is_empty()
                    || here.role.is_some_and(|r| follow.role.iter().any(|f| f.value == r));
                if path && role && whole && follow.of.iter().any(|d| d.value == hidden.does) {
                    out.extend(follow.brings.iter().map(|b| (b.does.value, b.with.get(), reach, false)));
                }
            }
        }
        out
    }

    fn accepts(&self, scope: Scope, does: Does, seat: &Seat, direct: bool, check: Option<usize>) -> bool {
        let there = check.map(|c| self.seat(c, self.unit.spots[c].path));
        let branch = |there: &Seat| seat.branch == Branch::Main || seat.branch == there.branch;
        match scope {
            Scope::Any => true,
            Scope::Here => check.is_some_and(|c| c == seat.spot),
            Scope::Felt => there.is_some_and(|t| {
                t.spot == seat.spot
                    || (!direct
                        && seat.whole
                        && matches!(t.path, Path::Signal | Path::Control)
                        && t.region == Region::Own)
            }),
            Scope::Elsewhere => there.is_none_or(|t| t.spot != seat.spot),
            Scope::UpTo => there.is_some_and(|t| {
                seat.path != Path::Control
                    && branch(&t)
                    && seat.order.zip(t.order).is_some_and(|(s, t)| s <= t)
                    || (!direct
                        && seat.path == Path::Control
                        && seat.order.zip(t.order).is_some_and(|(s, t)| s <= t))
            }),
            Scope::Behind => there.is_some_and(|t| seat.order.zip(t.order).is_some_and(|(s, t)| s > t)),
            Scope::Out => {
                let heard = seat.path != Path::Control || !direct || does.verb() == "adds";
                heard && (seat.branch == Branch::Main || does.verb() == "adds")
            }
            Scope::Bypass => {
                let electronic = self.unit.spots.iter().any(|s| {
                    s.kinds.first().is_some_and(|(k, _)| k == "electronic-bypass" || k == "relay-bypass")
                });
                (seat.path == Path::Signal && seat.region != Region::Own)
                    || (electronic && seat.whole && !direct)
            }
            Scope::Wet => seat.branch == Branch::Wet,
            Scope::Dry => seat.branch == Branch::Dry,
            Scope::Supply => seat.path == Path::Supply,
            Scope::Whole => seat.path == Path::Supply && self.unit.spots[seat.spot].feeds.is_empty(),
            Scope::Feeding => seat.path == Path::Supply && check.is_some_and(|c| self.lives_on(c, seat.spot)),
            Scope::Source => !self.is_limited(seat.spot),
            Scope::Signal => seat.path == Path::Signal,
            Scope::Control => seat.path == Path::Control,
            Scope::Mod => matches!(seat.role, Some(Role::Modulator | Role::Rate | Role::Depth | Role::Clock)),
        }
    }

    /// Whether a spot lives on what a supply spot gives out.
    fn lives_on(&self, spot: usize, supply: usize) -> bool {
        let (fed, own) = (&self.unit.spots[supply].feeds, &self.unit.spots[spot].feeds);
        fed.is_empty() || spot == supply || fed.contains(&spot) || own.iter().any(|f| fed.contains(f))
    }

    /// Whether something between a spot and the source lets no more through than it is made for.
    fn is_limited(&self, spot: usize) -> bool {
        let limits = |s: usize| self.kind_at(s).is_some_and(|k| k.limits);
        let own = &self.unit.spots[spot].feeds;
        (0..self.unit.spots.len()).filter(|s| *s != spot && limits(*s)).any(|s| {
            let fed = &self.unit.spots[s].feeds;
            let beside = !own.is_empty() && !limits(spot) && own.iter().all(|f| fed.contains(f));
            fed.contains(&spot) || beside
        })
    }

    fn rules(&self) -> Result<Rules, Complaints> {
        let mut loader = Loader::default();
        loader.derived = true;
        loader.readable = true;
        let mut made: Vec<Made<'_>> = Vec::new();
        let mut files = Vec::new();
        for (source, checks) in &self.library.checks {
            files.push(File { source: source.clone(), pack: self.pack(checks, &mut made) });
        }
        let written = loader.declare(&files);
        loader.build(&written);
        let pack = PackId::at(0);
        self.add_faults(&mut loader.rules, pack);
        self.add_conditions(&mut loader.rules, pack);
        self.add_remedies(&mut loader.rules, pack);
        self.add_links(&mut loader.rules, &made, pack);
        proof::index(&mut loader.rules);
        loader.rules.order = (0..loader.rules.conditions.len()).map(ConditionId::at).collect();
        loader.rules.of_unit = true;
        loader.rules.resting = self.resting_spots(&loader.rules, &made);
        let Loader { complaints, rules, .. } = loader;
        complaints.or_ok(rules)
    }

    fn has(&self, kinds: &[At<String>]) -> bool {
        kinds.is_empty()
            || self
                .unit
                .spots
                .iter()
                .any(|s| s.kinds.iter().any(|(k, _)| kinds.iter().any(|w| w.value == *k)))
    }

    fn pack(&self, file: &'l ChecksFile, made: &mut Vec<Made<'l>>) -> written::Pack {
        let mut pack = written::Pack {
            pack: file.checks.clone(),
            title: file.title.clone(),
            applies: At { value: Applies::Always, span: file.checks.span },
            made_of: Vec::new(),
            about: file.about.clone(),
            source: Some(file.source.clone()),
            faults: Named::default(),
            conditions: Named::default(),
            symptoms: Named::default(),
            checks: Named::default(),
            remedies: Named::default(),
            cautions: file.cautions.clone(),
            setups: file.setups.clone(),
            amend: written::Amend::default(),
        };
        for (key, family) in file.families.iter() {
            let frame = family.frames.is_empty() || family.frames.iter().any(|f| f.value == self.unit.frame);
            let wet = family.wet.as_ref().is_none_or(|w| Some(w.value) == self.unit.wet);
            if !frame || !wet || !self.has(&family.has) {
                continue;
            }
            match &family.each {
                None => {
                    pack.checks.0.push((key.clone(), self.check(family, None)));
                    made.push(Made {
                        id: key.value.clone(),
                        spot: None,
                        shows: &family.shows,
                        usual: family.usual.as_ref(),
                        resting: family.resting.as_ref(),
                    });
                }
                Some(each) => {
                    for spot in self.spots_of(each) {
                        let id = format!("{}@{}", key.value, self.unit.spots[spot].id);
                        let key = At { value: id.clone(), span: key.span };
                        pack.checks.0.push((key, self.check(family, Some(spot))));
                        made.push(Made {
                            id,
                            spot: Some(spot),
                            shows: &family.shows,
                            usual: family.usual.as_ref(),
                            resting: family.resting.as_ref(),
                        });
                    }
                }
            }
        }
        for (key, symptom) in file.symptoms.iter() {
            let frame =
                symptom.frames.is_empty() || symptom.frames.iter().any(|f| f.value == self.unit.frame);
            let wet = symptom.wet.as_ref().is_none_or(|w| Some(w.value) == self.unit.wet);
            if !frame || !wet || !self.has(&symptom.has) {
                continue;
            }
            pack.symptoms.0.push((key.clone(), symptom_of(symptom)));
            made.push(Made {
                id: key.value.clone(),
                spot: None,
                shows: &symptom.shows,
                usual: None,
                resting: None,
            });
        }
        pack
    }

    fn spots_of(&self, each: &Each) -> Vec<usize> {
        let marked = |s: usize| {
            self.drafts.iter().any(|d| {
                [d.spot, d.home].contains(&s)
                    && d.mode.marks.iter().any(|(m, _)| each.marks.iter().any(|w| w.value == *m))
            })
        };
        (0..self.unit.spots.len())
            .filter(|s| {
                let spot = &self.unit.spots[*s];
                let kind = |w: &At<String>| spot.kinds.iter().any(|(k, _)| *k == w.value);
                let named = (each.paths.is_empty() && each.kinds.is_empty())
                    || each.paths.iter().any(|p| p.value == spot.path)
                    || each.kinds.iter().any(kind);
                let role = each.roles.is_empty()
                    || spot.role.is_some_and(|r| each.roles.iter().any(|w| w.value == r));
                named
                    && role
                    && (!each.own || spot.region == Region::Own)
                    && (each.marks.is_empty() || marked(*s))
            })
            .collect()
    }

    fn check(&self, family: &'l Family, spot: Option<usize>) -> written::Check {
        let fill = |t: &At<String>| At { value: self.fill(&t.value, spot), span: t.span };
        let (mut cautions, mut setup) = (family.cautions.clone(), family.setup.clone());
        if let Some(kind) = spot.and_then(|s| self.kind_at(s)) {
            setup.retain(|s| !kind.without.contains(&s.value));
            let more = kind.cautions.iter().filter(|c| !family.cautions.iter().any(|f| f.value == c.value));
            cautions.extend(more.cloned());
        }
        let resting = spot.filter(|_| family.resting.is_some()).map(|s| self.resting(s));
        let healthy = match resting.filter(|text| !text.is_empty()) {
            Some(text) => Some(At { value: text, span: family.says.span }),
            None => family.healthy.as_ref().map(fill),
        };
        let everywhere = spot.is_some_and(|s| self.unit.spots[s].path == Path::Everywhere);
        let over_all = family.minutes_over_all.as_ref().filter(|_| everywhere);
        written::Check {
            says: fill(&family.says),
            kind: family.kind.clone(),
            how: fill(&family.how),
            place: spot.map(|s| At { value: self.label(s), span: family.says.span }),
            answers: family.answers.clone(),
            reading: family.reading.clone(),
            healthy,
            tools: family.tools.clone(),
            power: family.power.clone(),
            minutes: over_all.unwrap_or(&family.minutes).clone(),
            setup,
            cautions,
            leak: family.leak.clone(),
            blocks: Vec::new(),
            gate: family.gate,
            holds_power: family.holds_power.clone(),
            tells_supply: family.tells_supply,
            needs: family.needs.clone(),
            board: family.board.clone(),
            source: family.source.clone(),
        }
    }

    /// Spots with a check that their resting volts answer.
    fn resting_spots(&self, rules: &Rules, made: &[Made<'_>]) -> Vec<RestingSpot> {
        let of = |made: &Made<'_>| -> Option<RestingSpot> {
            let resting = made.resting?;
            let spot = made.spot.map(|s| &self.unit.spots[s]);
            let check = rules.find_check(&made.id).ok()?;
            let answer = |word: &At<String>| rules.check(check).answer(&word.value).ok();
            let pin = |r: &super::written::Rest| {
                let ((low, high), rail) = (self.volts_of(r)?, self.rail_of(r)?.abs());
                Some(RestingPin { name: r.pin.value.clone(), low, high, rail, wide: r.wide })
            };
            let pins: Vec<RestingPin> = match spot {
                Some(spot) => {
                    self.unit.rest.iter().filter(|r| r.at.value == spot.id).filter_map(pin).collect()
                }
                None => vec![self.supply_pin(resting.supply.as_ref()?)?],
            };
            Some(RestingSpot {
                spot: spot.map_or_else(|| SUPPLY.to_owned(), |s| s.id.clone()),
                check,
                device: made.spot.and_then(|s| self.kind_at(s)).and_then(|k| k.device.clone()),
                kinds: spot.map_or_else(Vec::new, |s| s.kinds.iter().map(|(k, _)| k.clone()).collect()),
                ends: Ends {
                    below: answer(&resting.below)?,
                    above: answer(&resting.above)?,
                    bottom: answer(&resting.bottom)?,
                    top: answer(&resting.top)?,
                    against: resting.against.as_ref().and_then(answer),
                },
                rails: (*self.unit.volts.first()?, self.unit.volts.get(1).map(|v| v.abs())),
                pins,
            })
        };
        made.iter().filter_map(of).collect()
    }

    /// The resting volts of a spot in words.
    fn resting(&self, spot: usize) -> String {
        let id = &self.unit.spots[spot].id;
        let mut parts = Vec::new();
        for rest in self.unit.rest.iter().filter(|r| r.at.value == *id) {
            let (low, high) = (&rest.low.value, &rest.high.value);
            parts.push(match self.volts_of(rest) {
                Some((low, high)) => format!("{}: {low:.2} to {high:.2} V", rest.pin.value),
                None => format!("{}: {low} to {high} of {}", rest.pin.value, rest.of.value),
            });
        }
        parts.join("; ")
    }

    /// The supply as a pin at the plus rail. A unit may be made for another one, so a reading off it does not condemn.
    fn supply_pin(&self, band: &SupplyBand) -> Option<RestingPin> {
        let rail = *self.unit.volts.first()?;
        let (low, high) = (share(&band.low.value)? * rail, share(&band.high.value)? * rail);
        Some(RestingPin { name: "plus".to_owned(), low, high, rail, wide: true })
    }

    /// The healthy volts of a resting figure, where its rail is known.
    fn volts_of(&self, rest: &super::written::Rest) -> Option<(f64, f64)> {
        let of = self.rail_of(rest)?;
        let (a, b) = (share(&rest.low.value)? * of, share(&rest.high.value)? * of);
        Some((a.min(b), a.max(b)))
    }

    /// Volts that a resting figure is a share of, where they are known.
    fn rail_of(&self, rest: &super::written::Rest) -> Option<f64> {
        Some(match rest.of.value.as_str() {
            "V+" | "+rail" => *self.unit.volts.first()?,
            "V-" | "-rail" => *self.unit.volts.get(1)?,
            "5V" | "logic rail" => 5.0,
            "3V3" => 3.3,
            "Vref" => self.unit.volts.first()? / 2.0,
            other => other.strip_suffix('V').and_then(|v| v.trim().parse().ok())?,
        })
    }

    fn kind_at(&self, spot: usize) -> Option<&'l Kind> {
        let (name, _) = self.unit.spots[spot].kinds.first()?;
        self.library.kinds.get(name)
    }

    fn fill(&self, text: &str, spot: Option<usize>) -> String {
        let Some(spot) = spot else { return text.to_owned() };
        let name = self.kind_at(spot).map_or("", |k| k.name.as_str());
        let name = lower_first(name);
        text.replace("{spot}", &self.unit.spots[spot].id).replace("{name}", &name)
    }

    /// What a spot is called on a screen.
    fn label(&self, spot: usize) -> String {
        let id = &self.unit.spots[spot].id;
        match self.kind_at(spot) {
            Some(kind) if kind.id != *id && lower_first(&kind.name) != id.replace('-', " ") => {
                format!("{id} ({})", lower_first(&kind.name))
            }
            _ => id.clone(),
        }
    }

    fn add_faults(&self, rules: &mut Rules, pack: PackId) {
        for draft in &self.drafts {
            let spot = &self.unit.spots[draft.spot];
            let name = lower_first(&draft.kind.name);
            let alone = draft.kind.id == spot.id || name == spot.id.replace('-', " ");
            let says = match (draft.located, alone) {
                (true, _) => {
                    format!("The {name} {}{LIKELIEST_AT}{}", draft.mode.says, self.label(draft.spot))
                }
                (false, true) => format!("The {name} {}", draft.mode.says),
                (false, false) => format!("{} ({name}) {}", spot.id, draft.mode.says),
            };
            let p = Probability::clamped(draft.prior);
            rules.names.insert(draft.id.clone(), Item::Fault(FaultId::at(rules.faults.len())));
            rules.faults.push(Fault {
                id: draft.id.clone(),
                says,
                plain: format!("The {} {}", lower_first(&draft.kind.plain), draft.mode.plain),
                prior: written::ByHistory { fresh_build: p, worked_before: p, after_change: p },
                build: ByBuild::same(Factor::ONE),
                board: None,
                group: Some(match draft.located {
                    true => format!("{}-{}", draft.kind.id, draft.mode.id),
                    false => format!("{}@{}", draft.mode.work, spot.id),
                }),
                source: draft.mode.source.clone(),
                pack,
                place: draft.mode.place.clone(),
            });
        }
    }

    fn add_conditions(&self, rules: &mut Rules, pack: PackId) {
        let link = |rules: &mut Rules, from: usize, to: ConditionId, p: f64| {
            let mode = self.drafts[from].mode;
            rules.links.push(Link {
                from: Cause::Fault(FaultId::at(from)),
                to: Effect::Condition(to),
                strength: Strength::Plain(Probability::clamped(p)),
                why: mode.why.clone(),
                source: mode.source.clone(),
                pack,
                place: mode.place.clone(),
            });
        };
        for hidden in &self.hidden {
            let spot = &self.unit.spots[hidden.spot];
            let times = match hidden.timing {
                Timing::Always => String::new(),
                other => format!("-{other}"),
            };
            let id = format!("{}{times}@{}", hidden.does.name().replace(' ', "-"), spot.id);
            let place = self.drafts[hidden.causes[0].0].mode.place.clone();
            let at_times = if times.is_empty() { "" } else { ", at times" };
            let says = format!("{} {}{at_times}", self.label(hidden.spot), hidden.does.name());
            let to = add_condition(rules, id, says, pack, place);
            for (fault, p) in &hidden.causes {
                link(rules, *fault, to, *p);
            }
        }
        for ((spot, around), causes) in &self.wrong {
            let id = format!("{}@{}", if *around { "around" } else { "itself" }, self.unit.spots[*spot].id);
            let place = self.drafts[causes[0].0].mode.place.clone();
            let says = match around {
                true => format!("something round {} is wrong", self.label(*spot)),
                false => format!("{} itself is wrong", self.label(*spot)),
            };
            let to = add_condition(rules, id, says, pack, place);
            for (fault, p) in causes {
                link(rules, *fault, to, *p);
            }
        }
    }

    fn add_remedies(&self, rules: &mut Rules, pack: PackId) {
        let mut by_work: BTreeMap<(usize, super::words::Mending), Vec<usize>> = BTreeMap::new();
        for (f, draft) in self.drafts.iter().enumerate() {
            by_work.entry((draft.spot, draft.mode.work)).or_default().push(f);
        }
        for ((spot, work), faults) in by_work {
            let Some(entry) = self.library.checks.iter().find_map(|(_, c)| c.work.get(work.name())) else {
                continue;
            };
            let id = format!("{work}@{}", self.unit.spots[spot].id);
            let heaviest = faults
                .iter()
                .max_by(|a, b| self.drafts[**a].prior.total_cmp(&self.drafts[**b].prior))
                .map_or(0, |f| *f);
            let minutes = self.drafts[heaviest].mode.minutes;
            let money = faults.iter().map(|f| self.drafts[*f].mode.money).max().unwrap_or_default();
            let kind = self.drafts[heaviest].kind;
            let needed = |s: &&At<String>| !kind.without.contains(&s.value);
            let setup = entry.setup.iter().filter(needed);
            let setup = setup.filter_map(|s| rules.find_setup(&s.value).ok()).collect();
            let cautions = entry.cautions.iter().chain(&kind.cautions).filter(needed);
            let mut cautions: Vec<_> = cautions.filter_map(|c| rules.find_caution(&c.value).ok()).collect();
            cautions.sort_unstable();
            cautions.dedup();
            let mut tools: Vec<_> = entry.tools.iter().map(|t| t.value).collect();
            tools.sort_unstable();
            let by_hand = entry.by_hand.unwrap_or_else(|| !tools.contains(&Tool::Iron));
            tools.retain(|t| *t != Tool::Iron || !kind.without.iter().any(|w| w == "iron-hot"));
            rules.names.insert(id.clone(), Item::Remedy(RemedyId::at(rules.remedies.len())));
            rules.remedies.push(Remedy {
                by_hand,
                id,
                says: self.fill(&entry.says.value, Some(spot)),
                fixes: faults.iter().map(|f| FaultId::at(*f)).collect(),
                minutes,
                money,
                tools,
                power: entry.power.value,
                success: entry.success.value,
                setup,
                cautions,
                source: "common practice, no source".into(),
                pack,
                place: self.drafts[heaviest].mode.place.clone(),
            });
        }
    }

    fn add_links(&self, rules: &mut Rules, made: &[Made<'_>], pack: PackId) {
        let felt: Vec<Vec<(Does, f64, Seat, bool)>> = self.hidden.iter().map(|h| self.felt(h)).collect();
        let wrong: Vec<(usize, bool)> = self.wrong.keys().copied().collect();
        for check in made {
            let Ok(id) = rules.find_check(&check.id) else { continue };
            let answers = rules.check(id).answers.len();
            if let Some(usual) = check.usual.and_then(|u| rules.check(id).answer(&u.value).ok()) {
                rules.checks[id.index()].usual = usual;
            }
            let mut causes: BTreeMap<Cause, Vec<f64>> = BTreeMap::new();
            for show in check.shows {
                let gives = self.gives(rules, id, show, answers);
                let scope = show.at.as_ref().map_or(Scope::Any, |s| s.value);
                if show.wet.as_ref().is_some_and(|w| Some(w.value) != self.unit.wet) {
                    continue;
                }
                let timing = show.when.as_ref().map_or(Timing::Steady, |w| w.value);
                for (i, hidden) in self.hidden.iter().enumerate() {
                    let factor = weight(timing, hidden.timing);
                    if factor <= 0.0 || show.effects.is_empty() || !self.kinds_fit(show, hidden.spot, None) {
                        continue;
                    }
                    let best = felt[i]
                        .iter()
                        .filter(|(does, _, seat, direct)| {
                            show.effects.iter().any(|e| e.value == *does)
                                && role_fits(show, seat)
                                && self.accepts(scope, *does, seat, *direct, check.spot)
                        })
                        .map(|(_, p, _, _)| *p)
                        .fold(0.0, f64::max);
                    join(&mut causes, Cause::Condition(ConditionId::at(i)), &gives, best * factor);
                }
                if !show.marks.is_empty() {
                    for (f, draft) in self.drafts.iter().enumerate() {
                        let seat = self.seat(draft.spot, draft.path);
                        if !self.kinds_fit(show, draft.spot, Some(draft.kind)) || !role_fits(show, &seat) {
                            continue;
                        }
                        let here = match scope {
                            Scope::Here => check.spot.is_some_and(|s| [draft.spot, draft.home].contains(&s)),
                            Scope::Elsewhere => check.spot != Some(draft.spot),
                            Scope::Supply => draft.path == Path::Supply,
                            Scope::Signal => draft.path == Path::Signal,
                            Scope::Control => draft.path == Path::Control,
                            _ => true,
                        };
                        let found = |m: &Mark| show.marks.iter().any(|w| w.value == *m);
                        let p = draft
                            .mode
                            .marks
                            .iter()
                            .filter(|(m, _)| found(m))
                            .map(|(_, p)| *p)
                            .fold(0.0, f64::max);
                        if here {
                            join(&mut causes, Cause::Fault(FaultId::at(f)), &gives, p);
                        }
                    }
                }
                if show.wrong && scope == Scope::Here {
                    for (f, draft) in self.drafts.iter().enumerate() {
                        if check.spot.is_some_and(|s| [draft.spot, draft.home].contains(&s)) {
                            join(&mut causes, Cause::Fault(FaultId::at(f)), &gives, 1.0);
                        }
                    }
                } else if show.wrong {
                    for (i, (spot, around)) in wrong.iter().enumerate() {
                        // Whatever the new part does not relieve.
                        let counts = scope != Scope::Elsewhere || check.spot != Some(*spot) || *around;
                        if counts && self.kinds_fit(show, *spot, None) {
                            let id = ConditionId::at(self.hidden.len() + i);
                            join(&mut causes, Cause::Condition(id), &gives, 1.0);
                        }
                    }
                }
            }
            let place = rules.check(id).place.clone();
            for (from, shares) in causes {
                let total: f64 = shares.iter().skip(1).sum();
                if total < LEAST {
                    continue;
                }
                let scale = if total > MOST { MOST / total } else { 1.0 };
                let mut shares: Vec<Probability> =
                    shares.iter().map(|p| Probability::clamped(p * scale)).collect();
                let rest: f64 = shares.iter().skip(1).map(|p| p.get()).sum();
                shares[0] = Probability::clamped(1.0 - rest);
                let why = self.why(rules, from);
                let source = String::new();
                let strength = Strength::Graded(shares);
                rules.links.push(Link {
                    from,
                    to: Effect::Check(id),
                    strength,
                    why,
                    source,
                    pack,
                    place: place.clone(),
                });
            }
        }
    }

    /// The sentence of a derived link.
    fn why(&self, rules: &Rules, from: Cause) -> String {
        match from {
            Cause::Condition(c) => rules.condition(c).says.clone(),
            Cause::Fault(f) => self.drafts.get(f.index()).map(|d| d.mode.why.clone()).unwrap_or_default(),
        }
    }

    fn gives(&self, rules: &Rules, check: CheckId, show: &Show, answers: usize) -> Vec<f64> {
        let mut out = vec![0.0; answers];
        match &show.gives.value {
            Leak::One(p) => out[answers - 1] = p.get(),
            Leak::Each(list) => {
                for (name, p) in list {
                    if let Ok(k) = rules.check(check).answer(&name.value) {
                        out[k] = p.get();
                    }
                }
            }
        }
        out
    }

    fn kinds_fit(&self, show: &Show, spot: usize, kind: Option<&Kind>) -> bool {
        let is = |w: &At<String>| match kind {
            Some(kind) => kind.id == w.value,
            None => self.unit.spots[spot].kinds.iter().any(|(k, _)| *k == w.value),
        };
        (show.kinds.is_empty() || show.kinds.iter().any(is)) && !show.but.iter().any(is)
    }
}

fn role_fits(show: &Show, seat: &Seat) -> bool {
    show.roles.is_empty() || seat.role.is_some_and(|r| show.roles.iter().any(|w| w.value == r))
}

/// Adds one way in which a cause brings answers about: each answer's chance grows as independent ways do.
fn join(causes: &mut BTreeMap<Cause, Vec<f64>>, cause: Cause, gives: &[f64], p: f64) {
    if p <= 0.0 {
        return;
    }
    let entry = causes.entry(cause).or_insert_with(|| vec![0.0; gives.len()]);
    for (have, more) in entry.iter_mut().zip(gives) {
        *have = 1.0 - (1.0 - *have) * (1.0 - more * p);
    }
}

/// The class of a time.
fn class(when: When) -> Timing {
    match when {
        When::Moved | When::Switching => Timing::Moved,
        When::Warm | When::Later => Timing::Later,
        When::Start => Timing::Start,
        When::Cold | When::Loud | When::End | When::LowBattery | When::Humid => Timing::Other,
    }
}

/// How much a condition of one class of times counts for a question about another.
fn weight(asked: Timing, of: Timing) -> f64 {
    match (asked, of) {
        (Timing::Any, _) => 1.0,
        (Timing::Steady, Timing::Always) => 1.0,
        (Timing::Steady, Timing::Moved | Timing::Start) => 0.35,
        (Timing::Steady, Timing::Later) => 0.2,
        (Timing::Steady, _) => 0.3,
        (a, b) if a == b => 1.0,
        (Timing::Always, _) => 0.15,
        (_, Timing::Always) => 0.08,
        _ => 0.05,
    }
}

/// Chance of effect `i` of a mode with these effects.
fn chance(does: Does, effects: &[Does], i: usize) -> f64 {
    if matches!(does.verb(), "passes" | "rests" | "feeds" | "obeys") {
        let count = effects.iter().filter(|d| d.verb() == does.verb()).count();
        let rank = effects[..i].iter().filter(|d| d.verb() == does.verb()).count();
        let row = ONE_OF[count.clamp(1, ONE_OF.len()) - 1];
        return row[rank.min(row.len() - 1)];
    }
    match does.verb() {
        "draws" => DRAWS[usize::from(i > 0)],
        "adds" => ADDS[usize::from(effects.iter().any(|d| d.verb() != "adds") || effects.len() > 1)],
        _ => DOES,
    }
}

/// Whether a mode of something that can be anywhere acts at the spot where it is.
fn is_somewhere(mode: &Mode) -> bool {
    mode.does.iter().any(|d| matches!(d.verb(), "passes" | "rests" | "feeds" | "obeys"))
}

/// Whether an effect makes sense on a path.
fn fits(does: Does, path: Path) -> bool {
    match path {
        Path::Signal => matches!(does.verb(), "passes" | "rests"),
        Path::Supply => matches!(does.verb(), "feeds" | "draws") || does == Does::PassesNone,
        Path::Control => matches!(does.verb(), "obeys" | "rests") || does == Does::PassesNone,
        Path::Everywhere | Path::Outside => true,
    }
}

/// Whether a slip that may be anywhere does this where it sits: noise and what is seen go with any place.
fn fits_there(does: Does, path: Path) -> bool {
    matches!(does.verb(), "adds" | "shows") || fits(does, path)
}

/// What an effect is on a path; nothing where it makes no sense there.
fn at_home(does: Does, path: Path) -> Option<Does> {
    match (path, does.verb()) {
        (Path::Supply, "passes") => match does {
            Does::PassesNone => Some(Does::FeedsNone),
            Does::PassesFaint => Some(Does::FeedsLow),
            other => Some(other),
        },
        // A control carries no sound: only that it stops acting is felt.
        (Path::Control, "passes") => (does == Does::PassesNone || does == Does::PassesFaint).then_some(does),
        _ => Some(does),
    }
}

/// Adds a hidden condition, which nothing brings about by itself.
fn add_condition(rules: &mut Rules, id: String, says: String, pack: PackId, place: Place) -> ConditionId {
    let to = ConditionId::at(rules.conditions.len());
    rules.names.insert(id.clone(), Item::Condition(to));
    rules.conditions.push(Condition {
        id,
        says,
        leak: Probability::ZERO,
        board: None,
        source: String::new(),
        pack,
        place,
    });
    to
}

fn symptom_of(s: &Symptom) -> written::Symptom {
    written::Symptom {
        says: s.says.clone(),
        ask: s.ask.clone(),
        check: s.check.clone(),
        answer: s.answer.clone(),
        words: vec![s.says.clone()],
        was: s.was.clone(),
        shows_running: s.shows_running,
        noise: s.noise,
        needs: s.needs.clone(),
        board: s.board.clone(),
        blocks: Vec::new(),
        minutes: s.minutes.clone(),
        leak: s.leak.clone(),
        source: s.source.clone(),
    }
}

/// A name in the middle of a sentence: its first letter small, unless it begins with an abbreviation.
pub(crate) fn lower_first(name: &str) -> String {
    let mut letters = name.chars();
    match (letters.next(), letters.next()) {
        (Some(a), Some(b)) if a.is_uppercase() && b.is_lowercase() => {
            a.to_lowercase().chain(name.chars().skip(1)).collect()
        }
        _ => name.to_owned(),
    }
}
