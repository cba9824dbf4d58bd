//! The shop's face: name, currency, rate, tax, terms, and how dates and figures are written.

use crate::text::{At, Complaint, Complaints, Document, Source, decode, parse};
use serde::{Deserialize, Serialize};

/// How dates are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum DateFormat {
    /// `2026-11-24`.
    #[default]
    Iso,
    /// `24 November 2026`.
    DayMonthYear,
    /// `November 24, 2026`.
    MonthDayYear,
}

/// How figures of money, time, percent and decibels are written. Readings stay as the meter shows them.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct NumberFormat {
    /// The decimal mark: one character.
    #[serde(default = "point")]
    pub decimal: String,
    /// What stands between thousands; nothing where it is empty.
    #[serde(default)]
    pub thousands: String,
}

impl Default for NumberFormat {
    fn default() -> Self {
        Self { decimal: point(), thousands: String::new() }
    }
}

fn point() -> String {
    ".".into()
}

/// On which side of the figure the currency's sign stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, Serialize)]
#[serde(rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Side {
    /// `$12.50`.
    Before,
    /// `12.50 EUR`.
    #[default]
    After,
}

/// The shop's money.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Currency {
    /// Its sign or code, as printed.
    #[serde(default)]
    pub sign: String,
    /// On which side of the figure it stands.
    #[serde(default)]
    pub side: Side,
    /// Decimals of the minor unit: 2 for cents, 0 where there is none; at most 3.
    #[serde(default = "two")]
    pub decimals: u32,
}

impl Default for Currency {
    fn default() -> Self {
        Self { sign: String::new(), side: Side::After, decimals: 2 }
    }
}

fn two() -> u32 {
    2
}

/// The tax on a bill.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Tax {
    /// Its name on the bill.
    pub label: String,
    /// Its rate in percent, such as `20` or `8.25`; at most two decimals.
    pub percent: At<String>,
    /// Whether the prices contain it already.
    #[serde(default)]
    pub included: bool,
}

/// A shop's settings as written in its file.
///
/// ```
/// use halfsplit::{summary::Shop, text::Source};
/// let text = "name: The Lamplight Bench\ncurrency: {sign: EUR}\nlabour-per-hour: 48.00\n";
/// let shop = Shop::read(&Source::new("shop.yaml", text))?;
/// assert_eq!(shop.amount(1250), "12.50 EUR");
/// # Ok::<(), halfsplit::text::Complaints>(())
/// ```
#[derive(Clone, Debug, Default, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Shop {
    /// The shop's name.
    #[serde(default)]
    pub name: Option<String>,
    /// Its address, a line an entry.
    #[serde(default)]
    pub address: Vec<String>,
    /// How to reach it, a line an entry.
    #[serde(default)]
    pub contact: Vec<String>,
    /// Its money.
    #[serde(default)]
    pub currency: Currency,
    /// Price of an hour of bench time, such as `48.00`; no prices for time where it isn't said.
    #[serde(default)]
    pub labour_per_hour: Option<At<String>>,
    /// Bench time is billed in steps of so many minutes, rounded up; 1 where it isn't said.
    #[serde(default)]
    pub labour_step: Option<At<u32>>,
    /// The tax on the bill.
    #[serde(default)]
    pub tax: Option<Tax>,
    /// Terms, a paragraph an entry.
    #[serde(default)]
    pub terms: Vec<String>,
    /// Advice that goes to every customer, a sentence an entry.
    #[serde(default)]
    pub care: Vec<String>,
    /// How dates are written.
    #[serde(default)]
    pub dates: DateFormat,
    /// How figures are written.
    #[serde(default)]
    pub numbers: NumberFormat,
}

impl Shop {
    /// Reads a shop's settings.
    ///
    /// # Errors
    /// Every complaint about the file, each with its place.
    pub fn read(source: &Source) -> Result<Self, Complaints> {
        let document = parse(source)?;
        let shop: Self = decode(&document)?;
        shop.check(&document)?;
        Ok(shop)
    }

    fn check(&self, document: &Document) -> Result<(), Complaints> {
        let mut complaints = Complaints::default();
        let mut complain = |span, message: String, help: &str| {
            complaints.0.push(Complaint::at("bad-figure", document.place(span), message).help(help));
        };
        let here = document.root.span;
        if self.currency.decimals > 3 {
            complain(
                here,
                format!("a currency with {} decimals", self.currency.decimals),
                "write 0, 1, 2 or 3",
            );
        }
        if let Some(rate) = &self.labour_per_hour
            && self.minor(rate).is_none()
        {
            let message = format!("expected a price, found '{}'", short(rate));
            complain(rate.span, message, "write plain currency units such as 48.00");
        }
        if let Some(step) = &self.labour_step
            && !(1..=480).contains(&step.value)
        {
            complain(step.span, format!("steps of {} minutes", step.value), "write 1 to 480");
        }
        if let Some(tax) = &self.tax
            && self.tax_rate().is_none()
        {
            let message = format!("expected a rate in percent, found '{}'", short(&tax.percent));
            complain(tax.percent.span, message, "write a number from 0 to 100 such as 20 or 8.25");
        }
        if self.numbers.decimal.chars().count() != 1 || self.numbers.thousands.chars().count() > 1 {
            complain(
                here,
                "a mark of several characters in 'numbers'".into(),
                "write one character, such as ','",
            );
        }
        complaints.or_ok(())
    }

