//! From parts as drawn to part kinds and device cards.

use super::drawing::{Drawing, DrawnPart, What};
use super::nets::Names;
use super::pins::Card;
use crate::rules::parts::{Device, Drawn, Library};
use crate::text::{Complaint, Complaints, Place, or_nearest};
use crate::units::{Farads, Ohms, Unit, notation, show};
use std::collections::BTreeMap;

/// A part with its kind or card, ready to be written into a board file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct FittedPart {
    /// Designator.
    pub id: String,
    /// Part kind, for parts without a card.
    pub kind: Option<String>,
    /// Part number, for parts with a card.
    pub device: Option<String>,
    /// Value as the trade writes it.
    pub value: Option<String>,
    /// Tolerance, where it is said.
    pub tolerance: Option<String>,
    /// `log` or `reverse-log`, for controls.
    pub taper: Option<String>,
    /// Where a control stands.
    pub turn: Option<String>,
    /// Where a switch stands.
    pub position: Option<String>,
    /// Role, where the file gives it or it was worked out.
    pub role: Option<String>,
    /// Figures of this one part.
    pub with: Vec<(String, String)>,
    /// Pins with their nets; those left open are not in it.
    pub nets: Vec<(String, String)>,
    /// What was guessed or taken otherwise than it stands.
    pub remarks: Vec<String>,
    /// Whether the kind of a capacitor was guessed by its value, so that its direction is not known.
    pub guessed_polar: bool,
    /// Whether the kind of a capacitor was guessed by its value at all.
    pub guessed_kind: bool,
}

/// A drawing with kinds and cards found.
#[derive(Clone, Debug, Default)]
pub struct Fitted {
    /// Parts in the order of the drawing.
    pub parts: Vec<FittedPart>,
    /// Parts that belong on no board (connectors, test points), with why.
    pub left_out: Vec<(String, String)>,
    /// Parts for which nothing was found, each with what to write.
    pub complaints: Complaints,
    /// Nets of jacks and connectors by what their value says, for guessing the signal's ends.
    pub(super) ends: Vec<(String, String)>,
    /// Board's names of nets.
    pub(super) names: Names,
}

/// Why a part was not found a kind.
struct Slip {
    message: String,
    help: String,
}

type Fit = Result<FittedPart, Slip>;

impl Fitted {
    /// Finds kinds and cards for a drawing's parts.
    pub fn of(drawing: &Drawing, library: &Library) -> Self {
        let mut out = Self::default();
        // Names that people gave go before those made of pins.
        let mut drawn: Vec<&str> =
            drawing.parts.iter().flat_map(|p| p.pins.iter().filter_map(|q| q.net.as_deref())).collect();
        drawn.sort_by_key(|n| n.starts_with("Net-("));
        drawn.iter().for_each(|net| drop(out.names.of(net)));
        let fitter = Fitter { library };
        let parts = fitter.sections_joined(&drawing.parts);
        for part in &parts {
            if let Some(why) = fitter.belongs_nowhere(part) {
                out.end_of(part);
                out.left_out.push((part.id.clone(), why));
                continue;
            }
            match fitter.fit(part) {
                Ok(mut fitted) => {
                    for (_, net) in &mut fitted.nets {
                        *net = out.names.of(net);
                    }
                    if fitted.kind.as_deref() == Some("jack") {
                        out.end_of(part);
                    }
                    out.parts.push(fitted);
                }
                Err(slip) => {
                    let place = Place { file: drawing.file.clone(), span: part.span };
                    out.complaints.0.push(Complaint::at("no-part", place, slip.message).help(slip.help));
                }
            }
        }
        out.names_fit();
        out.halves_of_pots();
        out
    }

    /// The board's name of a net as drawn.
    pub fn net(&self, drawn: &str) -> Option<&str> {
        self.names.get(drawn)
    }

    fn end_of(&mut self, part: &DrawnPart) {
        let nets: Vec<String> = part.pins.iter().filter_map(|p| p.net.clone()).collect();
        for net in nets {
            let name = self.names.of(&net);
            self.ends.push((format!("{} {}", part.id, part.value), name));
        }
    }

    /// Designators that a board file does not take, and those that come twice.
    fn names_fit(&mut self) {
        let mut taken: Vec<String> = Vec::new();
        for part in &mut self.parts {
            let mut id: String = part
                .id
                .chars()
                .map(|c| if c.is_alphanumeric() || "+-_/".contains(c) { c } else { '_' })
                .collect();
            if !id.starts_with(char::is_alphanumeric) {
                id.insert(0, 'P');
            }
            let id: String = id.chars().take(20).collect();
            let more = (2..).map(|n| format!("{id}-{n}"));
            let free = std::iter::once(id.clone()).chain(more).find(|i| !taken.contains(i)).unwrap_or(id);
            if free != part.id {
                part.remarks.push(format!("'{}' is called {free} here", part.id));
            }
            taken.push(free.clone());
            part.id = free;
        }
    }

