//! An HTML page as a tree, read by html5ever, and the selectors of style sheets on it, as far as our pages use them.

use html5ever::tendril::TendrilSink;
use markup5ever_rcdom::{Handle, NodeData, RcDom};

/// A page.
pub struct Page {
    /// Parse errors of the HTML standard.
    pub errors: Vec<String>,
    /// Its elements; what is inside of one stands behind it.
    pub elements: Vec<Element>,
}

/// An element.
pub struct Element {
    pub name: String,
    attributes: Vec<(String, String)>,
    pub parent: Option<usize>,
    /// Elements right inside it.
    pub children: Vec<usize>,
    /// All text inside it.
    pub text: String,
    /// The text right inside it.
    pub own_text: String,
}

impl Element {
    /// The value of an attribute.
    pub fn attr(&self, name: &str) -> Option<&str> {
        self.attributes.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }

    /// The names of its attributes.
    pub fn attrs(&self) -> impl Iterator<Item = &str> {
        self.attributes.iter().map(|(n, _)| n.as_str())
    }
}

impl Page {
    /// Reads a page.
    pub fn read(text: &str) -> Self {
        let dom = html5ever::parse_document(RcDom::default(), html5ever::ParseOpts::default()).one(text);
        let errors = dom.errors.borrow().iter().map(ToString::to_string).collect();
        let mut page = Self { errors, elements: Vec::new() };
        page.add(&dom.document, None);
        page
    }

    fn add(&mut self, node: &Handle, parent: Option<usize>) {
        let mut inside = parent;
        match &node.data {
            NodeData::Element { name, attrs, .. } => {
                let at = self.elements.len();
                let attributes =
                    attrs.borrow().iter().map(|a| (a.name.local.to_string(), a.value.to_string())).collect();
                let (name, children) = (name.local.to_string(), Vec::new());
                let (text, own_text) = (String::new(), String::new());
                self.elements.push(Element { name, attributes, parent, children, text, own_text });
                if let Some(parent) = parent {
                    self.elements[parent].children.push(at);
                }
                inside = Some(at);
            }
            NodeData::Text { contents } => {
                let text = contents.borrow().to_string();
                if let Some(at) = parent {
                    self.elements[at].own_text += &text;
                }
                let mut around = parent;
                while let Some(at) = around {
                    self.elements[at].text += &text;
                    around = self.elements[at].parent;
                }
            }
            _ => {}
        }
        node.children.borrow().iter().for_each(|child| self.add(child, inside));
    }

    /// Elements that fit one of several selectors, in the order of the page.
    pub fn find(&self, selectors: &str) -> Vec<usize> {
        let fits = |at: &usize| selectors.split(',').any(|s| self.fits(*at, s.trim()));
        (0..self.elements.len()).filter(fits).collect()
    }

    /// Whether an element fits a selector.
    pub fn fits(&self, at: usize, selector: &str) -> bool {
        let words: Vec<&str> = selector.split_whitespace().collect();
        self.fits_words(at, &words)
    }

    fn fits_words(&self, at: usize, words: &[&str]) -> bool {
        let Some((last, before)) = words.split_last() else { return true };
        if !self.fits_alone(at, last) {
            return false;
        }
        let parent = self.elements[at].parent;
        match before {
            [] => true,
            [rest @ .., ">"] => parent.is_some_and(|p| self.fits_words(p, rest)),
            _ => std::iter::successors(parent, |p| self.elements[*p].parent)
                .any(|p| self.fits_words(p, before)),
        }
    }

    /// Whether an element fits a selector without blanks, such as `td.num:last-child`.
    fn fits_alone(&self, at: usize, selector: &str) -> bool {
        let element = &self.elements[at];
        let siblings = element.parent.map_or(&[][..], |p| &self.elements[p].children);
        let end = selector.find(['.', '#', '[', ':']).unwrap_or(selector.len());
        let (name, mut rest) = selector.split_at(end);
        let mut fits = name.is_empty() || name == "*" || name == element.name;
        while let Some(kind) = rest.chars().next() {
            // The next part begins at the next mark outside of brackets.
            let mut depth = 0;
            let next = rest.char_indices().skip(1).find(|(_, c)| {
                depth += i32::from(*c == '(') - i32::from(*c == ')');
                depth == 0 && ".#[:".contains(*c)
            });
            let (part, behind) = rest.split_at(next.map_or(rest.len(), |(i, _)| i));
            rest = behind;
            let word = part[1..].trim_end_matches([']', ')']);
            fits &= match (kind, word.split_once('(')) {
                ('.', _) => element.attr("class").is_some_and(|c| c.split_whitespace().any(|c| c == word)),
                ('#', _) => element.attr("id") == Some(word),
                ('[', _) => match word.split_once('=') {
                    Some((name, value)) => element.attr(name) == Some(value),
                    None => element.attr(word).is_some(),
                },
                (':', Some(("not", inner))) => !self.fits_alone(at, inner),
                (':', Some(("nth-child", n))) => {
                    siblings.iter().position(|s| *s == at) == n.parse().ok().map(|n: usize| n - 1)
                }
                (':', None) if word == "last-child" => siblings.last() == Some(&at),
                (':', None) if word == "first-child" => siblings.first() == Some(&at),
                (':', None) if word == "root" => element.parent.is_none(),
                _ => panic!("the selector {selector} is beyond this test"),
            };
        }
        fits
    }
}
