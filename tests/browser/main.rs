//! The page as a person sees it: every scene rendered from made states, and the daemon on the virtual bench in a real
//! browser (chromium, driven from node).

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

mod run;
mod scenes;
mod states;
