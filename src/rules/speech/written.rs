//! A word file as it is written: plain mirrors, nothing looked up yet.

use crate::text::{At, Named};
use serde::Deserialize;

/// One file of words.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct WordFile {
    /// The file's id, kebab-case.
    pub words: At<String>,
    /// One sentence on what is in it.
    pub about: At<String>,
    /// Where the wordings come from.
    pub source: At<String>,
    /// What an owner speaks of.
    #[serde(default)]
    pub things: Named<Thing>,
    /// How it is.
    #[serde(default)]
    pub states: Named<State>,
    /// Where and when.
    #[serde(default)]
    pub times: Named<Time>,
    /// Words that turn what stands beside them: denial, contrast, comparison.
    #[serde(default)]
    pub turns: Named<Turn>,
    /// What makes a symptom.
    #[serde(default)]
    pub symptoms: Named<SymptomWords>,
    /// What leaves it open which of several symptoms is meant.
    #[serde(default)]
    pub open: Named<OpenWords>,
    /// What else is said: values by key.
    #[serde(default)]
    pub facts: Named<Named<FactWords>>,
    /// Short forms of one word or two, each with the words that it is read as: `lvl: level`, `w o: without`.
    #[serde(default)]
    pub short: Named<At<String>>,
    /// General language that is never a slip of the hand for a word above; words in one text, with blanks.
    #[serde(default)]
    pub plain: Vec<At<String>>,
}

/// A thing.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Thing {
    /// The thing that it is one of: what is said of that holds of it.
    #[serde(default)]
    pub is: Option<At<String>>,
    /// Whether its absence is a complaint.
    #[serde(default)]
    pub good: bool,
    /// Whether it is not the unit on the bench: what is said of it is no complaint.
    #[serde(default)]
    pub other: bool,
    /// Whether it stands beside what is spoken of: a state that can't be said of it is said of the unit.
    #[serde(default)]
    pub aside: bool,
    /// The time that naming it tells.
    #[serde(default)]
    pub when: Option<At<String>>,
    /// Its wordings.
    pub words: Vec<At<String>>,
}

/// A state.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct State {
    /// The state that it is one of.
    #[serde(default)]
    pub is: Option<At<String>>,
    /// Whether it is a sound of its own that should not be there.
    #[serde(default)]
    pub noise: bool,
    /// Whether all is well with it.
    #[serde(default)]
    pub good: bool,
    /// What it is when denied; a state without one is just denied.
    #[serde(default)]
    pub denied: Option<At<String>>,
    /// The thing meant where none is named beside it.
    #[serde(default)]
    pub of: Option<At<String>>,
    /// Where the thing stands that it is said of, if not on either side.
    #[serde(default)]
    pub takes: Takes,
    /// Whether a comparison says it too: `like a kettle`.
    #[serde(default)]
    pub simile: bool,
    /// Its wordings.
    pub words: Vec<At<String>>,
}

/// Where the thing stands that a state is said of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Takes {
    /// Before it, or else after it.
    #[default]
    Either,
    /// Before it only: `the knob does nothing`.
    Before,
    /// After it, or else before: `loses volume`.
    After,
}

/// A time or place.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Time {
    /// The time that it is one of.
    #[serde(default)]
    pub is: Option<At<String>>,
    /// Times that it stands for.
    #[serde(default)]
    pub all: Vec<At<String>>,
    /// Its wordings.
    pub words: Vec<At<String>>,
}

