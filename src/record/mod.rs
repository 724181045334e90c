//! What is kept on disk: the capture folder, written so that a pulled plug costs at most the last second.

pub mod capture;
pub mod counts;
pub mod lines;
pub mod plain;
mod plain_row;
pub mod queue;
pub mod reader;
pub mod recording;
pub mod recover;
pub mod replay;
pub mod storage;
pub mod store;
pub mod streamed;
pub mod writer;

pub use capture::{Capture, CaptureMeta, Closed};
pub use reader::{read_about, read_capture};
pub use recording::Recording;
pub use storage::{Listed, ListedKind, RecordError, SharedStorage, Storage};
pub use store::{Files, Lock, LockError};
pub use writer::CaptureWriter;
