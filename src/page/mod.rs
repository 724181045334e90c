//! The web page and the HTTP API of a running bench: words, markup and doors; nothing is measured or decided here.
//!
//! A request passes the gate (who calls, by which name, from which page, how often, how long a body), then the one table
//! of routes. Looking never changes anything; every act is a POST. What a page shows is painted once for everybody who
//! looks, on a thread of its own, and each visitor is sent the newest when it can take it.

mod allowance;
mod api;
pub mod asset;
mod deeds;
mod desk;
pub mod doors;
mod events;
mod forms;
mod gate;
mod house;
mod inspection;
mod library;
mod metrics;
mod multipart;
mod openapi;
mod painter;
mod pairing;
mod query;
mod reply;
mod route;
pub mod scene;
pub mod server;
mod socket;
mod sse;
mod stream;
mod usage;
mod views;

pub use allowance::Rate;
pub use doors::{Doors, Limits};
pub use pairing::{Pairing, Refused};
