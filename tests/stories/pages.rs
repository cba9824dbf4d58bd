//! The HTML pages at the widths that they are read at. What needs a browser runs where one is.

use super::run::Folder;
use std::path::Path;
use std::process::Command;

/// A browser without a window, if one is installed: CHROMIUM, else by its usual names.
fn browser() -> Option<String> {
    let named = std::env::var("CHROMIUM").ok();
    let names =
        named.into_iter().chain(["chromium".into(), "chromium-browser".into(), "google-chrome".into()]);
    let runs = |name: &String| Command::new(name).arg("--version").output().is_ok_and(|o| o.status.success());
    names.into_iter().find(runs)
}

/// Overflow and cut texts at 360, 900 and 1,400 pixels and in print, by a browser; the screenshots lie in the folder of the run.
#[test]
fn pages_fit_the_widths_that_they_are_read_at() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let Some(chromium) = browser() else {
        println!("not run: no chromium; 'apt-get install chromium', or name it in CHROMIUM");
        return;
    };
    let folder = Folder::new();
    let out = Command::new("python3")
        .current_dir(root)
        .args(["tests/scripts/page_widths.py", "cases/returned-echo.yaml", "cases/boards/tin_lantern.yaml"])
        .env("HALFSPLIT", env!("CARGO_BIN_EXE_halfsplit"))
        .env("CHROMIUM", chromium)
        .env("OUT", folder.path("pages"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.status.success() && said.contains("nothing wrong"),
        "{said}{}",
        String::from_utf8_lossy(&out.stderr)
    );
    for page in ["returned-echo-customer", "returned-echo-bench", "tin_lantern-blank", "tin_lantern-wiring"] {
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
            assert!(page[..at].trim_end().ends_with("<div class=\"scroll\" tabindex=\"0\">"), "{line:?}");
        }
        for (at, _) in page.match_indices("min-width:") {
            let value = page[at + 10..].split([';', '}', ')']).next().unwrap().trim();
            let wide = value.strip_suffix("px").and_then(|v| v.parse::<f64>().ok()).unwrap_or(0.0);
            let query = page[..at].ends_with('(');
            assert!(query || wide <= 360.0, "{line:?}: min-width {value}");
        }
    }
}
