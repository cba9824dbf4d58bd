//! The closed word lists of the packs, each parsed once at the door.

use crate::text::or_nearest;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A word that is none of the valid ones.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("unknown {what} '{word}'; {help}")]
pub struct UnknownWord {
    /// What was wanted, such as `history`.
    pub what: &'static str,
    /// What was written (its first 60 characters).
    pub word: String,
    /// The nearest valid word, or the valid ones.
    pub help: String,
}

macro_rules! words {
    ($(#[$meta:meta])* $name:ident, $what:literal { $($(#[$vmeta:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize, Serialize)]
        #[cfg_attr(test, derive(schemars::JsonSchema))]
        pub enum $name { $( $(#[$vmeta])* #[serde(rename = $text)] $variant ),+ }

        impl $name {
            /// Every value, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word as it is written in files and on the command line.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.name())
            }
        }

        impl FromStr for $name {
            type Err = UnknownWord;
            fn from_str(word: &str) -> Result<Self, UnknownWord> {
                // Capitals, and blanks where a hyphen stands, are no slip: `Audio probe`.
                let plain = word.trim().to_lowercase().replace([' ', '_'], "-");
                Self::ALL.iter().copied().find(|v| v.name() == plain).ok_or_else(|| UnknownWord {
                    what: $what,
                    word: word.chars().take(60).collect(),
                    help: or_nearest(word, Self::ALL.iter().map(|v| v.name())),
                })
            }
        }
    };
}

pub(super) use words;

words! {
    /// What the unit has been through; sets the priors of its faults.
    ///
    /// ```
    /// use halfsplit::rules::History;
    /// assert_eq!("fresh-build".parse(), Ok(History::FreshBuild));
    /// assert!("fresh-bild".parse::<History>().unwrap_err().to_string().contains("did you mean 'fresh-build'?"));
    /// ```
    History, "history" {
        /// Built just now and never worked.
        FreshBuild = "fresh-build",
        /// Worked once and failed in use.
        WorkedBefore = "worked-before",
        /// Worked until somebody changed something.
        AfterChange = "after-change",
    }
}

words! {
    /// How the circuit is put together.
    Build, "build method" {
        /// Plugged into a solderless board.
        Breadboard = "breadboard",
        /// Soldered on strips with cuts.
        Stripboard = "stripboard",
        /// Soldered on a printed board.
        Pcb = "pcb",
        /// Soldered lead to lead or on tags.
        PointToPoint = "point-to-point",
        /// Made in a factory.
        Factory = "factory",
        /// Soldered on a board of pads, wire by wire.
        Perfboard = "perfboard",
    }
}

impl Build {
    /// The methods that packs have a factor of their own for.
    pub const AUTHORED: [Self; 4] = [Self::Breadboard, Self::Stripboard, Self::Pcb, Self::PointToPoint];

    /// The method whose factor counts in packs: a factory's board is a printed one, a board of pads is soldered like strips.
    pub fn authored(self) -> Self {
        match self {
            Self::Factory => Self::Pcb,
            Self::Perfboard => Self::Stripboard,
            own => own,
        }
    }
}

words! {
    /// What a check listens to, without which it can't be answered.
    Needs, "thing that a check needs" {
        /// The unit's own sound: moot on a unit that was found silent.
        Sound = "sound",
        /// A noise: moot as long as no noise was noticed.
        Noise = "noise",
    }
}

words! {
    /// What the user does to get a finding.
    Kind, "kind of check" {
        /// Answer a question from memory or with the controls at hand.
        Ask = "ask",
        /// Look, with a glass and a lamp.
        Look = "look",
        /// Listen, by amplifier or audio probe.
        Listen = "listen",
        /// Take a reading.
        Measure = "measure",
        /// Do something that may help and see whether it does.
        Try = "try",
    }
}

words! {
    /// The supply's state that a check or remedy needs.
    Power, "power state" {
        /// Supply and battery disconnected.
        Off = "off",
        /// Switched on.
        On = "on",
        /// Switched on for a few seconds.
        Brief = "brief",
        /// Makes no difference.
        Any = "any",
    }
}

words! {
    /// A tool that a check or remedy needs.
    Tool, "tool" {
        /// Multimeter.
        Meter = "meter",
        /// Capacitor-coupled probe into an amplifier.
        AudioProbe = "audio-probe",
        /// A tone at a known level.
        ToneSource = "tone-source",
        /// Oscilloscope.
        Scope = "scope",
        /// Capacitance meter.
        CapacitanceMeter = "capacitance-meter",
        /// Supply with a current limit.
        LimitedSupply = "limited-supply",
        /// Soldering iron.
        Iron = "iron",
        /// Spare parts of the kinds fitted.
        Spares = "spares",
    }
}

words! {
    /// The unit of a reading.
    Unit, "unit" {
        /// Volts.
        Volt = "V",
        /// Ohms.
        Ohm = "ohm",
        /// Amperes.
        Ampere = "A",
        /// Hertz.
        Hertz = "Hz",
        /// Decibels.
        Decibel = "dB",
        /// Seconds.
        Second = "s",
    }
}

words! {
    /// When a pack's faults and checks are in play.
    Applies, "rule for when a pack applies" {
        /// For every unit.
        Always = "always",
        /// For a unit whose card names the block, or names no block at all.
        WithBlock = "with-block",
    }
}
