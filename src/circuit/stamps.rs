//! The nonlinear elements of a compiled network: what each adds to the balances and to the matrix.

use super::devices::{self, THERMAL_VOLTS};
use super::network::{BjtModel, Breakdown, DiodeModel, ElementId, JfetModel, MosfetModel};

/// A pair of unknowns a law listens to.
pub(crate) type Pair = [u16; 2];

/// A nonlinear element: where it sits, where its values are, where its junction memories are.
#[derive(Debug, Clone)]
pub(crate) struct Device {
    pub kind: Kind,
    pub params: u32,
    pub memory: u32,
    pub element: ElementId,
}

#[derive(Debug, Clone)]
pub(crate) enum Kind {
    Diode {
        ends: Pair,
        zener: bool,
    },
    Bjt {
        ends: [u16; 3],
        sign: f64,
    },
    Jfet {
        ends: [u16; 3],
        sign: f64,
    },
    Mosfet {
        ends: [u16; 3],
        sign: f64,
    },
    /// A law with corners: rows it adds to (with sign), its linear pairs, the pairs of each corner.
    Law {
        rows: Vec<(u16, f64)>,
        linear: Vec<Pair>,
        ramps: Vec<Vec<Pair>>,
    },
}

/// A device as the sensitivities see it.
#[derive(Clone, Copy)]
pub(crate) struct DeviceView<'a>(pub &'a Device);

impl DeviceView<'_> {
    pub fn element(self) -> ElementId {
        self.0.element
    }
    /// First of its values in `params`.
    pub fn params_start(self) -> usize {
        self.0.params as usize
    }
    pub fn pattern(self) -> Vec<(u16, u16)> {
        self.0.pattern()
    }
    /// Unknowns it listens to, each once.
    pub fn listens(self) -> Vec<u16> {
        let mut columns: Vec<u16> = self.0.pattern().into_iter().map(|(_, c)| c).collect();
        columns.sort_unstable();
        columns.dedup();
        columns
    }
    pub fn slope_count(self) -> usize {
        self.0.slope_count()
    }
    /// Currents (added to `f`) and slopes exactly at `x`, no limiting. `params` starts at the device's own values.
    pub fn exact(self, params: &[f64], x: &[f64], gmin: f64, f: &mut [f64], slopes: &mut [f64]) {
        let mut memory = [0.0; 2];
        self.0.remember(x, &mut memory);
        self.0.evaluate(params, x, &mut memory, gmin, f, slopes);
    }
}

impl Device {
    pub fn slope_count(&self) -> usize {
        match &self.kind {
            Kind::Diode { .. } => 4,
            Kind::Bjt { .. } | Kind::Jfet { .. } => 9,
            Kind::Mosfet { .. } => 6,
            Kind::Law { rows, linear, ramps } => {
                rows.len() * 2 * (linear.len() + ramps.iter().map(Vec::len).sum::<usize>())
            }
        }
    }

    /// (row, column) of each slope, in the order they are written.
    pub fn pattern(&self) -> Vec<(u16, u16)> {
        let grid = |rows: &[u16], cols: &[u16]| {
            rows.iter().flat_map(|r| cols.iter().map(move |c| (*r, *c))).collect()
        };
        match &self.kind {
            Kind::Diode { ends, .. } => grid(ends, ends),
            Kind::Bjt { ends, .. } | Kind::Jfet { ends, .. } => grid(ends, ends),
            Kind::Mosfet { ends, .. } => grid(&[ends[0], ends[2]], ends),
            Kind::Law { rows, linear, ramps } => {
                let cols: Vec<u16> = linear.iter().chain(ramps.iter().flatten()).flatten().copied().collect();
                let rows: Vec<u16> = rows.iter().map(|r| r.0).collect();
                grid(&rows, &cols)
            }
        }
    }

    /// `memory` starts at the device's own.
    pub fn remember(&self, x: &[f64], memory: &mut [f64]) {
        let v = |a: u16, b: u16| x[a as usize] - x[b as usize];
        match &self.kind {
            Kind::Diode { ends: [a, c], .. } => memory[0] = v(*a, *c),
            Kind::Bjt { ends: [c, b, e], sign } => {
                memory[0] = sign * v(*b, *e);
                memory[1] = sign * v(*b, *c);
            }
            Kind::Jfet { ends: [d, g, s], sign } => {
                memory[0] = sign * v(*g, *s);
                memory[1] = sign * v(*g, *d);
            }
            Kind::Mosfet { .. } | Kind::Law { .. } => {}
        }
    }

