//! What was wrong, said of a unit in which it is still wrong.
//!
//! The rules say it in the past, for a unit that was mended: `A part that makes the low voltage had failed`. An interim summary
//! needs it as it stands: `has failed`. The verbs are a closed list; a sentence without one of them stays as it is.

/// Verbs in the past, and as they stand of one thing and of several.
const VERBS: [(&str, &str, &str); 50] = [
    ("had", "has", "have"),
    ("was", "is", "are"),
    ("were", "is", "are"),
    ("did", "does", "do"),
    ("could", "can", "can"),
    ("amplified", "amplifies", "amplify"),
    ("asked", "asks", "ask"),
    ("came", "comes", "come"),
    ("caused", "causes", "cause"),
    ("differed", "differs", "differ"),
    ("disturbed", "disturbs", "disturb"),
    ("fed", "feeds", "feed"),
    ("gave", "gives", "give"),
    ("got", "gets", "get"),
    ("gripped", "grips", "grip"),
    ("held", "holds", "hold"),
    ("hung", "hangs", "hang"),
    ("joined", "joins", "join"),
    ("jumped", "jumps", "jump"),
    ("kept", "keeps", "keep"),
    ("lacked", "lacks", "lack"),
    ("lay", "lies", "lie"),
    ("leaked", "leaks", "leak"),
    ("led", "leads", "lead"),
    ("left", "leaves", "leave"),
    ("let", "lets", "let"),
    ("lifted", "lifts", "lift"),
    ("made", "makes", "make"),
    ("met", "meets", "meet"),
    ("passed", "passes", "pass"),
    ("picked", "picks", "pick"),
    ("popped", "pops", "pop"),
    ("put", "puts", "put"),
    ("ran", "runs", "run"),
    ("reacted", "reacts", "react"),
    ("reached", "reaches", "reach"),
    ("rubbed", "rubs", "rub"),
    ("sat", "sits", "sit"),
    ("shared", "shares", "share"),
    ("shorted", "shorts", "short"),
    ("slipped", "slips", "slip"),
    ("stood", "stands", "stand"),
    ("stopped", "stops", "stop"),
    ("switched", "switches", "switch"),
    ("took", "takes", "take"),
    ("touched", "touches", "touch"),
    ("turned", "turns", "turn"),
    ("used", "uses", "use"),
    ("went", "goes", "go"),
    ("worked", "works", "work"),
];
/// Behind these a verb is a participle, or has its own tense.
const AUXILIARIES: [&str; 16] = [
    "has", "have", "had", "is", "are", "was", "were", "be", "been", "being", "could", "can", "should",
    "does", "do", "to",
];
/// Words between a verb and its auxiliary.
const BETWEEN: [&str; 8] = ["no", "longer", "not", "never", "also", "only", "nearly", "wrongly"];
/// Words that end the name of what is spoken of.
const PREPOSITIONS: [&str; 15] = [
    "that", "which", "of", "in", "at", "on", "for", "between", "to", "from", "with", "behind", "inside",
    "into", "where",
];

/// A sentence in the past as it stands now.
pub(super) fn now(text: &str) -> String {
    let words: Vec<&str> = text.split(' ').collect();
    let several = is_several(&words);
    let mut out: Vec<String> = Vec::with_capacity(words.len());
    for (i, word) in words.iter().enumerate() {
        let bare = word.trim_end_matches([',', '.', ';']);
        let verb =
            VERBS.iter().find(|(past, _, _)| *past == bare).filter(|_| i > 0 && !is_bound(&words[..i]));
        match verb {
            Some((_, one, many)) => {
                // A clause of its own follows the number of what it is about.
                let clause = words[..i].iter().rposition(|w| ["that", "which", "who"].contains(w));
                let many_here = match clause {
                    Some(at) if at + 1 == i => at > 0 && is_plural(words[at - 1]),
                    // `so close that sound leaked`: the clause says itself what it is about.
                    Some(at) if words[..at].contains(&"so") => is_several(&words[at + 1..i]),
                    _ => several,
                };
                out.push(format!("{}{}", if many_here { many } else { one }, &word[bare.len()..]));
            }
            None => out.push((*word).to_owned()),
        }
    }
    out.join(" ")
}

/// Whether the word behind these is bound to an auxiliary, or stands behind an article as a thing or a quality.
fn is_bound(before: &[&str]) -> bool {
    let last = before.iter().rev().find(|w| !BETWEEN.contains(w)).map(|w| w.to_lowercase());
    last.is_none_or(|w| {
        AUXILIARIES.contains(&w.as_str()) || ["a", "an", "the", "its", "their"].contains(&w.as_str())
    })
}

fn is_several(words: &[&str]) -> bool {
    let end =
        words.iter().position(|w| PREPOSITIONS.contains(w) || VERBS.iter().any(|(past, _, _)| past == w));
    let name = &words[..end.unwrap_or(words.len())];
    let counted =
        name.iter().take(2).any(|w| ["two", "both", "several", "many"].contains(&w.to_lowercase().as_str()));
    counted || name.last().is_some_and(|w| is_plural(w))
}

fn is_plural(word: &str) -> bool {
    let word = word.to_lowercase();
    word.ends_with('s')
        && !word.ends_with("ss")
        && !word.ends_with("us")
        && !["lens", "gas", "was", "its", "this"].contains(&word.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_wrong_is_said_as_it_stands() {
        for (was, is) in [
            (
                "A part that makes the low voltage for the chips had failed",
                "A part that makes the low voltage for the chips has failed",
            ),
            (
                "Wires lay so close together that sound leaked from one into another",
                "Wires lie so close together that sound leaks from one into another",
            ),
            (
                "A short after the regulator was overloading it",
                "A short after the regulator is overloading it",
            ),
            (
                "Two wires inside the unit ran too close together",
                "Two wires inside the unit run too close together",
            ),
            (
                "Parts of the effect that should be alike differed too much",
                "Parts of the effect that should be alike differ too much",
            ),
            ("One leg of a chip did not make contact", "One leg of a chip does not make contact"),
            (
                "A blob of solder joined two places that should be separate",
                "A blob of solder joins two places that should be separate",
            ),
            (
                "The jack was worn and no longer gripped the plug",
                "The jack is worn and no longer grips the plug",
            ),
            (
                "The adaptor fed several units that disturbed each other",
                "The adaptor feeds several units that disturb each other",
            ),
            (
                "The battery had been put in the wrong way round",
                "The battery has been put in the wrong way round",
            ),
            ("The wires of the switch had come off", "The wires of the switch have come off"),
            (
                "The unit uses as much current as its design needs",
                "The unit uses as much current as its design needs",
            ),
            ("R3 (10k) is open", "R3 (10k) is open"),
        ] {
            assert_eq!(now(was), is);
        }
    }

    #[test]
    fn nothing_of_the_shipped_rules_stays_in_the_past() -> Result<(), crate::text::Complaints> {
        let rules = crate::rules::Rules::builtin()?;
        let past: Vec<String> = rules
            .faults()
            .map(|(_, f)| (f.plain.clone(), now(&f.plain)))
            .filter(|(was, is)| {
                was == is && [" had ", " was ", " were ", " did "].iter().any(|v| was.contains(v))
            })
            .map(|(was, _)| was)
            .collect();
        assert!(past.is_empty(), "{past:?}");
        Ok(())
    }
}
