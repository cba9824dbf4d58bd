//! Owners' words: any text of any size and script is read, quotes only itself and comes to an end; word files load or are
//! complained about.

use super::grow::{Grower, run};
use halfsplit::rules::Rules;
use halfsplit::rules::speech::{Lexicon, MAX_CHARS};
use halfsplit::text::Source;

const SAID: [&str; 6] = [
    "No sound at all, whether the effect is on or off. Was fine until I stood on the lead.",
    "it hums & hisses, but only on the adaptor: with a battery it's dead quiet!!!",
    "Die Wiederholungen klingen dumpf – c'est très faible, 音が出ない, звука нет \u{1F3B8}",
    "LED doesn't light, not a peep; neither bass nor treble works, 9,4 V at the plug...",
    "\u{0}\u{202e}\u{fe0f}'''''---????,,,,",
    "buzzzzzzzzzzzzzzzz wub-wub-wub footswich Completley",
];
const BITS: [&str; 16] = [
    " no ", " not ", " but ", " when ", " until ", " like ", " hum ", " echo ", " is ", " off ", ", ", ". ",
    "'", "\n", "9.4 V", "\u{e9}",
];

#[test]
fn complaints() {
    let lexicon = Rules::builtin().unwrap().lexicon().unwrap();
    run("said", Grower::new("said", &SAID, &BITS), |bytes| {
        let text = String::from_utf8_lossy(bytes);
        let parse = lexicon.read(&text);
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let quotes = parse.symptoms.iter().chain(&parse.denied).flat_map(|h| &h.words);
        for words in quotes.chain(&parse.left).chain(parse.facts.iter().flat_map(|f| &f.words)) {
            assert!(!words.is_empty() && flat.contains(words.as_str()), "{words:?} is not in {flat:?}");
        }
        !parse.said.is_empty()
    });
}

#[test]
fn a_long_text_is_read_up_to_its_bound() {
    let lexicon = Rules::builtin().unwrap().lexicon().unwrap();
    for piece in ["it hums and ", "\u{97f3}", "xqzvw ", "no no no ", "(", "when it is like the the the "] {
        let long = piece.repeat(400_000 / piece.len());
        let bound: String = long.chars().take(MAX_CHARS).collect();
        assert_eq!(lexicon.read(&long), lexicon.read(&bound), "{piece}");
    }
}

const FILE: &str = "words: small\nabout: A few.\nsource: common practice, no source\nthings:\n  unit: {words: [pedal]}\n  \
    sound: {good: true, words: [sound, '(low|high) note?']}\nstates:\n  none: {denied: fine, words: [gone, 'out =of {sound}']}\n  \
    gone: {is: none, words: [vanished]}\n  fine: {good: true, denied: fails, words: [fine]}\n  fails: {denied: fine, words: [broken]}\n  \
    same: {words: [the same]}\n  hushed: {is: none, words: [silent]}\n  calm: {good: true, denied: fails, words: [quiet]}\n  \
    lit: {good: true, denied: gone, words: [lit]}\nsymptoms:\n  silent:\n    reads:\n      - {what: [sound], how: [none]}\n";
const TOKENS: [&str; 16] = [
    "things:",
    "states:",
    "turns:",
    "times:",
    "symptoms:",
    "facts:",
    "is: sound",
    "{sound}",
    "{none}",
    "..",
    "(a|b c)?",
    "=",
    "|",
    "#",
    "\n  ",
    "does: deny-thing",
];

#[test]
fn word_files() {
    run("words", Grower::new("words", &[FILE], &TOKENS), |bytes| {
        let Ok(source) = Source::from_bytes("words.yaml", bytes.to_vec()) else { return false };
        match Lexicon::load(&[source], &[]) {
            Ok(lexicon) => {
                lexicon.read("no sound, a low note is gone, the pedal is not fine and broken");
                true
            }
            Err(complaints) => {
                assert!(!complaints.0.is_empty());
                assert!(!complaints.render(false).is_empty());
                false
            }
        }
    });
}