    /// Brings remembered voltages that no junction can stand at down to what one can.
    pub fn calm(&self, p: &[f64], memory: &mut [f64]) {
        let believable = devices::believable;
        match &self.kind {
            Kind::Diode { zener, .. } => {
                memory[0] = believable(memory[0], p[1] * THERMAL_VOLTS, p[0]);
                if *zener {
                    memory[0] = -(believable(-(memory[0] + p[3]), p[5] * THERMAL_VOLTS, p[4]) + p[3]);
                }
            }
            Kind::Bjt { .. } => memory[..2].iter_mut().for_each(|m| *m = believable(*m, THERMAL_VOLTS, p[0])),
            Kind::Jfet { .. } => {
                memory[..2].iter_mut().for_each(|m| *m = believable(*m, THERMAL_VOLTS, p[3]))
            }
            Kind::Mosfet { .. } | Kind::Law { .. } => {}
        }
    }

    pub fn evaluate(
        &self,
        p: &[f64],
        x: &[f64],
        memory: &mut [f64],
        gmin: f64,
        f: &mut [f64],
        g: &mut [f64],
    ) -> bool {
        match &self.kind {
            Kind::Diode { ends, zener } => eval_diode(*ends, *zener, p, x, &mut memory[0], gmin, f, g),
            Kind::Bjt { ends, sign } => eval_bjt(*ends, *sign, p, x, memory, gmin, f, g),
            Kind::Jfet { ends, sign } => eval_jfet(*ends, *sign, p, x, memory, gmin, f, g),
            Kind::Mosfet { ends, sign } => eval_mosfet(*ends, *sign, p, x, f, g),
            Kind::Law { rows, linear, ramps } => eval_law(rows, linear, ramps, p, x, f, g),
        }
    }
}

/// Moves a remembered junction voltage towards `v`; returns where it stands and whether it was held back.
fn step_junction(v: f64, memory: &mut f64, vt: f64, is: f64) -> (f64, bool) {
    let held = devices::limit_junction(v, *memory, vt, is);
    *memory = held;
    (held, held != v)
}

#[allow(clippy::too_many_arguments)]
fn eval_diode(
    ends: Pair,
    zener: bool,
    p: &[f64],
    x: &[f64],
    memory: &mut f64,
    gmin: f64,
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let [a, c] = ends.map(usize::from);
    let v = x[a] - x[c];
    let (is, vt) = (p[0], p[1] * THERMAL_VOLTS);
    let (slope, at, limited) = if zener {
        let breakdown = Breakdown { volts: p[3], amps: p[4], ideality: p[5] };
        let model = DiodeModel { is, ideality: p[1], series_ohms: 0.0, breakdown: Some(breakdown) };
        let (at, limited) = step_zener(v, memory, vt, is, breakdown);
        (devices::diode(at, &model, gmin), at, limited)
    } else {
        let (at, limited) = step_junction(v, memory, vt, is);
        (devices::junction(at, is, vt, gmin), at, limited)
    };
    let i = slope.i + slope.g * (v - at);
    f[a] += i;
    f[c] -= i;
    g.copy_from_slice(&[slope.g, -slope.g, -slope.g, slope.g]);
    limited
}

/// As [`step_junction`], with the breakdown knee seen as a junction looking the other way.
fn step_zener(v: f64, memory: &mut f64, vt: f64, is: f64, b: Breakdown) -> (f64, bool) {
    if v < -0.5 * b.volts {
        let mirrored = -(v + b.volts);
        let held =
            devices::limit_junction(mirrored, -(*memory + b.volts), b.ideality * THERMAL_VOLTS, b.amps);
        *memory = -(held + b.volts);
        return (if held == mirrored { v } else { *memory }, held != mirrored);
    }
    step_junction(v, memory, vt, is)
}

#[allow(clippy::too_many_arguments)]
fn eval_bjt(
    ends: [u16; 3],
    sign: f64,
    p: &[f64],
    x: &[f64],
    memory: &mut [f64],
    gmin: f64,
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let [c, b, e] = ends.map(usize::from);
    let (vbe, vbc) = (sign * (x[b] - x[e]), sign * (x[b] - x[c]));
    let model = BjtModel { is: p[0], bf: p[1], br: p[2], vaf: p[3] };
    let (at_be, limited_be) = step_junction(vbe, &mut memory[0], THERMAL_VOLTS, model.is);
    let (at_bc, limited_bc) = step_junction(vbc, &mut memory[1], THERMAL_VOLTS, model.is);
    let ([ic, ib], [cs, bs]) = devices::bjt(at_be, at_bc, &model, gmin);
    let (dbe, dbc) = (vbe - at_be, vbc - at_bc);
    let ic = sign * (ic + cs[0] * dbe + cs[1] * dbc);
    let ib = sign * (ib + bs[0] * dbe + bs[1] * dbc);
    f[c] += ic;
    f[b] += ib;
    f[e] -= ic + ib;
    // Columns c, b, e: vbc falls with vc, both rise with vb, vbe falls with ve.
    let row = |s: [f64; 2]| [-s[1], s[0] + s[1], -s[0]];
    let (rc, rb) = (row(cs), row(bs));
    g[0..3].copy_from_slice(&rc);
    g[3..6].copy_from_slice(&rb);
    for k in 0..3 {
        g[6 + k] = -(rc[k] + rb[k]);
    }
    limited_be || limited_bc
}

