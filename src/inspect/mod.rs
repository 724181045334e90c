//! State machines from received lines to findings. Pure: fed by a live probe or by a capture, they say the same.

mod stream;

pub use stream::{Input, Mark, Row, RowEnd};
