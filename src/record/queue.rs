//! Between the readers of the ports and the disk: a bounded queue, so that a slow disk never makes a reader wait.

use std::{
    collections::VecDeque,
    sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError},
};

use super::{CaptureWriter, RecordError, Storage};
use crate::inspect::{Input, Mark, OVERRUN_MARK};

/// Room a port at full rate fills in 30 s: 250000 baud, ten bits a byte, and the shortest line (one character
/// and LF) costs `ENTRY_COST` beside its byte.
pub const FULL_RATE_30_S: usize = 30 * 25_000 / 2 * (1 + ENTRY_COST);
/// What an input costs beside its bytes; about its size in memory.
const ENTRY_COST: usize = 64;

#[derive(Debug)]
enum Entry {
    Input(Input),
    Time(u64),
}

impl Entry {
    fn cost(&self) -> usize {
        ENTRY_COST
            + match self {
                Self::Input(Input::Row(_, row)) => row.bytes.len(),
                Self::Input(Input::Mark(mark)) => mark.text.len(),
                Self::Time(_) => 0,
            }
    }
}

#[derive(Debug, Default)]
struct Inner {
    entries: VecDeque<Entry>,
    /// Sum of the entries' costs, at most `limit`.
    cost: usize,
    limit: usize,
    /// Inputs that found no room since the last mark about it.
    lost: u64,
    lost_in_all: u64,
    senders: usize,
    receiver_gone: bool,
}

#[derive(Debug, Default)]
struct Shared {
    inner: Mutex<Inner>,
    changed: Condvar,
}

impl Shared {
    /// Nothing is left half changed by a panic while the lock is held, so a poisoned lock is still good.
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A queue that holds inputs up to `limit` bytes (costs included); `FULL_RATE_30_S` times the ports is right.
pub fn queue(limit: usize) -> (Sender, Receiver) {
    let shared = Arc::new(Shared {
        inner: Mutex::new(Inner {
            limit,
            senders: 1,
            ..Inner::default()
        }),
        changed: Condvar::new(),
    });
    (Sender(Arc::clone(&shared)), Receiver(shared))
}

/// The readers' end.
#[derive(Debug)]
pub struct Sender(Arc<Shared>);

/// The recorder's end.
#[derive(Debug)]
pub struct Receiver(Arc<Shared>);

impl Sender {
    /// Hands an input over without ever waiting. Without room it is counted and lost: `false`.
    pub fn offer(&self, input: Input) -> bool {
        let mut inner = self.0.lock();
        let entry = Entry::Input(input);
        if inner.receiver_gone || inner.cost + entry.cost() > inner.limit {
            inner.lost += 1;
            inner.lost_in_all += 1;
            return false;
        }
        inner.push(entry);
        self.0.changed.notify_all();
        true
    }

    /// Hands an input over and waits for room: only where time is not real. `false`: the recorder has ended.
    pub fn hand_over(&self, input: Input) -> bool {
        let entry = Entry::Input(input);
        let mut inner = self.0.lock();
        while !inner.receiver_gone && inner.cost > 0 && inner.cost + entry.cost() > inner.limit {
            inner = self
                .0
                .changed
                .wait(inner)
                .unwrap_or_else(PoisonError::into_inner);
        }
        if inner.receiver_gone {
            return false;
        }
        inner.push(entry);
        self.0.changed.notify_all();
        true
    }

    /// Tells the recorder the time, so that it syncs although nothing comes.
    pub fn tick(&self, host_us: u64) {
        let mut inner = self.0.lock();
        // A recorder that is behind has its own times to go by.
        if inner.entries.is_empty() {
            inner.push(Entry::Time(host_us));
            self.0.changed.notify_all();
        }
    }

    /// Inputs that found no room, in all.
    pub fn overruns(&self) -> u64 {
        self.0.lock().lost_in_all
    }
}

impl Clone for Sender {
    fn clone(&self) -> Self {
        self.0.lock().senders += 1;
        Self(Arc::clone(&self.0))
    }
}

impl Drop for Sender {
    fn drop(&mut self) {
        self.0.lock().senders -= 1;
        self.0.changed.notify_all();
    }
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.0.lock().receiver_gone = true;
        self.0.changed.notify_all();
    }
}