#[allow(clippy::too_many_arguments)]
fn eval_jfet(
    ends: [u16; 3],
    sign: f64,
    p: &[f64],
    x: &[f64],
    memory: &mut [f64],
    gmin: f64,
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let [d, gate, s] = ends.map(usize::from);
    let (vgs, vgd) = (sign * (x[gate] - x[s]), sign * (x[gate] - x[d]));
    let model = JfetModel { vto: p[0], beta: p[1], lambda: p[2], is: p[3] };
    let (at_gs, limited_gs) = step_junction(vgs, &mut memory[0], THERMAL_VOLTS, model.is);
    let (at_gd, limited_gd) = step_junction(vgd, &mut memory[1], THERMAL_VOLTS, model.is);
    let js = devices::junction(at_gs, model.is, THERMAL_VOLTS, gmin);
    let jd = devices::junction(at_gd, model.is, THERMAL_VOLTS, gmin);
    let [id, gm, gds] = devices::jfet_channel(at_gs, at_gs - at_gd, &model);
    let (ds, dd) = (vgs - at_gs, vgd - at_gd);
    let igs = sign * (js.i + js.g * ds);
    let igd = sign * (jd.i + jd.g * dd);
    let ich = sign * (id + gm * ds + gds * (ds - dd));
    f[d] += ich - igd;
    f[gate] += igs + igd;
    f[s] -= ich + igs;
    g.copy_from_slice(&[
        gds + jd.g,
        gm - jd.g,
        -gm - gds,
        -jd.g,
        js.g + jd.g,
        -js.g,
        -gds,
        -gm - js.g,
        gm + gds + js.g,
    ]);
    limited_gs || limited_gd
}

fn eval_mosfet(ends: [u16; 3], sign: f64, p: &[f64], x: &[f64], f: &mut [f64], g: &mut [f64]) -> bool {
    let [d, gate, s] = ends.map(usize::from);
    let model = MosfetModel { vto: p[0], kp: p[1], lambda: p[2] };
    let [id, gm, gds] = devices::mosfet_channel(sign * (x[gate] - x[s]), sign * (x[d] - x[s]), &model);
    f[d] += sign * id;
    f[s] -= sign * id;
    g.copy_from_slice(&[gds, gm, -gm - gds, -gds, -gm, gm + gds]);
    false
}

fn eval_law(
    rows: &[(u16, f64)],
    linear: &[Pair],
    ramps: &[Vec<Pair>],
    p: &[f64],
    x: &[f64],
    f: &mut [f64],
    g: &mut [f64],
) -> bool {
    let v = |pair: &Pair| x[pair[0] as usize] - x[pair[1] as usize];
    let columns = g.len() / rows.len();
    let (first, others) = g.split_at_mut(columns);
    let mut value = p[0];
    let mut at = 1;
    let mut column = 0;
    for pair in linear {
        value += p[at] * v(pair);
        first[column] = p[at];
        first[column + 1] = -p[at];
        at += 1;
        column += 2;
    }
    for pairs in ramps {
        let (scale, offset, roundness) = (p[at], p[at + 1], p[at + 2]);
        let gains = &p[at + 3..at + 3 + pairs.len()];
        let inside = offset + pairs.iter().zip(gains).map(|(pair, gain)| gain * v(pair)).sum::<f64>();
        let (corner, slope) = devices::softpos(inside, roundness);
        value += scale * corner;
        for gain in gains {
            first[column] = scale * slope * gain;
            first[column + 1] = -first[column];
            column += 2;
        }
        at += 3 + pairs.len();
    }
    for ((row, sign), copy) in rows.iter().skip(1).zip(others.chunks_exact_mut(columns)) {
        f[*row as usize] += sign * value;
        copy.iter_mut().zip(first.iter()).for_each(|(c, s)| *c = sign * s);
    }
    let (row, sign) = rows[0];
    f[row as usize] += sign * value;
    first.iter_mut().for_each(|s| *s *= sign);
    false
}
