//! Bare probes.

use std::time::Duration;

use feelgauge::{
    probe::{
        bare::{Unreadable, listen},
        link::Unidentified,
    },
    wire::bare::Bare,
};
use tokio::io::AsyncWriteExt as _;

use crate::far::linked;

#[tokio::test(start_paused = true)]
async fn a_bare_probe_is_heard_past_its_boot_text() {
    let bare = Bare::describe("force:N:2").unwrap();
    let wait = Duration::from_secs(3);
    let (mut link, mut far) = linked();
    far.stream
        .write_all(b"7.5\r\nScale v2\r\n100\t12.25\r\n")
        .await
        .unwrap();
    let value = listen(&mut link, &bare, wait).await.unwrap();
    assert!((value - 12.25).abs() < 1e-12);
    let (mut link, mut far) = linked();
    far.stream.write_all(b"12\n12.5\n12.6\n").await.unwrap();
    let e = listen(&mut link, &bare, wait).await.unwrap_err();
    assert!(
        matches!(&e, Unreadable::NoNumber { sample, column: 2 } if sample == "12.6"),
        "{e}"
    );
    let (mut link, _far) = linked();
    let e = listen(&mut link, &bare, wait).await.unwrap_err();
    assert!(
        matches!(e, Unreadable::Unheard(Unidentified::Silent)),
        "{e}"
    );
}

#[test]
fn bare_lines_are_read_as_described() {
    let cases: [(&str, &[u8], Option<f64>); 12] = [
        ("force:N:1", b"12.4", Some(12.4)),
        ("force:N:1", b"  -3 \r", Some(-3.0)),
        ("force:N:2", b"1200,12.4", Some(12.4)),
        ("force:N:2", b"1200 ; 12.4;", Some(12.4)),
        ("force:N:3", b"a b\t+1e1", Some(10.0)),
        ("pressure:mbar:1", b"150", Some(15_000.0)),
        ("pressure:kPa:1", b"15 kPa", Some(15_000.0)),
        ("force:N:1", b"inf", None),
        ("force:N:1", b"nan", None),
        ("force:N:1", b"12,4,5,", Some(12.0)),
        ("force:N:3", b"12.4 5", None),
        ("force:N:1", b"\xFF12", None),
    ];
    for (how, line, value) in cases {
        let read = Bare::describe(how).unwrap().reading(line);
        let same = match (read, value) {
            (Some(a), Some(b)) => (a - b).abs() < 1e-9,
            (a, b) => a.is_none() && b.is_none(),
        };
        assert!(same, "{how} {line:?}: {read:?}");
    }
    for (how, advice) in [
        ("force:N", "three parts"),
        ("force:kg:1", "N"),
        ("pressure:N:1", "kPa"),
        ("hall:edge:1", "clock"),
        ("thumb:N:1", "neither"),
        ("force:N:0", "column"),
    ] {
        let e = Bare::describe(how).unwrap_err().to_string();
        assert!(e.contains(advice) && e.contains("force:N:2"), "{e}");
    }
}
