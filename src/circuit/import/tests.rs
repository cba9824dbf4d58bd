#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use crate::circuit::board::Board;

fn library() -> Library {
    Library::builtin().unwrap()
}

/// Parts by designator as they are written into the board, with what was said on the way.
fn fitted(text: &str, format: Format) -> (Fitted, Drawing) {
    let library = library();
    let drawing = read(&Source::new("a", text), Some(format), &library)
        .unwrap_or_else(|c| panic!("{}", c.render(false)));
    (Fitted::of(&drawing, &library), drawing)
}

fn part<'f>(fitted: &'f Fitted, id: &str) -> &'f FittedPart {
    fitted.parts.iter().find(|p| p.id == id).unwrap_or_else(|| panic!("no {id}: {:?}", fitted.parts))
}

fn slips(text: &str, format: Format) -> String {
    let library = library();
    match read(&Source::new("a", text), Some(format), &library) {
        Err(c) => c.0.iter().map(|c| format!("{c}\n")).collect(),
        Ok(drawing) => Fitted::of(&drawing, &library).complaints.0.iter().map(|c| format!("{c}\n")).collect(),
    }
}

#[test]
fn a_text_says_which_format_it_is() {
    assert_eq!(Format::of("(export (version E))"), Format::Kicad);
    assert_eq!(Format::of("title\nR1 a b 1k\n.end"), Format::Spice);
    assert_eq!(Format::of("R1 1M IN GND\nC1 100n IN B"), Format::List);
    assert_eq!(Format::of("a title\nV1 vcc 0 9\nR1 vcc out 10k\nR2 out 0 10k\n"), Format::Spice);
    assert_eq!(Format::of("supply 9V V9 GND\nR1 V9 M 10k\nR2 M GND 10k\n"), Format::List);
}

#[test]
fn spice_values_as_written_and_as_meant() {
    let (fitted, drawing) = fitted(
        "t\nR1 a 0 4.7k\nR2 a 0 1M\nR3 a 0 2k2\nR4 a 0 {big}\nC1 a 0 100nF\nC2 a 0 4u7\nL1 a b 10mH\nR5 b 0 r=33\n.param big=1Meg\n",
        Format::Spice,
    );
    let value = |id: &str| part(&fitted, id).value.clone().unwrap();
    let all = ["R1", "R2", "R3", "R4", "R5", "C1", "C2", "L1"].map(value);
    assert_eq!(all, ["4k7", "1M", "2k2", "1M", "33R", "100n", "4u7", "10mH"]);
    // The trade's M is SPICE's milli: said, not passed over.
    assert_eq!(drawing.notes.len(), 1);
    assert!(drawing.notes[0].says.contains("R2 is read as 1.00 Mohm"), "{}", drawing.notes[0].says);
}

#[test]
fn spice_refusals_name_the_line_and_say_what_to_write() {
    for (line, says) in [
        ("E1 a 0 b 0 10", "controlled source"),
        ("I1 a 0 1m", "current source"),
        ("R1 a 0 big", "'big' is no value"),
        ("R1 a 0 0", "no value above 0"),
        ("Q1 c b e 2N9999X", "no card for '2N9999X'"),
        ("X1 a b c NOSUCH", "no card for 'NOSUCH'"),
        ("XU1 1 2 3 TL072", "3 nodes where the part has 8 pins"),
        ("K1 L1 L2 0.9", "couples coils"),
        ("S1 a b c d sw", "switch of the simulator"),
        (".subckt open a b\nR1 a b 1k", "has no end"),
    ] {
        let told = slips(&format!("title\n{line}\nR9 a 0 1k\n"), Format::Spice);
        assert!(told.contains(says) && told.contains(';'), "{line}: {told}");
        assert!(told.contains("a:2:") || told.contains("a:1:"), "{line}: {told}");
    }
}

