//! The equations of the nonlinear primitives, as pure functions of voltage.
//!
//! Each follows the static model of the same parameters in the reference simulator (see tests/data/circuits/README.md), including the small
//! conductance `gmin` across every junction and the inverse-cube law far in reverse, so that answers behind an open joint agree too.
//! Nothing here knows nodes, limits or iterations, apart from [`limit_junction`], which is about one junction's step.

use super::network::{BjtModel, Breakdown, DiodeModel, JfetModel, MosfetModel};

/// Thermal voltage k T / q at 27 C (300.15 K), volts. Boltzmann constant and elementary charge: CODATA 2018, exact by definition of the SI.
pub const THERMAL_VOLTS: f64 = 1.380649e-23 / 1.602176634e-19 * 300.15;

/// A current and its slope with voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Slope {
    pub i: f64,
    pub g: f64,
}

/// exp with a straight line above e^80, so that a wild step stays finite.
fn tame_exp(x: f64) -> (f64, f64) {
    const TOP: f64 = 80.0;
    if x < TOP {
        let e = x.exp();
        (e, e)
    } else {
        let e = TOP.exp();
        (e * (1.0 + x - TOP), e)
    }
}

/// Junction with saturation current `is`, slope voltage `vt` (ideality times thermal voltage) and `gmin` across it.
pub(crate) fn junction(v: f64, is: f64, vt: f64, gmin: f64) -> Slope {
    if v >= -3.0 * vt {
        let (e, slope) = tame_exp(v / vt);
        Slope { i: is * (e - 1.0) + gmin * v, g: is * slope / vt + gmin }
    } else {
        // Far in reverse the current runs into -is like 1/v^3, with a slope that never quite vanishes.
        let ratio = 3.0 * vt / (v * std::f64::consts::E);
        let cube = ratio * ratio * ratio;
        Slope { i: -is * (1.0 + cube) + gmin * v, g: is * 3.0 * cube / v + gmin }
    }
}

/// Diode without its series resistance.
pub(crate) fn diode(v: f64, model: &DiodeModel, gmin: f64) -> Slope {
    let forward = junction(v, model.is, model.ideality * THERMAL_VOLTS, gmin);
    let Some(Breakdown { volts, amps, ideality }) = model.breakdown else {
        return forward;
    };
    let vt = ideality * THERMAL_VOLTS;
    let (e, slope) = tame_exp(-(v + volts) / vt);
    Slope { i: forward.i - amps * e, g: forward.g + amps * slope / vt }
}

/// Currents into collector and base of an NPN transistor with their slopes: `[ic, ib]`, and per current `[d/dvbe, d/dvbc]`.
pub(crate) fn bjt(vbe: f64, vbc: f64, model: &BjtModel, gmin: f64) -> ([f64; 2], [[f64; 2]; 2]) {
    let be = junction(vbe, model.is, THERMAL_VOLTS, 0.0);
    let bc = junction(vbc, model.is, THERMAL_VOLTS, 0.0);
    let early = 1.0 - vbc / model.vaf;
    let transport = be.i - bc.i;
    // gmin lies beside the junctions; it takes no part in transistor action.
    let ic = transport * early - bc.i / model.br - gmin * vbc;
    let ib = be.i / model.bf + bc.i / model.br + gmin * (vbe + vbc);
    let slopes = [
        [be.g * early, -bc.g * early - transport / model.vaf - bc.g / model.br - gmin],
        [be.g / model.bf + gmin, bc.g / model.br + gmin],
    ];
    ([ic, ib], slopes)
}

/// Square-law channel with `vds >= 0`: current, d/dvgs, d/dvds. `beta` is per `(vgs - vto)^2`.
fn channel_forward(vgs: f64, vds: f64, vto: f64, beta: f64, lambda: f64) -> [f64; 3] {
    let drive = vgs - vto;
    if drive <= 0.0 {
        return [0.0; 3];
    }
    let stretch = beta * (1.0 + lambda * vds);
    if drive <= vds {
        [stretch * drive * drive, stretch * 2.0 * drive, beta * lambda * drive * drive]
    } else {
        let shape = vds * (2.0 * drive - vds);
        [stretch * shape, stretch * 2.0 * vds, stretch * 2.0 * (drive - vds) + beta * lambda * shape]
    }
}

/// Square-law channel of either direction: current into the drain, d/dvgs, d/dvds.
fn channel(vgs: f64, vds: f64, vto: f64, beta: f64, lambda: f64) -> [f64; 3] {
    if vds >= 0.0 {
        channel_forward(vgs, vds, vto, beta, lambda)
    } else {
        // Drain and source change places: i = -f(vgs - vds, -vds).
        let [i, gm, gds] = channel_forward(vgs - vds, -vds, vto, beta, lambda);
        [-i, -gm, gm + gds]
    }
}

