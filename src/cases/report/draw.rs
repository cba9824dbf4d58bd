//! The report's plots.

use super::{FaultCount, JobMinutes, Reliability};
use crate::summary::svg::{ACCENT, Anchor, Drawing, FAINT, Fill, INK, Scale, WIDTH, broken};

/// The commonest faults as bars.
pub fn faults(list: &[FaultCount]) -> String {
    let mut drawing = Drawing::new("faults");
    let most = list.iter().map(|f| f.count).max().unwrap_or(1).max(1) as f64;
    let scale = Scale { values: (0.0, most), units: (0.0, WIDTH - 46.0) };
    let mut y = 14.0;
    for fault in list {
        let says = if fault.says.is_empty() { &fault.id } else { &fault.says };
        for (i, line) in broken(says, 46, 2).iter().enumerate() {
            y += if i == 0 { 0.0 } else { 16.0 };
            drawing.text(1.0, y, line, Anchor::Start, false, INK);
        }
        let width = scale.at(fault.count as f64);
        drawing.rect(0.0, y + 6.0, width, 12.0, &Fill::Plain(ACCENT), ACCENT);
        drawing.text(width + 6.0, y + 17.0, &fault.count.to_string(), Anchor::Start, true, INK);
        y += 38.0;
    }
    drawing.finish(
        y - 14.0,
        "The commonest faults",
        "How often each of the commonest faults was found; the table below has the figures.",
    )
}

/// Jobs by minutes.
pub fn times(minutes: &JobMinutes) -> String {
    let mut drawing = Drawing::new("times");
    let (left, right, top, bottom) = (34.0, WIDTH - 6.0, 26.0, 176.0);
    let most = minutes.bars.iter().max().copied().unwrap_or(1).max(1) as f64;
    let (n, high) = (minutes.bars.len() as f64, Scale { values: (0.0, most), units: (bottom, top) });
    let across = Scale { values: (0.0, n * minutes.bar), units: (left, right) };
    drawing.line((left, bottom), (right, bottom), 1.2, INK, "");
    for value in [0.0, most] {
        drawing.text(left - 6.0, high.at(value) + 4.0, &format!("{value:.0}"), Anchor::End, false, INK);
    }
    for (i, jobs) in minutes.bars.iter().enumerate() {
        let (from, to) = (across.at(i as f64 * minutes.bar), across.at((i + 1) as f64 * minutes.bar));
        let y = high.at(*jobs as f64);
        drawing.rect(from + 1.5, y, to - from - 3.0, bottom - y, &Fill::Plain(ACCENT), ACCENT);
        // Every label where there is room, else every other.
        if n <= 8.0 || i % 2 == 0 {
            let label = format!("{:.0}", i as f64 * minutes.bar);
            drawing.text(from, bottom + 16.0, &label, Anchor::Middle, false, INK);
        }
    }
    let x = across.at(minutes.median);
    drawing.line((x, top - 6.0), (x, bottom), 2.0, INK, "5 3");
    let anchor = if x > WIDTH - 90.0 { Anchor::End } else { Anchor::Start };
    drawing.text(x, top - 12.0, &format!("median {:.0} min", minutes.median), anchor, true, INK);
    drawing.text(0.5 * (left + right), bottom + 36.0, "minutes on the job", Anchor::Middle, false, INK);
    let words = format!(
        "{} jobs by minutes, in bars of {:.0} minutes; the last holds all longer ones.",
        minutes.jobs, minutes.bar
    );
    drawing.finish(bottom + 44.0, "Time per job", &words)
}

/// Said against was, with the range of the share; on the line is right.
pub fn reliability(bins: &[Reliability]) -> String {
    let mut drawing = Drawing::new("reliability");
    let (left, right, top, bottom) = (48.0, 314.0, 12.0, 278.0);
    let x = Scale { values: (0.0, 1.0), units: (left, right) };
    let y = Scale { values: (0.0, 1.0), units: (bottom, top) };
    drawing.rect(left, top, right - left, bottom - top, &Fill::Plain("#ffffff"), FAINT);
    drawing.line((left, bottom), (right, top), 1.4, FAINT, "5 4");
    for tick in [0.0, 0.25, 0.5, 0.75, 1.0] {
        let label = format!("{:.0} %", tick * 100.0);
        drawing.line((x.at(tick), bottom), (x.at(tick), bottom + 4.0), 1.2, INK, "");
        drawing.line((left - 4.0, y.at(tick)), (left, y.at(tick)), 1.2, INK, "");
        drawing.text(x.at(tick), bottom + 18.0, &label, Anchor::Middle, false, INK);
        drawing.text(left - 7.0, y.at(tick) + 4.0, &label, Anchor::End, false, INK);
    }
    for bin in bins.iter().filter(|b| b.count > 0) {
        let at = x.at(bin.said);
        drawing.line((at, y.at(bin.interval[0])), (at, y.at(bin.interval[1])), 1.6, ACCENT, "");
        drawing.mark(0, at, y.at(bin.was), 5.0, ACCENT, true);
    }
    drawing.text(
        0.5 * (left + right),
        bottom + 38.0,
        "said (across) and was so (up)",
        Anchor::Middle,
        false,
        INK,
    );
    drawing.finish(
        bottom + 46.0,
        "Probability said against share that was so",
        "Each disc is a tenth of the probabilities with the 90 % range of its share; on the dashed line they are right.",
    )
}
