//! The crate's public face beside the one on record: what was there must stay as it was until the version says otherwise.
//!
//! The face is read from the sources: every public item with its signature, public fields, variants, derives and trait
//! implementations, under the path by which a user names it. `tests/public_face/recorded.txt` is the face of the version that its
//! first line names. An entry that is gone or reads otherwise breaks users; Cargo's rules for versions then ask for the next minor
//! version before 1.0, the next major one after (the Cargo book, "SemVer Compatibility"). This is stricter than the rules in places:
//! it takes any other wording of a signature for another signature. `UPDATE_PUBLIC_FACE=1 cargo test --test public_face` records the
//! face anew where the version allows it.
#![allow(clippy::unwrap_used, clippy::panic)]

#[path = "public_face/read.rs"]
mod read;

use read::Face;
use std::path::Path;

const RECORDED: &str = "tests/public_face/recorded.txt";

/// What a version promises to keep: the major number, before 1.0 the minor one.
fn promise(version: &str) -> (u64, u64) {
    let mut numbers = version.split('.').map(|n| n.parse::<u64>().unwrap());
    let (major, minor) = (numbers.next().unwrap(), numbers.next().unwrap());
    if major == 0 { (0, minor) } else { (major, 0) }
}

/// The recorded version and its face, one entry a line: path, two spaces, signature.
fn parse(text: &str) -> (String, Face) {
    let mut lines = text.lines();
    let version = lines.next().and_then(|l| l.strip_prefix("version ")).unwrap().to_owned();
    let entry = |line: &str| {
        let (path, signature) = line.split_once("  ").unwrap();
        (path.to_owned(), signature.to_owned())
    };
    (version, lines.map(entry).collect())
}

fn print(version: &str, face: &Face) -> String {
    let lines = face.iter().map(|(path, signature)| format!("{path}  {signature}\n"));
    format!("version {version}\n{}", lines.collect::<String>())
}

/// Lines that were there and are gone or changed, and lines that are new.
fn compare(was: &Face, is: &Face) -> (Vec<String>, Vec<String>) {
    let mut new: Vec<&(String, String)> = is.difference(was).collect();
    let mut broken = Vec::new();
    for (path, signature) in was.difference(is) {
        broken.push(match new.iter().position(|(p, _)| p == path) {
            Some(at) => format!("{path} was\n    {signature}\n  and is\n    {}", new.remove(at).1),
            None => format!("{path} is gone:\n    {signature}"),
        });
    }
    (broken, new.into_iter().map(|(path, signature)| format!("{path}  {signature}")).collect())
}

#[test]
fn the_public_face_is_as_recorded_or_the_version_says_otherwise() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let version = env!("CARGO_PKG_VERSION");
    let is = read::face(&root.join("src/lib.rs"));
    let recorded = std::fs::read_to_string(root.join(RECORDED)).unwrap_or_default();
    let update = std::env::var_os("UPDATE_PUBLIC_FACE").is_some();
    if !recorded.is_empty() {
        let (recorded_at, was) = parse(&recorded);
        let (broken, new) = compare(&was, &is);
        assert!(
            broken.is_empty() || promise(version) > promise(&recorded_at),
            "{} public items of version {recorded_at} are gone or changed, and the version is {version}. Keep them, or raise the \
             version in Cargo.toml (the minor number before 1.0, the major one after) and record the face with \
             UPDATE_PUBLIC_FACE=1:\n{}",
            broken.len(),
            broken.join("\n")
        );
        assert!(
            update || (broken.is_empty() && new.is_empty()),
            "the public face has grown; if that is meant, record it with UPDATE_PUBLIC_FACE=1 cargo test --test public_face:\n{}",
            [broken, new].concat().join("\n")
        );
    }
    if update {
        std::fs::write(root.join(RECORDED), print(version, &is)).unwrap();
    } else {
        assert!(!recorded.is_empty(), "{RECORDED} is missing; record the face with UPDATE_PUBLIC_FACE=1");
    }
}

#[test]
fn a_removal_and_a_change_are_told_from_an_addition() {
    let of = |lines: &[(&str, &str)]| -> Face {
        lines.iter().map(|(p, s)| ((*p).to_owned(), (*s).to_owned())).collect()
    };
    let was = of(&[("a::f", "pub fn f(x: f64);"), ("a::g", "pub fn g();"), ("a::S", "pub struct S;")]);
    let is = of(&[("a::f", "pub fn f(x: f32);"), ("a::S", "pub struct S;"), ("a::h", "pub fn h();")]);
    let (broken, new) = compare(&was, &is);
    assert_eq!(
        broken,
        [
            "a::f was\n    pub fn f(x: f64);\n  and is\n    pub fn f(x: f32);",
            "a::g is gone:\n    pub fn g();"
        ]
    );
    assert_eq!(new, ["a::h  pub fn h();"]);
    assert_eq!(compare(&is, &is), (Vec::new(), Vec::new()));
}

#[test]
fn versions_promise_what_cargo_says() {
    assert!(promise("0.2.0") > promise("0.1.9"));
    assert_eq!(promise("0.1.0"), promise("0.1.9"));
    assert!(promise("1.0.0") > promise("0.9.0"));
    assert_eq!(promise("1.2.0"), promise("1.9.3"));
    assert!(promise("2.0.0") > promise("1.9.3"));
}

#[test]
fn private_things_stay_out_and_what_is_shown_elsewhere_goes_by_that_name() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    write("lib.rs", "pub mod open;\nmod hidden;\n");
    write(
        "hidden.rs",
        "pub struct Unseen; pub(crate) fn inner() {}\n
         /// Words.\n#[derive(Clone, Debug)] pub struct Seen { pub a: f64, b: f64 }\n
         impl Seen { pub fn b(&self) -> f64 { self.b } fn c(&self) {} }\n
         impl From<f64> for Seen { fn from(a: f64) -> Self { Self { a, b: a } } }\n
         macro_rules! made { ($n:ident) => { pub struct $n; } }\nmade!(Made);",
    );
    write(
        "open.rs",
        "pub use crate::hidden::{Made, Seen as Shown};\npub enum E { A, B(u8) }\npub trait T { fn f(&self) -> u8 { 1 } }\n
         #[cfg(test)] mod tests { pub fn t() {} }\npub const N: usize = 3;",
    );
    let face = read::face(&folder.path().join("lib.rs"));
    assert_eq!(
        print("0.1.0", &face),
        "version 0.1.0\n\
         hidden::made!  made ! { ($ n : ident) => { pub struct $ n ; } }\n\
         hidden::made!  made!(Made);\n\
         open  pub mod\n\
         open::E  pub enum E { A, B(u8), }\n\
         open::Made  pub use crate::hidden::Made;\n\
         open::N  pub const N: usize;\n\
         open::Shown  derive Clone\n\
         open::Shown  derive Debug\n\
         open::Shown  impl From<f64> for Seen\n\
         open::Shown  pub struct Seen { pub a: f64, /* private fields */ }\n\
         open::Shown::b  pub fn b(&self) -> f64;\n\
         open::T  pub trait T { fn f(&self) -> u8 {} }\n"
    );
}
