//! Amendments: a later pack's changes to figures and its additions to items of other packs.

use super::figures::{Factor, Probability};
use super::ids::{Cause, CheckId, Effect, FaultId, Item, PackId, Strength};
use super::link::{Share, graded, shares};
use super::load::{File, Loader};
use super::set::{Amended, Link};
use super::words::{Build, History};
use super::written::{self, AmendLink, Evidence, Figure};
use crate::text::{At, Named};

/// Applies the amendments of all files, in their order.
pub(super) fn amend(loader: &mut Loader, files: &[File]) {
    for (i, file) in files.iter().enumerate() {
        let mut work = Work { loader, file, pack: PackId::at(i) };
        let amend = &file.pack.amend;
        amend.faults.iter().for_each(|(key, a)| work.fault(key, a));
        amend.conditions.iter().for_each(|(key, a)| work.condition(key, a));
        amend.checks.iter().for_each(|(key, a)| work.check(key, a));
        amend.remedies.iter().for_each(|(key, a)| work.remedy(key, a));
    }
}

struct Work<'a> {
    loader: &'a mut Loader,
    file: &'a File,
    pack: PackId,
}

impl Work<'_> {
    fn record(&mut self, item: Item, figure: String, was: f64, is: f64, from: &Option<Evidence>) {
        self.loader.rules.amended.push(Amended {
            item,
            figure,
            was,
            is,
            from: from.clone(),
            pack: self.pack,
        });
    }

    fn find(&mut self, key: &At<String>, what: &'static str) -> Option<Item> {
        let item = self.loader.rules.names.get(&key.value).copied().filter(|item| item.kind() == what);
        if item.is_none() {
            self.loader.unknown(self.file, key, what, &[what]);
        }
        item
    }

    fn fault(&mut self, key: &At<String>, a: &written::AmendFault) {
        let Some(item @ Item::Fault(id)) = self.find(key, "fault") else { return };
        for history in History::ALL {
            if let Some(new) = a.prior.of(*history) {
                self.prior(item, id, *history, new);
            }
        }
        for build in &Build::AUTHORED {
            if let Some(new) = a.build.of(*build) {
                let old: &mut Factor = self.loader.rules.faults[id.index()].build.of_mut(*build);
                let was = std::mem::replace(old, new.is).get();
                self.record(item, format!("build {build}"), was, new.is.get(), &new.from);
            }
        }
        let source = self.loader.rules.faults[id.index()].source.clone();
        self.links(item, Cause::Fault(id), &source, &a.leads_to);
    }

    fn prior(&mut self, item: Item, id: FaultId, history: History, new: &At<Figure<Probability>>) {
        if new.is.get() > 0.5 {
            let message = format!("a prior of {} is out of range", new.is);
            let help = "a fault is doubtful before any complaint is heard: at most 50 %";
            self.loader.out_of_range(self.file, new.span, message, help);
        }
        let old = self.loader.rules.faults[id.index()].prior.of_mut(history);
        let was = std::mem::replace(old, new.is).get();
        self.record(item, format!("prior {history}"), was, new.is.get(), &new.from);
    }

    fn condition(&mut self, key: &At<String>, a: &written::AmendCondition) {
        let Some(item @ Item::Condition(id)) = self.find(key, "condition") else { return };
        if let Some(new) = &a.leak {
            let was = std::mem::replace(&mut self.loader.rules.conditions[id.index()].leak, new.is).get();
            self.record(item, "leak".into(), was, new.is.get(), &new.from);
        }
        let source = self.loader.rules.conditions[id.index()].source.clone();
        self.links(item, Cause::Condition(id), &source, &a.leads_to);
    }

    fn check(&mut self, key: &At<String>, a: &written::AmendCheck) {
        let Ok(id) = self.loader.rules.find_check(&key.value) else {
            return self.loader.unknown(self.file, key, "check", &["check"]);
        };
        let item = Item::Check(id);
        if let Some(new) = &a.minutes {
            if new.is.get() == 0.0 {
                let help = "everything takes time: write 0.2 or more";
                self.loader.out_of_range(self.file, new.span, "0 minutes is out of range".into(), help);
            }
            let was = std::mem::replace(&mut self.loader.rules.checks[id.index()].minutes, new.is).get();
            self.record(item, "minutes".into(), was, new.is.get(), &new.from);
        }
        self.leak(id, &a.leak);
    }

    fn leak(&mut self, id: CheckId, leak: &Named<At<Figure<Probability>>>) {
        let (name, answers) =
            (self.loader.rules.check(id).id.clone(), self.loader.rules.check(id).answers.clone());
        let mut shares = self.loader.rules.check(id).leak.clone();
        for (key, new) in leak.iter() {
            match answers.iter().position(|a| *a == key.value) {
                Some(0) => self.loader.normal_answer(self.file, key),
                Some(answer) => {
                    let was = std::mem::replace(&mut shares[answer], new.is).get();
                    self.record(Item::Check(id), format!("leak {}", key.value), was, new.is.get(), &new.from);
                }
                None => self.loader.unknown_answer(self.file, key, &name, &answers),
            }
        }
        if let Some((key, _)) = leak.0.last() {
            self.loader.close_shares(self.file, key.span, &mut shares);
        }
        self.loader.rules.checks[id.index()].leak = shares;
    }

    fn remedy(&mut self, key: &At<String>, a: &written::AmendRemedy) {
        let Some(item @ Item::Remedy(id)) = self.find(key, "remedy") else { return };
        let fixes = self.loader.fixes(self.file, &a.fixes);
        let remedy = &mut self.loader.rules.remedies[id.index()];
        remedy.fixes.extend(fixes);
        remedy.fixes.sort_unstable();
        remedy.fixes.dedup();
        let mut changed = Vec::new();
        if let Some(new) = &a.minutes {
            let was = std::mem::replace(&mut remedy.minutes, new.is);
            changed.push(("minutes", was.get(), new.is.get(), &new.from));
        }
        if let Some(new) = &a.money {
            let was = std::mem::replace(&mut remedy.money, new.is);
            let units = |m: super::figures::Money| f64::from(m.hundredths()) / 100.0;
            changed.push(("money", units(was), units(new.is), &new.from));
        }
        if let Some(new) = &a.success {
            let was = std::mem::replace(&mut remedy.success, new.is);
            changed.push(("success", was.get(), new.is.get(), &new.from));
        }
        for (figure, was, is, from) in changed {
            self.record(item, figure.into(), was, is, from);
        }
    }

    fn links(&mut self, item: Item, from: Cause, source: &str, links: &Named<AmendLink>) {
        for (key, link) in links.iter() {
            let Some((to, alias)) = self.loader.effect(self.file, key) else { continue };
            let bare = |f: &At<Figure<Probability>>| At { value: f.is, span: f.span };
            let strength = link.strength.as_ref().map(bare);
            let answers: Option<Vec<_>> =
                link.answers.as_ref().map(|a| a.iter().map(|(k, f)| (k.clone(), bare(f))).collect());
            let found =
                shares(self.loader, self.file, key, strength.as_ref(), answers.as_deref(), (to, alias));
            let Some(new) = found else { continue };
            match self.loader.linked(from, to) {
                Some(old) => self.change_link(item, old, key, link, &new),
                None => self.add_link(from, to, key, source, link, &new),
            }
        }
    }

    fn change_link(&mut self, item: Item, old: usize, key: &At<String>, link: &AmendLink, new: &[Share]) {
        let evidence = |i: usize| match (&link.strength, &link.answers) {
            (Some(f), _) => f.from.clone(),
            (_, Some(list)) => list.0.get(i).and_then(|(_, f)| f.from.clone()),
            _ => None,
        };
        let to = self.loader.rules.links[old].to;
        let mut all: Vec<Share> = match (&self.loader.rules.links[old].strength, to) {
            (Strength::Graded(shares), _) => {
                shares.iter().enumerate().skip(1).map(|(i, p)| (i, *p, usize::MAX)).collect()
            }
            (Strength::Plain(p), _) => vec![(1, *p, usize::MAX)],
        };
        for (answer, p, i) in new {
            let Some(share) = all.iter_mut().find(|(a, ..)| a == answer) else { continue };
            let was = std::mem::replace(&mut share.1, *p).get();
            let figure = match to {
                Effect::Condition(_) => format!("leads-to {}", key.value),
                Effect::Check(id) => {
                    format!(
                        "leads-to {} {}",
                        self.loader.rules.check(id).id,
                        self.loader.rules.check(id).answers[*answer]
                    )
                }
            };
            self.record(item, figure, was, p.get(), &evidence(*i));
        }
        let strength = graded(self.loader, self.file, key, to, &all);
        let why = link.why.as_ref().map(|w| self.loader.wording(self.file, w));
        let source = link.source.as_ref().map(|s| self.loader.wording(self.file, s));
        let changed = &mut self.loader.rules.links[old];
        changed.strength = strength;
        changed.why = why.unwrap_or(std::mem::take(&mut changed.why));
        changed.source = source.unwrap_or(std::mem::take(&mut changed.source));
    }

    fn add_link(
        &mut self,
        from: Cause,
        to: Effect,
        key: &At<String>,
        source: &str,
        link: &AmendLink,
        new: &[Share],
    ) {
        let place = self.file.place(key.span);
        let Some(why) = &link.why else {
            let message = format!(
                "a new link from '{}' to '{}' needs its reason",
                self.loader.rules_name(from),
                key.value
            );
            return self.loader.complain("missing-field", place, message, "add 'why: …'");
        };
        let why = self.loader.wording(self.file, why);
        let own = link.source.as_ref().or(self.file.pack.source.as_ref());
        let source = own.map_or(source.to_string(), |s| self.loader.wording(self.file, s));
        let strength = graded(self.loader, self.file, key, to, new);
        self.loader.rules.links.push(Link { from, to, strength, why, source, pack: self.pack, place });
    }
}
