//! The card is sacred: whatever the file system or another process does, it is the old one or the new one.

use super::run::{BY_HAND, Folder, Ran};
use std::fs;

const NOTE: [&str; 3] = ["note", "job.yaml", "effect-sound=silent"];

fn refused(folder: &Folder, code: i32, words: &str) -> Ran {
    let before = fs::read(folder.path("job.yaml")).ok();
    let ran = folder.run(&NOTE).ends(code);
    assert!(ran.err.contains(words), "{}", ran.err);
    assert_eq!(fs::read(folder.path("job.yaml")).ok(), before, "the card is as it was");
    ran
}

#[test]
fn a_hand_written_card_changes_only_in_the_intended_lines() {
    let folder = Folder::new();
    folder.put("job.yaml", BY_HAND);
    folder.run(&["note", "job.yaml", "effect-sound=silent"]).ends(0);
    folder.run(&["strike", "job.yaml", "1", "--why", "wrong lead"]).ends(0);
    folder.run_with("unsure\n# warm, to the touch\nno tool\nstop\n", &["bench", "job.yaml"]).ends(0);
    folder.run(&["close", "job.yaml", "--fault", "stage-part-misread", "--did", "new R3, \"4k7\""]);
    let text = folder.text("job.yaml");
    let old: Vec<&str> = BY_HAND.lines().collect();
    let kept: Vec<&str> = text.lines().filter(|l| old.contains(l)).collect();
    let struck = "  - {check: bypass-sound, answer: normal}   # loud and clear";
    let expected: Vec<&str> = old.iter().copied().filter(|l| *l != struck).collect();
    assert_eq!(kept, expected, "every other line is there, in order:\n{text}");
    let new: Vec<&str> = text.lines().filter(|l| !old.contains(l)).collect();
    assert!(new[0].starts_with("  - {check: bypass-sound, answer: normal, struck: "), "{new:#?}");
    assert!(new[0].ends_with("}   # loud and clear"), "{new:#?}");
    assert!(new[1].contains("check: effect-sound, answer: silent"), "{new:#?}");
    assert!(new[2].contains("answer: unsure"), "{new:#?}");
}

#[test]
fn odd_layouts_take_a_finding_without_losing_a_byte() {
    for card in [
        "\u{feff}unit: Lämpchen\r\nhistory: fresh-build\r\nfindings: []\r\ntools: [meter]",
        "findings: [\n  {check: bypass-sound, answer: normal},  # one\n  # two\n]\nunit: A\nhistory: fresh-build\n",
        "tools: [meter]\nfindings:\n\n# a\n- check: bypass-sound\n  # b\n  answer: normal\n  remark: >\n    folded\n    text\n\n# c\nhistory: fresh-build\nunit: A",
        "{unit: A, history: fresh-build, findings: [{check: bypass-sound, answer: normal}]}",
        "unit: A \t# tabs\nhistory: fresh-build\nfindings: \t# none\n",
        "---\n\"unit\": 'A'\nhistory: fresh-build\n",
    ] {
        let folder = Folder::new();
        folder.put("job.yaml", card);
        folder.run(&NOTE).ends(0);
        let text = folder.text("job.yaml");
        assert_eq!(text.matches("effect-sound").count(), 1, "{text}");
        let mut rest = text.as_str();
        let pieces = card.split(['\n', '\r', '[', ']', '{', '}']).map(str::trim_end);
        for piece in pieces {
            let at =
                rest.find(piece).unwrap_or_else(|| panic!("{piece:?} of {card:?} is gone from {text:?}"));
            rest = &rest[at + piece.len()..];
        }
        assert_eq!(text.contains("\r\n"), card.contains("\r\n"));
        assert!(
            !card.contains("\r\n") || text.matches('\n').count() == text.matches("\r\n").count(),
            "{text:?}"
        );
        folder.run(&["strike", "job.yaml", "1"]).ends(0);
    }
}

/// Each ends where the brackets of its line follow.
#[test]
fn a_remark_may_end_in_any_sign() {
    let folder = Folder::new();
    for end in "-,:;.?!#&*|>%@`'\"[]{}\\~=<^$/+_".chars() {
        folder.put("job.yaml", "unit: A\nhistory: fresh-build\npower: battery\n");
        let remark = format!("--remark=hums {end}");
        folder.run(&["note", "job.yaml", "effect-sound=silent", &remark]).ends(0);
        let shown = folder.run(&["show", "job.yaml", "--json"]).ends(0).out;
        let wanted = serde_json::Value::from(format!("hums {end}")).to_string();
        assert!(shown.contains(&wanted), "{wanted}: {shown}");
    }
}

#[test]
fn a_card_of_an_older_form_opens_and_a_newer_one_is_left_untouched() {
    let folder = Folder::new();
    folder.put("job.yaml", "unit: A\nhistory: fresh-build\n");
    folder.run(&NOTE).ends(0);
    folder.put("job.yaml", "halfsplit: 2\nunit: A\nnew-key: x\n");
    refused(&folder, 1, "format 2");
    folder.run_with("1\n", &["bench", "job.yaml"]).ends(1);
    assert_eq!(folder.text("job.yaml"), "halfsplit: 2\nunit: A\nnew-key: x\n");
}

