//! A capture being taken: queue, recorder thread and session in one.

use std::{collections::BTreeMap, thread::JoinHandle};

use super::{
    CaptureMeta, CaptureWriter, RecordError, Storage,
    queue::{FULL_RATE_30_S, Receiver, Sender, queue, record},
};
use crate::inspect::{Finding, Input, OVERRUN_MARK, Reading, Session};

/// Records and measures what its [`Sender`] is handed: the session sees exactly what was kept, so that a replay finds
/// the same.
#[derive(Debug)]
pub struct Recording<S: Storage> {
    folder: String,
    sender: Sender,
    recorder: JoinHandle<Result<(CaptureWriter<S>, Session), RecordError>>,
}

impl<S: Storage + Send + 'static> Recording<S> {
    /// Begins a capture (see [`CaptureWriter::begin`]) and its recorder. `seen` is shown every reading, on the
    /// recorder's thread.
    ///
    /// # Errors
    /// As [`CaptureWriter::begin`].
    pub fn begin(
        storage: S,
        meta: &CaptureMeta,
        vehicle: Option<&str>,
        session: Session,
        seen: impl FnMut(Reading) + Send + 'static,
    ) -> Result<Self, RecordError> {
        let writer = CaptureWriter::begin(storage, meta, vehicle)?;
        let (sender, receiver) = queue(FULL_RATE_30_S * meta.probes.len().max(1));
        Ok(Self {
            folder: writer.folder().to_owned(),
            sender,
            recorder: std::thread::spawn(move || run(&receiver, writer, session, seen)),
        })
    }

    /// Name of the capture's folder.
    pub fn folder(&self) -> &str {
        &self.folder
    }

    /// Where inputs go; clone it for every reader. All clones must be dropped before [`Recording::finish`] returns.
    pub fn sender(&self) -> &Sender {
        &self.sender
    }

    /// True when the recorder has ended by itself because the disk refused.
    pub fn is_stopped(&self) -> bool {
        self.recorder.is_finished()
    }

    /// Inputs that found no room on their way to the disk, in all.
    pub fn overruns(&self) -> u64 {
        self.sender.overruns()
    }

    /// As [`Recording::finish`], without measuring: the record alone is wanted.
    ///
    /// # Errors
    /// As [`Recording::finish`].
    pub fn close(self, host_us: u64, reason: &str) -> Result<S, RecordError> {
        Ok(self.end(host_us, reason)?.1)
    }

    /// Waits until everything handed over is kept, closes the capture and measures. `reason`: `finished`, `stopped`.
    ///
    /// # Errors
    /// [`RecordError::Stopped`] when the disk refused; what was kept can be read back and analyzed.
    pub fn finish(self, host_us: u64, reason: &str) -> Result<(Finding, S), RecordError> {
        let (session, storage) = self.end(host_us, reason)?;
        Ok((session.finish(&BTreeMap::new(), &[]), storage))
    }

    fn end(self, host_us: u64, reason: &str) -> Result<(Session, S), RecordError> {
        drop(self.sender);
        let (writer, session) = match self.recorder.join() {
            Ok(ended) => ended?,
            Err(panic) => std::panic::resume_unwind(panic),
        };
        Ok((session, writer.close(host_us, reason)?))
    }
}

fn run<S: Storage>(
    inputs: &Receiver,
    writer: CaptureWriter<S>,
    mut session: Session,
    mut seen: impl FnMut(Reading),
) -> Result<(CaptureWriter<S>, Session), RecordError> {
    let writer = record(inputs, writer, |input: &Input| {
        if let Input::Mark(mark) = input
            && mark.text.starts_with(OVERRUN_MARK)
        {
            tracing::warn!("the disk is too slow: {}", mark.text);
        }
        session.push(input, &mut seen);
    })?;
    Ok((writer, session))
}
