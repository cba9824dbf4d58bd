//! What a command writes never takes the place of what somebody keeps.

use super::run::{Folder, command, ran};
use std::collections::BTreeMap;
use std::path::Path;

const CARD: &str = "# mine\nunit: Tin Lantern\nhistory: fresh-build\npower: battery\ncomplaint: {words: dead, symptoms: [silent]}\n\
    board: board.yaml\ntools: [meter]\n";
const BOARD: &str = include_str!("../../cases/boards/pocket_beacon.yaml");
const SHOP: &str = include_str!("../../cases/shops/lamplight-bench.yaml");
const PACK: &str = include_str!("../data/packs/lantern.yaml");
const RESOLVED: &str = include_str!("../../cases/dead-lead.yaml");

/// A folder as somebody may keep it.
fn kept() -> Folder {
    let folder = Folder::new();
    std::fs::create_dir(folder.path("cards")).unwrap();
    std::fs::create_dir(folder.path("paper")).unwrap();
    folder.put("job.yaml", CARD).put("board.yaml", BOARD).put("shop.yaml", SHOP).put("pack.yaml", PACK);
    folder
        .put("broken.yaml", "unit: A\nhistory: [\n")
        .put("other.yaml", "{\"unit\": \"B\", \"history\": \"fresh-build\"}\n");
    folder.put("cards/one.yaml", RESOLVED).put("cards/two.yaml", &RESOLVED.replace("Kingfisher", "Heron"));
    folder
        .put("paper/customer.txt", "{{ unit.name }}\n")
        .put("notes.txt", "keep these\n")
        .put("empty.txt", "")
        .put("moss.cir", include_str!("../data/import/moss_horn.cir"));
    folder
}

fn everything(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fn walk(folder: &Path, under: &str, out: &mut BTreeMap<String, Vec<u8>>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let name = format!("{under}{}", entry.file_name().to_string_lossy());
            if entry.file_type().unwrap().is_dir() {
                walk(&entry.path(), &format!("{name}/"), out);
            } else {
                out.insert(name, std::fs::read(entry.path()).unwrap_or_default());
            }
        }
    }
    let mut out = BTreeMap::new();
    walk(folder, "", &mut out);
    out
}

#[test]
fn what_a_person_keeps_is_never_written_over() {
    let folder = kept();
    let before = everything(&folder.path(""));
    let keeps = [
        "job.yaml",
        "board.yaml",
        "shop.yaml",
        "pack.yaml",
        "broken.yaml",
        "other.yaml",
        "cards/one.yaml",
        "paper/customer.txt",
    ];
    for file in keeps {
        for line in [
            &["summary", "job.yaml", "--config", "shop.yaml", "-o", file][..],
            &["summary", "--example", "silent-build", "--force", "--format", "md", "-o", file],
            &["summary", "job.yaml", "--templates", "paper", "--force", "-o", file],
            &["cases", "report", "cards", "--force", "-o", file],
            &["cases", "learn", "cards", "--force", "--stats", file],
            &["cases", "learn", "cards", "--force", "-o", file],
            &["sheet", "board.yaml", "--force", "-o", file],
            &["board", "export", "board.yaml", "--force", "-o", file],
            &["--bare", "--rules", "pack.yaml", "cases", "learn", "cards", "-o", file],
        ] {
            let ran = folder.run(line);
            assert_eq!(ran.code, 2, "{line:?}: {}{}", ran.out, ran.err);
            assert!(
                ran.err.contains("never written over") || ran.err.contains("what this is made from"),
                "{line:?}: {}",
                ran.err
            );
            assert_eq!(everything(&folder.path("")), before, "{line:?}");
        }
    }
}

