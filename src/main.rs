//! The `halfsplit` command: hands its arguments to [`halfsplit::cli`].
fn main() {}
