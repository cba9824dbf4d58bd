//! Lists the data files (packs, word files, part kinds, device cards, schemas, cases, boards) so that they are
//! compiled in: adding one is adding a file.

use std::path::Path;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    list("rules/packs", ".yaml", "packs.rs")?;
    list("rules/places", ".yaml", "places.rs")?;
    list("rules/outlines", ".yaml", "outlines.rs")?;
    list("rules/checks", ".yaml", "checks.rs")?;
    list("rules", "happened.yaml", "happened.rs")?;
    list("rules/words", ".yaml", "words.rs")?;
    list("rules/parts", ".yaml", "parts.rs")?;
    list("rules/devices", ".yaml", "devices.rs")?;
    list("cases", ".yaml", "cases.rs")?;
    list("cases/boards", ".yaml", "boards.rs")?;
    list("rules/schemas", ".schema.json", "schemas.rs")
}

/// Writes a list of (path, text) of the files of a folder with an ending, sorted by name.
fn list(folder: &str, ending: &str, to: &str) -> io::Result<()> {
    println!("cargo::rerun-if-changed={folder}");
    let root = env::var("CARGO_MANIFEST_DIR").map_err(io::Error::other)?;
    let out = env::var("OUT_DIR").map_err(io::Error::other)?;
    let path = Path::new(&root).join(folder);
    let mut names = Vec::new();
    if path.is_dir() {
        for entry in fs::read_dir(path)? {
            names.push(entry?.file_name().to_string_lossy().into_owned());
        }
    }
    names.retain(|n| n.ends_with(ending));
    names.sort();
    let mut text = String::from("&[\n");
    for name in names {
        let file = format!("{folder}/{name}");
        println!("cargo::rerun-if-changed={file}");
        text.push_str(&format!(
            "    (\"{file}\", include_str!(concat!(env!(\"CARGO_MANIFEST_DIR\"), \"/{file}\"))),\n"
        ));
    }
    text.push_str("]\n");
    fs::write(Path::new(&out).join(to), text)
}
