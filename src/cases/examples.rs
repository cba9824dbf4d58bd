//! The cards and boards that are compiled in, so that every command can be tried in an empty folder.

use crate::text::{Complaint, Complaints, Source, or_nearest};

const CARDS: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/cases.rs"));
const SHOP: (&str, &str) =
    ("cases/shops/lamplight-bench.yaml", include_str!("../../cases/shops/lamplight-bench.yaml"));
const BOARDS: &[(&str, &str)] = include!(concat!(env!("OUT_DIR"), "/boards.rs"));

fn stem(path: &str) -> &str {
    let name = path.rsplit('/').next().unwrap_or(path);
    name.strip_suffix(".yaml").unwrap_or(name)
}

fn find(list: &[(&'static str, &'static str)], what: &str, name: &str) -> Result<Source, Complaints> {
    let name = stem(name);
    let plain = |n: &str| n.replace('_', "-");
    match list.iter().find(|(path, _)| plain(stem(path)) == plain(name)) {
        Some((path, text)) => Ok(Source::new(*path, *text)),
        None => Err(Complaint::nowhere("unknown-name", format!("no built-in {what} is called '{name}'"))
            .help(or_nearest(name, list.iter().map(|(path, _)| stem(path))))
            .into()),
    }
}

/// Names of the built-in job cards.
pub fn examples() -> impl Iterator<Item = &'static str> {
    CARDS.iter().map(|(path, _)| stem(path))
}

/// Names of the built-in boards.
pub fn boards() -> impl Iterator<Item = &'static str> {
    BOARDS.iter().map(|(path, _)| stem(path))
}

/// A built-in job card.
///
/// # Errors
/// When none has that name; names the nearest.
pub fn example(name: &str) -> Result<Source, Complaints> {
    find(CARDS, "example", name)
}

/// The settings of the invented shop at whose bench the built-in job cards were written.
pub fn shop_example() -> Source {
    Source::new(SHOP.0, SHOP.1)
}

/// A built-in board.
///
/// # Errors
/// When none has that name; names the nearest.
pub fn board_example(name: &str) -> Result<Source, Complaints> {
    find(BOARDS, "board", name)
}
