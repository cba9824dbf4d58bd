//! What is set on a card by flags: whose unit it is, what it came in with, time and parts.

use super::card::{CardError, JobCard, PartUsed, PowerSource, Work};
use crate::rules::{Build, History, Tool};
use crate::text::{Value, append_item, set_entry, set_in};

/// Fields to set; those that are none stay as they are.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fields {
    /// What is on the bench.
    pub unit: Option<String>,
    /// The shop's number for the job.
    pub number: Option<String>,
    /// Whose it is.
    pub owner: Option<String>,
    /// Serial number or other mark.
    pub serial: Option<String>,
    /// When it came in.
    pub received: Option<String>,
    /// Its condition on arrival.
    pub condition: Option<String>,
    /// What it has been through.
    pub history: Option<History>,
    /// What was changed last.
    pub changed: Option<String>,
    /// How it is built.
    pub build: Option<Build>,
    /// What it runs on.
    pub power: Option<PowerSource>,
    /// Tools at hand; an empty list leaves them as they are.
    pub tools: Vec<Tool>,
    /// Blocks the unit has; an empty list leaves them as they are.
    pub blocks: Vec<String>,
    /// Price of an hour of labour on this job.
    pub labour: Option<String>,
    /// More that was not tested.
    pub not_tested: Vec<String>,
}

impl Fields {
    /// Whether nothing is set.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }

    /// The card with these fields set. Lists of what was not tested grow; everything else is replaced.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn set(&self, card: &JobCard) -> Result<JobCard, CardError> {
        let style = card.style();
        let text = |value: &Option<String>| value.as_ref().map(|v| style.scalar(v));
        let list = |items: Vec<String>| (!items.is_empty()).then(|| format!("[{}]", items.join(", ")));
        let entries: [(&str, Option<String>); 13] = [
            ("unit", text(&self.unit)),
            ("number", text(&self.number)),
            ("owner", text(&self.owner)),
            ("serial", text(&self.serial)),
            ("received", text(&self.received)),
            ("condition", text(&self.condition)),
            ("history", self.history.map(|h| style.scalar(h.name()))),
            ("changed", text(&self.changed)),
            ("build", self.build.map(|b| style.scalar(b.name()))),
            ("power", self.power.map(|p| style.scalar(p.name()))),
            ("tools", list(self.tools.iter().map(|t| style.scalar(t.name())).collect())),
            ("blocks", list(self.blocks.iter().map(|b| style.scalar(b)).collect())),
            ("labour", text(&self.labour)),
        ];
        let mut out = card.clone();
        for (key, value) in entries {
            if let Some(value) = value {
                out = out.reread(set_entry(&out.document, key, &value)?)?;
            }
        }
        for what in &self.not_tested {
            out = out.reread(append_item(&out.document, "not-tested", &style.scalar(what))?)?;
        }
        Ok(out)
    }
}

impl JobCard {
    /// The card with a piece of work: what was done, its minutes and parts.
    ///
    /// # Errors
    /// [`CardError`] when the text can't take it.
    pub fn with_work_done(&self, work: &Work) -> Result<Self, CardError> {
        let style = self.style();
        let mut entries = Vec::new();
        entries.extend(work.at.as_ref().map(|at| ("at", style.scalar(at))));
        entries.push(("did", style.scalar(&work.did)));
        entries.extend(work.minutes.map(|m| ("minutes", format!("{m}"))));
        if !work.parts.is_empty() {
            let part = |p: &PartUsed| {
                let mut entries = vec![("part", style.scalar(&p.part))];
                entries.extend(p.count.map(|n| ("count", n.to_string())));
                entries.extend(p.price.as_ref().map(|p| ("price", style.scalar(&p.value))));
                style.map(entries)
            };
            let parts: Vec<String> = work.parts.iter().map(part).collect();
            entries.push(("parts", format!("[{}]", parts.join(", "))));
        }
        self.reread(append_item(&self.document, "work", &style.map(entries))?)
    }

