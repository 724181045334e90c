//! Independent pieces of work on all cores. Each piece is computed alone and put in its place: how many cores there are, and
//! which one took which piece, changes no bit of any result.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;

/// More threads than this bring nothing for the parts of a car.
const MOST_THREADS: usize = 4;

/// The results of `work` on every item, in the order of the items.
pub(super) fn each<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let cores = thread::available_parallelism().map_or(1, usize::from);
    let threads = cores.min(MOST_THREADS).min(items.len());
    if threads <= 1 {
        return items.iter().map(work).collect();
    }
    let next = AtomicUsize::new(0);
    let take = || {
        let mut done = Vec::new();
        loop {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(item) = items.get(at) else {
                return done;
            };
            done.push((at, work(item)));
        }
    };
    let mut done: Vec<(usize, R)> = thread::scope(|scope| {
        let others: Vec<_> = (1..threads).map(|_| scope.spawn(take)).collect();
        let mut done = take();
        for other in others {
            // A panic over there goes on here.
            done.extend(
                other
                    .join()
                    .unwrap_or_else(|panic| std::panic::resume_unwind(panic)),
            );
        }
        done
    });
    done.sort_unstable_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_stand_in_the_order_of_their_items() {
        let items: Vec<u64> = (0..1000).collect();
        let squares: Vec<u64> = items.iter().map(|i| i * i).collect();
        assert_eq!(each(&items, |i| i * i), squares);
        assert!(each(&[], |i: &u64| *i).is_empty());
    }
}