    /// Two resistors named as the halves of a control (`RVR1a`, `RVR1b`) that share a net are that control.
    fn halves_of_pots(&mut self) {
        let half = |id: &str| -> Option<String> {
            let stem = id.strip_suffix(['a', 'b', 'A', 'B'])?;
            let upper = stem.to_uppercase();
            let named = ["RVR", "RV", "VR", "RPOT", "RP", "POT"].iter().find(|p| upper.starts_with(**p))?;
            let bare = if *named == "RVR" || *named == "RPOT" { &stem[1..] } else { stem };
            bare.contains(|c: char| c.is_ascii_digit()).then(|| bare.to_owned())
        };
        let mut pairs: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, part) in self.parts.iter().enumerate() {
            if part.kind.as_deref() == Some("resistor")
                && let Some(stem) = half(&part.id)
            {
                pairs.entry(stem).or_default().push(i);
            }
        }
        let mut gone = Vec::new();
        for (stem, pair) in pairs {
            let [a, b] = pair[..] else { continue };
            if let Some(joined) = joined_halves(&stem, &self.parts[a], &self.parts[b])
                && !self.parts.iter().any(|p| p.id == stem)
            {
                self.parts[a] = joined;
                gone.push(b);
            }
        }
        gone.sort_unstable();
        for i in gone.into_iter().rev() {
            self.parts.remove(i);
        }
    }
}

fn joined_halves(stem: &str, a: &FittedPart, b: &FittedPart) -> Option<FittedPart> {
    let nets = |p: &FittedPart| -> Option<[String; 2]> {
        let [(_, x), (_, y)] = &p.nets[..] else { return None };
        Some([x.clone(), y.clone()])
    };
    let (na, nb) = (nets(a)?, nets(b)?);
    let wiper = na.iter().find(|n| nb.contains(n))?.clone();
    let end = |n: &[String; 2]| n.iter().find(|x| **x != wiper).cloned();
    let (top, bottom) = (end(&na)?, end(&nb)?);
    let ohms = |p: &FittedPart| notation::ohms_value(p.value.as_deref()?).ok().map(|r| r.0);
    let (upper, lower) = (ohms(a)?, ohms(b)?);
    let total = upper + lower;
    // Ends of wipers cost a little; a control's value is a round one.
    let turn = (lower / total * 100.0).round();
    Some(FittedPart {
        id: stem.to_owned(),
        kind: Some("pot".into()),
        value: Some(show::ohms_code(Ohms(total))),
        turn: Some(format!("{turn}%")),
        nets: vec![("1".into(), bottom), ("2".into(), wiper), ("3".into(), top)],
        remarks: vec![format!(
            "{} and {} are taken as the two halves of one linear control at {turn} %",
            a.id, b.id
        )],
        ..FittedPart::default()
    })
}

/// What a part typed by hand still wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wanted {
    /// What it is, as far as that is known: `a resistor`, `2N5088, a high-gain NPN transistor`.
    pub is: String,
    /// An example of the value or number it wants; nothing where it has one or takes none.
    pub value: Option<String>,
    /// Its pins in order, each with what it is; empty where not even its kind is known.
    pub pins: Vec<(String, String)>,
}

/// What a part typed by hand still wants, told by its designator and value.
pub fn wanted(part: &DrawnPart, library: &Library) -> Wanted {
    let fitter = Fitter { library };
    let letters: String =
        part.id.chars().take_while(char::is_ascii_alphabetic).collect::<String>().to_uppercase();
    let passive = |k: &&str| library.kind(k).is_some_and(|k| !k.terminals.0.is_empty());
    let named = |d: &Drawn| d.letters.iter().any(|l| l.value == letters);
    let of_letters = library.drawn().find(|(k, d)| named(d) && passive(k)).map(|(k, _)| k);
    let of_letters = if letters == "C" { Some("film") } else { of_letters };
    let device = fitter.device_near(&part.value).filter(|_| letters != "C" && letters != "R");
    if let Some(device) = device.and_then(|(n, _)| library.device(&n)) {
        return Wanted {
            is: format!("{}, {}", part.value, device.says),
            value: None,
            pins: device.pins.iter().map(|(p, says)| (p.value.clone(), says.clone())).collect(),
        };
    }
    let kind = fitter.given_kind(part).filter(passive).or(of_letters);
    let Some((name, kind)) = kind.and_then(|k| Some((k, library.kind(k)?))) else {
        let of_device = library.drawn().find(|(_, d)| named(d)).map(|(k, _)| k);
        let example =
            of_device.and_then(|k| library.devices().find(|(_, d)| d.kind.value == k)).map(|(n, _)| n);
        return Wanted {
            is: String::new(),
            value: Some(example.unwrap_or("2N3904").to_owned()),
            pins: Vec::new(),
        };
    };
    let has = value_word(&part.value, kind.value.as_ref().map_or(Unit::Ohms, |v| v.unit)).is_some();
    Wanted {
        is: kind.says.clone(),
        value: kind.value.as_ref().filter(|_| !has).map(|_| example_of(name).to_owned()),
        pins: kind.terminals.iter().map(|(p, says)| (p.value.clone(), says.clone())).collect(),
    }
}

