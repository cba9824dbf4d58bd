//! Answers as they come in on stdin: a whole conversation with whatever is typed.

use super::grow::{Grower, run};
use halfsplit::job::session::{Change, Session, Showing, Talk, understand};
use halfsplit::job::{CardError, JobCard};
use halfsplit::rules::Rules;
use halfsplit::text::{Complaints, Source};

#[derive(Debug)]
struct Halt(String);

impl From<Complaints> for Halt {
    fn from(e: Complaints) -> Self {
        Self(e.to_string())
    }
}

impl From<CardError> for Halt {
    fn from(e: CardError) -> Self {
        Self(e.to_string())
    }
}

struct Typist {
    lines: Vec<String>,
    card: JobCard,
    kept: usize,
}

impl Talk for Typist {
    type Error = Halt;

    fn show(&mut self, _: &Showing<'_, '_>) -> Result<(), Halt> {
        Ok(())
    }

    fn ask(&mut self, _: &[String]) -> Result<Option<String>, Halt> {
        Ok(self.lines.pop())
    }

    fn keep(&mut self, change: &Change<'_>) -> Result<JobCard, Halt> {
        let before = self.card.card.findings.len();
        self.card = change(&self.card)?;
        assert!(self.card.card.findings.len() >= before, "findings are only added to");
        self.kept += 1;
        Ok(self.card.clone())
    }

    fn now(&mut self) -> Option<String> {
        None
    }
}

const WORDS: [&str; 24] = [
    "\n",
    "\nback\n",
    "\nunsure\n",
    "\nlater\n",
    "\nno tool\n",
    "\nclose\n",
    "\n1\n",
    "\n2\n",
    "\nyes\n",
    "\nno\n",
    "\n# a\n",
    "why ",
    "remark ",
    "\nsuspects\n",
    "4.9V",
    "OL",
    "-",
    "\u{1b}[A",
    "\u{0}",
    "\nnormal\n",
    "\nmissing\n",
    "{",
    "\"",
    "\ncured\n",
];
const CARD: &str = "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {symptoms: [no-echo]}\ntools: [meter, iron, spares]\n";

#[test]
fn answers_on_stdin() {
    let pack = Source::new("lantern.yaml", include_str!("../data/packs/lantern.yaml"));
    let rules = Rules::load(&[pack]).unwrap();
    let seeds = [
        "1\nunsure\n# warm\nback\n4.9V\nclose\nregulator-turned\nyes\nturned it\n",
        "missing\nmissing\ncured\nclose\n1\n\n",
    ];
    run("answers", Grower::new("answers", &seeds, &WORDS), |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let lines: Vec<String> = text.lines().rev().map(str::to_string).collect();
        for line in &lines {
            understand(line, &["normal".into(), "no-change".into(), "ü".into()], line.len() % 2 == 0);
        }
        let card = JobCard::read(&Source::new("job.yaml", CARD)).unwrap();
        let mut typist = Typist { lines, card: card.clone(), kept: 0 };
        // A remark may say that the unit is out of scope, which ends it.
        if let Err(e) = Session::new(&rules, card, None).run(&mut typist)
            && !e.0.contains("this unit is out of scope: ")
        {
            panic!("a conversation must not break off: {}", e.0);
        }
        assert!(typist.card.text().starts_with(CARD));
        typist.kept > 0
    });
}