/// Channel of an N JFET: current into the drain, d/dvgs, d/dvds (gate junctions apart).
pub(crate) fn jfet_channel(vgs: f64, vds: f64, model: &JfetModel) -> [f64; 3] {
    channel(vgs, vds, model.vto, model.beta, model.lambda)
}

/// Channel of an N MOSFET: current into the drain, d/dvgs, d/dvds.
pub(crate) fn mosfet_channel(vgs: f64, vds: f64, model: &MosfetModel) -> [f64; 3] {
    channel(vgs, vds, model.vto, 0.5 * model.kp, model.lambda)
}

/// Smooth `max(x, 0)` and its slope: `(x + sqrt(x^2 + roundness)) / 2`.
pub(crate) fn softpos(x: f64, roundness: f64) -> (f64, f64) {
    let root = (x * x + roundness).sqrt();
    (0.5 * (x + root), 0.5 * (1.0 + x / root))
}

/// Voltage at which a junction's conductance has grown to where Newton's tangent starts to overshoot badly.
fn knee(vt: f64, is: f64) -> f64 {
    vt * (vt / (std::f64::consts::SQRT_2 * is)).ln()
}

/// Highest voltage a junction is believed to stand at before the first step (ten slope voltages over the knee, hundreds of amps): a point
/// taken over from another fault may have a moved junction forward by volts.
pub(crate) fn believable(v: f64, vt: f64, is: f64) -> f64 {
    v.min(knee(vt, is) + 10.0 * vt)
}

/// Keeps a junction's Newton step sane: a rise above the knee is let in only logarithmically, as the exponential's tangent would overshoot.
pub(crate) fn limit_junction(new: f64, old: f64, vt: f64, is: f64) -> f64 {
    let knee = knee(vt, is);
    if new <= knee || new - old <= 2.0 * vt {
        return new;
    }
    if old > 0.0 { old + vt * (1.0 + (new - old) / vt).ln() } else { knee.max(vt * (new / vt).ln()).min(new) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Slopes are what differences say, over the whole range of each device.
    #[test]
    fn slopes_match_differences() {
        let close = |a: f64, b: f64| (a - b).abs() <= 1e-6 * (a.abs() + b.abs()) + 1e-13;
        let h = 1e-6;
        let zener = DiodeModel {
            is: 1e-14,
            ideality: 1.2,
            series_ohms: 0.0,
            breakdown: Some(Breakdown { volts: 5.1, amps: 5e-3, ideality: 3.0 }),
        };
        let npn = BjtModel { is: 1e-14, bf: 200.0, br: 4.0, vaf: 80.0 };
        for step in -60..8 {
            let v = f64::from(step) * 0.1 + 0.013;
            let d = diode(v, &zener, 1e-12);
            assert!(
                close(d.g, (diode(v + h, &zener, 1e-12).i - diode(v - h, &zener, 1e-12).i) / (2.0 * h)),
                "diode at {v}"
            );
            for other in [-5.0, -0.05, 0.3, 0.6] {
                let (_, slopes) = bjt(v, other, &npn, 1e-12);
                let (up, down) = (bjt(v + h, other, &npn, 1e-12).0, bjt(v - h, other, &npn, 1e-12).0);
                let (up2, down2) = (bjt(v, other + h, &npn, 1e-12).0, bjt(v, other - h, &npn, 1e-12).0);
                for k in 0..2 {
                    assert!(
                        (slopes[k][0] - (up[k] - down[k]) / (2.0 * h)).abs()
                            <= 1e-5 * slopes[k][0].abs() + 1e-10
                    );
                    assert!(
                        (slopes[k][1] - (up2[k] - down2[k]) / (2.0 * h)).abs()
                            <= 1e-5 * slopes[k][1].abs() + 1e-10
                    );
                }
                let model = JfetModel { vto: -1.5, beta: 1.3e-3, lambda: 2e-2, is: 1e-14 };
                let [_, gm, gds] = jfet_channel(other, v, &model);
                assert!(
                    (gm - (jfet_channel(other + h, v, &model)[0] - jfet_channel(other - h, v, &model)[0])
                        / (2.0 * h))
                        .abs()
                        < 1e-8
                );
                assert!(
                    (gds - (jfet_channel(other, v + h, &model)[0] - jfet_channel(other, v - h, &model)[0])
                        / (2.0 * h))
                        .abs()
                        < 1e-8
                );
            }
        }
    }
}