#[test]
fn chips_by_section_by_package_and_by_named_nodes() {
    let five = "t\nV1 V9 0 9\nXU1A PA NA V9 0 OA TL072\nXU1B PB NB V9 0 OB TL072\n";
    let (by_section, _) = fitted(five, Format::Spice);
    let nets = |f: &Fitted, id: &str| {
        part(f, id).nets.clone().into_iter().collect::<std::collections::BTreeMap<_, _>>()
    };
    let found = nets(&by_section, "U1");
    for (pin, net) in [
        ("1", "OA"),
        ("2", "NA"),
        ("3", "PA"),
        ("4", "GND"),
        ("5", "PB"),
        ("6", "NB"),
        ("7", "OB"),
        ("8", "V9"),
    ] {
        assert_eq!(found[pin], net, "pin {pin}");
    }
    // Half of it: the other half is not on the board.
    let (half, _) = fitted("t\nV1 V9 0 9\nXU1A PA NA V9 0 OA TL072\n", Format::Spice);
    assert_eq!(nets(&half, "U1").len(), 5);
    assert_eq!(
        part(&half, "U1").remarks,
        [
            "nothing is drawn at its pins 5, 6, 7; give the nets that they are tied to. Amplifiers of one chip are called U1A and U1B"
        ]
    );
    // Without a letter, with or without its model beside it.
    let models = [
        "",
        ".subckt TL072 1 2 3 4 5\n.ends\n",
        ".subckt TL072 in+ in- vcc vee out\nR1 in+ in- 1meg\n.ends\n",
    ];
    for model in models {
        let (one, _) = fitted(&format!("t\nV1 V9 0 9\nXU1 PA NA V9 0 OA TL072\n{model}"), Format::Spice);
        assert_eq!(nets(&one, "U1"), nets(&half, "U1"), "{model}");
    }
    // Legs by number are legs.
    let legs = "t\nV1 V9 0 9\nXU1 OA NA PA 0 V9 TL072\n.subckt TL072 1 2 3 4 8\n.ends\n";
    assert_eq!(nets(&fitted(legs, Format::Spice).0, "U1"), nets(&half, "U1"));
    let (whole, _) = fitted("t\nXU1 OA NA PA 0 PB NB OB V9 TL072\n", Format::Spice);
    assert_eq!(nets(&whole, "U1"), found);
    let (named, _) =
        fitted("t\nXU1 a b c 78L05\n.subckt 78L05 out gnd in\nE1 out gnd in gnd 1\n.ends\n", Format::Spice);
    assert_eq!(nets(&named, "U1")["in"], "c");
}

#[test]
fn sub_circuits_of_parts_are_taken_apart() {
    let (fitted, _) = fitted(
        "t\nX1 in out STAGE\nX2 out end STAGE\n.subckt STAGE a b\nR1 a m 1k\nC1 m b 1n\n.ends\n",
        Format::Spice,
    );
    assert_eq!(part(&fitted, "R1-X1").nets, [("1".into(), "in".into()), ("2".into(), "m-X1".into())]);
    assert_eq!(part(&fitted, "C1-X2").nets[1].1, "end");
}

#[test]
fn kicad_pins_go_by_function_by_number_and_by_leg() {
    let net = |name: &str, nodes: &str| format!("(net (name \"{name}\") {nodes})");
    let node = |id: &str, pin: &str, says: &str| {
        format!("(node (ref \"{id}\") (pin \"{pin}\") (pinfunction \"{says}\"))")
    };
    let bare = |id: &str, pin: &str| format!("(node (ref {id}) (pin {pin}))");
    let comp = |id: &str, value: &str, part: &str| {
        format!("(comp (ref \"{id}\") (value \"{value}\") (libsource (lib \"L\") (part \"{part}\")))")
    };
    let text = format!(
        "(export (version E) (components {} {} {} {}) (nets {} {} {}))",
        comp("Q1", "BC547", "Q_NPN_CBE"),
        comp("Q2", "2N3904", "2N3904"),
        comp("D1", "BAT41", "D_Schottky"),
        comp("C1", "10uF/16V", "C_Polarized_US"),
        net("A", &(node("Q1", "1", "C") + &bare("Q2", "1") + &node("D1", "1", "K") + &bare("C1", "1"))),
        net("Net-(Q1-Pad2)", &(node("Q1", "2", "B") + &bare("Q2", "2") + &node("D1", "2", "A"))),
        net("GND", &(node("Q1", "3", "E") + &bare("Q2", "3") + &bare("C1", "2"))),
    );
    let (fitted, _) = fitted(&text, Format::Kicad);
    let at = |id: &str, pin: &str| part(&fitted, id).nets.iter().find(|(p, _)| p == pin).unwrap().1.clone();
    assert_eq!((at("Q1", "c"), at("Q1", "b"), at("Q1", "e")), ("A".into(), "Q1-2".into(), "GND".into()));
    // Numbers alone are the legs, and that is said: the 2N3904 stands e, b, c.
    assert_eq!((at("Q2", "e"), at("Q2", "c")), ("A".into(), "GND".into()));
    assert!(part(&fitted, "Q2").remarks.iter().any(|r| r.contains("e, b, c")));
    assert_eq!((at("D1", "cathode"), at("C1", "plus")), ("A".into(), "A".into()));
    assert_eq!(part(&fitted, "Q1").device.as_deref(), Some("BC547"));
}

#[test]
fn what_is_no_netlist_is_refused_at_its_place() {
    for (text, says) in [
        ("(export (components", "never closed"),
        ("(kicad_pcb (version 1))", "no netlist export"),
        ("(export (version E))", "no components or no nets"),
        ("(export (components) (nets (net (name A) (node (ref R9) (pin 1)))))", "'R9', which is not among"),
        ("(export \"abc", "no end"),
        (&"(".repeat(100), "nested too deeply"),
        (")", "without an opening one"),
        ("", "nothing in the file"),
    ] {
        let told = slips(text, Format::Kicad);
        assert!(told.contains(says), "{text}: {told}");
    }
}

