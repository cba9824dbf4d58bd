//! The closed lists of places: effects, marks, times, roles, scopes, work.

use crate::rules::words::{UnknownWord, words};
use crate::text::or_nearest;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

words! {
    /// What a mode does where it sits.
    Does, "effect" {
        /// Nothing comes through.
        PassesNone = "passes none",
        /// Less comes through.
        PassesFaint = "passes faint",
        /// More comes through.
        PassesLoud = "passes loud",
        /// It comes through distorted.
        PassesDistorted = "passes distorted",
        /// It comes through without treble.
        PassesDull = "passes dull",
        /// It comes through without bass.
        PassesThin = "passes thin",
        /// It comes through gated, breaking up.
        PassesSputtering = "passes sputtering",
        /// A rush.
        AddsHiss = "adds hiss",
        /// The mains' note.
        AddsHum = "adds hum",
        /// The mains' harsh note.
        AddsBuzz = "adds buzz",
        /// A steady high note.
        AddsWhine = "adds whine",
        /// Irregular scratching.
        AddsCrackle = "adds crackle",
        /// Regular ticks.
        AddsTicks = "adds ticks",
        /// Single pops.
        AddsPops = "adds pops",
        /// A squeal or howl of its own.
        AddsHowl = "adds howl",
        /// The slow beat of a motor.
        AddsPutter = "adds putter",
        /// Broadcasts.
        AddsRadio = "adds radio",
        /// No volts.
        FeedsNone = "feeds none",
        /// Too few volts.
        FeedsLow = "feeds low",
        /// Volts with ripple or noise on them.
        FeedsNoisy = "feeds noisy",
        /// Volts the wrong way round.
        FeedsReversed = "feeds reversed",
        /// Too many volts.
        FeedsHigh = "feeds high",
        /// Stands too high at rest.
        RestsHigh = "rests high",
        /// Stands too low at rest.
        RestsLow = "rests low",
        /// Stands still where it should move, or at an end.
        RestsStuck = "rests stuck",
        /// Does not react.
        ObeysNot = "obeys not",
        /// Reacts the wrong way round.
        ObeysBackwards = "obeys backwards",
        /// Reacts in jumps.
        ObeysInJumps = "obeys in-jumps",
        /// Reacts off its law or range.
        ObeysOff = "obeys off",
        /// Takes more current than it should.
        DrawsTooMuch = "draws too-much",
        /// Takes all the current there is.
        DrawsShort = "draws short",
        /// Gets hot.
        ShowsHot = "shows hot",
        /// Smokes.
        ShowsSmoke = "shows smoke",
        /// Is seen.
        ShowsSeen = "shows seen",
        /// A lamp stays dark.
        ShowsDark = "shows dark",
        /// A lamp is dim.
        ShowsDim = "shows dim",
    }
}

impl Does {
    /// The verb.
    pub fn verb(self) -> &'static str {
        self.name().split(' ').next().unwrap_or_default()
    }
}

words! {
    /// When a mode shows that is not always there.
    When, "time" {
        /// When something is moved.
        Moved = "moved",
        /// When it is warm.
        Warm = "warm",
        /// When it is cold.
        Cold = "cold",
        /// When it is played loud.
        Loud = "loud",
        /// At one end of a control.
        End = "end",
        /// Only from switching on.
        Start = "start",
        /// After minutes.
        Later = "later",
        /// At the press of a switch.
        Switching = "switching",
        /// On a tired battery.
        LowBattery = "low-battery",
        /// In damp air.
        Humid = "humid",
    }
}

words! {
    /// The times that the rules tell apart: classes of [`When`].
    Timing, "class of times" {
        /// Always there.
        Always = "always",
        /// When moved or switched.
        Moved = "moved",
        /// Warm, or after minutes.
        Later = "later",
        /// From switching on.
        Start = "start",
        /// Loud, at an end, cold, damp, on a tired battery.
        Other = "other",
        /// Whenever it shows: weighs each class by how often it shows unasked.
        Steady = "steady",
        /// Any of them alike.
        Any = "any",
    }
}

words! {
    /// What a look or a measurement of the part finds.
    Mark, "mark" {
        /// The wrong way round.
        Turned = "turned",
        /// Burnt.
        Burnt = "burnt",
        /// Bulged, vented.
        Bulged = "bulged",
        /// Solder or metal between neighbours.
        Bridge = "bridge",
        /// A poor joint.
        Joint = "joint",
        /// A broken track.
        Track = "track",
        /// Not fitted.
        Missing = "missing",
        /// Not what is drawn.
        WrongPart = "wrong-part",
        /// Not where it is drawn.
        WrongPlace = "wrong-place",
        /// Not seated.
        Loose = "loose",
        /// Against metal.
        Touching = "touching",
        /// A broken wire.
        Wire = "wire",
        /// Crust, flux, damp.
        Dirt = "dirt",
        /// Broken.
        Broken = "broken",
        /// Its print says so.
        Label = "label",
        /// A control stands wrong.
        Setting = "setting",
        /// Measures open.
        Open = "open",
        /// Measures shorted.
        Short = "short",
        /// Measures leaky.
        Leaky = "leaky",
        /// Measures off its value.
        OffValue = "off-value",
        /// Little capacitance.
        Low = "low",
        /// The wiper jumps.
        NoisyContact = "noisy-contact",
    }
}

