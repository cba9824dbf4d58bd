//! The written fault summary: what was wrong, how we know, what it costs.
//!
//! One model, [`Summary`], is made from a [`Diagnosis`](crate::job::Diagnosis) and a [`Shop`]; [`render`] puts it on paper for
//! the customer or for the bench, as text, Markdown or HTML, by templates that a shop can change. How sure a result is
//! is said in the words of one table, [`certainty`]; how bills are rounded stands in [`money`], what an estimate rests on
//! in [`estimate`].
//!
//! Absent: files, clocks (times are handed in), languages other than English, and page layout beyond what a browser
//! does with HTML.

mod build;
pub mod certainty;
pub mod estimate;
mod model;
pub mod money;
mod pictures;
mod render;
mod shop;
pub(crate) mod svg;
mod tense;
#[cfg(test)]
mod tests;
mod timeline;
mod trail;
mod words;

pub use crate::text::inert::text as inert;
pub use model::*;
pub use pictures::{
    Bar, Course, Dot, History, PathPicture, PathPoint, Pictures, draw_bars, draw_dots, draw_history,
    draw_path,
};
pub use render::{Audience, COLUMNS, Format, MAX_TEMPLATE, SummaryError, Templates, render};
pub use shop::{Currency, DateFormat, NumberFormat, Shop, Side, Tax};
