//! Whether a card's unit is out of scope: by what it runs on, by what anything on the card says, by a reading.

use super::card::{Card, JobCard, PowerSource};
use crate::rules::{Danger, MOST_VOLTS, Scope};
use crate::text::{Node, Place, Value};
use crate::units::{Unit, reading};

/// Why a unit is out of scope, and what on its card says so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// Why it is declined, in sentences.
    pub why: &'static str,
    /// The words that say so; nothing where it is the `power` field.
    pub words: Option<String>,
    /// Where they stand: the field's path on the card.
    path: Vec<Step>,
}

/// A step down the card.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Key(&'static str),
    Item(usize),
}

use Step::{Item, Key};

fn why(danger: Danger) -> &'static str {
    let power = match danger {
        Danger::Mains => PowerSource::Mains,
        Danger::HighVoltage => PowerSource::HighVoltage,
    };
    power.declined().unwrap_or_default()
}

impl Card {
    /// Why the unit is out of scope, if it is: its power, a word or figure in what is said of it, a reading above what the tool deals
    /// with. Struck findings count for nothing.
    ///
    /// ```
    /// use halfsplit::{job::JobCard, text::Source};
    /// let card = "unit: Ember\nhistory: worked-before\ncomplaint: {words: the mains transformer hums, symptoms: [hum]}\n";
    /// let job = JobCard::read(&Source::new("ember.yaml", card))?;
    /// assert_eq!(job.card.refusal().and_then(|r| r.words).as_deref(), Some("mains transformer"));
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    pub fn refusal(&self) -> Option<Refusal> {
        if let Some(why) = self.power.as_ref().and_then(|p| p.declined()) {
            return Some(Refusal { why, words: None, path: vec![Key("power")] });
        }
        let scope = Scope::builtin().ok()?;
        let said = |(text, path): (&str, Vec<Step>)| {
            let sign = scope.sign(text)?;
            Some(Refusal { why: why(sign.danger), words: Some(sign.words), path })
        };
        self.texts().find_map(said).or_else(|| self.high_reading())
    }

    /// Everything on the card that says something of the unit, with its place.
    fn texts(&self) -> impl Iterator<Item = (&str, Vec<Step>)> {
        let fields = [
            (Some(self.unit.value.as_str()), "unit"),
            (self.condition.as_deref(), "condition"),
            (self.changed.as_deref(), "changed"),
        ];
        let fields = fields.into_iter().filter_map(|(text, key)| Some((text?, vec![Key(key)])));
        let complaint = self.complaint.iter().filter_map(|c| c.words.as_deref());
        let complaint = complaint.map(|text| (text, vec![Key("complaint"), Key("words")]));
        let found = self.standing().filter_map(|(n, f)| {
            Some((f.remark.as_deref()?, vec![Key("findings"), Item(n - 1), Key("remark")]))
        });
        let work = self.work.iter().enumerate();
        let work = work.map(|(i, w)| (w.did.as_str(), vec![Key("work"), Item(i), Key("did")]));
        let remarks = self.remarks.iter().enumerate();
        let remarks = remarks.map(|(i, r)| (r.text.as_str(), vec![Key("remarks"), Item(i), Key("text")]));
        let untested = self.not_tested.iter().enumerate();
        let untested = untested.map(|(i, text)| (text.as_str(), vec![Key("not-tested"), Item(i)]));
        let good = self
            .good
            .iter()
            .enumerate()
            .filter_map(|(i, g)| Some((g.remark.as_deref()?, vec![Key("good"), Item(i), Key("remark")])));
        fields.chain(complaint).chain(found).chain(work).chain(remarks).chain(untested).chain(good)
    }

    /// A reading of more volts than the tool deals with, on the unit or on a good one like it: written with its unit, or at a check
    /// of volts.
    fn high_reading(&self) -> Option<Refusal> {
        let found = self.standing().map(|(n, f)| ("findings", n - 1, &f.check, &f.answer));
        let good = self.good.iter().enumerate().map(|(i, g)| ("good", i, &g.check, &g.answer));
        found.chain(good).find_map(|(list, i, check, answer)| {
            let volts = of_volts(&check.value, &answer.value)?;
            (volts.abs() > MOST_VOLTS).then(|| Refusal {
                why: why(Danger::HighVoltage),
                words: Some(answer.value.clone()),
                path: vec![Key(list), Item(i), Key("answer")],
            })
        })
    }

    /// Why the tool declines the unit, if it does.
    pub fn declined(&self) -> Option<&'static str> {
        self.refusal().map(|r| r.why)
    }
}

/// The volts of an answer, where it is a reading of volts.
fn of_volts(check: &str, answer: &str) -> Option<f64> {
    if !answer.contains(|c: char| c.is_ascii_digit()) {
        return None;
    }
    let read = reading::parse(answer, None).ok()?;
    let volts = read.unit == Some(Unit::Volts) || (read.unit.is_none() && check.contains("volts"));
    volts.then(|| read.middle()).filter(|v| v.is_finite())
}

