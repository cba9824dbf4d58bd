//! A shop's own template can ask for anything: it gets paper, or a message with file and line, in little time and memory.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use halfsplit::job::JobCard;
use halfsplit::rules::Rules;
use halfsplit::summary::{Audience, Format, MAX_TEMPLATE, Shop, Summary, Templates, render};
use halfsplit::text::Source;
use std::sync::OnceLock;
use std::time::{Duration, Instant};

fn summary() -> &'static Summary {
    static SUMMARY: OnceLock<Summary> = OnceLock::new();
    SUMMARY.get_or_init(|| {
        let card = "unit: Tin Lantern\nhistory: fresh-build\npower: mains\n";
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        Summary::declined(&job, Rules::builtin().unwrap(), &Shop::default()).unwrap()
    })
}

/// What comes of a template: the paper, or the message.
fn paper(text: &str) -> Result<String, String> {
    let templates = Templates::builtin().with("customer.txt", text).map_err(|e| e.to_string())?;
    let begun = Instant::now();
    let made = render(summary(), Audience::Customer, Format::Text, &templates).map_err(|e| e.to_string());
    let took = begun.elapsed();
    let start: String = text.chars().take(80).collect();
    assert!(took < Duration::from_secs(10), "{took:?} for {start}");
    if let Err(e) = &made {
        assert!(e.starts_with("customer.txt:"), "{start}: {e}");
    }
    made
}

fn refused(text: &str, words: &str) {
    let start: String = text.chars().take(80).collect();
    let e = paper(text).expect_err(&start);
    assert!(e.contains(words), "{start}: {e}");
}

/// The most memory the process has held so far, megabytes; nothing where the system doesn't say.
fn peak() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

#[test]
fn columns_are_as_wide_as_a_page_at_most() {
    assert_eq!(paper("{{ 'a' | pad(4) }}b{{ 'c' | padl(3) }}").unwrap(), "a   b  c\n");
    assert_eq!(paper("{{ 'ab' | under(with='=') }}").unwrap(), "ab\n==\n");
    for width in ["4000000000", "100000000000000", "18446744073709551615", "1e30", "-1", "'x'", "none"] {
        refused(&format!("{{{{ 'a' | pad({width}) }}}}"), "a column is a whole number from 0 to 500 wide");
        refused(&format!("{{{{ 'a' | padl({width}) }}}}"), "a column is a whole number from 0 to 500 wide");
    }
    refused("{{ 'a' | under(with='=' * 90000000) }}", "");
    refused("{{ ('a' * 1000000) | under(with='==') }}", "one sign");
    refused("{{ 'a' | under(wiht='=') }}", "wiht");
}

#[test]
fn no_loop_filter_or_operator_makes_more_than_a_little() {
    for text in [
        "{{ 'x' * 90000000 }}",
        "{{ 'x' * 9000000000000 }}",
        "{{ ('x' * 1000000) * 1000 }}",
        "{{ range(9999) | join('x' * 9999) }}",
        "{{ range(100000) | map('string') | list | length * 0 }}{{ range(100000) | list * 500 | join }}",
        "{% set ns = namespace(x='abcdefgh') %}{% for i in range(99) %}{% set ns.x = ns.x ~ ns.x %}{% endfor %}{{ ns.x }}",
        "{% set ns = namespace(x=[1]) %}{% for i in range(99999) %}{% set ns.x = ns.x[0:] %}{% endfor %}{{ ns.x | length }}",
        "{% macro m(x) %}{{ m(x ~ x) }}{% endmacro %}{{ m('abcdefgh') }}",
        "{% macro m(x) %}{{ x }}{{ m(x) }}{{ m(x) }}{% endmacro %}{{ m('abcdefgh') }}",
        "{% for a in range(9999) %}{% for b in range(9999) %}{{ unit.name | upper | replace('T', 'xxxxxxxx') }}{% endfor %}{% endfor %}",
        "{% include 'customer.txt' %}",
        "{{ ('x' * 100000) | replace('x', 'y' * 100000) }}",
        "{{ ('x' * 100000) | indent(100000, true, true) }}",
        "{{ (('x\n') * 10000) | indent(100000, true, true) }}",
        "{{ [[1] * 10000] * 10000 | sum(start=[]) | length }}{{ (range(10000) | list * 100000) | list | length }}",
        "{% for a in range(100000) * 1000 %}{{ a | tojson }}{% endfor %}",
        "{% for i in range(100000) %}{{ range(100000) | list | sort | unique | list | length }}{% endfor %}",
        "{% set x %}{% for i in range(100000) %}{{ 'x' * 10000 }}{% endfor %}{% endset %}{{ x }}",
        "{{ range(100000) | batch(1) | list | length }}{% for i in range(99999) %}{{ range(99999) | slice(99999) | list | length }}{% endfor %}",
        "{{ 'a' | center(100000000000) }}",
        "{{ '%9000000000d' | format(1) }}",
        "{{ '%.9000000000f' | format(1.5) }}",
    ] {
        // Whatever it says, it says so soon; most of these are refused.
        let _ = paper(text);
    }
    let doubled = format!("{{% set a = ['x'] %}}{}{{{{ a | join }}}}", "{% set a = a ~ a %}".repeat(60));
    refused(&doubled, "makes too much text");
    let sliced = format!("{{% set a = ['x'] %}}{}{{{{ a | join }}}}", "{% set a = a[0:] %}\n".repeat(10_000));
    let _ = paper(&sliced);
    refused("{{ 'x' * 90000000 }}", "makes too much text");
    refused("{% for i in range(9999) %}{% for j in range(9999) %}x{% endfor %}{% endfor %}", "without end");
    if let Some(peak) = peak() {
        assert!(peak < 200, "{peak} MB of memory");
    }
}