    /// The card with the minutes that the whole job took, where it is closed.
    ///
    /// # Errors
    /// [`CardError::NotClosed`], or when the text can't take it.
    pub fn with_outcome_minutes(&self, minutes: f64) -> Result<Self, CardError> {
        match self.document.root.get("outcome") {
            Some(node) if matches!(node.value, Value::Map(_)) => {
                self.reread(set_in(&self.document, node, "minutes", &format!("{minutes}"))?)
            }
            _ => Err(CardError::NotClosed),
        }
    }

    /// The card open again: its outcome becomes a remark.
    ///
    /// # Errors
    /// [`CardError::NotClosed`], or when the text can't take it.
    pub fn reopened(&self, at: Option<&str>) -> Result<Self, CardError> {
        let node = self.document.root.get("outcome").filter(|n| !n.is_null());
        let Some(node) = node else { return Err(CardError::NotClosed) };
        let old = &self.text()[node.span.start..node.span.end];
        let old = old.split_whitespace().collect::<Vec<_>>().join(" ");
        let kept = self.with_remark(at, &format!("reopened; the outcome was: {old}"))?;
        kept.reread(set_entry(&kept.document, "outcome", "null")?)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::job::{EndState, NewFinding};
    use crate::text::{At, Source};

    fn card(text: &str) -> JobCard {
        JobCard::read(&Source::new("job.yaml", text)).unwrap()
    }

    #[test]
    fn fields_are_set_and_the_rest_stays() {
        let written =
            "# mine\nunit: Tin Lantern  # blue\nowner:\nhistory: fresh-build\nnot-tested: [the tap]\n";
        let fields = Fields {
            owner: Some("I. Fern".into()),
            serial: Some("#12, \"b\"".into()),
            power: Some(PowerSource::Battery),
            tools: vec![Tool::Meter, Tool::Iron],
            not_tested: vec!["expression input".into()],
            labour: Some("40.00".into()),
            ..Fields::default()
        };
        let set = fields.set(&card(written)).unwrap();
        assert_eq!(
            set.text(),
            "# mine\nunit: Tin Lantern  # blue\nowner: I. Fern\nhistory: fresh-build\nnot-tested: [the tap, expression input]\n\
             serial: \"#12, \\\"b\\\"\"\npower: battery\ntools: [meter, iron]\nlabour: \"40.00\"\n"
        );
        assert_eq!(set.card.serial.as_deref(), Some("#12, \"b\""));
        let again = Fields { owner: Some("J. Moss".into()), ..Fields::default() }.set(&set).unwrap();
        assert_eq!(again.card.owner.as_deref(), Some("J. Moss"));
        assert_eq!(again.text().matches("owner").count(), 1);
    }

    #[test]
    fn work_minutes_and_reopening() {
        let open = card("unit: A\nhistory: fresh-build\n");
        let price = Some(At { value: "0.40".to_string(), span: Default::default() });
        let work = Work {
            at: None,
            did: "new C7".into(),
            minutes: Some(12.5),
            parts: vec![PartUsed { part: "22u 25V".into(), count: Some(2), price }],
        };
        let done = open.with_work_done(&work).unwrap();
        assert_eq!(done.card.work[0].minutes, Some(12.5));
        assert_eq!(done.card.work[0].parts[0].price.as_ref().unwrap().value, "0.40");
        assert!(matches!(done.with_outcome_minutes(30.0), Err(CardError::NotClosed)));
        let closed = done.with_outcome(None, EndState::Mended, &["C7:short".into()], None).unwrap();
        let timed = closed.with_outcome_minutes(30.0).unwrap().with_outcome_minutes(35.0).unwrap();
        assert_eq!(timed.card.outcome.as_ref().unwrap().minutes, Some(35.0));
        assert_eq!(timed.text().matches("minutes: 3").count(), 1);
        let again = timed.reopened(None).unwrap();
        assert!(again.card.outcome.is_none() && again.card.remarks[0].text.contains("C7:short"));
        let more = NewFinding { at: None, check: "a".into(), answer: "b".into(), remark: None };
        let closed =
            again.with_finding(&more).unwrap().with_outcome(None, EndState::Found, &[], None).unwrap();
        assert_eq!(closed.card.outcome.unwrap().end, EndState::Found);
    }
}