fn example_of(kind: &str) -> &'static str {
    match kind {
        "film" | "ceramic" => "100n",
        "electrolytic" | "tantalum" => "10u",
        "inductor" => "100mH",
        "pot" | "trimmer" => "100kA",
        _ => "4k7",
    }
}

struct Fitter<'a> {
    library: &'a Library,
}

impl<'a> Fitter<'a> {
    /// Why a part is no part of a board, where it is none.
    fn belongs_nowhere(&self, part: &DrawnPart) -> Option<String> {
        let What::Symbol(symbol) = &part.what else { return None };
        let (kind, _) = self.kind_of_symbol(symbol)?;
        (kind == "left-out").then(|| {
            match part.pins.iter().filter_map(|p| p.net.as_deref()).collect::<Vec<_>>() {
                nets if nets.is_empty() => format!("{symbol} has no pins"),
                nets => format!("{symbol} is no part of a board; wires go from it to {}", nets.join(", ")),
            }
        })
    }

    fn fit(&self, part: &DrawnPart) -> Fit {
        let device = |text: &str| self.device_near(text);
        if let Some(number) = part.word("device").and_then(device).map(|(n, _)| n) {
            return self.device_part(part, &number, None);
        }
        match &part.what {
            What::Kind(kind @ ("resistor" | "inductor" | "pot" | "trimmer" | "link")) => {
                self.kind_part(part, kind)
            }
            What::Kind("capacitor") => self.kind_part(part, "capacitor"),
            What::Kind(kind) if self.given_kind(part).is_none() => self.by_number(part, kind),
            What::Kind(_) => self.kind_part(part, self.given_kind(part).unwrap_or("link")),
            What::Symbol(symbol) => self.by_symbol(part, symbol),
            What::Letters => self.by_letters(part),
        }
    }

