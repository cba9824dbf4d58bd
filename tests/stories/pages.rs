//! The HTML pages at the widths that they are read at. What needs a browser runs where one is.

use super::run::Folder;
use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;

/// A browser without a window, if one is installed: CHROMIUM, else by its usual names.
fn browser() -> Option<String> {
    let named = std::env::var("CHROMIUM").ok();
    let names =
        named.into_iter().chain(["chromium".into(), "chromium-browser".into(), "google-chrome".into()]);
    let runs = |name: &String| Command::new(name).arg("--version").output().is_ok_and(|o| o.status.success());
    names.into_iter().find(runs)
}

/// A page that the command made.
pub struct Made {
    /// What it is of: `returned-echo-bench`, `tin-lantern-blank`.
    pub name: String,
    pub html: String,
}

/// Every HTML page of the built-in cards and boards, made once: both copies of each card's summary, both sheets of each board, the
/// report over all cases.
pub fn built() -> &'static [Made] {
    static PAGES: OnceLock<Vec<Made>> = OnceLock::new();
    PAGES.get_or_init(|| {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let names = |folder: &str| -> Vec<String> {
            let files = std::fs::read_dir(root.join(folder)).unwrap().map(|e| e.unwrap().path());
            let yaml = files.filter(|p| p.extension().is_some_and(|e| e == "yaml"));
            let stem = |p: std::path::PathBuf| p.file_stem().unwrap().to_string_lossy().replace('_', "-");
            yaml.map(stem).collect()
        };
        let (cards, boards) = (names("cases"), names("cases/boards"));
        assert!(cards.len() > 20 && boards.len() > 5, "{} cards, {} boards", cards.len(), boards.len());
        let of_card = |card: &String| {
            ["customer", "bench"]
                .map(|who| (format!("{card}-{who}"), format!("summary --example {card} --for {who}")))
        };
        let of_board = |board: &String| {
            ["blank", "wiring"]
                .map(|kind| (format!("{board}-{kind}"), format!("sheet --example {board} --{kind}")))
        };
        let mut lines: Vec<(String, String)> = cards.iter().flat_map(of_card).collect();
        lines.extend(boards.iter().flat_map(of_board));
        lines.push(("report".into(), format!("cases report {}", root.join("cases").display())));
        lines.sort();
        let made = |(name, line): &(String, String)| {
            let words: Vec<&str> = line.split(' ').chain(["--format", "html"]).collect();
            Made { name: name.clone(), html: Folder::new().run(&words).ends(0).out }
        };
        let (first, second) = lines.split_at(lines.len() / 2);
        std::thread::scope(|scope| {
            let first = scope.spawn(|| first.iter().map(made).collect::<Vec<_>>());
            let second: Vec<Made> = second.iter().map(made).collect();
            first.join().unwrap().into_iter().chain(second).collect()
        })
    })
}

/// Overflow and cut texts of every page at 360, 900 and 1,400 pixels and in print, by a browser; screenshots of some lie in the folder of
/// the run.
#[test]
fn pages_fit_the_widths_that_they_are_read_at() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let Some(chromium) = browser() else {
        println!("not run: no chromium; 'apt-get install chromium', or name it in CHROMIUM");
        return;
    };
    let folder = Folder::new();
    let pictured =
        ["returned-echo-customer", "returned-echo-bench", "tin-lantern-blank", "tin-lantern-wiring"];
    for page in built() {
        folder.put(&format!("{}.html", page.name), &page.html);
    }
    let files: Vec<_> = built().iter().map(|p| folder.path(&format!("{}.html", p.name))).collect();
    let out = Command::new("python3")
        .current_dir(root)
        .arg("tests/scripts/page_widths.py")
        .args(&files)
        .env("CHROMIUM", chromium)
        .env("PICTURES", pictured.join(","))
        .env("OUT", folder.path("pages"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.status.success() && said.contains(&format!("{} pages: nothing wrong", files.len())),
        "{said}{}",
        String::from_utf8_lossy(&out.stderr)
    );
    for page in pictured {
        for width in [360, 900, 1400] {
            let picture = std::fs::read(folder.path(&format!("pages/{page}-{width}.png"))).unwrap();
            // Width and height stand behind the header of a PNG.
            let wide = u32::from_be_bytes(picture[16..20].try_into().unwrap());
            assert_eq!(wide, width.max(500), "{page}");
        }
    }
}

/// What can be told without a browser: each table of a sheet stands in a box that scrolls, and no width is fixed that a telephone lacks.
#[test]
fn no_page_fixes_a_width_that_a_telephone_lacks() {
    let folder = Folder::new();
    let pages: [&[&str]; 4] = [
        &["sheet", "--example", "tin-lantern", "--wiring", "--format", "html"],
        &["sheet", "--example", "tin-lantern", "--blank", "--format", "html"],
        &["summary", "--example", "returned-echo", "--format", "html"],
        &["summary", "--example", "returned-echo", "--for", "bench", "--format", "html"],
    ];
    for line in pages {
        let page = folder.run(line).ends(0).out;
        assert!(page.contains("width=device-width"), "{line:?}");
        for (at, _) in page.match_indices("<table").filter(|_| line[0] == "sheet") {
            let opens = page[..at].rfind('<').unwrap();
            assert!(
                page[opens..at].starts_with("<div class=\"scroll\" tabindex=\"0\" role=\"group\""),
                "{line:?}"
            );
        }
        for (at, _) in page.match_indices("min-width:") {
            let value = page[at + 10..].split([';', '}', ')']).next().unwrap().trim();
            let wide = value.strip_suffix("px").and_then(|v| v.parse::<f64>().ok()).unwrap_or(0.0);
            let query = page[..at].ends_with('(');
            assert!(query || wide <= 360.0, "{line:?}: min-width {value}");
        }
    }
}
