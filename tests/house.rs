//! House rules too fine for the compiler: arrows point down, the core does no I/O, one module writes YAML.
#![allow(clippy::unwrap_used)]

use std::fs;
use std::path::{Path, PathBuf};

/// Modules from the bottom up, and what each may use beside itself.
const MAY_USE: [(&str, &[&str]); 10] = [
    ("text", &[]),
    ("units", &["text"]),
    ("rules", &["text", "units"]),
    ("circuit", &["text", "units", "rules"]),
    ("belief", &[]),
    ("plan", &[]),
    ("job", &["text", "units", "rules", "circuit", "belief", "plan"]),
    ("summary", &["text", "units", "rules", "circuit", "belief", "plan", "job"]),
    ("cases", &["text", "units", "rules", "circuit", "belief", "plan", "job", "summary"]),
    ("cli", &["text", "units", "rules", "circuit", "belief", "plan", "job", "summary", "cases"]),
];

fn sources(module: &str) -> Vec<(PathBuf, String)> {
    fn walk(folder: &Path, out: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, out);
            } else if path.extension().is_some_and(|e| e == "rs") {
                out.push(path);
            }
        }
    }
    let mut files = Vec::new();
    walk(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(module), &mut files);
    files.sort();
    assert!(!files.is_empty(), "no sources under src/{module}");
    files.into_iter().map(|f| (f.clone(), fs::read_to_string(f).unwrap())).collect()
}

/// Code without comment lines and without its trailing tests.
fn code(text: &str) -> impl Iterator<Item = &str> {
    let end = text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len());
    text[..end].lines().filter(|l| !l.trim_start().starts_with("//"))
}

#[test]
fn arrows_point_down() {
    let mut wrong = Vec::new();
    for (module, may) in MAY_USE {
        for (file, text) in sources(module) {
            if file.ends_with("tests.rs") {
                continue;
            }
            for line in code(&text) {
                for part in line.split("crate::").skip(1) {
                    let used = part.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
                    let known = MAY_USE.iter().any(|(m, _)| *m == used);
                    if known && used != module && !may.contains(&used) {
                        wrong.push(format!("{}: {}", file.display(), line.trim()));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "these look upwards:\n{}", wrong.join("\n"));
}

#[test]
fn the_core_does_no_io_and_has_no_clock() {
    let banned =
        ["std::fs", "std::env", "std::time", "std::thread", "HashMap", "println!", "eprintln!", "SystemTime"];
    let mut wrong = Vec::new();
    for module in ["text", "units", "rules", "circuit", "belief", "plan"] {
        for (file, text) in sources(module) {
            if file.ends_with("tests.rs") {
                continue;
            }
            for line in code(&text) {
                // A hash map that is only looked up in, never walked through, says so where it is made.
                if banned.iter().any(|b| line.contains(b)) && !line.contains("looked up only") {
                    wrong.push(format!("{}: {}", file.display(), line.trim()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "not pure:\n{}", wrong.join("\n"));
}

#[test]
fn one_module_calls_the_yaml_writer() {
    for (module, _) in MAY_USE {
        for (file, text) in sources(module) {
            let calls = !file.ends_with("tests.rs") && code(&text).any(|l| l.contains("serde_yaml::"));
            assert!(!calls || file.ends_with("text/emit.rs"), "{} calls serde_yaml", file.display());
        }
    }
}

#[test]
fn every_file_of_the_product_names_no_web_address() {
    fn walk(folder: &Path, out: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { walk(&path, out) } else { out.push(path) }
        }
    }
    let mut files = Vec::new();
    for folder in ["rules", "cases", "src"] {
        walk(&Path::new(env!("CARGO_MANIFEST_DIR")).join(folder), &mut files);
    }
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        for line in text.lines().filter(|l| l.contains("http://") || l.contains("https://")) {
            let standard = ["w3.org", "json-schema.org", "docs.rs", "rust-lang.org", "doi.org"];
            assert!(standard.iter().any(|s| line.contains(s)), "{}: {line}", file.display());
        }
    }
}

/// Every crate that is used stands in DEVELOPERS with what would take its place.
#[test]
fn every_crate_has_its_line() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let manifest = fs::read_to_string(root.join("Cargo.toml")).unwrap();
    let text = fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    let section = text.split("\n## ").find(|s| s.starts_with("Crates\n")).unwrap();
    let listed: Vec<&str> = section
        .lines()
        .filter_map(|l| l.strip_prefix("| "))
        .filter_map(|l| l.split(" |").next())
        .flat_map(|names| names.trim_start_matches("for tests: ").split(", "))
        .collect();
    let mut within = false;
    let mut crates = 0;
    for line in manifest.lines() {
        if line.starts_with('[') {
            within = line.contains("dependencies]");
        } else if let Some((name, _)) = line.split_once(" = ").filter(|_| within && !line.starts_with('#')) {
            assert!(listed.contains(&name), "'{name}' has no line under 'Crates' in DEVELOPERS.md");
            crates += 1;
        }
    }
    assert!(crates > 20, "{crates}");
}
