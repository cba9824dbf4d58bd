//! The HTML pages of all built-in cards and boards as a validator and the rules of accessibility (WCAG 2.2 AA, common practice) see
//! them: parsed by html5ever, the styles worked out element by element.

use super::dom::{Element, Page};
use super::pages::{Made, built};
use std::collections::{BTreeMap, BTreeSet};

/// Least contrast of text on what it stands on.
const CONTRAST: f64 = 4.5;
/// Smallest text on a screen, pixels.
const SMALLEST: f64 = 12.0;

#[test]
fn pages_are_valid_and_within_everyones_reach() {
    let of = |page: &Made| {
        slips(&page.html).into_iter().map(|s| format!("{}: {s}", page.name)).collect::<Vec<_>>()
    };
    let wrong: Vec<String> = built().iter().flat_map(of).collect();
    assert!(wrong.is_empty(), "{} wrong on {} pages:\n{}", wrong.len(), built().len(), wrong.join("\n"));
}

/// What is wrong with a page.
fn slips(text: &str) -> Vec<String> {
    let page = Page::read(text);
    let mut out: Vec<String> = page.errors.iter().map(|e| format!("parse error: {e}")).collect();
    document(&page, &mut out);
    for at in 0..page.elements.len() {
        structure(&page, at, &mut out);
    }
    let styles = Styles::of(&page);
    for narrow in [false, true] {
        let start = Style { colour: [0.0; 3], on: [1.0; 3], size: 16.0 };
        styles.walk(&page, 0, start, narrow, &mut out);
    }
    out.sort();
    out.dedup();
    out
}

fn shown(element: &Element) -> String {
    let text: String = element.text.split_whitespace().collect::<Vec<_>>().join(" ");
    format!("<{}> '{}'", element.name, text.chars().take(40).collect::<String>())
}

/// Language, title, one main, headings in their order, names that are there once.
fn document(page: &Page, out: &mut Vec<String>) {
    for wanted in ["head > title", "main", "h1", "meta[charset=utf-8]", "meta[name=viewport]"] {
        let found = page.find(wanted);
        let says = |at: &usize| wanted.contains("meta") || !page.elements[*at].text.trim().is_empty();
        if found.len() != 1 || !found.iter().all(says) {
            out.push(format!("{} of {wanted}, and one with a text is wanted", found.len()));
        }
    }
    if page.elements[0].attr("lang").is_none_or(|l| l.len() < 2) {
        out.push("no language".into());
    }
    let mut level = 0;
    for at in page.find("h1, h2, h3, h4, h5, h6") {
        let heading = &page.elements[at];
        let next: u32 = heading.name[1..].parse().unwrap();
        if next > level + 1 {
            out.push(format!("{} follows a heading of level {level}", shown(heading)));
        }
        level = next;
    }
    let mut seen = BTreeSet::new();
    for id in page.elements.iter().filter_map(|e| e.attr("id")) {
        if !seen.insert(id) {
            out.push(format!("id {id} is there twice"));
        }
    }
}

/// What an element owes to whoever can't see it, and what a page for print does without.
fn structure(page: &Page, at: usize, out: &mut Vec<String>) {
    let element = &page.elements[at];
    for attribute in ["aria-labelledby", "aria-describedby", "for"] {
        for id in element.attr(attribute).unwrap_or_default().split_whitespace() {
            let named = page.elements.iter().find(|e| e.attr("id") == Some(id));
            if named.is_none_or(|e| e.text.trim().is_empty()) {
                out.push(format!("{} speaks of #{id}, which says nothing", shown(element)));
            }
        }
    }
    let first = element.children.first().map_or("", |c| page.elements[*c].name.as_str());
    let parent = element.parent.map_or("", |p| page.elements[p].name.as_str());
    let empty = element.text.trim().is_empty();
    let labelled = element.attr("aria-labelledby").is_some()
        || element.attr("aria-label").is_some_and(|l| !l.trim().is_empty());
    let mut bad = |what: &str| out.push(format!("{}: {what}", shown(element)));
    match element.name.as_str() {
        "svg" if element.attr("role") != Some("img") || !labelled => bad("a picture without role and label"),
        "svg" if first != "title" => bad("a picture without a title"),
        "img" if element.attr("alt").is_none() => bad("no alternative text"),
        "input" | "select" | "textarea" | "button" => {
            bad("a page for print has nothing to fill in on the screen");
        }
        "script" | "iframe" | "object" | "embed" | "link" | "base" => bad("active or foreign content"),
        "th" if !matches!(element.attr("scope"), Some("col" | "row" | "colgroup" | "rowgroup")) => {
            bad("no scope");
        }
        "th" if empty => bad("a heading without a text"),
        "li" if !["ul", "ol"].contains(&parent) => bad("no list around it"),
        "dt" | "dd" if !["dl", "div"].contains(&parent) => bad("no list around it"),
        "ul" | "ol" | "dl" | "tbody" if first.is_empty() => bad("nothing in it"),
        "tr" => row(page, at, &mut bad),
        "a" if empty => bad("a link without a text"),
        _ => {}
    }
    if element.attr("tabindex").is_some() && (!labelled || element.attr("role").is_none()) {
        bad("can be reached by the keyboard and has no name");
    }
    if element.attrs().any(|a| a == "style" || a.starts_with("on")) {
        bad("style or script in an attribute");
    }
}