impl JobCard {
    /// Where on the card it says what a refusal rests on.
    pub fn place_of(&self, refusal: &Refusal) -> Option<Place> {
        let down = |node: &'_ Node, step: &Step| -> Option<Node> {
            match (step, &node.value) {
                (Key(key), _) => node.get(key).cloned(),
                (Item(i), Value::List(items)) => items.get(*i).cloned(),
                _ => None,
            }
        };
        let root = self.document.root.clone();
        let node = refusal.path.iter().try_fold(root, |node, step| down(&node, step))?;
        Some(self.document.place(node.span))
    }
}

impl Refusal {
    /// What to do where the unit is none that is declined after all; empty where the card says it in so many words.
    pub fn help(&self) -> String {
        match (self.path.as_slice(), &self.words) {
            ([Key("findings"), Item(i), Key("answer")], Some(_)) => {
                format!("if that is a slip of the pen, strike it: halfsplit strike JOB {}", i + 1)
            }
            ([Key("good"), Item(i), Key("answer")], Some(_)) => {
                format!("if that is a slip of the pen, put right the card's good reading {}", i + 1)
            }
            ([Key("findings"), Item(i), _], Some(words)) => {
                format!(
                    "if '{words}' speaks of something else than this unit, strike finding {} and note it in other words",
                    i + 1
                )
            }
            (_, Some(words)) => {
                format!(
                    "if '{words}' speaks of something else than this unit, say so on the card in other words"
                )
            }
            (_, None) => String::new(),
        }
    }

    /// The refusal in a sentence or two.
    pub fn says(&self) -> String {
        match &self.words {
            Some(words) => format!("the card says '{words}', and {}", self.why),
            None => self.why.to_string(),
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::job::{Diagnosis, NewFinding};
    use crate::rules::Rules;
    use crate::text::Source;

    const CARD: &str =
        "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {words: no sound, symptoms: [silent]}\n";

    fn refused(card: &str) -> Option<(String, usize)> {
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        let refusal = job.card.refusal()?;
        let line = job.place_of(&refusal).unwrap().line_column().0;
        let e = Diagnosis::of(Rules::builtin().unwrap(), job).unwrap_err().to_string();
        assert!(e.contains("out of scope") && e.contains("technician licensed"), "{e}");
        Some((refusal.words.unwrap_or_default(), line))
    }

    #[test]
    fn high_voltage_is_refused_wherever_it_shows() {
        assert_eq!(refused(CARD), None);
        for (more, words, line) in [
            ("power: mains\n", "", 4),
            ("changed: new output transformer\n", "output transformer", 4),
            ("condition: two ECC83 inside\n", "ECC83", 4),
            ("remarks:\n  - {text: 240 V mains}\n", "240 V", 5),
            ("work:\n  - {did: put in a new mains fuse}\n", "mains fuse", 5),
            ("findings:\n  - {check: effect-sound, answer: silent, remark: the HT is there}\n", "HT", 5),
            ("findings:\n  - {check: board-supply-volts, answer: 320V}\n", "320V", 5),
            ("findings:\n  - {check: board-supply-volts, answer: \"230\"}\n", "230", 5),
            ("findings:\n  - {check: board-supply-volts, answer: -60 V}\n", "-60 V", 5),
            ("good:\n  - {check: board-supply-volts, answer: 320V}\n", "320V", 5),
            ("not-tested:\n  - the 250 V plate supply\n", "250 V", 5),
        ] {
            assert_eq!(refused(&format!("{CARD}{more}")), Some((words.into(), line)), "{more}");
        }
        assert_eq!(refused(&CARD.replace("no sound", "ECC83 tube preamp 250V")), Some(("ECC83".into(), 3)));
        assert_eq!(
            refused(&CARD.replace("Tin Lantern", "Tube preamp 250V")),
            Some(("Tube preamp".into(), 1))
        );
    }

    #[test]
    fn what_was_struck_or_is_small_is_no_sign() {
        for more in [
            "findings:\n  - {check: board-supply-volts, answer: 320V, struck: a slip}\n",
            "findings:\n  - {check: board-supply-volts, answer: 9.1V}\n  - {check: supply-ohms, answer: 470k}\n",
            "owner: H. T. Tube\n",
        ] {
            assert_eq!(refused(&format!("{CARD}{more}")), None, "{more}");
        }
        let job = JobCard::read(&Source::new("job.yaml", CARD)).unwrap();
        let slip =
            NewFinding { at: None, check: "board-supply-volts".into(), answer: "320V".into(), remark: None };
        let job = job.with_finding(&slip).unwrap();
        assert!(
            job.card.declined().is_some()
                && job.with_struck(1, "9.1 it was").unwrap().card.declined().is_none()
        );
    }
}
