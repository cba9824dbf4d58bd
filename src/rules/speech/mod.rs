//! The owner's words: a reading of what an owner writes, as *what* × *how* × *where and when* × *denied or not*.
//!
//! Words are data (`rules/words`): things, states, times and turns with their wordings, and the combinations that make a
//! symptom, an open choice of symptoms, or a fact. A new wording of a known thing is a line there; a pack brings wordings for
//! a symptom of its own under `words:`. [`Lexicon::load`] proves the files; [`Lexicon::read`] reads a text.
//!
//! How a text is read:
//! 1. `tokens`: small letters, no accents; commas and stops are remembered.
//! 2. `spell`: a strange word is taken for one that is a slip away, or for the two it is made of. Stems by Snowball.
//! 3. `spans`: wordings found, the longest first; wordings may name other entries.
//! 4. `clauses`: a state goes to the thing beside it, or to the one that was spoken of; denials turn it round; what stands in
//!    a comparison or condition is not said; times go to what is said at them.
//! 5. `read`: combinations hold or don't; what goes without saying is dropped; the rest is kept as left.
//!
//! What is absent: whether a rule knows the symptom, and what follows from it.

mod clauses;
mod lexicon;
mod read;
mod spans;
mod spell;
mod tokens;
pub mod written;

pub(super) use lexicon::misshapen;
pub use lexicon::{Lexicon, PackWords};
pub use read::{Fact, FoundWords, Heard, Open, Parse, Statement, Taken};
pub use tokens::MAX_CHARS;

use crate::text::{Complaints, Source};
use std::sync::{Arc, OnceLock};

/// Name and text of every file under `rules/words`, listed by the build script.
const FILES: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/words.rs"));

/// The built-in word files, by file name.
pub fn builtin_sources() -> Vec<Source> {
    FILES.iter().map(|(name, text)| Source::new(*name, *text)).collect()
}

impl Lexicon {
    /// The built-in words, read once a process; some hundredths of a second.
    ///
    /// # Errors
    /// When a shipped file is at fault; a test keeps that from happening.
    pub fn builtin() -> Result<Arc<Self>, Complaints> {
        static WORDS: OnceLock<Result<Arc<Lexicon>, Complaints>> = OnceLock::new();
        WORDS.get_or_init(|| Self::load(&builtin_sources(), &[]).map(Arc::new)).clone()
    }
}

/// Whether a file is one of words, not a pack: by its first key at the margin that tells.
pub fn is_word_file(source: &Source) -> bool {
    let key = |l: &&str| l.starts_with("words:") || l.starts_with("pack:");
    source.text.lines().find(key).is_some_and(|l| l.starts_with("words:"))
}

/// Whether word files have an entry for a symptom; a look at the text that costs next to nothing.
pub(super) fn have_entry(sources: &[Source], symptom: &str) -> bool {
    let key = format!("  {symptom}:");
    sources.iter().any(|s| s.text.lines().any(|l| l.trim_end() == key))
}

/// The words that a set of rules reads with.
#[derive(Clone, Debug, Default)]
pub(super) enum Speech {
    /// The built-in ones.
    #[default]
    Builtin,
    /// Others, or more.
    Own(Arc<OwnWords>),
}

/// Word files and wordings of packs that are read when they are first needed.
#[derive(Debug)]
pub(super) struct OwnWords {
    files: Vec<Source>,
    packs: Vec<PackWords>,
    lexicon: OnceLock<Result<Arc<Lexicon>, Complaints>>,
}

impl OwnWords {
    pub fn new(files: Vec<Source>, packs: Vec<PackWords>) -> Self {
        Self { files, packs, lexicon: OnceLock::new() }
    }

    pub fn lexicon(&self) -> Result<Arc<Lexicon>, Complaints> {
        self.lexicon.get_or_init(|| Lexicon::load(&self.files, &self.packs).map(Arc::new)).clone()
    }
}
