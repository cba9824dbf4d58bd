//! Templates of a shop's own: paper, or a message with the file's name, soon and in little memory.

use super::grow::{Grower, run};
use halfsplit::job::JobCard;
use halfsplit::rules::Rules;
use halfsplit::summary::{Audience, Format, Shop, Summary, SummaryError, Templates, render};
use halfsplit::text::Source;

const SEEDS: [&str; 6] = [
    include_str!("../../src/summary/templates/customer.txt"),
    "{{ unit.name | pad(14) }}{{ status_says }}\n{% for line in care %}- {{ line | stop }}\n{% endfor %}",
    "{% macro m(x, n) %}{{ x ~ x }}{% if n %}{{ m(x ~ x, n - 1) }}{% endif %}{% endmacro %}{{ m('ab', 3) | upper }}",
    "{% set a = ['x', 'y'] %}{{ (a * 3) | join(', ') }} {{ a[0:] | length }} {{ 2 ** 10 }} {{ 7 // 2 }} {{ range(9) | sum }}",
    "{% include 'parts.html' %}{{ {'a': 1, 'b': [1, 2]} | items | list }}{# no #}{% raw %}{{ x }}{% endraw %}",
    "{{ 'a%sb' | format('x') }}{{ 'abc' | replace('b', 'xx') | indent(2) | title }}{{ none is none and not (1 > 2) }}",
];
const WORDS: [&str; 40] = [
    "{{ ",
    " }}",
    "{% ",
    " %}",
    "{# ",
    " #}",
    "for i in range(9999) ",
    "endfor",
    "if 1 ",
    "else",
    "elif x ",
    "endif",
    "set x = ",
    "endset",
    "macro m(x) ",
    "endmacro",
    "include 'customer.txt' ",
    "'x' * 99999",
    " ~ ",
    " + 1",
    " ** 99",
    " // 0",
    "[0:]",
    "[::-1]",
    "| join",
    "| list",
    "| pad(500)",
    "| padl(99999999999)",
    "| under(with='=')",
    "| replace('', 'xxxxxxxx')",
    "| indent(9999, true)",
    "| sort",
    "| batch(2)",
    "| slice(9999)",
    "| unique",
    "| tojson",
    "not ",
    "(",
    "]",
    "loop.index",
];

#[test]
fn templates() {
    let card = "unit: Tin Lantern\nhistory: fresh-build\npower: mains\n";
    let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
    let summary = Summary::declined(&job, Rules::builtin().unwrap(), &Shop::default()).unwrap();
    let one = |bytes: &[u8]| {
        let Ok(text) = std::str::from_utf8(bytes) else { return false };
        let made = Templates::builtin()
            .with("customer.txt", text)
            .and_then(|templates| render(&summary, Audience::Customer, Format::Text, &templates));
        match made {
            Ok(paper) => {
                assert!(paper.ends_with('\n') && paper.lines().all(|l| l.trim_end() == l));
                true
            }
            Err(SummaryError::Template { file, message, .. }) => {
                assert!(file != "template" && !message.is_empty(), "{file}: {message}");
                false
            }
            Err(e) => panic!("{e}"),
        }
    };
    run("template", Grower::new("template", &SEEDS, &WORDS), one);
}