    /// A kind that the part's own words name: `kind=film`, or a word such as `electro`.
    fn given_kind(&self, part: &DrawnPart) -> Option<&'a str> {
        if let Some(word) = part.word("kind") {
            return self.library.kinds().map(|(k, _)| k).find(|k| *k == word);
        }
        let says =
            |d: &Drawn| d.words.iter().any(|w| part.more.iter().any(|m| m.eq_ignore_ascii_case(&w.value)));
        self.library.drawn().find(|(_, d)| says(d)).map(|(k, _)| k)
    }

    fn by_symbol(&self, part: &DrawnPart, symbol: &str) -> Fit {
        let kind = self.kind_of_symbol(symbol);
        let passive = kind.filter(|(k, _)| self.library.kind(k).is_some_and(|k| !k.terminals.0.is_empty()));
        if symbol_of_capacitor(symbol) && passive.is_none_or(|(k, _)| k != "electrolytic" && k != "tantalum")
        {
            return self.kind_part(part, "capacitor");
        }
        if let Some((kind, _)) = passive {
            return self.kind_part(part, kind);
        }
        if let Some(found) = self.special(part, symbol) {
            return found;
        }
        for text in [part.value.as_str(), symbol] {
            if let Some((number, remark)) = self.device_near(text) {
                return self.device_part(part, &number, remark);
            }
        }
        if let Some((kind, drawn)) = kind
            && let Some(usual) = &drawn.usual
        {
            let remark = format!("'{}' names no part; taken as {}", part.value, usual.value);
            return self
                .device_part(part, &usual.value, Some(remark))
                .map_err(|s| Slip { message: format!("{} ({kind})", s.message), ..s });
        }
        Err(self.no_card(part, symbol))
    }

    /// LEDs by colour and zener diodes by voltage.
    fn special(&self, part: &DrawnPart, symbol: &str) -> Option<Fit> {
        let upper = format!("{} {}", symbol, part.value).to_uppercase();
        if upper.contains("LED") && !upper.contains("PLED") {
            let colours = ["red", "orange", "yellow", "green", "blue", "white", "infrared"];
            let colour = colours.into_iter().find(|c| upper.contains(&c.to_uppercase()));
            let number = format!("LED-{}", colour.unwrap_or("red"));
            let remark = colour.is_none().then(|| format!("no colour is given; taken as {number}"));
            return Some(self.device_part(part, &number, remark));
        }
        let zener = upper.contains("ZENER") || upper.contains("BZX") || part.word("breakdown").is_some();
        if zener && self.device_near(&part.value).is_none() {
            let volts = zener_volts(&part.value)
                .or_else(|| part.word("breakdown")?.parse().ok())
                .filter(|v| *v < 50.0)?;
            let near = self.zener_near(volts);
            return near.map(|(number, of)| {
                let remark = format!("a zener diode of {volts} V; taken as {number} ({of} V)");
                self.device_part(part, &number, Some(remark))
            });
        }
        None
    }

    /// The zener diode of the library nearest to a voltage, within a twelfth of it.
    fn zener_near(&self, volts: f64) -> Option<(String, f64)> {
        let named = self.library.device_names().into_iter().filter_map(|n| {
            let v = zener_volts(n.strip_prefix("ZENER-")?)?;
            Some((n.to_owned(), v))
        });
        named
            .map(|(n, v)| ((v / volts - 1.0).abs(), n, v))
            .filter(|(off, _, _)| *off < 1.0 / 12.0)
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, n, v)| (n, v))
    }

    fn by_letters(&self, part: &DrawnPart) -> Fit {
        let letters: String =
            part.id.chars().take_while(char::is_ascii_alphabetic).collect::<String>().to_uppercase();
        if letters == "C" {
            return self.kind_part(part, "capacitor");
        }
        if let Some(kind) =
            self.given_kind(part).filter(|k| self.library.kind(k).is_some_and(|k| !k.terminals.0.is_empty()))
        {
            return self.kind_part(part, kind);
        }
        let passive = |k: &str| self.library.kind(k).is_some_and(|k| !k.terminals.0.is_empty());
        let named = |d: &Drawn| d.letters.iter().any(|l| l.value == letters);
        let first = self.library.drawn().find(|(k, d)| named(d) && passive(k)).map(|(k, _)| k);
        if let Some(kind) = first
            && self.device_near(&part.value).is_none()
        {
            return self.kind_part(part, kind);
        }
        if let Some(found) = self.special(part, &letters) {
            return found;
        }
        match self.device_near(&part.value) {
            Some((number, remark)) => self.device_part(part, &number, remark),
            None => Err(self.no_card(part, "")),
        }
    }

    fn by_number(&self, part: &DrawnPart, kind: &str) -> Fit {
        if let Some(found) = self.special(part, if kind == "diode" { "D" } else { "" }) {
            return found;
        }
        match self.device_near(&part.value) {
            Some((number, remark)) => self.device_part(part, &number, remark),
            None => Err(self.no_card(part, kind)),
        }
    }

    fn no_card(&self, part: &DrawnPart, kind: &str) -> Slip {
        let of_kind = |wanted: &'static str| -> Vec<&'a str> {
            self.library.devices().filter(|(_, d)| d.kind.value == wanted).map(|(n, _)| n).collect()
        };
        let polar = |wanted: &str| -> Vec<&'a str> {
            let is = |d: &Device| d.elements.iter().any(|(_, e)| e.kind.value == wanted);
            self.library.devices().filter(|(_, d)| is(d)).map(|(n, _)| n).collect()
        };
        let name = if part.value.is_empty() { kind } else { part.value.as_str() };
        let known = match kind {
            "npn" | "pnp" | "n-jfet" | "p-jfet" | "n-mosfet" | "p-mosfet" => polar(kind),
            "bipolar" => of_kind("transistor-bipolar"),
            "jfet" => of_kind("transistor-field-effect"),
            "mosfet" => of_kind("transistor-mos"),
            "diode" => of_kind("diode"),
            _ => self.library.device_names(),
        };
        let near = or_nearest(name, known);
        // SPICE has no pots of its own.
        let pot = name.to_lowercase().starts_with("pot") && kind != "diode";
        let near =
            if pot { "draw a pot as two resistors, from its wiper to each end".to_owned() } else { near };
        Slip {
            message: format!("no card for '{}', which '{}' is", clip(name), part.id),
            help: format!(
                "{near}; write a number that has a card, add a card of your own, or import with --leave-out and do without it"
            ),
        }
    }

    /// A device by the name a drawing gives it: exactly, without what stands for its package, or with a gain class put to it.
    fn device_near(&self, text: &str) -> Option<(String, Option<String>)> {
        let names = self.library.device_names();
        let wanted: String = text.trim().to_uppercase().chars().filter(|c| !c.is_whitespace()).collect();
        if wanted.is_empty() || wanted.len() > 40 {
            return None;
        }
        if let Some(own) = names.iter().find(|n| n.to_uppercase() == wanted) {
            return Some(((*own).to_owned(), None));
        }
        // `TL072CP`, `1N4148W`, `NE5532/SO`: the longest number that the rest may be the package of.
        let package = |rest: &str| {
            rest.is_empty()
                || rest.len() <= 8
                    && !rest.starts_with(|c: char| c.is_ascii_digit())
                    && rest.chars().all(|c| c.is_ascii_alphanumeric() || "-_/".contains(c))
        };
        let longest = names.iter().filter(|n| n.len() >= 4).filter_map(|n| {
            let rest = wanted.strip_prefix(&n.to_uppercase())?;
            package(rest).then_some(*n)
        });
        if let Some(own) = longest.max_by_key(|n| n.len()) {
            return Some((own.to_owned(), Some(format!("'{text}' is taken as {own}"))));
        }
        // `L78L05`, `NJM4558`: a maker's letters before the number.
        let letters = wanted.chars().take_while(char::is_ascii_alphabetic).count();
        if (1..=3).contains(&letters) && wanted[letters..].starts_with(|c: char| c.is_ascii_digit()) {
            let bare = &wanted[letters..];
            let starts = |n: &&&str| {
                n.len() >= 4
                    && n.starts_with(|c: char| c.is_ascii_digit())
                    && bare.strip_prefix(&n.to_uppercase()).is_some_and(package)
            };
            if let Some(own) = names.iter().filter(starts).max_by_key(|n| n.len()) {
                return Some(((*own).to_owned(), Some(format!("'{text}' is taken as {own}"))));
            }
        }
        // `BC549` without its gain class.
        let with_class: Vec<&str> = names
            .iter()
            .copied()
            .filter(|n| {
                n.to_uppercase()
                    .strip_prefix(&wanted)
                    .is_some_and(|r| r.len() == 1 && r.starts_with(char::is_alphabetic))
            })
            .collect();
        let own = with_class.first().filter(|_| wanted.len() >= 4)?;
        Some(((*own).to_owned(), Some(format!("'{text}' has no gain class; taken as {own}"))))
    }

    /// The kind a library symbol stands for: the longest name that is all of it or all up to an underscore.
    fn kind_of_symbol(&self, symbol: &str) -> Option<(&'a str, &'a Drawn)> {
        let upper = symbol.to_uppercase();
        let fits = |name: &str| {
            let name = name.to_uppercase();
            upper == name || upper.strip_prefix(&name).is_some_and(|r| r.starts_with('_'))
        };
        let all =
            self.library.drawn().flat_map(|(k, d)| d.symbols.iter().map(move |s| (s.value.as_str(), k, d)));
        all.filter(|(s, _, _)| fits(s)).max_by_key(|(s, _, _)| s.len()).map(|(_, k, d)| (k, d))
    }

    fn device_part(&self, part: &DrawnPart, number: &str, remark: Option<String>) -> Fit {
        let Some(device) = self.library.device(number) else { return Err(self.no_card(part, "")) };
        let pins: Vec<&str> = device.pins.iter().map(|(p, _)| p.value.as_str()).collect();
        let drawn = self.library.drawn().find(|(k, _)| *k == device.kind.value).map(|(_, d)| d);
        let legs = device.packages.iter().next().map(|(_, order)| order).filter(|o| o.len() == 3);
        let card = Card {
            called: pins.iter().map(|p| called(drawn, p)).collect(),
            legs: legs.map(|o| o.iter().map(|l| l.value.as_str()).collect()).unwrap_or_default(),
            pins,
        };
        let nets = card.nets(part).map_err(|message| {
            let named: Vec<String> =
                device.pins.iter().map(|(p, says)| format!("{}: {says}", p.value)).collect();
            Slip { message, help: format!("the pins of {number} are {}", named.join(", ")) }
        })?;
        let nets = card.pins.iter().zip(nets).filter_map(|(p, n)| Some(((*p).to_owned(), n?))).collect();
        let mut fitted = self
            .with_words(part, FittedPart { device: Some(number.to_owned()), nets, ..FittedPart::default() });
        fitted.remarks.extend(remark);
        fitted.remarks.extend(amplifiers_free(device, &fitted.nets));
        let bare_legs = part.pins.iter().all(|p| p.function.is_empty() && !p.number.is_empty());
        if bare_legs && card.legs.len() == 3 && part.pins.iter().all(|p| p.number.parse::<u8>().is_ok()) {
            fitted.remarks.push(format!(
                "its legs 1, 2, 3 are taken as {}, the order of {number}",
                card.legs.join(", ")
            ));
        }
        Ok(fitted)
    }

    fn with_words(&self, part: &DrawnPart, mut fitted: FittedPart) -> FittedPart {
        fitted.id.clone_from(&part.id);
        let word = |name: &str| part.word(name).map(str::to_owned);
        fitted.role = word("role").filter(|r| self.library.role(r).is_some());
        fitted.tolerance = word("tolerance").or(fitted.tolerance);
        fitted.taper = word("taper").or(fitted.taper);
        fitted.turn = word("turn").or(fitted.turn);
        fitted.position = word("position").or(fitted.position);
        let figure = |w: &String| {
            let (k, v) = w.strip_prefix("with.")?.split_once('=')?;
            v.parse::<f64>().ok().map(|x| (k.to_owned(), x.to_string()))
        };
        fitted.with = part.more.iter().filter_map(figure).collect();
        fitted
    }

    fn kind_part(&self, part: &DrawnPart, kind: &str) -> Fit {
        let given = self.given_kind(part).filter(|_| kind == "capacitor");
        let mut fitted = FittedPart::default();
        let kind = match (kind, given) {
            ("capacitor", Some(given)) => given,
            ("capacitor", None) => {
                let farads = part
                    .word("value")
                    .or_else(|| value_word(&part.value, Unit::Farads))
                    .and_then(|v| notation::farads_value(v).ok());
                fitted.guessed_kind = true;
                // An editor's own symbol for a capacitor without direction says that it has none.
                let polar = if matches!(part.what, What::Symbol(_)) { 9e-6 } else { 0.9e-6 };
                match farads {
                    Some(Farads(c)) if c >= polar => {
                        fitted.guessed_polar = true;
                        "electrolytic"
                    }
                    Some(Farads(c)) if c < 0.9e-9 => "ceramic",
                    _ => "film",
                }
            }
            (kind, _) => kind,
        };
        let slip = |message: String, help: &str| Slip { message, help: help.to_owned() };
        let Some(entry) = self.library.kind(kind) else {
            return Err(slip(
                format!("'{}' has no part kind", part.id),
                "write one that 'halfsplit rules list --kind part-kind' names",
            ));
        };
        let pins: Vec<&str> = entry.terminals.iter().map(|(p, _)| p.value.as_str()).collect();
        let drawn = self.library.drawn().find(|(k, _)| *k == kind).map(|(_, d)| d);
        let two = part.in_order() && part.pins.len() == 2 && kind == "toggle";
        let pins = if two { vec!["1", "2"] } else { pins };
        let card = Card { called: pins.iter().map(|p| called(drawn, p)).collect(), legs: Vec::new(), pins };
        let nets = card.nets(part).map_err(|m| slip(m, &format!("a {kind} has {}", card.pins.join(", "))))?;
        fitted.nets = card.pins.iter().zip(nets).filter_map(|(p, n)| Some(((*p).to_owned(), n?))).collect();
        fitted.kind = Some(kind.to_owned());
        if let Some(rule) = &entry.value {
            let text = part.word("value").unwrap_or(&part.value);
            let Some(value) = value_word(text, rule.unit) else {
                let message = format!("'{}' is no value for '{}', {}", clip(text), part.id, entry.says);
                return Err(Slip { message, help: format!("write one such as {}", rule.max.value) });
            };
            fitted.value = Some(value.to_owned());
            fitted.tolerance = tolerance_word(text);
        }
        if entry.turn.is_some() {
            self.control(part, &mut fitted, kind == "trimmer");
        }
        let fitted = self.with_words(part, fitted);
        Ok(fitted)
    }

    /// Taper and turn of a control from its words.
    fn control(&self, part: &DrawnPart, fitted: &mut FittedPart, trimmer: bool) {
        let mut words: Vec<String> = part.more.iter().map(|w| w.to_lowercase()).collect();
        words.push(pot_letter(&part.value).unwrap_or_default());
        let says = |all: &[&str]| words.iter().any(|w| all.contains(&w.as_str()));
        if says(&["log", "a", "audio"]) {
            fitted.taper = Some("log".into());
        } else if says(&["reverse-log", "c", "antilog", "rev"]) {
            fitted.taper = Some("reverse-log".into());
        }
        let turn = words.iter().find(|w| w.ends_with('%')).cloned();
        let share = |names: &[&str]| {
            names
                .iter()
                .find_map(|n| part.word(n))
                .and_then(|v| v.parse::<f64>().ok())
                .filter(|x| (0.0..=1.0).contains(x))
        };
        let wiper =
            share(&["wiper", "set", "share", "position", "x"]).map(|x| format!("{}%", (x * 100.0).round()));
        if !trimmer
            && fitted.taper.is_none()
            && wiper.is_none()
            && !says(&["lin", "linear", "b"])
            && part.word("turn").is_none()
        {
            fitted.remarks.push("no taper is given; taken as linear".into());
        }
        fitted.turn = turn.or(wiper);
        if fitted.turn.is_none() && part.word("turn").is_none() {
            fitted.turn = Some("50%".into());
            fitted.remarks.push("where it stands is not given; taken as half-way".into());
        }
    }

    /// Amplifiers of one chip drawn apart (`XU1A`, `XU1B`, five nodes each: in+, in-, V+, V-, out) put together; one without a letter
    /// is the first of its chip.
    fn sections_joined(&self, parts: &[DrawnPart]) -> Vec<DrawnPart> {
        let mut out: Vec<DrawnPart> = Vec::new();
        let mut at: BTreeMap<(String, String), usize> = BTreeMap::new();
        for part in parts {
            let Some((number, stem, section)) = self.section_of(part, parts) else {
                out.push(part.clone());
                continue;
            };
            let Some(device) = self.library.device(&number) else { continue };
            let amps = amplifiers(device);
            let key = (stem.clone(), number.clone());
            let index = *at.entry(key).or_insert_with(|| {
                out.push(DrawnPart { id: stem, value: number.clone(), pins: Vec::new(), ..part.clone() });
                out.len() - 1
            });
            let used = |o: &DrawnPart, k: usize| {
                amps.get(k).is_some_and(|nodes| o.pins.iter().any(|p| p.number == nodes[2]))
            };
            let section = section
                .filter(|k| *k < amps.len())
                .or_else(|| (0..amps.len()).find(|k| !used(&out[index], *k)));
            let Some(nodes) = section.and_then(|k| amps.get(k)) else { continue };
            // In order: in+, in-, V+, V-, out; the card's: in+, in-, out, V+, V-.
            for (pin, drawn) in [(nodes[0], 0), (nodes[1], 1), (nodes[3], 2), (nodes[4], 3), (nodes[2], 4)] {
                let new = super::drawing::DrawnPin {
                    number: pin.to_owned(),
                    function: String::new(),
                    net: part.pins[drawn].net.clone(),
                };
                if !out[index].pins.iter().any(|p| p.number == new.number) {
                    out[index].pins.push(new);
                }
            }
        }
        out
    }

    /// The card, the chip's designator and which amplifier, of a part drawn as one amplifier with five nodes.
    fn section_of(&self, part: &DrawnPart, all: &[DrawnPart]) -> Option<(String, String, Option<usize>)> {
        if part.what != What::Kind("chip") || part.pins.len() != 5 {
            return None;
        }
        let (number, _) = self.device_near(&part.value)?;
        let device = self.library.device(&number)?;
        let amps = amplifiers(device);
        if amps.is_empty() || device.pins.0.len() == 5 {
            return None;
        }
        // In order: in+, in-, V+, V-, out. Numbers of legs, and names in another order, say otherwise.
        let named = |p: &super::drawing::DrawnPin| format!("{}{}", p.number, p.function).to_lowercase();
        let of_package = part.pins.iter().all(|p| named(p).parse::<u8>().is_ok())
            && part.pins.iter().zip(1..).any(|(p, k)| named(p) != k.to_string());
        if of_package || part.pins.iter().take(4).any(|p| named(p).contains("out")) {
            return None;
        }
        // Without a letter it is a chip of its own, and its first amplifier.
        let Some(letter) = part.id.chars().last().filter(char::is_ascii_alphabetic) else {
            return Some((number, part.id.clone(), Some(0)));
        };
        let stem = part.id.trim_end_matches(letter).trim_end_matches(['-', '_', '.']).to_owned();
        let has_digit = stem.contains(|c: char| c.is_ascii_digit());
        if !has_digit {
            return Some((number, part.id.clone(), None));
        }
        let section = (letter.to_ascii_lowercase() as usize).wrapping_sub('a' as usize);
        let clash = all.iter().any(|p| p.id == stem && p.pins.len() != 5);
        (!clash).then_some((number, stem, Some(section)))
    }
}

