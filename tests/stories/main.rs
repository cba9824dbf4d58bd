//! Stories: the command as its users run it, each in a folder of its own with a cleaned environment.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout, clippy::print_stderr)]

mod bench;
#[cfg(target_os = "linux")]
mod board_screens;
mod boards;
mod card;
mod crash;
#[cfg(target_os = "linux")]
mod good;
mod heard;
mod growth;
mod harmless;
mod learning;
mod machine;
mod manners;
mod opening;
#[cfg(target_os = "linux")]
mod pins;
#[cfg(target_os = "linux")]
mod record;
mod outputs;
mod refused;
mod run;
#[cfg(target_os = "linux")]
mod screens;
#[cfg(target_os = "linux")]
mod terminal;
