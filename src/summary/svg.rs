//! A small drawing board: shapes and text to inline SVG, every text escaped, readable in black and white.
//!
//! Drawings are 340 units wide, so that on a phone of 360 pixels a unit is a pixel; text is never smaller than 12.5.

use std::fmt::Write;

/// Width of every drawing.
pub const WIDTH: f64 = 340.0;
/// Ink.
pub const INK: &str = "#1c2321";
/// The one colour, for what is as it should be or leads; dark enough for text on white.
pub const ACCENT: &str = "#0b5a63";
/// What is not as it should be: told apart by shape and words as well.
pub const ALARM: &str = "#9a3412";
/// Lines in the background.
pub const FAINT: &str = "#8a938f";

/// A drawing in the making.
#[derive(Debug)]
pub struct Drawing {
    id: String,
    body: String,
}

/// Where a text's given point lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// At its start.
    Start,
    /// In its middle.
    Middle,
    /// At its end.
    End,
}

impl Drawing {
    /// An empty drawing. `id` is unique on its page.
    pub fn new(id: &str) -> Self {
        Self { id: id.into(), body: String::new() }
    }

    /// A text of a size, bold or not.
    pub fn text(&mut self, x: f64, y: f64, text: &str, anchor: Anchor, bold: bool, fill: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let weight = if bold { " font-weight=\"700\"" } else { "" };
        let text = escaped(text);
        let _ = writeln!(
            self.body,
            "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\" font-size=\"13\"{weight} fill=\"{fill}\">{text}</text>"
        );
    }

    /// A straight line; `dash` as SVG has it, empty for a whole one.
    pub fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, stroke: &str, dash: &str) {
        let dash = if dash.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dash}\"") };
        let _ = writeln!(
            self.body,
            "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" stroke=\"{stroke}\" stroke-width=\"{width}\"{dash}/>",
            from.0, from.1, to.0, to.1
        );
    }

    /// Joined straight lines.
    pub fn polyline(&mut self, points: &[(f64, f64)], width: f64, stroke: &str, dash: &str) {
        let dash = if dash.is_empty() { String::new() } else { format!(" stroke-dasharray=\"{dash}\"") };
        let list: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1},{y:.1}")).collect();
        let _ = writeln!(
            self.body,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"{stroke}\" stroke-width=\"{width}\" stroke-linejoin=\"round\"{dash}/>",
            list.join(" ")
        );
    }

    /// A rectangle.
    pub fn rect(&mut self, x: f64, y: f64, width: f64, height: f64, fill: &Fill, stroke: &str) {
        let fill = match fill {
            Fill::Plain(colour) => (*colour).to_string(),
            Fill::Hatched => format!("url(#{}-hatch)", self.id),
        };
        let _ = writeln!(
            self.body,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{:.1}\" height=\"{height:.1}\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"1.2\"/>",
            width.max(0.0)
        );
    }

    /// A mark: 0 a disc, 1 a square, 2 a triangle, 3 a lozenge; hollow or full.
    pub fn mark(&mut self, shape: usize, x: f64, y: f64, size: f64, stroke: &str, full: bool) {
        let fill = if full { stroke } else { "#ffffff" };
        let look = format!("fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"1.8\"");
        let points = |list: &[(f64, f64)]| {
            list.iter()
                .map(|(a, b)| format!("{:.1},{:.1}", x + a * size, y + b * size))
                .collect::<Vec<_>>()
                .join(" ")
        };
        let _ = match shape {
            0 => writeln!(self.body, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{size:.1}\" {look}/>"),
            1 => writeln!(
                self.body,
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" {look}/>",
                x - size,
                y - size,
                2.0 * size,
                2.0 * size
            ),
            2 => writeln!(
                self.body,
                "<polygon points=\"{}\" {look}/>",
                points(&[(0.0, -1.2), (1.1, 0.9), (-1.1, 0.9)])
            ),
            _ => writeln!(
                self.body,
                "<polygon points=\"{}\" {look}/>",
                points(&[(0.0, -1.4), (1.4, 0.0), (0.0, 1.4), (-1.4, 0.0)])
            ),
        };
    }

    /// A cross.
    pub fn cross(&mut self, x: f64, y: f64, size: f64, stroke: &str) {
        self.line((x - size, y - size), (x + size, y + size), 2.6, stroke, "");
        self.line((x - size, y + size), (x + size, y - size), 2.6, stroke, "");
    }

    /// The drawing as an `svg` element with its name and what it shows in words.
    pub fn finish(self, height: f64, title: &str, description: &str) -> String {
        let id = &self.id;
        format!(
            "<svg class=\"picture\" viewBox=\"0 0 {WIDTH:.0} {height:.0}\" role=\"img\" aria-labelledby=\"{id}-title {id}-desc\" \
             xmlns=\"http://www.w3.org/2000/svg\" font-family=\"inherit\">\n<title id=\"{id}-title\">{}</title>\n\
             <desc id=\"{id}-desc\">{}</desc>\n<defs><pattern id=\"{id}-hatch\" width=\"6\" height=\"6\" \
             patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\"><rect width=\"6\" height=\"6\" fill=\"#ffffff\"/>\
             <line x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\" stroke=\"{ACCENT}\" stroke-width=\"3\"/></pattern></defs>\n{}</svg>",
            escaped(title),
            escaped(description),
            self.body
        )
    }
}