#[test]
fn lines_of_a_list_in_many_habits() {
    let library = library();
    let echo = |line: &str| match read_line(line, &library).unwrap() {
        Listed::Part(p) => {
            let pins: Vec<String> = p
                .pins
                .iter()
                .map(|q| {
                    format!(
                        "{}{}",
                        if q.number.is_empty() { String::new() } else { format!("{}=", q.number) },
                        q.net.as_deref().unwrap_or("-")
                    )
                })
                .collect();
            format!("{} [{}] {} {}", p.id, p.value, pins.join(" "), p.more.join(" ")).trim().to_owned()
        }
        other => format!("{other:?}"),
    };
    for (line, wanted) in [
        ("R1 1M IN GND", "R1 [1M] IN GND"),
        ("R1: 1M, IN, GND", "R1 [1M] IN GND"),
        ("R1 IN GND 1M", "R1 [1M] IN GND"),
        ("R1 = 4,7k IN,GND # bias", "R1 [4,7k] IN GND"),
        ("C1 100n 1 2", "C1 [100n] 1 2"),
        ("C2 10u X GND electrolytic", "C2 [10u] X GND electrolytic"),
        ("Q1 2N5088 C B E", "Q1 [2N5088] C B E"),
        ("Q1 2N5088 e=E b=B c=C", "Q1 [2N5088] e=E b=B c=C"),
        ("D1 VIN V9 1N5817", "D1 [1N5817] VIN V9"),
        ("IC1 TL072 1:OA 2:OA 3:PA 4:GND 8:V9", "IC1 [TL072] 1=OA 2=OA 3=PA 4=GND 8=V9"),
        ("VR1 100kA GND OUT LUG 70%", "VR1 [100kA] GND OUT LUG 70%"),
        ("U1 78L05 V9 GND V5", "U1 [78L05] V9 GND V5"),
        ("R1", "R1 []"),
    ] {
        assert_eq!(echo(line), wanted, "{line}");
    }
    for (line, says) in [
        ("123 4k7 A B", "no designator"),
        ("Q1 2N5088 c=C B E", "some pins of 'Q1' are named"),
        ("supply V9 GND", "no volts"),
        ("in A B", "'in' is one net"),
        ("neighbours A", "two nets"),
        ("board", "nothing follows"),
    ] {
        let (told, help) = read_line(line, &library).unwrap_err();
        assert!(told.contains(says) && !help.is_empty(), "{line}: {told}; {help}");
    }
}

#[test]
fn guesses_come_with_reasons_and_an_unnamed_circuit_is_guessed_by_its_place() {
    let text = "R1 1M N1 N0\nC1 100n N1 N2\nR2 390k N9 N2\nR3 68k N2 N0\nQ1 2N5088 N3 N2 N4\nR4 4k7 N9 N3\nR5 680 N4 N0\nC2 1u N3 N5 film\nR6 100k N5 N0\n";
    let library = library();
    let (fitted, drawing) = fitted(text, Format::List);
    let plan = Plan::of(&drawing, &fitted, &library);
    let pick = |p: &Option<Pick>| p.as_ref().map(|p| (p.net.clone(), p.sure)).unwrap();
    assert_eq!(pick(&plan.ground), ("N0".into(), false));
    assert_eq!((pick(&plan.input).0, pick(&plan.output).0), ("N1".into(), "N5".into()));
    assert_eq!((plan.supplies[0].plus.as_str(), plan.supplies[0].volts.as_str()), ("N9", "9V"));
    assert!(plan.open().iter().all(|(_, _, why)| !why.is_empty()) && plan.open().len() == 4);
    let (text, _) = board_text(&fitted, &plan, &library);
    let board = Board::load(&Source::new("b", text.as_str()), &library)
        .unwrap_or_else(|c| panic!("{}\n{text}", c.render(false)));
    assert_eq!(board.parts().iter().find(|p| p.id == "C1").unwrap().role.as_deref(), Some("input-coupling"));
}

#[test]
fn a_part_that_leads_nowhere_is_left_out_with_a_word() {
    let text = "supply 9V V9 GND\nR1 10k V9 MID\nR2 10k MID GND\nR3 4k7 V9 LED\n";
    let library = library();
    let (fitted, drawing) = fitted(text, Format::List);
    let (text, told) = board_text(&fitted, &Plan::of(&drawing, &fitted, &library), &library);
    assert!(!text.contains("R3:") && told.iter().any(|t| t.starts_with("R3 is left out")), "{text} {told:?}");
}