#[test]
fn a_missing_card_and_a_folder_are_said_to_be_so() {
    let folder = Folder::new();
    refused(&folder, 1, "there is no such file");
    fs::create_dir(folder.path("job.yaml")).unwrap();
    let ran = folder.run(&NOTE).ends(3);
    assert!(ran.err.contains("it is a folder"), "{}", ran.err);
    assert_eq!(folder.names(), ["job.yaml"]);
}

#[cfg(unix)]
#[test]
fn a_link_is_followed_and_stays_a_link() {
    let folder = Folder::new();
    fs::create_dir(folder.path("shelf")).unwrap();
    folder.put("shelf/real.yaml", "unit: A\nhistory: fresh-build\n");
    std::os::unix::fs::symlink("shelf/real.yaml", folder.path("job.yaml")).unwrap();
    folder.run(&NOTE).ends(0);
    assert!(fs::symlink_metadata(folder.path("job.yaml")).unwrap().is_symlink());
    assert!(folder.text("shelf/real.yaml").contains("effect-sound"));
}

#[test]
fn a_clock_set_back_does_not_reorder_findings() {
    let folder = Folder::new();
    folder.put(
        "job.yaml",
        "unit: A\nhistory: fresh-build\nfindings:\n  - {at: 2099-01-01T00:00:00Z, check: bypass-sound, answer: normal}\n",
    );
    folder.run(&NOTE).ends(0);
    let text = folder.text("job.yaml");
    assert!(text.find("bypass-sound").unwrap() < text.find("effect-sound").unwrap());
    folder.run_with("back\nstop\n", &["bench", "job.yaml"]).ends(0);
    assert!(
        folder.text("job.yaml").contains("answer: silent, struck"),
        "the last on the card, not the latest by its time"
    );
}

#[test]
fn twenty_notes_at_once_are_all_there_and_none_twice() {
    let folder = Folder::new();
    folder.put("job.yaml", "unit: A\nhistory: fresh-build\n");
    let children: Vec<_> = (0..20)
        .map(|i| {
            let remark = format!("number {i:02}");
            folder.command(&["note", "job.yaml", "effect-sound=silent", "--remark", &remark]).spawn().unwrap()
        })
        .collect();
    for child in children {
        let done = child.wait_with_output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }
    let text = folder.text("job.yaml");
    for i in 0..20 {
        assert_eq!(text.matches(&format!("number {i:02}")).count(), 1, "{text}");
    }
    assert_eq!(folder.names(), ["job.yaml"]);
}

/// A file system of our own, where the user may make one.
#[cfg(target_os = "linux")]
struct Small(std::path::PathBuf);

#[cfg(target_os = "linux")]
impl Small {
    fn mount(folder: &Folder, options: &str) -> Option<Self> {
        let at = folder.path("small");
        fs::create_dir(&at).unwrap();
        let done = std::process::Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "none"])
            .arg(&at)
            .output();
        match done {
            Ok(done) if done.status.success() => Some(Self(at)),
            Ok(done) => {
                eprintln!(
                    "skipped: no file system can be mounted here: {}",
                    String::from_utf8_lossy(&done.stderr)
                );
                None
            }
            Err(e) => {
                eprintln!("skipped: no file system can be mounted here: {e}");
                None
            }
        }
    }

    fn remount(&self, option: &str) {
        let options = format!("remount,{option}");
        let done = std::process::Command::new("mount").args(["-o", &options]).arg(&self.0).output().unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }
}

#[cfg(target_os = "linux")]
impl Drop for Small {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg(&self.0).output();
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_and_a_read_only_one_leave_the_card_whole() {
    let folder = Folder::new();
    let Some(small) = Small::mount(&folder, "size=64k") else { return };
    let card = "unit: A\nhistory: fresh-build\n";
    fs::write(small.0.join("job.yaml"), card).unwrap();
    // The disk fills up between two answers.
    let filler = small.0.join("filler");
    let mut size = 60 * 1024;
    while fs::write(&filler, vec![b'x'; size]).is_err() {
        size -= 4096;
    }
    let job = "small/job.yaml";
    let ran = folder.run(&["note", job, "effect-sound=silent"]).ends(3);
    assert!(ran.err.contains("the disk is full") && ran.err.contains("untouched"), "{}", ran.err);
    let ran = folder.run_with("unsure\nunsure\n", &["bench", job]).ends(3);
    assert!(ran.err.contains("your last answer is not on it"), "{}", ran.err);
    assert_eq!(folder.text(job), card);
    fs::remove_file(&filler).unwrap();
    folder.run(&["note", job, "effect-sound=silent"]).ends(0);
    let noted = folder.text(job);
    small.remount("ro");
    let ran = folder.run(&["note", job, "hiss=no"]).ends(3);
    assert!(ran.err.contains("read-only"), "{}", ran.err);
    folder.run(&["next", job]).ends(0);
    assert_eq!(folder.text(job), noted);
    let mut names: Vec<_> = fs::read_dir(&small.0).unwrap().map(|e| e.unwrap().file_name()).collect();
    names.sort();
    assert_eq!(names, ["job.yaml"], "no half-written file is left");
}