/// A row has a cell under each heading of its table.
fn row(page: &Page, at: usize, bad: &mut impl FnMut(&str)) {
    let up = |at: usize| std::iter::successors(Some(at), |at| page.elements[*at].parent);
    let Some(table) = up(at).find(|a| page.elements[*a].name == "table") else {
        return bad("no table around it");
    };
    let columns = page.find("thead th").into_iter().filter(|th| up(*th).any(|a| a == table)).count();
    let span = |cell: &usize| page.elements[*cell].attr("colspan").map_or(1, |n| n.parse().unwrap_or(0));
    let cells: usize = page.elements[at].children.iter().map(span).sum();
    if columns == 0 {
        bad("no headings of columns");
    } else if cells != columns {
        bad(&format!("{cells} cells below {columns} headings"));
    }
}

/// How an element is drawn, as far as its legibility goes.
#[derive(Clone, Copy)]
struct Style {
    colour: [f64; 3],
    on: [f64; 3],
    size: f64,
}

struct Rule {
    selector: String,
    /// Ids, classes and the like, names of elements; then the place in the sheet.
    rank: (usize, usize, usize, usize),
    /// Of a narrow screen only.
    narrow: bool,
    declared: Vec<(String, String)>,
}

/// The styles of a page for screens, without those for print.
struct Styles {
    rules: Vec<Rule>,
    variables: BTreeMap<String, String>,
}

impl Styles {
    fn of(page: &Page) -> Self {
        let text: String = page.find("style").into_iter().map(|at| page.elements[at].text.as_str()).collect();
        let mut out = Self { rules: Vec::new(), variables: BTreeMap::new() };
        out.read(&text, false);
        out.rules.sort_by_key(|r| r.rank);
        out
    }

    fn read(&mut self, text: &str, narrow: bool) {
        let mut rest = text;
        while let Some(open) = rest.find('{') {
            let (head, behind) = (rest[..open].trim(), &rest[open + 1..]);
            let mut depth = 1;
            let closes = |c: char| {
                depth += i32::from(c == '{') - i32::from(c == '}');
                depth == 0
            };
            let end = behind.find(closes).expect("a block without an end");
            let body = &behind[..end];
            match head {
                _ if head.starts_with("@media (max-width") => self.read(body, true),
                // Print and pages have no pixels; a focus ring is no text.
                _ if head.starts_with('@') || head.contains(":focus") => {}
                _ => head.split(',').for_each(|selector| self.rule(selector.trim(), body, narrow)),
            }
            rest = &behind[end + 1..];
        }
    }

    fn rule(&mut self, selector: &str, body: &str, narrow: bool) {
        let declared: Vec<(String, String)> = body
            .split(';')
            .filter_map(|d| d.split_once(':'))
            .map(|(k, v)| (k.trim().to_owned(), v.trim().to_owned()))
            .collect();
        let variables = declared.iter().filter(|(k, _)| k.starts_with("--"));
        self.variables.extend(variables.cloned());
        let count = |signs: &[char]| selector.matches(|c| signs.contains(&c)).count();
        let plain = |w: &&str| w.starts_with(|c: char| c.is_ascii_alphabetic());
        let names = selector.split([' ', '>', '+', '~']).filter(plain).count();
        let rank = (count(&['#']), count(&['.', '[', ':']), names, self.rules.len());
        self.rules.push(Rule { selector: selector.to_owned(), rank, narrow, declared });
    }

    fn resolved(&self, value: &str) -> String {
        let name = value.strip_prefix("var(").and_then(|v| v.strip_suffix(')'));
        name.map_or(value.to_owned(), |n| self.variables.get(n).expect("a variable of the page").clone())
    }

