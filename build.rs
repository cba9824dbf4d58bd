//! Lists the files under `rules/packs` so that they are compiled in: adding a pack is adding a file.

use std::path::Path;
use std::{env, fs, io};

fn main() -> io::Result<()> {
    println!("cargo::rerun-if-changed=rules/packs");
    let root = env::var("CARGO_MANIFEST_DIR").map_err(io::Error::other)?;
    let out = env::var("OUT_DIR").map_err(io::Error::other)?;
    let mut names = Vec::new();
    let folder = Path::new(&root).join("rules/packs");
    if folder.is_dir() {
        for entry in fs::read_dir(folder)? {
            let name = entry?.file_name().to_string_lossy().into_owned();
            if name.ends_with(".yaml") {
                names.push(name);
            }
        }
    }
    names.sort();
    let mut text = String::from("&[\n");
    for name in names {
        println!("cargo::rerun-if-changed=rules/packs/{name}");
        text.push_str(&format!(
            "    (\"rules/packs/{name}\", include_str!(concat!(env!(\"CARGO_MANIFEST_DIR\"), \"/rules/packs/{name}\"))),\n"
        ));
    }
    text.push_str("]\n");
    fs::write(Path::new(&out).join("packs.rs"), text)
}
