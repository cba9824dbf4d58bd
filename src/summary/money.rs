//! Bills in integer minor units.
//!
//! The rule of rounding, the same everywhere: bench time is summed in hundredths of a minute, rounded up to the shop's
//! step, and priced once (`time × price of an hour`, half a minor unit rounded up). Parts are `count × price`,
//! exact. Tax is reckoned once, on the sum (half a minor unit rounded up), never line by line. The total is the sum of the
//! figures printed, so that a customer who adds them up gets it.

use super::shop::Shop;

/// Integer division to the nearest, half rounded away from zero; 0 for a divisor of 0.
pub fn divided(value: i128, by: i128) -> i64 {
    if by == 0 {
        return 0;
    }
    let half = by.abs() / 2;
    let quotient = (value.abs() + half) / by.abs();
    let signed = if (value < 0) == (by < 0) { quotient } else { -quotient };
    i64::try_from(signed).unwrap_or(if signed < 0 { i64::MIN } else { i64::MAX })
}

/// Minutes billed for minutes worked: rounded up to the shop's step.
pub fn billed(shop: &Shop, minutes: f64) -> u64 {
    let step = u64::from(shop.labour_step.as_ref().map_or(1, |s| s.value).max(1));
    // Hundredths first, so that 15.000000001 doesn't become another quarter of an hour.
    let hundredths = (minutes.clamp(0.0, 1e9) * 100.0).round() as u64;
    hundredths.div_ceil(step * 100) * step
}

/// Price of billed minutes in minor units.
pub fn labour(billed: u64, hourly: i64) -> i64 {
    divided(i128::from(billed) * i128::from(hourly), 60)
}

/// A sum with its tax.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Taxed {
    /// The sum before it, or that contains it.
    pub sum: i64,
    /// The tax.
    pub tax: i64,
    /// What is to be paid.
    pub total: i64,
}

/// Tax on a sum, as the shop reckons it.
pub fn taxed(shop: &Shop, sum: i64) -> Taxed {
    let rate = i128::from(shop.tax_rate().unwrap_or(0));
    if shop.tax.as_ref().is_some_and(|t| t.included) {
        let tax = divided(i128::from(sum) * rate, 10_000 + rate);
        return Taxed { sum, tax, total: sum };
    }
    let tax = divided(i128::from(sum) * rate, 10_000);
    Taxed { sum, tax, total: sum.saturating_add(tax) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::text::Source;

    fn shop(text: &str) -> Shop {
        Shop::read(&Source::new("shop.yaml", text)).unwrap()
    }

    /// Worked by hand.
    #[test]
    fn totals_match_the_ones_worked_by_hand() {
        // 47 min in quarters is 60 min; 60 min at 52.00 is 52.00. Parts 2 × 0.35 + 4.80 = 5.50. Sum 57.50.
        // 8.25 % of 57.50 is 4.74375, so 4.74; total 62.24.
        let a = shop("labour-per-hour: 52.00\nlabour-step: 15\ntax: {label: Sales tax, percent: 8.25}\n");
        assert_eq!(billed(&a, 47.0), 60);
        assert_eq!(labour(60, a.hourly().unwrap()), 5200);
        assert_eq!(taxed(&a, 5200 + 2 * 35 + 480), Taxed { sum: 5750, tax: 474, total: 6224 });
        // 25 min at 47.00: 25 × 4700 / 60 = 1958.33 → 19.58. Prices contain 19 %: 19.58 × 19 / 119 = 3.1262 → 3.13.
        let b = shop("labour-per-hour: 47\ntax: {label: Tax, percent: 19, included: true}\n");
        assert_eq!(billed(&b, 25.0), 25);
        assert_eq!(labour(25, b.hourly().unwrap()), 1958);
        assert_eq!(taxed(&b, 1958), Taxed { sum: 1958, tax: 313, total: 1958 });
        // Half a unit goes up: 15 min at 0.02 an hour is half a cent.
        assert_eq!(labour(15, 2), 1);
        assert_eq!((billed(&a, 15.0), billed(&a, 15.01), billed(&a, 0.0)), (15, 30, 0));
        // No minor unit: 40 hundredths are rounded to none, 50 to one.
        let c = shop("currency: {sign: J, decimals: 0}\nlabour-per-hour: 6000\n");
        assert_eq!((c.from_hundredths(40), c.from_hundredths(50), labour(25, 6000)), (0, 1, 2500));
        assert_eq!(c.amount(2500), "2500\u{a0}J");
    }

    #[test]
    fn figures_follow_the_shop() {
        let s = shop(
            "currency: {sign: '$', side: before}\nnumbers: {decimal: ',', thousands: '.'}\ndates: day-month-year\n",
        );
        assert_eq!(s.amount(123_456_789), "$1.234.567,89");
        assert_eq!(s.amount(5), "$0,05");
        assert_eq!(s.day("2026-03-09T10:05:00+02:00"), "9 March 2026");
        assert_eq!(s.moment("2026-03-09T10:05:00+02:00"), "9 March 2026 10:05");
        assert_eq!(s.day("last Tuesday"), "last Tuesday");
        assert_eq!(s.day("2026-13-09"), "2026-13-09");
    }

    #[test]
    fn a_bad_figure_is_named_with_its_line() {
        let e = Shop::read(&Source::new("shop.yaml", "name: A\nlabour-per-hour: a lot\n")).unwrap_err();
        let text = e.to_string();
        assert!(text.contains("shop.yaml:2:18"), "{text}");
        let e = Shop::read(&Source::new("shop.yaml", "nmae: A\n")).unwrap_err();
        assert!(e.to_string().contains("did you mean 'name'"), "{e}");
    }
}
