//! What the CRC catches, and how often it does not.

use feelgauge::{
    physics::noise::Noise,
    wire::{CRC, Decoder, Encoder, Event, MAX_LINE, Message, Samples},
};

use crate::{document::sample_lines, slow::slow_crc};

/// Every position, every one of the 255 changes: no other message appears, alone or among neighbours.
#[test]
fn every_changed_byte_of_a_line_is_caught() {
    let neighbour = b"P 22 17 1040512*5913\n";
    let mut tried = 0;
    for (n, line) in sample_lines().iter().enumerate() {
        let end: &[u8] = if n % 2 == 0 { b"\n" } else { b"\r\n" };
        let sound = [&neighbour[..], line, end, neighbour].concat();
        let sent: Vec<String> = messages(&sound);
        assert_eq!(sent.len(), 3);
        for at in neighbour.len()..neighbour.len() + line.len() + end.len() {
            for change in 1..=255u8 {
                let mut stream = sound.clone();
                stream[at] ^= change;
                let got = messages(&stream);
                tried += 1;
                assert!(
                    got.len() <= 2 || (got == sent && at >= neighbour.len() + line.len()),
                    "{} at {at} by {change}: {got:?}",
                    String::from_utf8_lossy(line)
                );
                assert!(got.iter().all(|m| sent.contains(m)), "{got:?}");
            }
        }
    }
    assert!(tried > 100_000, "{tried} changes");
}

fn messages(stream: &[u8]) -> Vec<String> {
    let mut decoder = Decoder::new();
    let mut input = stream;
    let mut out = Vec::new();
    while let Some(event) = decoder.next(&mut input) {
        if let Event::Line {
            outcome: Ok(line), ..
        } = event
        {
            out.push(format!("{line:?}"));
        }
    }
    out
}

/// A dropped or doubled byte passes the checksum about once in 65536: measured, not claimed to be zero.
/// Expected 61 of 4 000 000 each; the bounds are five standard deviations of that Poisson count.
#[test]
fn dropped_and_doubled_bytes_pass_as_often_as_16_bits_let_them() {
    const TRIALS: u32 = 4_000_000;
    let mut noise = Noise::new(16, 1);
    let mut lines: Vec<Vec<u8>> = Vec::new();
    for seq in 0..2000 {
        let counts: Vec<i32> = (0..10)
            .map(|_| i32::try_from(noise.below(16_384)).unwrap())
            .collect();
        let t0 = u32::try_from(noise.below(1 << 32)).unwrap();
        let message = Message::Samples(Samples::new(0, t0, 5000, &counts).unwrap());
        let mut line = (Encoder { seq }).line(&message).unwrap();
        line.pop();
        lines.push(line);
    }
    let expected = f64::from(TRIALS) / 65_536.0;
    let (lo, hi) = (
        expected - 5.0 * expected.sqrt(),
        expected + 5.0 * expected.sqrt(),
    );
    for doubled in [false, true] {
        let mut passed = 0u32;
        let mut broken = Vec::with_capacity(MAX_LINE);
        for _ in 0..TRIALS {
            let line = &lines[usize::try_from(noise.below(2000)).unwrap()];
            let at = usize::try_from(noise.below(line.len() as u64 - 5)).unwrap();
            broken.clear();
            broken.extend(&line[..at + usize::from(doubled)]);
            broken.extend(&line[at + usize::from(!doubled)..]);
            let body = broken.len() - 5;
            let stated =
                u16::from_str_radix(str::from_utf8(&broken[body + 1..]).unwrap(), 16).unwrap();
            passed += u32::from(CRC.checksum(&broken[..body]) == stated);
        }
        let what = if doubled { "doubled" } else { "dropped" };
        println!(
            "{what} byte: {passed} of {TRIALS} pass, 1 in {}",
            TRIALS / passed.max(1)
        );
        assert!(
            (lo..hi).contains(&f64::from(passed)),
            "{what}: {passed}, expected {expected:.0}"
        );
    }
}

#[test]
fn the_crc_is_the_catalogues() {
    // RevEng catalogue, CRC-16/MCRF4XX (crc-catalog 2.5.0): check 0x6F91
    assert_eq!(CRC.checksum(b"123456789"), 0x6F91);
    assert_eq!(slow_crc(b"123456789"), 0x6F91);
}

#[test]
fn the_tail_of_an_over_long_line_is_never_a_line() {
    let good = b"P 22 17 1040512*5913\n";
    for long in 230..800 {
        let stream = [vec![b'z'; long], good.to_vec(), good.to_vec()].concat();
        let got = messages(&stream);
        assert_eq!(got.len(), 1, "after {long} bytes");
    }
}
