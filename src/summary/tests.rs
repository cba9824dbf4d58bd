//! Escaping, folding, template errors, schemas.
#![allow(clippy::unwrap_used)]

use super::render::{fold, markdown};
use super::*;
use crate::job::JobCard;
use crate::rules::{Rules, assert_output_schema, assert_schema};
use crate::text::Source;
use unicode_width::UnicodeWidthStr;

fn summary() -> Summary {
    let card = "unit: Tin Lantern\nhistory: fresh-build\npower: mains\n";
    let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
    Summary::declined(&job, Rules::builtin().unwrap(), &Shop::default()).unwrap()
}

#[test]
fn the_committed_schemas_say_what_the_types_say() {
    assert_schema::<Shop>("shop");
    assert_output_schema::<Summary>("summary");
}

/// CommonMark 0.31, 2.4 (backslash escapes), 5.2 (list items), 4.2 (headings); GFM 4.10 (tables), 6.5, 6.9.
#[test]
fn markdown_takes_a_card_s_text_as_text() {
    assert_eq!(
        markdown("*a* _b_ `c` <d> [e](f) | ~g~ $h$ &amp;"),
        r"\*a\* \_b\_ \`c\` \<d\> \[e\](f) \| \~g\~ \$h\$ \&amp;"
    );
    assert_eq!(markdown("- a - b"), r"\- a - b");
    assert_eq!(markdown("# a"), r"\# a");
    assert_eq!(markdown("12. a"), r"12\. a");
    assert_eq!(markdown("12) a"), r"12\) a");
    assert_eq!(markdown("4.75 V"), "4.75 V");
    assert_eq!(markdown("=1+1"), r"\=1+1");
    assert_eq!(
        markdown("see http:\u{2f}/a.example or www.a.example"),
        "see http\\:\u{2f}/a.example or www\\.a.example"
    );
}

#[test]
fn lines_are_folded_under_their_text() {
    assert_eq!(fold("Built     one two three four", 22), "Built     one two\n          three four");
    assert_eq!(fold("- one two three", 9), "- one two\n  three");
    assert_eq!(fold(&"x".repeat(25), 10), format!("{0}\n{0}\nxxxxx", "x".repeat(10)));
    let wide = "\u{6f22}\u{5b57}".repeat(30);
    assert!(fold(&wide, 20).lines().all(|l| l.width() <= 20));
    assert_eq!(fold(&wide, 20).replace('\n', ""), wide, "nothing is lost");
    assert_eq!(fold("short", 80), "short");
}

#[test]
fn a_bad_template_is_named_with_its_line() {
    let at = |text: &str| {
        let templates = Templates::builtin().with("customer.txt", text).unwrap();
        render(&summary(), Audience::Customer, Format::Text, &templates).unwrap_err().to_string()
    };
    let e = at("Unit\n{{ unit.nmae }}\n");
    assert!(e.starts_with("customer.txt:2: the summary has no such field") && e.contains("unit.nmae"), "{e}");
    let e = at("Unit\n\n{% if unit.name %}\nno end\n");
    assert!(e.starts_with("customer.txt:"), "{e}");
    let e = at("{% for i in range(9999) %}{% for j in range(9999) %}x{% endfor %}{% endfor %}");
    assert!(e.starts_with("customer.txt:1: the template runs without end"), "{e}");
    let e = Templates::builtin().with("custmer.txt", "").unwrap_err().to_string();
    assert!(e.contains("did you mean 'customer.txt'"), "{e}");
}

#[test]
fn a_mistake_in_a_shared_piece_names_that_piece() {
    let templates = Templates::builtin()
        .with("parts.html", "\n{% macro show_head(s, t) %}{{ s.nothing }}{% endmacro %}")
        .unwrap();
    let e = render(&summary(), Audience::Customer, Format::Html, &templates).unwrap_err().to_string();
    assert!(e.starts_with("parts.html:2:") && e.contains("s.nothing"), "{e}");
}

#[test]
fn a_unit_out_of_scope_gets_a_summary_that_sends_it_on() {
    for format in [Format::Text, Format::Markdown, Format::Html] {
        for audience in [Audience::Customer, Audience::Bench] {
            let text = render(&summary(), audience, format, &Templates::builtin()).unwrap();
            assert!(text.contains("licensed"), "{text}");
        }
    }
}