    fn walk(&self, page: &Page, at: usize, around: Style, narrow: bool, out: &mut Vec<String>) {
        let element = &page.elements[at];
        if ["head", "style", "title", "desc"].contains(&element.name.as_str()) {
            return;
        }
        let mut style = around;
        for rule in self.rules.iter().filter(|r| (narrow || !r.narrow) && page.fits(at, &r.selector)) {
            for (name, value) in rule.declared.iter().filter(|(_, value)| value != "inherit") {
                let value = self.resolved(value);
                match name.as_str() {
                    "color" => style.colour = colour(&value).unwrap_or_else(|| panic!("colour {value}")),
                    "background" | "background-color" => style.on = colour(&value).unwrap_or(around.on),
                    "font-size" => {
                        style.size = size(&value, around.size).unwrap_or_else(|| panic!("size {value}"))
                    }
                    "font" => {
                        style.size = value.split([' ', '/']).find_map(|w| size(w, around.size)).unwrap()
                    }
                    _ => {}
                }
            }
        }
        // A picture has its own: drawn 340 units wide, and never narrower than some pixels less than that.
        if element.name == "text" {
            let attribute = |name: &str| element.attr(name).unwrap_or_default();
            style.colour = colour(attribute("fill")).unwrap_or([0.0; 3]);
            style.size = attribute("font-size").parse::<f64>().unwrap_or(16.0) * 0.97;
        }
        let own = !element.own_text.trim().is_empty();
        if own && contrast(style.colour, style.on) < CONTRAST {
            out.push(format!("{}: contrast {:.1}", shown(element), contrast(style.colour, style.on)));
        }
        if own && style.size < SMALLEST {
            out.push(format!("{}: text of {:.1} pixels", shown(element), style.size));
        }
        element.children.iter().for_each(|child| self.walk(page, *child, style, narrow, out));
    }
}

/// `#rrggbb` or `#rgb`, each part from 0 to 1.
fn colour(text: &str) -> Option<[f64; 3]> {
    let digits = text.strip_prefix('#')?;
    let wide = digits.len() / 3;
    let part = |i: usize| {
        let part = digits.get(i * wide..(i + 1) * wide)?;
        u8::from_str_radix(&part.repeat(3 - wide), 16).ok().map(|n| f64::from(n) / 255.0)
    };
    Some([part(0)?, part(1)?, part(2)?])
}

/// A size in pixels; one in em or per cent is of the text around.
fn size(text: &str, around: f64) -> Option<f64> {
    let units = [("px", 1.0), ("pt", 4.0 / 3.0), ("rem", 16.0), ("em", around), ("%", around / 100.0)];
    units.iter().find_map(|(unit, pixels)| Some(text.strip_suffix(unit)?.parse::<f64>().ok()? * pixels))
}

/// The ratio of WCAG 2.2.
fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
    let linear = |x: f64| if x <= 0.04045 { x / 12.92 } else { ((x + 0.055) / 1.055).powf(2.4) };
    let light = |c: [f64; 3]| 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
    let (a, b) = (light(a), light(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// The check itself: a page in order passes, and each thing spoilt on it is named.
#[test]
fn what_is_spoilt_on_a_page_is_named() {
    const GOOD: &str = "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" \
        content=\"width=device-width\"><title>A</title><style>:root { --soft: #4a5551; } body { color: #111; \
        background: #fff; } .x { color: var(--soft); font-size: 0.8em; } @media print { body { font-size: 5pt; } }\
        </style></head><body><main><h1>A</h1><h2>B</h2><p class=\"x\">text</p><table><thead><tr><th scope=\"col\">a\
        </th></tr></thead><tbody><tr><td>1</td></tr></tbody></table><svg role=\"img\" aria-labelledby=\"t\" \
        viewBox=\"0 0 340 9\"><title id=\"t\">P</title><text font-size=\"13\" fill=\"#0b5a63\">p</text></svg></main>\
        </body></html>";
    assert_eq!(slips(GOOD), Vec::<String>::new());
    for (from, to, says) in [
        (" lang=\"en\"", "", "no language"),
        ("<title>A</title>", "", "of head > title"),
        ("<h2>B</h2>", "<h3>B</h3>", "follows a heading of level 1"),
        ("<h1>A</h1>", "", "of h1"),
        (" scope=\"col\"", "", "no scope"),
        ("<td>1</td>", "<td>1</td><td>2</td>", "2 cells"),
        ("<p class=\"x\">text</p>", "<p class=\"x\">text</p></div>", "parse error"),
        ("<p class=\"x\">text</p>", "<p id=\"t\">text</p>", "twice"),
        ("aria-labelledby=\"t\"", "aria-labelledby=\"u\"", "says nothing"),
        ("aria-labelledby=\"t\"", "", "without role and label"),
        ("<title id=\"t\">P</title>", "<desc id=\"t\">P</desc>", "without a title"),
        ("#4a5551", "#8a938f", "contrast 3."),
        ("0.8em", "0.7em", "11.2 pixels"),
        ("font-size=\"13\"", "font-size=\"12\"", "11.6 pixels"),
        ("#0b5a63", "#cfd6d3", "contrast 1."),
        ("<p class", "<p onclick=\"x()\" class", "in an attribute"),
        ("<p class", "<p tabindex=\"0\" class", "has no name"),
    ] {
        let page = GOOD.replace(from, to);
        assert_ne!(page, GOOD, "{from}");
        let found = slips(&page);
        assert!(found.iter().any(|s| s.contains(says)), "{to}: {found:?}");
    }
}