/// What to know of a chip some of whose amplifiers are not drawn.
fn amplifiers_free(device: &Device, nets: &[(String, String)]) -> Option<String> {
    let amps = amplifiers(device);
    let drawn = |pin: &&str| nets.iter().any(|(p, _)| p == pin);
    let (used, free): (Vec<_>, Vec<_>) = amps.iter().partition(|a| a.iter().take(3).any(&drawn));
    if used.is_empty() || free.is_empty() {
        return None;
    }
    let pins = |a: &&Vec<&str>| format!("{}, {}, {}", a[0], a[1], a[2]);
    let free: Vec<String> = free.iter().map(pins).collect();
    Some(format!(
        "nothing is drawn at its pins {}; give the nets that they are tied to. Amplifiers of one chip are called U1A and U1B",
        free.join(" and ")
    ))
}

/// The nodes of a card's amplifiers: in+, in-, out, V+, V-.
fn amplifiers(device: &Device) -> Vec<Vec<&str>> {
    let plain =
        device.elements.iter().all(|(_, e)| ["amplifier", "supply-draw"].contains(&e.kind.value.as_str()));
    let amps = device.elements.iter().filter(|(_, e)| plain && e.kind.value == "amplifier");
    amps.map(|(_, e)| e.nodes.iter().map(|n| n.value.as_str()).collect::<Vec<_>>())
        .filter(|n| n.len() == 5)
        .collect()
}

