//! Between the readers and the running test: open while a test runs. A reader never waits here for anything but
//! another reader's line.

use std::sync::{
    Mutex, MutexGuard, PoisonError,
    atomic::{AtomicU64, Ordering},
    mpsc::SyncSender,
};

use crate::{
    inspect::{Input, Mark, Row},
    record::queue::Sender,
};

/// Where lines go while a test runs.
#[derive(Debug)]
pub(super) struct Outlets {
    /// To the disk.
    pub recorder: Sender,
    /// To the guide.
    pub guide: SyncSender<Input>,
    /// Names of the capture's probes, in its order.
    pub probes: Vec<String>,
    /// It is a test of an engine.
    pub is_pull: bool,
}

/// The tap.
#[derive(Debug, Default)]
pub(super) struct Tap {
    open: Mutex<Option<Outlets>>,
    /// Tests of an engine that began.
    engines: AtomicU64,
    /// Lines that the guide's queue had no room for.
    not_shown: AtomicU64,
    /// Lines that the recorder's queue had no room for.
    not_kept: AtomicU64,
}

impl Tap {
    /// Nothing is left half changed by a panic while the lock is held, so a poisoned lock is still good.
    fn lock(&self) -> MutexGuard<'_, Option<Outlets>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// From now on lines go there.
    pub fn open(&self, outlets: Outlets) {
        self.engines
            .fetch_add(u64::from(outlets.is_pull), Ordering::Relaxed);
        *self.lock() = Some(outlets);
    }

    /// No line goes anywhere any more when this returns.
    pub fn close(&self) {
        *self.lock() = None;
    }

    /// Hands a row of a probe over if a running test records it.
    pub fn row(&self, probe: &str, row: Row) {
        let open = self.lock();
        let Some(outlets) = &*open else { return };
        if let Some(n) = outlets.probes.iter().position(|name| name == probe) {
            self.give(outlets, Input::Row(n, row));
        }
    }

    /// Hands a mark over if a test runs; whether one does.
    pub fn mark(&self, host_us: u64, text: &str) -> bool {
        let open = self.lock();
        let Some(outlets) = &*open else { return false };
        let text = text.to_owned();
        self.give(outlets, Input::Mark(Mark { host_us, text }));
        true
    }

    /// Hands over a mark about a probe if a running test records it.
    pub fn mark_probe(&self, host_us: u64, word: &str, probe: &str) {
        let open = self.lock();
        let Some(outlets) = &*open else { return };
        if outlets.probes.iter().any(|name| name == probe) {
            let text = format!("{word} {probe}");
            self.give(outlets, Input::Mark(Mark { host_us, text }));
        }
    }

    fn give(&self, outlets: &Outlets, input: Input) {
        if outlets.guide.try_send(input.clone()).is_err() {
            self.not_shown.fetch_add(1, Ordering::Relaxed);
        }
        if !outlets.recorder.offer(input) {
            self.not_kept.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Tells the recorder the time, so that it syncs although nothing comes.
    pub fn tick(&self, host_us: u64) {
        if let Some(outlets) = &*self.lock() {
            outlets.recorder.tick(host_us);
        }
    }

    /// Tests of an engine that began so far.
    pub fn engines(&self) -> u64 {
        self.engines.load(Ordering::Relaxed)
    }

    /// Lines that found no room: on the way to the disk, on the way to the guide.
    pub fn dropped(&self) -> (u64, u64) {
        let of = |n: &AtomicU64| n.load(Ordering::Relaxed);
        (of(&self.not_kept), of(&self.not_shown))
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::sync_channel;

    use super::*;
    use crate::{record::queue::queue, wire::Part};

    fn row() -> Row {
        Row {
            host_us: 1,
            bytes: b"x".to_vec(),
            part: Part::Whole,
        }
    }

    #[test]
    fn what_finds_no_room_is_counted_and_nobody_waits() {
        let tap = Tap::default();
        tap.row("hall-1", row());
        assert!(!tap.mark(1, "start"));
        let (recorder, _kept) = queue(3 * 65);
        let (guide, shown) = sync_channel(2);
        tap.open(Outlets {
            recorder,
            guide,
            probes: vec!["hall-1".into()],
            is_pull: false,
        });
        (0..5).for_each(|_| tap.row("hall-1", row()));
        tap.row("force-1", row());
        tap.mark_probe(1, "gone", "force-1");
        assert_eq!(tap.dropped(), (2, 3));
        assert_eq!(shown.try_iter().count(), 2);
        tap.close();
        assert!(!tap.mark(1, "start"));
        assert_eq!(tap.engines(), 0);
    }
}
