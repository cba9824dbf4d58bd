//! Boards held to things outside the project: published worked examples through the board loader, data sheet windows of the device
//! cards, and the reference board of tests/data/circuits with our own chip models.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "boards/imported.rs"]
mod imported;
#[path = "boards/reference.rs"]
mod reference;
#[path = "boards/windows.rs"]
mod windows;
#[path = "boards/worked.rs"]
mod worked;

use halfsplit::circuit::board::Board;
use halfsplit::rules::parts::Library;
use halfsplit::text::Source;

/// Loads a board text or shows its complaints.
fn load(text: &str, library: &Library) -> Board {
    Board::load(&Source::new("test.yaml", text), library)
        .unwrap_or_else(|c| panic!("{}\n{text}", c.render(false)))
}