/// Lists joined to themselves: the engine charges nothing for it.
#[test]
fn sums_are_of_numbers() {
    assert_eq!(
        paper("{{ (unit.tools | length) + 1 }} {{ 1 | plus(2) }} {{ [1, 2.5] | sum }}").unwrap(),
        "2 3 3.5\n"
    );
    assert_eq!(
        paper("{{ 'a+b' }}+{{ 1 + 2 + 3 }}{# a + b #}{% raw %}{{ a + b }}{% endraw %}").unwrap(),
        "a+b+6{{ a + b }}\n"
    );
    for text in [
        "{{ a + b }}",
        "{% set a = unit.tools + unit.tools %}",
        "{{ a + 1 * b }}",
        "{{ a + 1 | list }}",
        "{{ a + (1) }}",
        "{{ a + 1[0] }}",
        "{{ a + 1.b }}",
    ] {
        refused(&format!("\n{text}"), "customer.txt:2: '+' is for plain numbers");
    }
    refused("{{ [1] + 1 }}", "");
    refused("{{ [[1], [2]] | sum }}", "");
    refused("{{ [1] | chain([2]) }}", "chain");
}

#[test]
fn operators_in_a_row_and_things_in_each_other_are_no_matter() {
    let n = 30_000;
    let chains = [
        format!("{{{{ 1{} }}}}", "+1".repeat(n)),
        format!("{{{{ 1{} }}}}", "**1".repeat(n)),
        format!("{{{{ {}1 }}}}", "not ".repeat(n)),
        format!("{{{{ {}1 }}}}", "-".repeat(n)),
        format!("{{{{ 'a'{} }}}}", "~'a'".repeat(n)),
        format!("{{{{ 1{} }}}}", " and 1".repeat(n)),
        format!("{{{{ 1{} }}}}", " or 1".repeat(n)),
        format!("{{{{ 1{} }}}}", " < 2".repeat(n)),
        format!("{{{{ 1{} }}}}", " if 1 else 2".repeat(n / 2)),
        format!("{{{{ 'a'{} }}}}", "|upper".repeat(n)),
        format!("{{{{ unit{} }}}}", ".a".repeat(n)),
        format!("{{{{ unit{} }}}}", "[0]".repeat(n)),
        format!("{{{{ unit{} }}}}", "()".repeat(n)),
        format!("{{{{ {}1{} }}}}", "(".repeat(n), ")".repeat(n)),
        format!("{{{{ {}1{} }}}}", "[".repeat(n), "]".repeat(n)),
        format!("{{{{ {}1{} }}}}", "{'a':".repeat(n), "}".repeat(n)),
        format!("{}{}", "{% if 1 %}".repeat(n / 8), "{% endif %}".repeat(n / 8)),
        format!("{{% if 0 %}}{}{{% endif %}}", "{% elif 0 %}\n".repeat(n / 2)),
        format!("{}{}", "{% for a in [1] %}".repeat(n / 8), "{% endfor %}".repeat(n / 8)),
        format!("{}{}", "{% with a = 1 %}".repeat(n / 8), "{% endwith %}".repeat(n / 8)),
        format!("{}{}", "{% set a %}".repeat(n / 8), "{% endset %}".repeat(n / 8)),
        "{{".repeat(n),
        "{%".repeat(n),
        "{#".repeat(n),
        "{% raw %}".repeat(n / 2),
    ];
    for chain in &chains {
        assert!(chain.len() <= MAX_TEMPLATE);
        let _ = paper(chain);
    }
    refused(&chains[0], "a tag of more than 2000 words and signs");
    assert_eq!(paper(&format!("{{{{ 1{} }}}}", "+1".repeat(990))).unwrap(), "991\n");
}

#[test]
fn a_template_has_its_size() {
    let longest = "x\n".repeat(60_000) + &"{% if 0 %}{% elif 0 %}{% endif %}\n".repeat(4_000);
    assert!(longest.len() <= MAX_TEMPLATE);
    assert!(paper(&longest).unwrap().starts_with("x\n"));
    refused(&"x".repeat(MAX_TEMPLATE + 1), "more than the 262144 that a template may have");
    refused(&"x".repeat(65_001), "a line of more than 65000 bytes");
    refused(&"\n".repeat(65_001), "more than 65000 lines");
    // The lines of what comes out are folded, however far in they begin.
    assert!(paper("{{ 'wide' | indent(300, true) }}").unwrap().contains("wide"));
}
