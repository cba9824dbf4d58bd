//! Stories: the command as its users run it, each in a folder of its own with a cleaned environment.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout, clippy::print_stderr)]

mod accessible;
mod bench;
#[cfg(target_os = "linux")]
mod board_screens;
mod boards;
mod card;
mod crash;
mod dom;
#[cfg(target_os = "linux")]
mod good;
mod growth;
mod harmless;
mod heard;
mod learning;
mod machine;
mod manners;
mod opening;
mod outputs;
mod pages;
#[cfg(target_os = "linux")]
mod pins;
#[cfg(target_os = "linux")]
mod record;
mod refused;
mod run;
#[cfg(target_os = "linux")]
mod screens;
#[cfg(target_os = "linux")]
mod terminal;
mod tried;