fn called<'a>(drawn: Option<&'a Drawn>, pin: &str) -> Vec<&'a str> {
    let names = drawn.and_then(|d| d.pins.get(pin));
    names.map(|n| n.iter().map(|x| x.value.as_str()).collect()).unwrap_or_default()
}

fn symbol_of_capacitor(symbol: &str) -> bool {
    let upper = symbol.to_uppercase();
    ["C", "CAP", "CAPACITOR"].iter().any(|n| upper == *n)
        || ["C_SMALL", "C_US"].iter().any(|n| upper.starts_with(n))
        || upper.starts_with("C_")
            && !["C_POL", "C_FILM", "C_CERAMIC", "C_TANT"].iter().any(|n| upper.starts_with(n))
}

/// The first word of a value that is one: `10u` of `10u/16V`, `100k` of `B100k` and `100kA`.
fn value_word(text: &str, unit: Unit) -> Option<&str> {
    let reads = |word: &str| match unit {
        Unit::Ohms => notation::ohms(word).is_ok(),
        Unit::Farads => notation::farads(word).is_ok(),
        _ => notation::henries(word).is_ok(),
    };
    let words = text.split([' ', '/', ',', ';', '|']).filter(|w| !w.is_empty());
    let mut bare = words.flat_map(|w| {
        let front = w
            .strip_prefix(|c: char| "ABCabc".contains(c))
            .filter(|r| r.starts_with(|c: char| c.is_ascii_digit()));
        let back = w
            .strip_suffix(|c: char| "ABCabc".contains(c))
            .filter(|r| r.ends_with(|c: char| c.is_ascii_alphanumeric()));
        [back.filter(|_| unit == Unit::Ohms), front, Some(w)]
    });
    bare.find_map(|w| w.filter(|w| reads(w)))
}