impl Inner {
    fn push(&mut self, entry: Entry) {
        self.cost += entry.cost();
        self.entries.push_back(entry);
    }

    /// The next entry; before it, where some found no room, the mark that says so. Inputs are lost only while the
    /// queue is full, so the mark stands within one queue's length after the place of the loss.
    fn pop(&mut self) -> Option<Entry> {
        let front_us = match self.entries.front()? {
            Entry::Input(input) => input.host_us(),
            Entry::Time(us) => *us,
        };
        if self.lost > 0 {
            let lost = std::mem::take(&mut self.lost);
            return Some(Entry::Input(Input::Mark(Mark {
                host_us: front_us,
                text: format!("{OVERRUN_MARK} {lost}"),
            })));
        }
        let entry = self.entries.pop_front()?;
        self.cost -= entry.cost();
        Some(entry)
    }
}

impl Receiver {
    /// The next entry; waits for it; `None` when every sender is gone and nothing is left.
    fn next(&self) -> Option<Entry> {
        let mut inner = self.0.lock();
        loop {
            if let Some(entry) = inner.pop() {
                self.0.changed.notify_all();
                return Some(entry);
            }
            if inner.senders == 0 {
                return None;
            }
            inner = self
                .0
                .changed
                .wait(inner)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }
}

/// Keeps every input until all senders are gone, and shows each as it was kept to `kept` (a session: what it sees
/// live is what a replay will see). The caller closes the writer it gets back.
///
/// # Errors
/// [`RecordError::Stopped`] when the disk refuses; the capture is then closed already.
pub fn record<S: Storage>(
    inputs: &Receiver,
    mut writer: CaptureWriter<S>,
    mut kept: impl FnMut(&Input),
) -> Result<CaptureWriter<S>, RecordError> {
    while let Some(entry) = inputs.next() {
        match entry {
            Entry::Input(input) => kept(&writer.keep(input)?),
            Entry::Time(us) => writer.tick(us)?,
        }
    }
    Ok(writer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{inspect::Row, wire::Part};

    fn row(host_us: u64) -> Input {
        Input::Row(
            0,
            Row {
                host_us,
                bytes: vec![b'x'; 36],
                part: Part::Whole,
            },
        )
    }

    fn next_input(queue: &Receiver) -> Option<Input> {
        match queue.next()? {
            Entry::Input(input) => Some(input),
            Entry::Time(_) => None,
        }
    }

    #[test]
    fn overflow_is_counted_and_marked_and_never_waits() {
        let (sender, receiver) = queue(3 * 100);
        let taken: Vec<bool> = (0..5).map(|us| sender.offer(row(us))).collect();
        assert_eq!(taken, [true, true, true, false, false]);
        assert_eq!(sender.overruns(), 2);
        let Some(Input::Mark(mark)) = next_input(&receiver) else {
            panic!("the loss comes first");
        };
        assert_eq!((mark.host_us, mark.text.as_str()), (0, "host_overrun 2"));
        assert_eq!(next_input(&receiver), Some(row(0)));
        assert!(sender.offer(row(9)));
        drop(sender);
        let rest: Vec<u64> = std::iter::from_fn(|| next_input(&receiver))
            .map(|i| i.host_us())
            .collect();
        assert_eq!(rest, [1, 2, 9]);
    }

    #[test]
    fn hand_over_waits_and_loses_nothing() {
        let (sender, receiver) = queue(2 * 100);
        let count = std::thread::scope(|scope| {
            scope.spawn(move || (0..1000).for_each(|us| assert!(sender.hand_over(row(us)))));
            std::iter::from_fn(|| next_input(&receiver)).count()
        });
        assert_eq!(count, 1000);
    }

    #[test]
    fn senders_learn_that_the_recorder_has_ended() {
        let (sender, receiver) = queue(1000);
        drop(receiver);
        assert!(!sender.offer(row(1)) && !sender.hand_over(row(2)));
    }
}
