//! Where an element's numbers lie in the solver's flat list of values.

use super::network::{Breakdown, Law, Parameter, Primitive};

fn law_params(law: &Law, out: &mut Vec<f64>) {
    out.push(law.offset);
    out.extend(law.controls.iter().map(|c| c.gain));
    for r in &law.ramps {
        out.extend([r.scale, r.offset, r.roundness]);
        out.extend(r.controls.iter().map(|c| c.gain));
    }
}

/// The values of a primitive in the order the solver keeps them.
pub(crate) fn params_of(primitive: &Primitive, out: &mut Vec<f64>) {
    match primitive {
        Primitive::Resistor { ohms: v, .. }
        | Primitive::Capacitor { farads: v, .. }
        | Primitive::Inductor { henries: v, .. } => out.push(*v),
        Primitive::VoltageSource { dc, ac, .. } | Primitive::CurrentSource { dc, ac, .. } => {
            out.extend([*dc, *ac])
        }
        Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. } => {
            law_params(law, out)
        }
        Primitive::Diode { model: m, .. } => {
            let b = m.breakdown.unwrap_or(Breakdown { volts: 0.0, amps: 0.0, ideality: 1.0 });
            out.extend([m.is, m.ideality, m.series_ohms, b.volts, b.amps, b.ideality]);
        }
        Primitive::Bjt { model: m, .. } => out.extend([m.is, m.bf, m.br, m.vaf]),
        Primitive::Jfet { model: m, .. } => out.extend([m.vto, m.beta, m.lambda, m.is]),
        Primitive::Mosfet { model: m, .. } => out.extend([m.vto, m.kp, m.lambda]),
    }
}

/// Position of a parameter among an element's values; `None` where the primitive lacks it.
pub(crate) fn param_place(primitive: &Primitive, parameter: Parameter) -> Option<usize> {
    use Parameter as P;
    let ramp_start = |law: &Law, n: usize| {
        let before: usize = law.ramps.iter().take(n).map(|r| 3 + r.controls.len()).sum();
        (n < law.ramps.len()).then_some(1 + law.controls.len() + before)
    };
    match (primitive, parameter) {
        (Primitive::Resistor { .. } | Primitive::Capacitor { .. } | Primitive::Inductor { .. }, P::Value) => {
            Some(0)
        }
        (Primitive::VoltageSource { .. } | Primitive::CurrentSource { .. }, P::Value) => Some(0),
        (Primitive::VoltageSource { .. } | Primitive::CurrentSource { .. }, P::Ac) => Some(1),
        (Primitive::ControlledVoltage { law, .. } | Primitive::ControlledCurrent { law, .. }, p) => match p {
            P::Offset => Some(0),
            P::Gain(n) if n < law.controls.len() => Some(1 + n),
            P::RampScale(n) => ramp_start(law, n),
            P::RampOffset(n) => ramp_start(law, n).map(|s| s + 1),
            _ => None,
        },
        (Primitive::Diode { .. }, P::Is) => Some(0),
        (Primitive::Diode { .. }, P::Ideality) => Some(1),
        (Primitive::Diode { .. }, P::SeriesOhms) => Some(2),
        (Primitive::Diode { model, .. }, P::BreakdownVolts) => model.breakdown.map(|_| 3),
        (Primitive::Bjt { .. }, P::Is) => Some(0),
        (Primitive::Bjt { .. }, P::Bf) => Some(1),
        (Primitive::Bjt { .. }, P::Br) => Some(2),
        (Primitive::Bjt { .. }, P::Vaf) => Some(3),
        (Primitive::Jfet { .. } | Primitive::Mosfet { .. }, P::Vto) => Some(0),
        (Primitive::Jfet { .. } | Primitive::Mosfet { .. }, P::Transconductance) => Some(1),
        (Primitive::Jfet { .. } | Primitive::Mosfet { .. }, P::Lambda) => Some(2),
        (Primitive::Jfet { .. }, P::Is) => Some(3),
        _ => None,
    }
}
