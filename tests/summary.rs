//! The written summary, held to the card, the rules and the posterior it speaks of, and to hostile cards.
//!
//! Golden texts: one of each kind for every card under cases/ and for three cards under tests/data. After reading what
//! changed, write them anew with `INSTA_UPDATE=always cargo test --test summary`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use halfsplit::circuit::board::Board;
use halfsplit::job::{Diagnosis, JobCard, Meaning};
use halfsplit::rules::Rules;
use halfsplit::rules::parts::Library;
use halfsplit::summary::*;
use halfsplit::text::Source;
use halfsplit::units::{Decibels, Minutes, Probability, show};
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::OnceLock;
use unicode_width::UnicodeWidthStr;

const WRITTEN: &str = "2026-11-25T09:00:00Z";

fn shop() -> Shop {
    Shop::read(&Source::new("shop.yaml", include_str!("../cases/shops/lamplight-bench.yaml"))).unwrap()
}

fn rules() -> &'static Rules {
    Rules::builtin().unwrap()
}

/// Every card of cases/ and three of tests/data, by name.
fn cards() -> Vec<(String, JobCard)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files: Vec<_> =
        std::fs::read_dir(root.join("cases")).unwrap().map(|e| e.unwrap().path()).collect();
    files.retain(|p| p.extension().is_some_and(|e| e == "yaml"));
    files.extend(
        ["cloud-ladder.yaml", "cloud-ladder-open.yaml", "tin-lantern-board.yaml"]
            .map(|n| root.join("tests/data").join(n)),
    );
    files.sort();
    files
        .into_iter()
        .map(|p| {
            let name = p.file_stem().unwrap().to_string_lossy().into_owned();
            let text = std::fs::read_to_string(&p).unwrap();
            (name.clone(), JobCard::read(&Source::new(format!("{name}.yaml"), text)).unwrap())
        })
        .collect()
}

/// Each card with its summary; made once for all tests.
fn all() -> &'static [(String, JobCard, Summary)] {
    static ALL: OnceLock<Vec<(String, JobCard, Summary)>> = OnceLock::new();
    ALL.get_or_init(|| {
        cards()
            .into_iter()
            .map(|(name, job)| {
                let summary = match diagnosis(&job) {
                    Some(diagnosis) => Summary::of(&diagnosis, &shop()).unwrap(),
                    None => Summary::declined(&job, rules(), &shop()).unwrap(),
                };
                (name, job, summary.made(&shop(), WRITTEN))
            })
            .collect()
    })
}

/// The diagnosis of a card, on its built-in board where it names one; none for a unit out of scope.
fn diagnosis(job: &JobCard) -> Option<Diagnosis<'static>> {
    if job.card.declined().is_some() {
        return None;
    }
    let board = job.card.board.as_ref().map(|b| {
        let source = halfsplit::cases::board_example(&b.value).unwrap();
        &*Box::leak(Box::new(Board::load(&source, &Library::builtin().unwrap()).unwrap()))
    });
    Some(Diagnosis::on(rules(), job.clone(), board).unwrap())
}

fn on_paper(summary: &Summary, audience: Audience, format: Format) -> String {
    render(summary, audience, format, &Templates::builtin()).unwrap()
}

#[test]
fn golden_summaries() {
    for (name, _, summary) in all() {
        for audience in [Audience::Customer, Audience::Bench] {
            for format in [Format::Text, Format::Markdown] {
                let text = on_paper(summary, audience, format);
                // The count of rules and their fingerprint move with every rule.
                let text: String = text
                    .lines()
                    .filter(|l| {
                        !l.contains("fingerprint") && !l.contains("remedies, ") && !l.contains(" links;")
                    })
                    .map(|l| format!("{l}\n"))
                    .collect();
                insta::assert_snapshot!(format!("{name}-{}-{}", audience.name(), format.ending()), text);
            }
        }
    }
}