#[test]
fn a_file_of_the_user_wants_force_and_ours_does_not() {
    let folder = kept();
    let line = ["summary", "--example", "silent-build", "--format", "html", "-o", "notes.txt"];
    let ran = folder.run(&line).ends(1);
    assert!(ran.err.contains("--force replaces it"), "{}", ran.err);
    assert_eq!(folder.text("notes.txt"), "keep these\n");
    folder.run(&[&line[..], &["--force"]].concat()).ends(0);
    assert!(folder.text("notes.txt").starts_with("<!DOCTYPE html>"));
    // Now it says who wrote it.
    folder.run(&line).ends(0);
    for format in ["md", "html"] {
        let line = ["summary", "--example", "silent-build", "--format", format, "-o", "page"];
        std::fs::remove_file(folder.path("page")).unwrap_or_default();
        folder.run(&line).ends(0);
        folder.run(&line).ends(0);
    }
    let bench = ["summary", "--example", "silent-build", "--for", "bench", "-o", "bench-page.txt"];
    folder.run(&bench).ends(0);
    folder.run(&bench).ends(0);
    folder.run(&["summary", "--example", "silent-build", "-o", "empty.txt"]).ends(0);
    folder.run(&["cases", "learn", "cards", "--stats", "counts.json"]).ends(0);
    folder.run(&["cases", "learn", "cards", "--stats", "counts.json"]).ends(0);
    assert!(folder.text("counts.json").contains("halfsplit_statistics"));
    for line in [
        &["sheet", "board.yaml", "--blank", "--format", "html", "-o", "blank.html"][..],
        &["board", "export", "board.yaml", "-o", "board.cir"],
    ] {
        let kept = [&line[..line.len() - 1], &["paper/customer.md"]].concat();
        folder.put("paper/customer.md", "my own\n");
        folder.run(&kept).ends(2);
        folder.run(line).ends(0);
        folder.run(line).ends(0);
    }
    folder.run(&["board", "import", "board.cir", "-o", "again.yaml"]).ends(0);
    let own = folder.run(&["cases", "learn", "--merge", "counts.json", "--stats", "counts.json"]).ends(2);
    assert!(own.err.contains("what this is made from"), "{}", own.err);
}

#[test]
fn pages_stand_in_for_pages_only() {
    let folder = kept();
    let ran = folder.run(&["drill", "--cases", "1", "-o", "notes.txt"]).ends(1);
    assert!(ran.err.contains("notes.txt is no folder"), "{}", ran.err);
    std::fs::create_dir(folder.path("man1")).unwrap();
    folder.put("man1/halfsplit-next.1", "my own page\n");
    let before = everything(&folder.path(""));
    folder.run(&["man", "man1"]).ends(1);
    assert_eq!(everything(&folder.path("")), before, "nothing at all was written");
    folder.run(&["man", "man1", "--force"]).ends(0);
    folder.run(&["man", "man1"]).ends(0);
    assert!(folder.text("man1/halfsplit-next.1").contains(".TH"));
}

#[cfg(unix)]
#[test]
fn devices_and_pipes_are_written_to() {
    use std::os::unix::fs::FileTypeExt;
    let folder = kept();
    let line = |to: &'static str| ["summary", "--example", "silent-build", "-o", to];
    let null = std::fs::metadata("/dev/null").unwrap().file_type();
    folder.run(&line("/dev/null")).ends(0);
    assert!(null.is_char_device() && std::fs::metadata("/dev/null").unwrap().file_type().is_char_device());
    for line in [&["sheet", "board.yaml", "-o"][..], &["board", "export", "board.yaml", "-o"]] {
        folder.run(&[line, &["/dev/null"]].concat()).ends(0);
        let plain = folder.run(&line[..line.len() - 1]).ends(0).out;
        for to in ["-", "/dev/stdout"] {
            assert_eq!(folder.run(&[line, &[to]].concat()).ends(0).out, plain, "{line:?} {to}");
        }
    }
    for to in ["-", "/dev/stdout"] {
        let ran = folder.run(&line(to)).ends(0);
        assert!(ran.out.contains("Written 20") || ran.out.contains("Cellar Lamp"), "{}", ran.out);
    }
    assert!(std::fs::symlink_metadata("/dev/stdout").unwrap().is_symlink());
    let pipe = folder.path("pipe");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status().unwrap();
    assert!(made.success());
    let reader = std::thread::spawn({
        let pipe = pipe.clone();
        move || std::fs::read_to_string(pipe).unwrap()
    });
    folder.run(&line("pipe")).ends(0);
    assert!(reader.join().unwrap().contains("Cellar Lamp"));
    assert!(std::fs::metadata(&pipe).unwrap().file_type().is_fifo());
    // A link to a file stays one; a link to nowhere is not followed into the dark.
    std::os::unix::fs::symlink("real.html", folder.path("link.html")).unwrap();
    let ran = folder.run(&line("link.html")).ends(1);
    assert!(ran.err.contains("leads nowhere"), "{}", ran.err);
    folder.put("real.html", "");
    folder.run(&line("link.html")).ends(0);
    assert!(std::fs::symlink_metadata(folder.path("link.html")).unwrap().is_symlink());
    assert!(folder.text("real.html").contains("Cellar Lamp"));
}

