//! How long a picture of a running test takes and how large it is: at 15 a second, on a phone's line.

use std::time::{Duration, Instant};

use feelgauge::{
    inspect::guide::View,
    report::plot::{self, Frame, Width},
};

use super::views;

/// Bytes that a picture of a running test may have.
const LARGEST: usize = 25_000;
/// Time that one may take; the shortest of several runs, because the machine may be busy.
const LONGEST: Duration = Duration::from_millis(2);
const RUNS: usize = 25;

/// Shortest time of drawing all pictures of a view once, and their sizes.
#[allow(clippy::disallowed_methods)] // times a test, decides nothing
fn measured(view: &View, width: Width) -> (Duration, Vec<usize>) {
    let mut shortest = Duration::MAX;
    let mut sizes = Vec::new();
    for _ in 0..RUNS {
        let start = Instant::now();
        let drawn: Vec<String> = plot::live(view, width)
            .iter()
            .map(|p| p.svg(Frame::Page))
            .collect();
        shortest = shortest.min(start.elapsed());
        sizes = drawn.iter().map(String::len).collect();
    }
    (shortest, sizes)
}

#[test]
fn pictures_of_a_running_test_are_quick_and_small() {
    for (name, view) in views::live().into_iter().chain(views::crowded()) {
        for width in Width::ALL {
            let (time, sizes) = measured(&view, width);
            println!("{name} {:.0}: {time:?} {sizes:?}", width.units());
            assert!(
                sizes.iter().all(|s| *s <= LARGEST),
                "{name} {width:?}: {sizes:?}"
            );
            let pictures = u32::try_from(sizes.len().max(1)).unwrap();
            assert!(time <= LONGEST * pictures, "{name} {width:?}: {time:?}");
        }
    }
}