#[test]
fn plain_text_fits_eighty_columns() {
    for (name, _, summary) in all() {
        for audience in [Audience::Customer, Audience::Bench] {
            for line in on_paper(summary, audience, Format::Text).lines() {
                assert!(line.width() <= COLUMNS, "{name}: {line}");
            }
        }
    }
}

#[test]
fn the_same_job_gives_the_same_bytes() {
    let (_, job, summary) = all().iter().find(|(n, _, _)| n == "cloud-ladder").unwrap();
    let again = Summary::of(&diagnosis(job).unwrap(), &shop()).unwrap().made(&shop(), WRITTEN);
    assert_eq!(*summary, again);
    for format in [Format::Text, Format::Markdown, Format::Html] {
        assert_eq!(on_paper(summary, Audience::Bench, format), on_paper(&again, Audience::Bench, format));
    }
}

/// Every figure of a summary, reckoned again from the job, the rules and the posterior.
#[test]
fn every_figure_is_the_one_it_speaks_of() {
    for (name, job, summary) in all() {
        let Some(d) = &diagnosis(job) else { continue };
        let suspects = d.suspects().unwrap();
        let chance = |c: &Chance, p: f64, what: &str| {
            assert!((c.p - p).abs() < 1e-12, "{name}: {what}: {} and {p}", c.p);
            assert_eq!(
                c.shown,
                show::probability(Probability::new(p.clamp(0.0, 1.0)).unwrap()),
                "{name}: {what}"
            );
            assert_eq!(c.word, certainty::of(p).word, "{name}: {what}");
        };
        for row in &summary.suspects {
            let s = suspects.suspects.iter().find(|s| s.faults == row.faults).unwrap();
            chance(&row.chance, s.probability, &s.id);
            let priors = s.faults.iter().map(|id| d.model.faults[d.model.fault(id).unwrap().0].prior);
            chance(&row.prior, 1.0 - priors.map(|p| 1.0 - p).product::<f64>(), &s.id);
            assert_eq!(row.weight.db, s.weight_db);
            assert_eq!(row.weight.shown, show::weight(Decibels(s.weight_db)));
            if let (Some(face), Some(offer)) = (&row.remedy, &s.remedy) {
                assert_eq!(face.minutes.minutes, offer.minutes);
                assert_eq!(face.minutes.shown, show::minutes(Minutes(offer.minutes)));
                assert_eq!(face.parts.minor as f64, (offer.money * 100.0).round());
            }
        }
        chance(summary.result.unlisted.as_ref().unwrap(), suspects.unlisted, "unlisted");
        chance(summary.result.none.as_ref().unwrap(), suspects.none, "none");
        for face in &summary.result.faults {
            let known = d.model.fault(&face.id);
            assert_eq!(known.is_some(), face.chance.is_some(), "{name}: {}", face.id);
            if let (Some(fault), Some(c)) = (known, &face.chance) {
                // Of an open job a suspect stands for all that no check parts from it.
                let open = d.job.card.outcome.as_ref().is_none_or(|o| o.faults.is_empty());
                let group = suspects.suspects.iter().find(|s| open && s.id == face.id);
                chance(c, group.map_or_else(|| d.probability(fault), |s| s.probability), &face.id);
            }
        }
        weights_are_those_of_why(name, d, summary);
        bands_are_those_of_the_rules(name, d, summary);
        the_trail_ends_where_the_posterior_stands(name, d, summary);
    }
}

fn weights_are_those_of_why(name: &str, d: &Diagnosis<'_>, summary: &Summary) {
    for (i, column) in summary.columns.iter().enumerate() {
        let why = d.why(&column.id).unwrap();
        for entry in &summary.timeline {
            let Some(weight) = entry.weights.get(i).and_then(Option::as_ref) else { continue };
            let check = entry.check.as_deref().unwrap();
            let found = why.findings.iter().find(|f| Some(f.number) == entry.number && f.check == check);
            let db = found.unwrap_or_else(|| panic!("{name}: {check}")).weight_db;
            assert!((weight.db - db).abs() < 1e-9, "{name}: {check}: {} and {db}", weight.db);
            assert_eq!(weight.shown, show::weight(Decibels(weight.db)));
            assert!(entry.struck.is_none(), "{name}: a struck finding weighs nothing");
        }
    }
}

