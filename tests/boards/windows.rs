//! Device cards held to figures of their data sheets. Figures that were not read in a sheet don't gate.

use super::load;
use halfsplit::circuit::board::Board;
use halfsplit::circuit::dc::Options;
use halfsplit::circuit::sweep::Sweep;
use halfsplit::rules::parts::Library;

fn board(parts: &str, volts: &str) -> Board {
    let text = format!(
        "board: Window\nbuild: pcb\nground: GND\nsupply: [{{name: main, plus: V, minus: GND, volts: {volts}, source: bench, inner: '0.000001'}}]\nparts:\n{parts}"
    );
    load(&text, &Library::builtin().unwrap())
}

fn volts(board: &Board, net: &str) -> f64 {
    let mut sweep = Sweep::new(board.network(), Options::default()).unwrap();
    sweep.solve(&[], None).unwrap().volts(board.node(net).unwrap())
}

fn amps(board: &Board) -> f64 {
    Sweep::new(board.network(), Options::default()).unwrap().solve(&[], None).unwrap().delivered(0)
}

/// Forward drop of a two-legged part at about a current, from 20 V through a resistor.
fn drop_at(device: &str, amps: f64) -> f64 {
    let ohms = 20.0 / amps;
    let parts = format!(
        "  R1: {{kind: resistor, value: '{ohms:.1}', nets: [V, A]}}\n  D1: {{device: {device}, nets: {{anode: A, cathode: GND}}}}\n"
    );
    volts(&board(&parts, "20V"), "A")
}

fn within(name: &str, got: f64, low: f64, high: f64) {
    assert!((low..=high).contains(&got), "{name}: {got} is not within {low} to {high}");
}

#[test]
fn diodes() {
    within("1N4148 data sheet, 10 mA", drop_at("1N4148", 10e-3), 0.55, 1.0);
    within("1N4448 selection, 5 mA", drop_at("1N4148", 5e-3), 0.62, 0.72);
    within("1N914 on a meter, near 1 mA", drop_at("1N4148", 1e-3), 0.55, 0.66);
    within("1N4004 curve, 10 mA", drop_at("1N4001", 10e-3), 0.66, 0.74);
    within("1N4004 curve, 130 mA", drop_at("1N4001", 0.13), 0.76, 0.84);
    within("1N5817 data sheet, 1 A", drop_at("1N5817", 1.0), 0.30, 0.45);
    within("Schottky on a meter, 1 mA", drop_at("1N5817", 1e-3), 0.15, 0.35);
    within("1N34A, 1 mA", drop_at("1N34A", 1e-3), 0.2, 0.4);
    within("1N34A data sheet, 5 mA", drop_at("1N34A", 5e-3), 0.2, 1.0);
}

#[test]
fn leds() {
    // Lessons In Electric Circuits Vol. III, table of optical and electrical properties.
    for (colour, low, high) in [
        ("infrared", 1.2, 1.7),
        ("red", 1.5, 2.4),
        ("orange", 2.1, 2.2),
        ("yellow", 1.7, 2.8),
        ("green", 1.7, 2.8),
        ("blue", 3.0, 4.0),
        ("white", 3.0, 4.0),
    ] {
        within(colour, drop_at(&format!("LED-{colour}"), 10e-3), low - 0.05, high);
    }
}

#[test]
fn regulators_hold_and_drop_out() {
    let at = |device: &str, volts_in: &str, load: &str| {
        let parts = format!(
            "  U1: {{device: {device}, nets: {{in: V, gnd: GND, out: O}}}}\n  R1: {{kind: resistor, value: {load}, nets: [O, GND]}}\n"
        );
        board(&parts, volts_in)
    };
    // 78L05: 4.8 to 5.2 V at 10 V in and 40 mA; 4.75 to 5.25 V from 7 to 20 V and 1 to 40 mA; 3.8 mA typical, 6 mA most.
    within("78L05", volts(&at("78L05", "10V", "125R"), "O"), 4.8, 5.2);
    for (volts_in, load) in [("7V", "125R"), ("20V", "125R"), ("7V", "5k"), ("20V", "5k")] {
        within("78L05 over its range", volts(&at("78L05", volts_in, load), "O"), 4.75, 5.25);
    }
    within("78L05 own current", amps(&at("78L05", "9V", "5k")) - 1e-3, 3.0e-3, 6.0e-3);
    within("78L05 below 6.7 V in", volts(&at("78L05", "6V", "500R"), "O"), 4.0, 4.4);
    within("7805", volts(&at("7805", "10V", "10R"), "O"), 4.75, 5.25);
    within("7805 own current", amps(&at("7805", "10V", "5k")) - 1e-3, 3.5e-3, 8.0e-3);
}

#[test]
fn amplifiers_stop_where_the_sheets_say() {
    let follower = |device: &str, input: &str| {
        let parts = format!(
            "  R1: {{kind: resistor, value: 10k, nets: [V, P]}}\n  R2: {{kind: resistor, value: {input}, nets: [P, GND]}}\n  IC1: {{device: {device}, nets: {{1: O, 2: O, 3: P, 4: GND, 5: P, 6: N, 7: N, 8: V}}}}\n  R3: {{kind: resistor, value: 10k, nets: [O, GND]}}\n"
        );
        board(&parts, "30V")
    };
    // At 30 V in all and 10 k: the TL072 comes within 1.5 V of a rail (3 V at worst), the 4558 within 1 V, the LM358 to V+ - 1.5 V.
    within("TL072 up", volts(&follower("TL072", "10M"), "O"), 27.0, 29.0);
    within("RC4558 up", volts(&follower("RC4558", "10M"), "O"), 27.0, 29.5);
    within("LM358 up", volts(&follower("LM358", "10M"), "O"), 28.0, 29.0);
    within("LM358 down", volts(&follower("LM358", "0R02"), "O"), 0.0, 0.02);
    within("TL072 middle", volts(&follower("TL072", "10k"), "O"), 14.99, 15.01);
    // Supply current of both halves, less what the resistors take.
    let own = |device: &str| amps(&follower(device, "10k")) - 1.5e-3 - 1.5e-3;
    within("TL072 current", own("TL072"), 2.0e-3, 5.0e-3);
    within("RC4558 current", own("RC4558"), 2.5e-3, 5.7e-3);
    within("LM358 current", own("LM358"), 0.5e-3, 2.0e-3);
}