#[cfg(unix)]
#[test]
fn a_pipe_that_nobody_holds_does_not_hold_the_command() {
    let folder = kept();
    for name in ["card", "paper.fifo"] {
        assert!(std::process::Command::new("mkfifo").arg(folder.path(name)).status().unwrap().success());
    }
    let begun = std::time::Instant::now();
    let ran = folder.run(&["next", "card"]).ends(1);
    assert!(ran.err.contains("nobody writes to it"), "{}", ran.err);
    let ran = folder.run(&["note", "card", "effect-sound=silent"]).ends(1);
    assert!(ran.err.contains("this is a pipe, and a job card is a file on disk"), "{}", ran.err);
    let ran = folder.run(&["summary", "--example", "silent-build", "-o", "paper.fifo"]).ends(1);
    assert!(ran.err.contains("nobody reads from it"), "{}", ran.err);
    assert!(begun.elapsed() < std::time::Duration::from_secs(60));
    // One that somebody writes to is read to its end, however late it comes.
    let mut late = command(&folder.path(""), &["next", "card"]);
    late.stdin(std::process::Stdio::null());
    let writer = std::thread::spawn({
        let card = folder.path("card");
        move || {
            std::thread::sleep(std::time::Duration::from_millis(600));
            std::fs::write(card, "unit: A\nhistory: fresh-build\ncomplaint: {symptoms: [silent]}\n").unwrap();
        }
    });
    let child = late.spawn().unwrap();
    let done = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
}

#[cfg(unix)]
#[test]
fn owner_and_mode_stay() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
    let folder = kept();
    let card = folder.path("job.yaml");
    // What the mask of new files would take away stays too.
    std::fs::set_permissions(&card, std::fs::Permissions::from_mode(0o666)).unwrap();
    // Only root can give a file away; for anybody else the owner is theirs before and after.
    let given = chown(&card, Some(12345), Some(23456)).is_ok();
    let before = std::fs::metadata(&card).unwrap();
    folder.run(&["note", "job.yaml", "effect-sound=silent"]).ends(0);
    let after = std::fs::metadata(&card).unwrap();
    assert_eq!((after.uid(), after.gid(), after.mode()), (before.uid(), before.gid(), before.mode()));
    assert!(!given || after.uid() == 12345);
    assert!(folder.text("job.yaml").contains("effect-sound"));
}

#[cfg(unix)]
#[test]
fn a_path_that_is_no_text_is_a_path() {
    use std::os::unix::ffi::OsStrExt;
    let folder = kept();
    let name = std::ffi::OsStr::from_bytes(b"job-\xff.yaml");
    if std::fs::copy(folder.path("job.yaml"), folder.path("").join(name)).is_err() {
        return; // a file system that takes UTF-8 names only
    }
    for rest in [&["note", "effect-sound=silent"][..], &["why", "unlisted"], &["next"]] {
        let mut command = command(&folder.path(""), &rest[..1]);
        command.arg(name).args(&rest[1..]);
        ran(command, "").ends(0);
    }
    let mut command = command(&folder.path(""), &["note", "job.yaml"]);
    command.arg(std::ffi::OsStr::from_bytes(b"effect-sound=\xff"));
    let ran = ran(command, "").ends(2);
    assert!(ran.err.contains("is not valid UTF-8 text"), "{}", ran.err);
}

/// A small generator with an explicit seed (xorshift64*, Vigna 2016).
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) as usize % n
    }
    fn one<'t>(&mut self, of: &[&'t str]) -> &'t str {
        of[self.below(of.len())]
    }
}

