//! The web page and the HTTP API of a running bench: words, markup and doors; nothing is measured or decided here.

pub mod asset;
pub mod doors;
pub mod scene;
pub mod server;

pub use doors::{Doors, Limits};