#[test]
fn transistors() {
    let gain = |device: &str, base_ohms: f64| -> f64 {
        let parts = format!(
            "  R1: {{kind: resistor, value: '{base_ohms}', nets: [V, B]}}\n  Q1: {{device: {device}, nets: {{c: V, b: B, e: GND}}}}\n"
        );
        let board = board(&parts, "5V");
        let base = (5.0 - volts(&board, "B")) / base_ohms;
        (amps(&board) - base) / base
    };
    within("2N3904 hFE", gain("2N3904", 82e3), 100.0, 300.0);
    within("2N5088 hFE", gain("2N5088", 10e6), 300.0, 900.0);
    within("BC547B hFE", gain("BC547B", 680e3), 200.0, 450.0);
    within("BC549C hFE", gain("BC549C", 1.2e6), 420.0, 800.0);
    within("MPSA18 hFE", gain("MPSA18", 4.7e6), 500.0, 1500.0);
    let vbe = |device: &str, base_ohms: &str| {
        let parts = format!(
            "  R1: {{kind: resistor, value: {base_ohms}, nets: [V, B]}}\n  Q1: {{device: {device}, nets: {{c: V, b: B, e: GND}}}}\n"
        );
        volts(&board(&parts, "5V"), "B")
    };
    within("BC547 on, 2 mA", vbe("BC547B", "680k"), 0.58, 0.70);
    within("MPSA18 on, 1 mA", vbe("MPSA18", "4M7"), 0.55, 0.70);
}

#[test]
fn field_effect_transistors() {
    // Gate to source: the current is IDSS.
    let idss = |device: &str| {
        let parts = format!(
            "  R1: {{kind: resistor, value: 10R, nets: [V, D]}}\n  J1: {{device: {device}, nets: {{d: D, g: GND, s: GND}}}}\n"
        );
        amps(&board(&parts, "15V"))
    };
    within("J201 IDSS", idss("J201"), 0.2e-3, 1.0e-3);
    within("2N5457 IDSS", idss("2N5457"), 1.0e-3, 5.0e-3);
    within("2N5458 IDSS", idss("2N5458"), 2.0e-3, 9.0e-3);
    // Drain to gate at 1 mA: the threshold.
    for device in ["2N7000", "BS170"] {
        let parts = format!(
            "  R1: {{kind: resistor, value: 12k, nets: [V, D]}}\n  Q1: {{device: {device}, nets: {{d: D, g: D, s: GND}}}}\n"
        );
        within(device, volts(&board(&parts, "14V"), "D"), 0.8, 3.0);
    }
    // On-resistance at 10 V of gate, 2N7000: 5 ohm at most.
    let parts = "  R1: {kind: resistor, value: 20R, nets: [V, D]}\n  Q1: {device: 2N7000, nets: {d: D, g: V, s: GND}}\n";
    let on = volts(&board(parts, "10V"), "D");
    within("2N7000 on", on / ((10.0 - on) / 20.0), 0.3, 5.0);
}

#[test]
fn charge_pump() {
    // TC1044S data sheet: 70 ohm; 5 V in, 10 mA out gives -4.3 V.
    let parts = "  IC1: {device: TC1044S, nets: {2: CP, 3: GND, 4: CN, 5: N, 8: V}}\n  C1: {kind: electrolytic, value: 10u, nets: {plus: CP, minus: CN}}\n  C2: {kind: electrolytic, value: 10u, nets: {plus: GND, minus: N}}\n  R1: {kind: resistor, value: 430R, nets: [GND, N]}\n";
    let b = board(parts, "5V");
    within("TC1044S", volts(&b, "N"), -4.4, -4.2);
    // What it gives it takes.
    within("its input current", amps(&b), 9e-3, 11.5e-3);
}

#[test]
fn echo_chip_pins() {
    // PT2399 data sheet: REF is half of VCC; the amplifiers idle about it (inferred). Pin 6: above 1 V, below the supply.
    let pins: serde_yaml::Value = serde_yaml::from_str(include_str!("../data/echo_chip_delay.yaml")).unwrap();
    let text = include_str!("../../cases/boards/tin_lantern.yaml");
    let board = load(text, &Library::builtin().unwrap());
    let chip = board.parts().iter().find(|p| p.id == "IC2").unwrap();
    let mut sweep = Sweep::new(board.network(), Options::default()).unwrap();
    let found = sweep.solve(&[], None).unwrap();
    for (pin, want) in pins["pins_at_5_v"].as_mapping().unwrap() {
        let name = pin.as_u64().unwrap().to_string();
        let got = found.volts(chip.pins.iter().find(|p| p.name == name).unwrap().node);
        within(&format!("pin {name}"), got, want.as_f64().unwrap() - 0.1, want.as_f64().unwrap() + 0.1);
    }
    let timing = found.volts(chip.pins.iter().find(|p| p.name == "6").unwrap().node);
    within("pin 6", timing, 1.0, 5.0);
}