fn bands_are_those_of_the_rules(name: &str, d: &Diagnosis<'_>, summary: &Summary) {
    for found in &d.model.findings {
        let Meaning::Answer { check, answer, .. } = &found.meaning else { continue };
        if found.number == 0 {
            continue;
        }
        let check = d.rules.check(*check);
        let entry = summary.timeline.iter().find(|e| e.number == Some(found.number)).unwrap();
        let expected = entry.expected.as_ref().unwrap();
        assert_eq!(expected.words, check.healthy, "{name}");
        if let Some(reading) = &check.reading {
            let normal: Vec<_> = reading.bands.iter().filter(|(a, _)| *a == 0).map(|(_, b)| b).collect();
            let low = normal.iter().map(|b| b.low).fold(f64::INFINITY, f64::min);
            assert_eq!(expected.low, low.is_finite().then_some(low), "{name}: {}", check.id);
            if let Some(dot) = summary.pictures.dots.iter().find(|x| x.number == found.number) {
                assert_eq!((dot.low, dot.high), (expected.low, expected.high));
                assert_eq!(dot.inside, *answer == 0);
            }
        }
        if entry.verdict.as_deref() == Some("as expected") {
            assert_eq!(*answer, 0, "{name}: {}", check.id);
        }
    }
}

fn the_trail_ends_where_the_posterior_stands(name: &str, d: &Diagnosis<'_>, summary: &Summary) {
    let Some(history) = &summary.pictures.history else { return };
    for course in &history.courses {
        let fault = d.model.fault(&course.id).unwrap();
        assert_eq!(course.chances.len(), history.steps.len());
        assert_eq!(course.chances[0].p, d.model.faults[fault.0].prior, "{name}");
        assert_eq!(course.chances.last().unwrap().p, d.probability(fault), "{name}");
        // The step in the middle, from a card cut there.
        let k = history.steps.len() / 2;
        if let Ok(number) = history.steps[k].parse::<usize>() {
            let mut cut = d.job.clone();
            cut.card.findings.truncate(number);
            assert_eq!(
                course.chances[k].p,
                Diagnosis::on(d.rules, cut, d.circuit.as_ref().map(|c| c.board()))
                    .unwrap()
                    .probability(fault),
                "{name}"
            );
        }
    }
}

/// The estimate's mean and range, from its possibilities by brute force; their costs, from the rules.
#[test]
fn estimates_add_up() {
    let mut seen = 0;
    for (name, job, summary) in all() {
        let (Some(d), Some(e)) = (&diagnosis(job), &summary.estimate) else { continue };
        seen += 1;
        let total: f64 = e.possibilities.iter().map(|p| p.share).sum();
        assert!((total - 1.0).abs() < 1e-9, "{name}: shares sum to {total}");
        for p in &e.possibilities {
            let mut remedies: BTreeSet<halfsplit::job::RemedyRef> = BTreeSet::new();
            for id in &p.faults {
                let fault = d.model.fault(id).unwrap();
                remedies.extend(d.model.faults[fault.0].remedies.first().cloned());
            }
            let minutes: f64 = remedies.iter().map(|r| d.offer(r).minutes).sum();
            let parts: i64 = remedies.iter().map(|r| (d.offer(r).money * 100.0).round() as i64).sum();
            assert_eq!((p.mend, p.parts), (minutes, parts), "{name}");
            // 48.00 an hour in quarters, 20 % on top.
            let quarters = ((p.find + p.mend) * 100.0).round() as i64;
            let labour = (quarters + 1499) / 1500 * 1200;
            assert_eq!(p.cost, ((labour + parts) * 12 + 5) / 10, "{name}: {:?}", p.faults);
        }
        let mean: f64 = e.possibilities.iter().map(|p| p.share * p.cost as f64).sum();
        assert_eq!(e.cost.minor, mean.round() as i64, "{name}");
        let below =
            |limit: i64| e.possibilities.iter().filter(|p| p.cost <= limit).map(|p| p.share).sum::<f64>();
        let under =
            |limit: i64| e.possibilities.iter().filter(|p| p.cost < limit).map(|p| p.share).sum::<f64>();
        assert!(below(e.cost_low.minor) >= 0.1 - 1e-9 && under(e.cost_low.minor) < 0.1, "{name}");
        assert!(below(e.cost_high.minor) >= 0.9 - 1e-9 && under(e.cost_high.minor) < 0.9, "{name}");
        let shown = shop().amount(e.cost.minor);
        let text = on_paper(summary, Audience::Customer, Format::Text);
        assert!(text.contains(&shown), "{name}: {shown}");
    }
    assert!(seen > 0, "no card is open");
}