words! {
    /// The kind of work that puts a mode right.
    Mending, "kind of work" {
        /// A new part.
        Replace = "replace",
        /// The joint made again.
        Reflow = "reflow",
        /// A bridge taken away.
        Clear = "clear",
        /// A wire to its place.
        Rewire = "rewire",
        /// Turned round.
        Turn = "turn",
        /// Cleaned.
        Clean = "clean",
        /// Washed.
        Wash = "wash",
        /// Out and in again.
        Reseat = "reseat",
        /// Adjusted.
        Set = "set",
        /// Insulated.
        Insulate = "insulate",
        /// Lead ends cut.
        Trim = "trim",
        /// Leads moved.
        Dress = "dress",
        /// A track bridged.
        Link = "link",
        /// A missing part fitted.
        Fit = "fit",
        /// Tightened.
        Tighten = "tighten",
        /// Told to the owner.
        Advise = "advise",
        /// Programmed.
        Program = "program",
        /// A part that the design lacks.
        Add = "add",
        /// Two exchanged.
        Exchange = "exchange",
        /// Mechanics mended.
        Mend = "mend",
        /// A track cut.
        Cut = "cut",
    }
}

words! {
    /// A path through a unit.
    Path, "path" {
        /// Of the current.
        Supply = "supply",
        /// Of the signal.
        Signal = "signal",
        /// Of what controls it.
        Control = "control",
        /// Anywhere in it.
        Everywhere = "everywhere",
        /// Beside it.
        Outside = "outside",
    }
}

words! {
    /// A branch of the signal.
    Branch, "branch" {
        /// The only one.
        Main = "main",
        /// Beside the effect.
        Dry = "dry",
        /// Through the effect.
        Wet = "wet",
    }
}

words! {
    /// What the wet branch carries.
    Wet, "kind of wet branch" {
        /// Echoes.
        Echo = "echo",
        /// Something that moves.
        Modulation = "modulation",
    }
}

words! {
    /// What a control does.
    Role, "role of a control" {
        /// How loud.
        Level = "level",
        /// How much gain.
        Gain = "gain",
        /// Treble and bass.
        Tone = "tone",
        /// Dry against wet.
        Mix = "mix",
        /// How long the echo.
        Time = "time",
        /// How many echoes.
        Repeats = "repeats",
        /// How fast it moves.
        Rate = "rate",
        /// How far it moves.
        Depth = "depth",
        /// What moves it.
        Modulator = "modulator",
        /// What clocks it.
        Clock = "clock",
        /// Where it rests.
        Bias = "bias",
        /// What goes back.
        Feedback = "feedback",
        /// How high.
        Pitch = "pitch",
        /// Where a filter turns.
        Cutoff = "cutoff",
        /// How sharp a filter.
        Resonance = "resonance",
        /// How long it rings.
        Decay = "decay",
        /// What starts it.
        Gate = "gate",
        /// What sets it back.
        Reset = "reset",
        /// Which of several.
        Select = "select",
        /// What follows the playing.
        Sense = "sense",
        /// Anything else.
        Other = "other",
    }
}

words! {
    /// Where something sits, seen from a check.
    Scope, "scope" {
        /// At the check's spot.
        Here = "here",
        /// At the check's spot, or in what the whole unit lives on.
        Felt = "felt",
        /// Anywhere but at the check's spot.
        Elsewhere = "elsewhere",
        /// At the check's spot or ahead of it in the signal.
        UpTo = "up-to",
        /// Behind the check's spot in the signal.
        Behind = "behind",
        /// Where it is heard at the output.
        Out = "out",
        /// Where it is heard in bypass.
        Bypass = "bypass",
        /// On the wet branch.
        Wet = "wet",
        /// On the dry branch.
        Dry = "dry",
        /// On the supply.
        Supply = "supply",
        /// On the supply that the whole unit lives on.
        Whole = "whole",
        /// On the supply that the check's spot lives on.
        Feeding = "feeding",
        /// Where it pulls at the source: behind nothing that limits.
        Source = "source",
        /// On the signal path.
        Signal = "signal",
        /// At a control.
        Control = "control",
        /// At what moves the effect.
        Mod = "mod",
        /// Anywhere.
        Any = "any",
    }
}
