//! Identity, commands, heartbeat.

use crate::lines::{clean, of_kind, samples};
use crate::sim::{Probe, SERIAL};

const CHANNELS: [(&str, &str); 3] = [
    ("pressure", "0:Pa:3.05176:1638.4:0:16368:200:1"),
    ("force", "0:N:0.0610352:409.6:0:4092:1000:1"),
    (
        "hall",
        "0:edge:1:0:0:4294967295:0:0 1:edge:1:0:0:4294967295:0:0 2:edge:1:0:0:4294967295:0:0",
    ),
];

#[test]
fn first_line_after_boot_is_the_identity() {
    for (kind, channels) in CHANNELS {
        let Some(probe) = Probe::flat_out(kind, "", 0.2) else {
            return;
        };
        let lines = clean(&probe.converse(""));
        assert_eq!((lines[0].kind, lines[0].seq), ('I', 0));
        let (head, tail) = lines[0].fields.split_at(6);
        assert_eq!(head[..5], ["1", kind, SERIAL, "1.0", "0"].map(String::from));
        assert!(
            head[5].parse::<u32>().unwrap() < 20_000,
            "time of the identity: {}",
            head[5]
        );
        assert_eq!(tail.join(" "), channels);
    }
}

#[test]
fn commands_are_answered_in_order() {
    let commands = "i\np 65535\nr 100\nr 123\nhello\r\np 65536\nr 100x\n";
    let events = format!("500000 await {}\n", commands.len());
    let Some(probe) = Probe::flat_out("pressure", &events, 1.5) else {
        return;
    };
    let lines = clean(&probe.converse(commands));
    let answers: Vec<String> = lines[1..]
        .iter()
        .filter(|l| "INP".contains(l.kind))
        .map(|l| format!("{} {}", l.kind, l.fields.join(" ")))
        .collect();
    let identity = |rate: u32| format!("0:Pa:3.05176:1638.4:0:16368:{rate}:1");
    assert!(
        answers[0].starts_with("I ") && answers[0].ends_with(&identity(200)),
        "{answers:?}"
    );
    assert!(answers[1].starts_with("P 65535 50"), "{answers:?}");
    assert!(answers[2].ends_with(&identity(100)), "{answers:?}");
    assert_eq!(answers[3], "N rate");
    assert!(answers[4].ends_with(&identity(100)), "{answers:?}");
    // Three commands that mean nothing; those that came before the notice had room share one, the rest is counted.
    let notices = answers[5..].iter().filter(|a| *a == "N command").count();
    assert_eq!(notices, answers.len() - 5);
    let beat = *of_kind(&lines, 'H').last().unwrap();
    assert_eq!(notices + usize::try_from(beat.number(1)).unwrap(), 3);
    // and the samples really come at the new rate, without a hole at the change
    let found = samples(&lines);
    assert_eq!(
        (found.first().unwrap().1, found.last().unwrap().1),
        (5000, 10_000)
    );
    for pair in found.windows(2) {
        let step = pair[1].0 - pair[0].0;
        assert!(
            step == pair[1].1 || pair[1].1 != pair[0].1 && step.abs_diff(pair[1].1) < 400,
            "{pair:?}"
        );
    }
}

#[test]
fn hall_refuses_a_rate_and_names_the_command_it_does_not_know() {
    let events = "100000 await 8\n";
    let Some(probe) = Probe::flat_out("hall", events, 0.4) else {
        return;
    };
    let lines = clean(&probe.converse("r 100\nq\n"));
    let kinds: Vec<_> = lines[1..]
        .iter()
        .map(|l| (l.kind, l.fields[0].as_str()))
        .collect();
    assert_eq!(kinds, [('N', "rate"), ('I', "1"), ('N', "command")]);
}

#[test]
fn a_heartbeat_comes_every_second() {
    let Some(probe) = Probe::flat_out("hall", "", 5.5) else {
        return;
    };
    let lines = clean(&probe.converse(""));
    let beats = of_kind(&lines, 'H');
    let times: Vec<u64> = beats.iter().map(|line| line.number(0)).collect();
    assert_eq!(times.len(), 5);
    for (i, t) in (1u64..).zip(times) {
        // the main loop wakes every 32.8 ms when nothing happens
        assert!(
            (i * 1_000_000..i * 1_000_000 + 40_000).contains(&t),
            "{i}: {t}"
        );
    }
    assert!(beats.iter().all(|line| line.numbers(1) == [0, 0]));
}
