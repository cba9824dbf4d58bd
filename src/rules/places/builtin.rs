//! The library that is compiled in, and the rules of units, made once each.

use super::{Library, Unit, UnitFacts, rules_for};
use crate::rules::Rules;
use crate::text::{Complaints, Source};
use std::sync::{Arc, OnceLock};

/// Name and text of every file of the library, listed by the build script.
const FILES: [&[(&str, &str)]; 4] = [
    include!(concat!(env!("OUT_DIR"), "/places.rs")),
    include!(concat!(env!("OUT_DIR"), "/outlines.rs")),
    include!(concat!(env!("OUT_DIR"), "/checks.rs")),
    include!(concat!(env!("OUT_DIR"), "/happened.rs")),
];

/// The files of the built-in library.
pub fn sources() -> Vec<Source> {
    FILES.iter().flat_map(|f| f.iter()).map(|(name, text)| Source::new(*name, *text)).collect()
}

/// Whether a file is one of places, outlines, derived checks or events, and no pack: by its first key.
pub fn is_library(source: &Source) -> bool {
    const KEYS: [&str; 6] = ["places", "outline", "frame", "checks", "happened", "builds"];
    let top = |line: &&str| line.starts_with(|c: char| c.is_ascii_alphabetic());
    let key = source.text.lines().find(top).and_then(|l| l.split(':').next()).unwrap_or_default();
    KEYS.contains(&key.trim())
}

impl Library {
    /// The built-in library, read once a process.
    ///
    /// # Errors
    /// When a shipped file is at fault; a test keeps that from happening.
    pub fn builtin() -> Result<Arc<Self>, Complaints> {
        static LIBRARY: OnceLock<Result<Arc<Library>, Complaints>> = OnceLock::new();
        LIBRARY.get_or_init(|| Self::load(&sources()).map(Arc::new)).clone()
    }
}

/// Rules of units that were asked for, each made once: a chain that only grows, so that what it holds can be lent.
#[derive(Debug, Default)]
pub struct Derived {
    first: OnceLock<Box<Link>>,
}

#[derive(Debug)]
struct Link {
    facts: UnitFacts,
    made: Result<(Rules, Unit), Complaints>,
    next: Derived,
}

impl Clone for Derived {
    /// A clone starts empty: what follows is made again when it is asked for.
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl Derived {
    /// The rules of a unit and its spots.
    ///
    /// # Errors
    /// As [`rules_for`].
    pub fn get(&self, library: &Library, facts: &UnitFacts) -> Result<(&Rules, &Unit), Complaints> {
        let mut chain = self;
        loop {
            let make = || {
                Box::new(Link {
                    facts: facts.clone(),
                    made: rules_for(library, facts),
                    next: Self::default(),
                })
            };
            let link = chain.first.get_or_init(make);
            if link.facts == *facts {
                return match &link.made {
                    Ok((rules, unit)) => Ok((rules, unit)),
                    Err(complaints) => Err(complaints.clone()),
                };
            }
            chain = &link.next;
        }
    }
}

impl Rules {
    /// The rules of one unit, derived from its outline: made once, then lent.
    ///
    /// ```
    /// use halfsplit::rules::{History, Rules, places::UnitFacts};
    /// let rules = Rules::builtin()?;
    /// let (booster, unit) = rules.for_unit(&UnitFacts::new("booster", History::FreshBuild))?;
    /// assert!(booster.find_check("listen@Q1").is_ok() && unit.spot("Q1").is_some());
    /// # Ok::<(), halfsplit::text::Complaints>(())
    /// ```
    ///
    /// # Errors
    /// An unknown outline or event.
    pub fn for_unit(&self, facts: &UnitFacts) -> Result<(&Rules, &Unit), Complaints> {
        self.derived.get(&*self.library()?, facts)
    }

    /// Whether a symptom is one of other outlines, though not of the unit that this set is of.
    pub fn knows_symptom_elsewhere(&self, id: &str) -> bool {
        self.is_of_unit()
            && self.library().is_ok_and(|l| l.checks.iter().any(|(_, c)| c.symptoms.get(id).is_some()))
    }

    /// Places, outlines and derived checks: the built-in ones, with the user's after them where there are any.
    ///
    /// # Errors
    /// When a shipped file is at fault.
    pub fn library(&self) -> Result<Arc<Library>, Complaints> {
        match &self.library {
            Some(library) => Ok(Arc::clone(library)),
            None => Library::builtin(),
        }
    }
}
