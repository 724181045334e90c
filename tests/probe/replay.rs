//! A capture behind a link.

use feelgauge::{
    probe::{
        link::{Arrival, Link},
        replay::Replay,
    },
    wire::Decoder,
};
use proptest::prelude::*;

use crate::far::virtual_clock;

fn any_rows() -> impl Strategy<Value = Vec<u8>> {
    let line = prop_oneof![
        prop::collection::vec(any::<u8>(), 0..40),
        prop::collection::vec(Just(b'x'), 200..900),
        Just(b"S 1 0 103000 5000 1702*0000\n".to_vec()),
        Just(b"\n".to_vec()),
    ];
    prop::collection::vec(line, 0..12).prop_map(|lines| lines.concat())
}

proptest! {
    /// What a replay hands out is what was recorded: bytes, parts and times.
    #[test]
    fn a_replay_is_the_capture(stream in any_rows(), cuts in prop::collection::vec(0usize..400, 0..20)) {
        let mut rows = Vec::new();
        let mut decoder = Decoder::new();
        let mut rest = &stream[..];
        let mut host_us = 0;
        for cut in cuts.iter().chain([&usize::MAX]) {
            host_us += 1000;
            let (mut now, later) = rest.split_at((*cut).min(rest.len()));
            while let Some(event) = decoder.next(&mut now) {
                rows.push(Arrival { host_us, event }.row());
            }
            rest = later;
        }
        rows.extend(decoder.finish().map(|event| Arrival { host_us, event }.row()));
        let clock = virtual_clock();
        let mut link = Link::new(Replay::new(rows.clone(), clock.clone()), clock);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        let again = runtime.block_on(async {
            let mut again = Vec::new();
            while let Ok(arrival) = link.next().await {
                again.push(arrival.row());
            }
            again
        });
        prop_assert_eq!(again, rows);
    }
}