/// What a shape is filled with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fill {
    /// A colour.
    Plain(&'static str),
    /// Slanted lines.
    Hatched,
}

/// Text that can't leave its element.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in crate::text::inert::text(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

/// A text in lines of at most `chars` characters, at most `lines` of them; what doesn't fit ends in an ellipsis.
pub fn broken(text: &str, chars: usize, lines: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut line = String::new();
    let clean = crate::text::inert::text(text);
    for word in clean.split_whitespace() {
        let length = line.chars().count();
        if length > 0 && length + 1 + word.chars().count() > chars {
            out.push(std::mem::take(&mut line));
        } else if length > 0 {
            line.push(' ');
        }
        line.push_str(word);
        if out.len() >= lines {
            break;
        }
    }
    out.push(line);
    let cut = out.len() > lines;
    out.truncate(lines);
    let last = out.len() - 1;
    for (i, line) in out.iter_mut().enumerate() {
        let long = line.chars().count() > chars;
        if long || (cut && i == last) {
            *line = line.chars().take(chars.saturating_sub(1)).collect::<String>() + "\u{2026}";
        }
    }
    out
}

/// A linear scale from values to drawing units.
#[derive(Clone, Copy, Debug)]
pub struct Scale {
    /// Values at the ends.
    pub values: (f64, f64),
    /// Units at the ends.
    pub units: (f64, f64),
}

impl Scale {
    /// Where a value lies; values beyond an end lie on it.
    pub fn at(&self, value: f64) -> f64 {
        let (a, b) = self.values;
        let share = if b > a { ((value - a) / (b - a)).clamp(0.0, 1.0) } else { 0.5 };
        self.units.0 + share * (self.units.1 - self.units.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_stays_in_its_element_and_in_its_lines() {
        assert_eq!(escaped("</text><script>\"'&"), "&lt;/text&gt;&lt;script&gt;&quot;&#39;&amp;");
        assert_eq!(broken("one two three", 7, 2), ["one two", "three"]);
        assert_eq!(broken("one two three four five", 7, 2), ["one two", "three\u{2026}"]);
        assert_eq!(broken(&"x".repeat(50), 10, 2), ["x".repeat(9) + "\u{2026}"]);
        assert_eq!(broken("", 10, 2), [""]);
    }

    #[test]
    fn a_scale_is_linear_and_ends_at_its_ends() {
        let scale = Scale { values: (2.0, 4.0), units: (0.0, 100.0) };
        assert_eq!([scale.at(2.0), scale.at(3.0), scale.at(4.0), scale.at(9.0)], [0.0, 50.0, 100.0, 100.0]);
    }
}