/// What a turn does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Does {
    /// Denies the thing or noise after it: no, without.
    DenyThing,
    /// Denies the state after it, or the one before where nothing follows: not, never.
    DenyState,
    /// Ends a clause and its denials: but, though.
    Contrast,
    /// Begins a clause that goes on with the same thing: and, also.
    Join,
    /// Begins a clause about what was named last: which, that.
    Relative,
    /// Begins a clause that a denial still covers: or, nor.
    Either,
    /// Begins a condition: when, if.
    When,
    /// Begins a condition that ends what was said before it: until, unless.
    Until,
    /// Begins a comparison; what follows is not said of the unit: than, instead of.
    Than,
    /// Begins a comparison that some states are said by: like, as if.
    Like,
    /// Begins a picture of what is said: `noisy as a waterfall`.
    As,
    /// Says that the thing after it belongs to the one before: of, in.
    Of,
    /// Says that the clause, and those joined to it, tell of the past.
    Past,
    /// Says that the clause tells of today: now.
    Present,
    /// Says that what the clause tells is as it should be.
    Normal,
    /// A word for what was named before: they.
    Pronoun,
    /// A word that a new statement begins with: I, there.
    Subject,
    /// Says that the rest is otherwise: only.
    Only,
    /// Words that mean nothing here, and that hide shorter wordings inside them.
    Skip,
    /// Words that may stand between those of a wording: the, very.
    Filler,
    /// Words for other wordings to refer to; nothing by themselves.
    Part,
}

/// A turn.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Turn {
    /// What it does.
    pub does: Does,
    /// Its wordings.
    pub words: Vec<At<String>>,
}

/// What makes a symptom.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SymptomWords {
    /// Any of these makes it.
    #[serde(default)]
    pub reads: Vec<Rule>,
    /// Wordings that say it outright.
    #[serde(default)]
    pub words: Vec<At<String>>,
    /// Entries that hint at it where one sentence names all of a list and the whole text says nothing sure.
    #[serde(default)]
    pub hints: Vec<Vec<At<String>>>,
    /// Symptoms that go without saying once this one is read.
    #[serde(default)]
    pub covers: Vec<At<String>>,
    /// Symptoms that are no more than this one where all that was said of them was said of the time at which it is wrong.
    #[serde(default)]
    pub absorbs: Vec<At<String>>,
    /// Sentences that must be read as this, and as nothing that `not` names.
    #[serde(default)]
    pub examples: Vec<At<String>>,
}

/// What leaves it open which of several symptoms is meant.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct OpenWords {
    /// The symptoms that may be meant, the likeliest first.
    pub one_of: Vec<At<String>>,
    /// Any of these makes it.
    #[serde(default)]
    pub reads: Vec<Rule>,
    /// Wordings that say it outright.
    #[serde(default)]
    pub words: Vec<At<String>>,
}

/// What makes a fact.
#[derive(Clone, Debug, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FactWords {
    /// Any of these makes it.
    #[serde(default)]
    pub reads: Vec<Rule>,
    /// Wordings that say it outright.
    #[serde(default)]
    pub words: Vec<At<String>>,
    /// The check and answer that it amounts to, `CHECK=ANSWER`.
    #[serde(default)]
    pub finding: Option<At<String>>,
    /// Another fact that goes with it where nothing else tells its key, `KEY=VALUE`.
    #[serde(default)]
    pub tells: Option<At<String>>,
}

/// One combination of what, how, where and when. All that is given must hold; of several ids in one list any one will do.
#[derive(Clone, Debug, Default, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Rule {
    /// The thing spoken of; any that is not `other` where left out.
    #[serde(default)]
    pub what: Vec<At<String>>,
    /// Things that it may not be.
    #[serde(default)]
    pub not_what: Vec<At<String>>,
    /// The state.
    #[serde(default)]
    pub how: Vec<At<String>>,
    /// The time.
    #[serde(default)]
    pub when: Vec<At<String>>,
    /// Times and things that may not be named in the clause.
    #[serde(default)]
    pub unless: Vec<At<String>>,
    /// Things, states or times that the clause names too.
    #[serde(default)]
    pub with: Vec<At<String>>,
    /// Things, states or times named anywhere in the text.
    #[serde(default)]
    pub text: Vec<At<String>>,
    /// Things, states or times named nowhere in the text.
    #[serde(default)]
    pub not_text: Vec<At<String>>,
    /// Times at which all is well; goes with `bad`.
    #[serde(default)]
    pub good: Vec<At<String>>,
    /// Times at which something is wrong; goes with `good`.
    #[serde(default)]
    pub bad: Vec<At<String>>,
    /// Whether praise without a time, said first, counts as said of a good one.
    #[serde(default)]
    pub assumed: bool,
}
