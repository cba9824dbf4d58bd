//! Finds the fault in small audio electronics: pedals, echo-chip delays, fuzz and overdrive stages, LFO effects.
//!
//! A job card says what is on the bench and what was found; rules say what can be wrong and how it shows. From both follow
//! the suspects with their probabilities, the reasons for them, and the next step that is worth its time. The library is
//! pure but for [`job::store`]: values in, values out, the same input giving the same answer. The command line
//! (module `cli`, feature `cli`, on by default) is its first client; `default-features = false` leaves it and all that knows
//! terminals out.
//!
//! # One diagnosis
//!
//! ```
//! use halfsplit::job::{Diagnosis, EndState, JobCard, NewFinding};
//! use halfsplit::{rules::Rules, text::Source};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! // A unit comes in: built last night, the LED lights, nothing is heard.
//! let card = "unit: Tin Lantern\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\ntools: [meter]\n";
//! let mut job = JobCard::read(&Source::new("tin-lantern.yaml", card))?;
//! let rules = Rules::builtin()?;
//!
//! // Before anything is measured, many faults are a little likely, and there is a first step.
//! let step = Diagnosis::of(rules, job.clone())?.next(3)?;
//! assert_eq!(step.action, "check");
//!
//! // Sound in bypass is normal; at the supply plus of the board the meter shows next to nothing.
//! for (check, answer) in [("bypass-sound", "normal"), ("board-supply-volts", "0.02V")] {
//!     job = job.with_finding(&NewFinding { at: None, check: check.into(), answer: answer.into(), remark: None })?;
//! }
//! let diagnosis = Diagnosis::of(rules, job.clone())?;
//! let suspects = diagnosis.suspects()?.suspects;
//! assert!(suspects[0].probability > 0.1);
//!
//! // Why does the first one lead? The reading at the board speaks for it more than anything else.
//! let why = diagnosis.why(&suspects[0].id)?;
//! assert_eq!(why.findings[0].check, "board-supply-volts");
//! assert!(why.findings[0].weight_db > 0.0);
//!
//! // It was that. The outcome goes on the card, and whatever was written there by hand is still as it was.
//! let closed = job.with_outcome(None, EndState::Mended, &[suspects[0].id.clone()], Some("put right"))?;
//! assert!(closed.text().starts_with(card));
//! # Ok(())
//! # }
//! ```
//!
//! # What it is mostly used for
//!
//! Load rules, the built-in ones with a pack of your own after them:
//!
//! ```no_run
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use halfsplit::{job::store, rules::Rules};
//! let mine = store::read("my-pack.yaml".as_ref())?;
//! let rules = Rules::with_builtin(&[mine])?;
//! println!("{}", rules.counts());
//! # Ok(())
//! # }
//! ```
//!
//! Open a job: a new card on disk, which must not be there yet.
//!
//! ```no_run
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use halfsplit::{job::{NewCard, store}, rules::History};
//! let card = NewCard { unit: "Tin Lantern".into(), history: Some(History::FreshBuild), ..NewCard::default() };
//! store::create("tin-lantern.yaml".as_ref(), &card.text())?;
//! # Ok(())
//! # }
//! ```
//!
//! Note a finding while nobody else can change the card:
//!
//! ```no_run
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use halfsplit::job::{JobCard, NewFinding, store::Held};
//! let mut held = Held::open("tin-lantern.yaml".as_ref(), "my bench", std::time::Duration::from_secs(3))?;
//! let found = NewFinding { at: None, check: "effect-sound".into(), answer: "silent".into(), remark: None };
//! let job = JobCard::read(held.source())?.with_finding(&found)?;
//! held.write(job.text())?;
//! # Ok(())
//! # }
//! ```
//!
//! Ask what is next:
//!
//! ```
//! use halfsplit::{cases, job::{Diagnosis, JobCard}, rules::Rules};
//! let job = JobCard::read(&cases::example("silent-build")?)?;
//! let step = Diagnosis::of(Rules::builtin()?, job)?.next(0)?;
//! if let Some(check) = step.check {
//!     println!("{}: {}", check.says, check.text);
//! }
//! # Ok::<(), halfsplit::text::Complaints>(())
//! ```
//!
//! Render a summary:
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! use halfsplit::summary::{Audience, Format, Shop, Summary, Templates, render};
//! use halfsplit::{cases, job::{Diagnosis, JobCard}, rules::Rules};
//! let job = JobCard::read(&cases::example("returned-echo")?)?;
//! let shop = Shop::read(&cases::shop_example())?;
//! let summary = Summary::of(&Diagnosis::of(Rules::builtin()?, job)?, &shop)?;
//! let page = render(&summary, Audience::Customer, Format::Html, &Templates::builtin())?;
//! assert!(page.starts_with("<!DOCTYPE html>"));
//! # Ok(())
//! # }
//! ```
//!
//! Hold a whole conversation, on whatever shows words and takes lines: see [`job::session`].
//!
//! # The house
//!
//! Domain types at the bottom, a pure engine in the middle, files and terminal at the top; each module knows only those
//! before it: [`text`] and [`units`]; [`rules`] and [`circuit`]; [`belief`] (what is likely); [`plan`] (what to do next);
//! [`job`] (card, diagnosis, conversation); [`summary`]; [`cases`]; and `cli`, the command line.
pub mod belief;
pub mod cases;
pub mod circuit;
#[cfg(feature = "cli")]
pub mod cli;
pub mod job;
pub mod plan;
pub mod rules;
pub mod summary;
pub mod text;
pub mod units;
