//! KiCad's netlist export: `(export (components …) (nets …))`, versions D and E.

use super::drawing::{Drawing, DrawnPart, DrawnPin, SupplyDrawn, What};
use super::sexpr::{self, Expr};
use crate::text::{Complaint, Complaints, Place, Source};
use std::collections::{BTreeMap, BTreeSet};

/// Reads a netlist.
///
/// # Errors
/// Brackets that do not fit, a file that is no netlist, nodes of parts that are not listed.
pub fn read_kicad(source: &Source) -> Result<Drawing, Complaints> {
    let root = sexpr::read(source)?;
    let mut drawing = Drawing::empty(source);
    let place = |e: &Expr| Place { file: drawing.file.clone(), span: e.span() };
    if root.head() != "export" {
        let complaint = Complaint::at("bad-netlist", place(&root), "this is no netlist export");
        return Err(complaint
            .help("export a netlist from the schematic editor; a board or schematic file is none")
            .into());
    }
    let (Some(components), Some(nets)) = (root.get("components"), root.get("nets")) else {
        let complaint =
            Complaint::at("bad-netlist", place(&root), "the netlist has no components or no nets");
        return Err(complaint.help("export the netlist anew").into());
    };
    let pins = pins_by_part(nets);
    let listed: BTreeSet<&str> = components.all("comp").filter_map(|c| c.field("ref")).collect();
    let mut complaints = Complaints::default();
    for node in nets.all("net").flat_map(|n| n.all("node")) {
        let id = node.field("ref").unwrap_or("");
        if !listed.contains(id) {
            let message = format!("a net names a pin of '{id}', which is not among the components");
            complaints
                .0
                .push(Complaint::at("unknown-name", place(node), message).help("export the netlist anew"));
        }
    }
    complaints.or_ok(())?;
    let design = root.get("design");
    let title = design.and_then(|d| d.all("sheet").next()).and_then(|s| s.get("title_block"));
    drawing.title = title.and_then(|t| t.field("title")).unwrap_or_default().to_owned();
    let symbols = functions(&root);
    for comp in components.all("comp") {
        component(comp, &pins, &symbols, &mut drawing);
    }
    Ok(drawing)
}

/// Number, function and net of each pin, by part.
type Pins = BTreeMap<String, Vec<DrawnPin>>;

fn pins_by_part(nets: &Expr) -> Pins {
    let mut out = Pins::new();
    for net in nets.all("net") {
        let name = net.field("name").unwrap_or_default();
        // A net of one pin with a no-connect mark.
        let open = name.is_empty() || name.to_lowercase().starts_with("unconnected");
        for node in net.all("node") {
            let (Some(id), Some(number)) = (node.field("ref"), node.field("pin")) else { continue };
            let function = node.field("pinfunction").unwrap_or_default();
            out.entry(id.to_owned()).or_default().push(DrawnPin {
                number: number.to_owned(),
                function: function.trim_end_matches(|c: char| c == '_' || c.is_ascii_digit()).to_owned(),
                net: (!open).then(|| name.to_owned()),
            });
        }
    }
    out
}

/// The name of each pin of a library's part, where the nodes don't say: `(libparts (libpart … (pins …)))`.
fn functions(root: &Expr) -> BTreeMap<(String, String), String> {
    let mut out = BTreeMap::new();
    for part in root.get("libparts").into_iter().flat_map(|l| l.all("libpart")) {
        let name = part.field("part").unwrap_or_default();
        for pin in part.get("pins").into_iter().flat_map(|p| p.all("pin")) {
            if let (Some(number), Some(says)) = (pin.field("num"), pin.field("name"))
                && says != "~"
            {
                out.insert((name.to_owned(), number.to_owned()), says.to_owned());
            }
        }
    }
    out
}

fn component(comp: &Expr, pins: &Pins, symbols: &BTreeMap<(String, String), String>, drawing: &mut Drawing) {
    let Some(id) = comp.field("ref") else { return };
    let value = comp.field("value").unwrap_or_default().trim().to_owned();
    let symbol = comp.get("libsource").and_then(|l| l.field("part")).unwrap_or_default().to_owned();
    let mut pins = pins.get(id).cloned().unwrap_or_default();
    for pin in &mut pins {
        if pin.function.is_empty()
            && let Some(says) = symbols.get(&(symbol.clone(), pin.number.clone()))
        {
            pin.function = says.clone();
        }
    }
    // `Q_NPN_BCE` says which pin is which where the nodes don't.
    if let Some(order) =
        symbol.rsplit('_').next().filter(|o| symbol.starts_with("Q_") && o.len() == pins.len())
    {
        for pin in pins.iter_mut().filter(|p| p.function.is_empty()) {
            let letter = pin.number.parse::<usize>().ok().and_then(|n| order.chars().nth(n.wrapping_sub(1)));
            pin.function = letter.map(String::from).unwrap_or_default();
        }
    }
    let upper = symbol.to_uppercase();
    let source = match () {
        () if upper.starts_with("BATTERY") => Some("battery"),
        () if upper.starts_with("BARREL_JACK") || upper.starts_with("DC_JACK") => Some("adaptor"),
        () => None,
    };
    if let Some(source) = source {
        let net = |names: &[&str]| {
            let named =
                |p: &&DrawnPin| names.contains(&p.function.as_str()) || names.contains(&p.number.as_str());
            pins.iter().find(named).and_then(|p| p.net.clone())
        };
        if let (Some(plus), Some(minus)) = (net(&["+", "1"]), net(&["-", "2"])) {
            let volts = value.split([' ', '/', '_']).find(|w| w.to_uppercase().ends_with('V'));
            drawing.supplies.push(SupplyDrawn {
                id: id.to_owned(),
                span: comp.span(),
                plus,
                minus,
                volts: volts.map(str::to_owned),
                source: Some(source),
                inner: None,
            });
            return;
        }
    }
    drawing.parts.push(DrawnPart {
        id: id.to_owned(),
        span: comp.get("ref").map_or(comp.span(), Expr::span),
        what: What::Symbol(symbol),
        value,
        more: Vec::new(),
        pins,
    });
}
