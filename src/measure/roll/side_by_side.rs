//! Independent pieces of work on all cores. Each piece is computed alone and put in its place: how many cores there are, and
//! which one took which piece, changes no bit of any result.

use rayon::prelude::*;

/// The results of `work` on every item, in the order of the items.
pub(super) fn each<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync + Send) -> Vec<R> {
    // taken one by one from the front: a piece alone may be most of the work
    let all = items.iter().enumerate().par_bridge();
    let mut done: Vec<(usize, R)> = all.map(|(at, item)| (at, work(item))).collect();
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