/// The taper's letter of a control's value: `A` of `A100k` and `100kA`.
fn pot_letter(value: &str) -> Option<String> {
    let word = value.split([' ', '/', ',']).find(|w| !w.is_empty())?;
    let front = word.chars().next().filter(|c| "ABCabc".contains(*c));
    let back = word.chars().last().filter(|c| "ABCabc".contains(*c) && word.len() > 2);
    front.or(back).map(|c| c.to_ascii_lowercase().to_string())
}

fn tolerance_word(text: &str) -> Option<String> {
    let word = text.split([' ', '/', ',']).skip(1).find(|w| w.ends_with('%'))?;
    notation::tolerance(word.trim_start_matches(['\u{b1}', '+', '-']))
        .ok()
        .map(|_| word.trim_start_matches('\u{b1}').to_owned())
}

/// `9V1`, `12V`, `BZX55C9V1`, `5.1V`.
fn zener_volts(text: &str) -> Option<f64> {
    let upper = text.to_uppercase();
    let at = upper.rfind('V')?;
    let front: String = upper[..at].chars().rev().take_while(|c| c.is_ascii_digit() || *c == '.').collect();
    let front: String = front.chars().rev().collect();
    let behind: String = upper[at + 1..].chars().take_while(char::is_ascii_digit).collect();
    let number = if behind.is_empty() { front } else { format!("{front}.{behind}") };
    number.parse().ok().filter(|v| *v > 1.0)
}

fn clip(text: &str) -> String {
    text.trim().chars().take(40).collect()
}