/// Random commands with random outputs over a folder: no file changes that the command was not asked to change, and of those that it
/// was, none that a person keeps. HALFSPLIT_COMMANDS sets how many.
#[test]
fn random_commands_change_nothing_that_they_were_not_asked_to() {
    let count = std::env::var("HALFSPLIT_COMMANDS").ok().and_then(|n| n.parse().ok()).unwrap_or(90);
    let mut dice = Dice(20261130);
    let folder = kept();
    std::fs::create_dir(folder.path("man1")).unwrap();
    let all = everything(&folder.path(""));
    let cards = ["job.yaml", "cards/one.yaml", "other.yaml", "broken.yaml", "new.yaml"];
    let anything: Vec<String> = all
        .keys()
        .cloned()
        .chain(
            ["new.txt", "new.html", "paper", "cards/new.yaml", "/dev/null", "-", "nowhere/x"]
                .map(String::from),
        )
        .collect();
    let anything: Vec<&str> = anything.iter().map(String::as_str).collect();
    // What an output may replace, but for the first with --force only.
    let free = ["empty.txt", "notes.txt", "moss.cir"];
    let mut done = 0;
    for _ in 0..count {
        let card = dice.one(&cards);
        let to = dice.one(&anything);
        let board = dice.one(&["board.yaml", "job.yaml", "pack.yaml"]);
        let form = dice.one(&["text", "md", "html"]);
        // What may change, beside what the command makes anew.
        let (mut line, mut may): (Vec<&str>, Vec<&str>) = match dice.below(26) {
            0 | 1 => (vec!["summary", card, "--format", form, "-o", to], vec![to]),
            2 => (vec!["summary", card, "--config", "shop.yaml", "--for", "bench", "-o", to], vec![to]),
            3 => (vec!["summary", "--example", "silent-build", "--templates", "paper", "-o", to], vec![to]),
            4 => (vec!["cases", "report", "cards", "--format", form, "-o", to], vec![to]),
            5 => (vec!["cases", "learn", "cards", "--stats", to], vec![to]),
            6 => (vec!["cases", "learn", "cards", card, "-o", to], vec![to]),
            7 => (vec!["man", dice.one(&["man1", "paper", "cards", "nowhere"])], Vec::new()),
            8 => (vec!["summary", "--write-templates", dice.one(&["paper", "cards", "fresh"])], Vec::new()),
            9 => (vec!["drill", "--cases", "1", "-o", dice.one(&["paper", "cards", "drawn"])], Vec::new()),
            10 => (vec!["open", to, "--no-ask", "--complaint", "no sound"], Vec::new()),
            11 => (vec!["note", card, "effect-sound=silent"], vec![card]),
            12 => (vec!["strike", card, "1"], vec![card]),
            13 => (vec!["close", card, "--unlisted"], vec![card]),
            14 => (vec!["whatif", board, "--list"], Vec::new()),
            15 => (vec!["sheet", board, "--blank", "--format", form, "-o", to], vec![to]),
            16 => (vec!["sheet", board, "--format", dice.one(&["text", "md"]), "-o", to], vec![to]),
            17 => (vec!["board", "export", board, "-o", to], vec![to]),
            18 => (vec!["board", "import", "moss.cir", "--yes", "-o", to], Vec::new()),
            19 => (vec!["board", "new", to, "--from", "moss.cir"], Vec::new()),
            20 => (vec!["board", "attach", card, board], vec![card]),
            21 => (vec!["set", card, "--owner", "somebody"], vec![card]),
            22 => (vec!["undo", card], vec![card]),
            23 => (vec!["note", card, "--readings", to], vec![card]),
            24 => (vec![dice.one(&["show", "compare", "coverage", "board", "jobs"]), card], Vec::new()),
            _ => (vec![dice.one(&["next", "suspects"]), card], Vec::new()),
        };
        let forced = dice.below(3) == 0
            && line.contains(&"-o")
            && !line.iter().any(|w| ["drill", "import"].contains(w));
        if forced {
            line.push("--force");
        }
        if dice.below(4) == 0 {
            line.push("--json");
        }
        if dice.below(6) == 0 {
            line.splice(0..0, ["--rules", "pack.yaml"]);
        }
        let before = everything(&folder.path(""));
        let ran = folder.run(&line);
        assert!((0..=3).contains(&ran.code), "{line:?} ends with {}: {}", ran.code, ran.err);
        let after = everything(&folder.path(""));
        done += usize::from(ran.code == 0);
        // Only a card's own commands change a card; an output never does.
        let edits =
            ["note", "strike", "close", "attach", "set", "undo"].iter().any(|edit| line.contains(edit));
        may.retain(|f| edits || !all.contains_key(*f) || free.contains(f));
        for (name, bytes) in &before {
            let now = after.get(name);
            let kept_back = !may.contains(&name.as_str()) && now != Some(bytes);
            // Our own earlier paper may be replaced by another.
            let known = all.contains_key(name);
            assert!(!(kept_back && known), "{line:?} changed {name}");
            assert!(now.is_some(), "{line:?} removed {name}");
            if free[1..].contains(&name.as_str()) && now != Some(bytes) && *bytes == all[name] {
                assert!(forced, "{line:?} replaced {name} without --force");
            }
        }
    }
    assert!(done > count / 10, "most commands did nothing at all: {done} of {count}");
}