/// Worked by hand: findings 25 min (those struck took their time too) and work 20 min are 45 min, three quarters at 48.00
/// an hour: 36.00. Parts 0.80 + 2 × 0.35 = 1.50. Sum 37.50, 20 % of it 7.50, total 45.00.
#[test]
fn the_bill_is_the_one_worked_by_hand() {
    let (_, _, summary) = all().iter().find(|(n, _, _)| n == "cloud-ladder").unwrap();
    let bill = summary.bill.as_ref().unwrap();
    let minor = |a: &Option<Amount>| a.as_ref().unwrap().minor;
    assert_eq!(bill.time.as_ref().unwrap().minutes, 45.0);
    assert_eq!(
        (minor(&bill.labour), minor(&bill.sum), minor(&bill.tax), minor(&bill.total)),
        (3600, 3750, 750, 4500)
    );
    let text = on_paper(summary, Audience::Customer, Format::Text);
    assert!(
        text.contains("45.00\u{a0}EUR")
            && text.contains("\"Only the clean sound comes out, the echo went last week.\"")
    );
}

/// Numbers that a customer reads stand in the model or on the card, or in a template's own words.
#[test]
fn no_number_comes_from_nowhere() {
    fn strings(v: &serde_json::Value, out: &mut String) {
        match v {
            serde_json::Value::String(s) => {
                out.push_str(s);
                out.push('\n');
            }
            serde_json::Value::Array(a) => a.iter().for_each(|v| strings(v, out)),
            serde_json::Value::Object(o) => o.values().for_each(|v| strings(v, out)),
            serde_json::Value::Number(n) => out.push_str(&format!("{n}\n")),
            _ => {}
        }
    }
    let numbers = |text: &str| -> BTreeSet<String> {
        text.split(|c: char| !c.is_ascii_digit() && c != '.')
            .map(|t| t.trim_matches('.').to_string())
            .filter(|t| !t.is_empty())
            .collect()
    };
    for (name, _, summary) in all() {
        let mut known = String::from("8 10 80\n");
        strings(&serde_json::to_value(summary).unwrap(), &mut known);
        let known = numbers(&known);
        for audience in [Audience::Customer, Audience::Bench] {
            let text = on_paper(summary, audience, Format::Text);
            let strange: Vec<_> = numbers(&text).difference(&known).cloned().collect();
            assert!(strange.is_empty(), "{name}: {strange:?}");
        }
    }
}