    /// An amount as written (`0.40`, `12`) in minor units; `None` where it is none or has too many decimals.
    pub fn minor(&self, text: &str) -> Option<i64> {
        minor(text, self.currency.decimals)
    }

    /// Price of an hour in minor units, where the shop says one.
    pub fn hourly(&self) -> Option<i64> {
        self.labour_per_hour.as_ref().and_then(|rate| self.minor(rate))
    }

    /// The tax rate in hundredths of a percent.
    pub fn tax_rate(&self) -> Option<i64> {
        let tax = self.tax.as_ref()?;
        let text = tax.percent.trim();
        let text = text.strip_suffix('%').unwrap_or(text).trim();
        minor(text, 2).filter(|rate| *rate <= 10_000)
    }

    /// The tax's name and rate as printed: `Tax 20 %`.
    pub fn tax_label(&self) -> Option<String> {
        let tax = self.tax.as_ref()?;
        let percent = tax.percent.trim().trim_end_matches('%').trim();
        Some(format!("{} {} %", tax.label, self.figure(percent)))
    }

    /// Hundredths of the currency's main unit, as the rules give them, in minor units; half a unit is rounded up.
    pub fn from_hundredths(&self, hundredths: i64) -> i64 {
        let scale = 10i64.pow(self.currency.decimals.min(3));
        super::money::divided(i128::from(hundredths) * i128::from(scale), 100)
    }

    /// An amount in minor units as it is printed: `12.50 EUR`.
    pub fn amount(&self, minor: i64) -> String {
        let decimals = self.currency.decimals.min(3) as usize;
        let scale = 10u64.pow(decimals as u32);
        let (whole, rest) = (minor.unsigned_abs() / scale, minor.unsigned_abs() % scale);
        let digits = whole.to_string();
        let mut figure = String::new();
        if minor < 0 {
            figure.push('-');
        }
        for (i, digit) in digits.chars().enumerate() {
            if i > 0 && (digits.len() - i) % 3 == 0 {
                figure.push_str(&self.numbers.thousands);
            }
            figure.push(digit);
        }
        if decimals > 0 {
            figure.push_str(&self.numbers.decimal);
            figure.push_str(&format!("{rest:0decimals$}"));
        }
        match (self.currency.sign.as_str(), self.currency.side) {
            ("", _) => figure,
            (sign, Side::Before) => format!("{sign}{figure}"),
            (sign, Side::After) => format!("{figure}\u{a0}{sign}"),
        }
    }

    /// A figure with the shop's decimal mark in place of the point.
    pub fn figure(&self, text: &str) -> String {
        text.replace('.', &self.numbers.decimal)
    }

    /// A moment as the shop writes dates: the day, and the time of day where the text has one. What is no date in the
    /// RFC 3339 manner stays as it is.
    pub fn moment(&self, text: &str) -> String {
        let day = self.day(text);
        let bytes = text.as_bytes();
        let time = text.get(11..16).filter(|t| {
            matches!(bytes.get(10), Some(b'T' | b't' | b' '))
                && t.bytes().enumerate().all(|(i, b)| if i == 2 { b == b':' } else { b.is_ascii_digit() })
        });
        match time {
            Some(time) if day != text => format!("{day} {time}"),
            _ => day,
        }
    }

    /// The day of a moment as the shop writes dates; what is no date in the RFC 3339 manner stays as it is.
    pub fn day(&self, text: &str) -> String {
        const MONTHS: [&str; 12] = [
            "January",
            "February",
            "March",
            "April",
            "May",
            "June",
            "July",
            "August",
            "September",
            "October",
            "November",
            "December",
        ];
        let date = text.get(..10).and_then(|d| d.parse::<jiff::civil::Date>().ok());
        let rest = text.as_bytes().get(10);
        let Some(date) = date.filter(|_| matches!(rest, None | Some(b'T' | b't' | b' '))) else {
            return text.into();
        };
        let month = MONTHS[(date.month() - 1).clamp(0, 11) as usize];
        match self.dates {
            DateFormat::Iso => date.to_string(),
            DateFormat::DayMonthYear => format!("{} {month} {}", date.day(), date.year()),
            DateFormat::MonthDayYear => format!("{month} {}, {}", date.day(), date.year()),
        }
    }
}

fn short(text: &str) -> String {
    text.chars().take(40).collect()
}

/// Decimal text to an integer of so many decimals.
fn minor(text: &str, decimals: u32) -> Option<i64> {
    let (whole, rest) = text.trim().split_once('.').unwrap_or((text.trim(), ""));
    let digits = |t: &str| t.bytes().all(|b| b.is_ascii_digit());
    let decimals = decimals.min(3) as usize;
    if whole.is_empty() || whole.len() > 9 || !digits(whole) || !digits(rest) {
        return None;
    }
    let kept = rest.trim_end_matches('0');
    if kept.len() > decimals {
        return None;
    }
    format!("{whole}{kept:0<decimals$}").parse().ok()
}
