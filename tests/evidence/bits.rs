//! Every bit of every file: none may be flipped unseen.

use feelgauge::evidence::{Basis, verify};

use super::fixture::{Folder, load, small};

/// True when the flip is seen.
fn seen(bag: &mut Folder, path: &str, at: usize, bit: u32) -> bool {
    bag.get_mut(path).unwrap()[at] ^= 1 << bit;
    let report = verify(bag, &Basis::default());
    bag.get_mut(path).unwrap()[at] ^= 1 << bit;
    report.map_or(true, |report| !report.holds)
}

fn flip(every: usize) -> usize {
    let mut bag = load(&small().at("bag"));
    assert!(verify(&bag, &Basis::default()).unwrap().holds);
    let paths: Vec<(String, usize)> = bag.iter().map(|(p, b)| (p.clone(), b.len())).collect();
    let mut flipped = 0;
    for (path, len) in paths {
        for n in (0..len * 8).step_by(every) {
            assert!(
                seen(&mut bag, &path, n / 8, u32::try_from(n % 8).unwrap()),
                "{path}: byte {} bit {}",
                n / 8,
                n % 8
            );
            flipped += 1;
        }
        assert!(
            len == 0 || seen(&mut bag, &path, len - 1, 0),
            "{path}: last byte"
        );
    }
    flipped
}

#[test]
fn sampled_bits_of_every_file() {
    // 101 is a prime: every place of a byte comes up
    let flipped = flip(101);
    eprintln!("{flipped} flipped bits, all seen");
    assert!(flipped > 500, "{flipped}");
}

/// `cargo test --release --test evidence every_bit -- --ignored --nocapture`
#[test]
#[ignore = "minutes: every bit of a small bag"]
fn every_bit_of_every_file() {
    eprintln!("{} flipped bits, all seen", flip(1));
}