const EVIL: &str = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> `c` **b** | p | [l](javascript:alert(3)) \
                    ![i](http://x.example/i.png) <!-- --> ]]> </title></style></text></svg></bdi> {{ 7*7 }}{% raw %} &lt;";

fn quoted(text: &str) -> String {
    serde_json::to_string(text).unwrap()
}

fn hostile(field: &str) -> Summary {
    let f = quoted(field);
    let card = format!(
        "unit: {f}\nnumber: {f}\nowner: {f}\nserial: {f}\nreceived: {f}\ncondition: {f}\nchanged: {f}\n\
         history: worked-before\npower: adaptor\ncomplaint: {{words: {f}, symptoms: [no-echo]}}\nblocks: [echo-chip, supply]\n\
         tools: [meter, audio-probe]\nfindings:\n  - {{at: {f}, check: logic-rail-volts, answer: 3.1V, remark: {f}}}\n  \
         - {{check: {f}, answer: {f}, struck: {f}}}\n  - {{check: probe-echo-in, answer: present}}\n  \
         - {{check: probe-echo-out, answer: none}}\nwork:\n  - {{did: {f}, minutes: 20, parts: [{{part: {f}, price: 0.80}}]}}\n\
         remarks:\n  - {{text: {f}}}\nnot-tested: [{f}]\noutcome: {{at: {f}, end: mended, faults: [{f}, regulator-dead], did: {f}}}\n"
    );
    let job = JobCard::read(&Source::new("job.yaml", card)).unwrap_or_else(|e| panic!("{e}"));
    let diagnosis = Diagnosis::of(rules(), job).unwrap();
    let mut shop = shop();
    shop.name = Some(field.into());
    shop.terms = vec![field.into()];
    Summary::of(&diagnosis, &shop).unwrap().made(&shop, field)
}

/// Elements that a page of ours has.
const ELEMENTS: &str = "html head meta title style body main header div section h1 h2 h3 p ul li dl dt dd table caption thead \
     tbody tr th td bdi s br span code figure figcaption footer svg desc defs pattern rect line circle polygon polyline text";

#[test]
fn a_hostile_card_stays_text_in_every_format() {
    let known: BTreeSet<&str> = ELEMENTS.split_whitespace().collect();
    let fields = [
        EVIL.to_string(),
        "x".repeat(10_000),
        "=cmd|' /C calc'!A0 +1 @SUM(A1)".into(),
        "\u{202e}RTL\u{202c} \u{200f}m\u{2066}iso\u{2069} \u{5e9}\u{5dc} \u{1f469}\u{200d}\u{1f527} \u{1b}[31mred\u{1b}]0;t\u{7}\u{9b}1m\u{0}".replace('\0', ""),
        "# h\n\n- l\n\n1. n\n> q\n\n---\n\n| a | b |\n|---|---|\n\n```\nx\n```".into(),
    ];
    for field in &fields {
        let summary = hostile(field);
        for audience in [Audience::Customer, Audience::Bench] {
            for format in [Format::Text, Format::Markdown, Format::Html] {
                let text = on_paper(&summary, audience, format);
                assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "a control character");
                assert!(
                    !text
                        .chars()
                        .any(|c| matches!(c as u32, 0x200e | 0x200f | 0x202a..=0x202e | 0x2066..=0x2069))
                );
            }
            let html = on_paper(&summary, audience, Format::Html);
            let body = &html[html.find("</style>").unwrap() + 8..];
            for tag in body.split('<').skip(1) {
                let name: String =
                    tag.trim_start_matches('/').chars().take_while(char::is_ascii_alphanumeric).collect();
                assert!(known.contains(name.as_str()), "<{}", tag.chars().take(60).collect::<String>());
                let inside = tag.split('>').next().unwrap();
                assert!(
                    !inside.contains(" on") && !inside.contains("href") && !inside.contains("src="),
                    "<{inside}"
                );
            }
            for line in on_paper(&summary, audience, Format::Text).lines() {
                assert!(line.width() <= COLUMNS);
            }
            markdown_stays_flat(&on_paper(&summary, audience, Format::Markdown));
        }
    }
    let evil = on_paper(&hostile(EVIL), Audience::Customer, Format::Html);
    assert!(evil.contains("&lt;script&gt;") && evil.contains("7*7"), "what the card says is still there");
    let long = on_paper(&hostile(&fields[1]), Audience::Customer, Format::Text);
    assert!(long.matches('x').count() >= 50_000, "nothing is cut");
}

