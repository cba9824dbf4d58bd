//! What is in play for one unit: the packs that apply, the faults with their priors, and the part
//! of the graph that they can reach.

use super::figures::Probability;
use super::ids::{Cause, CheckId, ConditionId, Effect, FaultId, LinkId, PackId};
use super::set::{Link, Rules};
use super::words::{Applies, Build, History};

/// What is known of a unit before any complaint is heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Context {
    /// What it has been through.
    pub history: History,
    /// How it is put together, if that is known.
    pub build: Option<Build>,
    /// The blocks that it has; none named means that any may be there.
    pub blocks: Vec<PackId>,
}

/// The part of the rules that is in play for a unit. See [`Rules::in_play`].
#[derive(Clone, Debug)]
pub struct InPlay<'r> {
    rules: &'r Rules,
    packs: Vec<bool>,
    priors: Vec<Probability>,
    conditions: Vec<bool>,
    caused: Vec<bool>,
}

impl Rules {
    /// What is in play for a unit: the packs that apply always and those of its blocks (all, if it
    /// names none), their faults with a prior above 0, the conditions that these faults can reach,
    /// and the checks of these packs. Cost: linear in the links.
    ///
    /// ```
    /// use halfsplit::rules::{Build, Context, History, Rules};
    /// use halfsplit::text::Source;
    /// # let text = include_str!(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/packs/lantern.yaml"));
    /// let rules = Rules::load(&[Source::new("lantern.yaml", text)])?;
    /// let context = Context { history: History::FreshBuild, build: Some(Build::Breadboard), blocks: vec![] };
    /// let play = rules.in_play(&context);
    /// let (fault, prior) = play.faults().next().unwrap();
    /// assert_eq!(rules.fault(fault).id, "regulator-turned");
    /// assert!((prior.get() - 0.012 * 1.3).abs() < 1e-12);
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn in_play(&self, context: &Context) -> InPlay<'_> {
        let applies = |(i, pack): (usize, &super::set::Pack)| {
            pack.applies == Applies::Always
                || context.blocks.is_empty()
                || context.blocks.contains(&PackId::at(i))
        };
        let packs: Vec<bool> = self.packs.iter().enumerate().map(applies).collect();
        let prior = |f: &super::set::Fault| match packs[f.pack.index()] {
            true => f.prior(context.history, context.build),
            false => Probability::ZERO,
        };
        let mut play = InPlay {
            rules: self,
            priors: self.faults.iter().map(prior).collect(),
            conditions: vec![false; self.conditions.len()],
            caused: vec![false; self.checks.len()],
            packs,
        };
        play.reach();
        play
    }
}

impl<'r> InPlay<'r> {
    fn reach(&mut self) {
        let rules = self.rules;
        for i in 0..self.priors.len() {
            if !self.priors[i].is_zero() {
                self.mark(Cause::Fault(FaultId::at(i)));
            }
        }
        for id in &rules.order {
            let condition = rules.condition(*id);
            let here = self.packs[condition.pack.index()];
            let on = here && (self.conditions[id.index()] || !condition.leak.is_zero());
            self.conditions[id.index()] = on;
            if on {
                self.mark(Cause::Condition(*id));
            }
        }
    }

    fn mark(&mut self, cause: Cause) {
        let rules = self.rules;
        for (_, link) in rules.links_from(cause).filter(|(_, l)| self.packs[l.pack.index()]) {
            match link.to {
                Effect::Condition(c) => self.conditions[c.index()] = true,
                Effect::Check(c) => self.caused[c.index()] |= self.packs[rules.check(c).pack.index()],
            }
        }
    }

    /// The rules that this is a part of.
    pub fn rules(&self) -> &'r Rules {
        self.rules
    }

    /// Whether a pack is in play.
    pub fn has_pack(&self, id: PackId) -> bool {
        self.packs[id.index()]
    }

    /// Faults in play with their prior (above 0, at most [`super::Fault::MAX_PRIOR`]), by id.
    pub fn faults(&self) -> impl Iterator<Item = (FaultId, Probability)> {
        let all = self.priors.iter().enumerate().filter(|(_, p)| !p.is_zero());
        all.map(|(i, p)| (FaultId::at(i), *p))
    }

    /// The prior of a fault here; 0 for one that is not in play.
    pub fn prior(&self, id: FaultId) -> Probability {
        self.priors[id.index()]
    }

    /// Conditions that faults in play can reach (or that have a leak), causes before effects.
    pub fn conditions(&self) -> impl Iterator<Item = ConditionId> {
        self.rules.order.iter().copied().filter(|id| self.has_condition(*id))
    }

    /// Whether a condition is in play.
    pub fn has_condition(&self, id: ConditionId) -> bool {
        self.conditions[id.index()]
    }

    /// Checks of the packs in play, symptoms that stand alone among them, by id. Their leak by
    /// answer is [`super::Check::leak`].
    pub fn checks(&self) -> impl Iterator<Item = CheckId> {
        (0..self.caused.len()).map(CheckId::at).filter(|id| self.has_check(*id))
    }

    /// Whether a check is in play.
    pub fn has_check(&self, id: CheckId) -> bool {
        self.packs[self.rules.check(id).pack.index()]
    }

    /// Whether anything in play acts on a check; one without can only show its leak, so it is
    /// not worth asking.
    pub fn is_caused(&self, id: CheckId) -> bool {
        self.caused[id.index()]
    }

    /// Whether both ends of a link, and the pack that states it, are in play.
    pub fn has_link(&self, id: LinkId) -> bool {
        let link = self.rules.link(id);
        let from = match link.from {
            Cause::Fault(f) => !self.priors[f.index()].is_zero(),
            Cause::Condition(c) => self.has_condition(c),
        };
        let to = match link.to {
            Effect::Condition(c) => self.has_condition(c),
            Effect::Check(c) => self.has_check(c),
        };
        from && to && self.packs[link.pack.index()]
    }

    /// The links in play that start at a cause.
    pub fn links_from(&self, cause: Cause) -> impl Iterator<Item = (LinkId, &'r Link)> {
        self.rules.links_from(cause).filter(|(id, _)| self.has_link(*id))
    }

    /// The links in play that end at an effect.
    pub fn links_to(&self, effect: Effect) -> impl Iterator<Item = (LinkId, &'r Link)> {
        self.rules.links_to(effect).filter(|(id, _)| self.has_link(*id))
    }
}
