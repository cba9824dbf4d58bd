//! The packs that are compiled in.

use super::Rules;
use super::places::{Library, is_library};
use crate::text::{Complaints, Source};
use std::sync::OnceLock;

/// Name and text of every file under `rules/packs`, listed by the build script.
const FILES: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/packs.rs"));

/// The built-in packs, by file name.
pub fn sources() -> Vec<Source> {
    FILES.iter().map(|(name, text)| Source::new(*name, *text)).collect()
}

impl Rules {
    /// The built-in rules, read once a process.
    ///
    /// # Errors
    /// When a shipped pack is at fault; a test keeps that from happening.
    pub fn builtin() -> Result<&'static Self, Complaints> {
        static RULES: OnceLock<Result<Rules, Complaints>> = OnceLock::new();
        RULES.get_or_init(|| Self::load(&sources())).as_ref().map_err(Clone::clone)
    }

    /// The built-in rules with more packs after them.
    ///
    /// # Errors
    /// As [`Rules::load`].
    pub fn with_builtin(more: &[Source]) -> Result<Self, Complaints> {
        if more.is_empty() {
            return Self::builtin().cloned();
        }
        let (library, packs): (Vec<Source>, Vec<Source>) = more.iter().cloned().partition(is_library);
        let mut all = sources();
        if packs.iter().any(super::speech::is_word_file) {
            // Files of a user's own add to the words that ship.
            all.extend(super::speech::builtin_sources());
        }
        all.extend(packs);
        Self::load(&all)?.with_places(&library)
    }

    /// The same rules with files of places, outlines, checks or events after the built-in ones.
    ///
    /// # Errors
    /// As [`Library::load`].
    pub fn with_places(mut self, files: &[Source]) -> Result<Self, Complaints> {
        if !files.is_empty() {
            let mut all = super::places::builtin_sources();
            all.extend_from_slice(files);
            self.library = Some(std::sync::Arc::new(Library::load(&all)?));
        }
        Ok(self)
    }
}