/// Unescaped marks of a card's text would show up as constructs that no template of ours writes.
fn markdown_stays_flat(text: &str) {
    for line in text.lines() {
        let bare = line.replace("\\\\", "");
        for mark in ["<", "[", "]", "`", "!["] {
            for (i, _) in bare.match_indices(mark) {
                assert!(
                    i > 0 && bare.as_bytes()[i - 1] == b'\\',
                    "{mark} in {}",
                    line.chars().take(120).collect::<String>()
                );
            }
        }
        // A row has as many bars as its head; a bar in the text carries its backslash.
        assert!(!bare.starts_with("```") && !bare.starts_with("---"), "{line}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Bills of any shop and card, by exact fractions.
    #[test]
    fn bills_follow_the_stated_rule(
        minutes in proptest::collection::vec(0u32..6000, 1..6),
        prices in proptest::collection::vec((1u32..20, 0u32..100_000), 0..6),
        rate in 0u32..20_000, step in 1u32..60, tax in 0u32..3000, included: bool,
    ) {
        let money = |m: u32| format!("{}.{:02}", m / 100, m % 100);
        let shop = format!(
            "labour-per-hour: {}\nlabour-step: {step}\ntax: {{label: T, percent: {}, included: {included}}}\n",
            money(rate), money(tax),
        );
        let shop = Shop::read(&Source::new("shop.yaml", shop)).unwrap();
        let parts: Vec<String> = prices.iter().map(|(n, p)| format!("{{part: p, count: {n}, price: {}}}", money(*p))).collect();
        let mut card = String::from("unit: U\nhistory: fresh-build\npower: mains\nwork:\n");
        for (i, m) in minutes.iter().enumerate() {
            let parts = if i == 0 { format!(", parts: [{}]", parts.join(", ")) } else { String::new() };
            card += &format!("  - {{did: w, minutes: {}{parts}}}\n", f64::from(*m) / 100.0);
        }
        let job = JobCard::read(&Source::new("job.yaml", card)).unwrap();
        let bill = Summary::declined(&job, rules(), &shop).unwrap().bill;
        let hundredths: u64 = minutes.iter().map(|m| u64::from(*m)).sum();
        let parts: u64 = prices.iter().map(|(n, p)| u64::from(*n) * u64::from(*p)).sum();
        let Some(bill) = bill else {
            prop_assert!(hundredths == 0 && prices.is_empty());
            return Ok(());
        };
        let nearest = |a: u64, b: u64| (2 * a + b) / (2 * b);
        let billed = hundredths.div_ceil(u64::from(step) * 100) * u64::from(step);
        let labour = nearest(billed * u64::from(rate), 60);
        let sum = labour + parts;
        let tax_amount = if included { nearest(sum * u64::from(tax), 10_000 + u64::from(tax)) } else { nearest(sum * u64::from(tax), 10_000) };
        let total = if included { sum } else { sum + tax_amount };
        let minor = |a: &Option<Amount>| a.as_ref().map(|a| a.minor as u64);
        if hundredths > 0 {
            prop_assert_eq!(minor(&bill.labour), Some(labour));
        }
        if hundredths > 0 || !prices.is_empty() {
            prop_assert_eq!(minor(&bill.sum), Some(sum));
            prop_assert_eq!(minor(&bill.tax), Some(tax_amount));
            prop_assert_eq!(minor(&bill.total), Some(total));
        }
    }

    /// Whatever a card says, the text of a summary drives nothing and fits.
    #[test]
    fn any_text_is_made_inert(text in any::<String>()) {
        let clean = inert(&text);
        prop_assert!(!clean.chars().any(char::is_control));
        prop_assert_eq!(inert(&clean), clean.clone());
    }
}
