//! Lists the data files so that they are compiled in: adding a pack or a case is adding a file.

use std::path::Path;
use std::{env, fs, io};

/// Folders whose `.yaml` files are compiled in, and the list that names them.
const FOLDERS: [(&str, &str); 5] = [
    ("rules/packs", "packs.rs"),
    ("rules/parts", "parts.rs"),
    ("rules/devices", "devices.rs"),
    ("cases", "cases.rs"),
    ("cases/boards", "boards.rs"),
];

fn main() -> io::Result<()> {
    let root = env::var("CARGO_MANIFEST_DIR").map_err(io::Error::other)?;
    let out = env::var("OUT_DIR").map_err(io::Error::other)?;
    for (folder, list) in FOLDERS {
        println!("cargo::rerun-if-changed={folder}");
        let names = yaml_files(&Path::new(&root).join(folder))?;
        let mut text = String::from("&[\n");
        for name in names {
            println!("cargo::rerun-if-changed={folder}/{name}");
            text.push_str(&format!(
                "    (\"{folder}/{name}\", include_str!(concat!(env!(\"CARGO_MANIFEST_DIR\"), \"/{folder}/{name}\"))),\n"
            ));
        }
        text.push_str("]\n");
        fs::write(Path::new(&out).join(list), text)?;
    }
    Ok(())
}

/// Names of the `.yaml` files of a folder, sorted; none where there is no folder.
fn yaml_files(folder: &Path) -> io::Result<Vec<String>> {
    let mut names = Vec::new();
    if folder.is_dir() {
        for entry in fs::read_dir(folder)? {
            let name = entry?.file_name().to_string_lossy().into_owned();
            if name.ends_with(".yaml") {
                names.push(name);
            }
        }
    }
    names.sort();
    Ok(names)
}
