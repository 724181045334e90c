//! What goes wrong on a bench.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};

use crate::hall::{falling, uneven};
use crate::lines::{clean, decode, edges, of_kind, parse, samples};
use crate::samples::{Curve, check_samples};
use crate::sim::{self, Probe, schedule};

#[test]
fn a_reset_counts_a_boot_and_starts_again_at_zero() {
    let Some(probe) = Probe::flat_out("pressure", "0 adc 0 2000\n700000 reset\n", 1.4) else {
        return;
    };
    let (lines, bad) = decode(&probe.converse(""));
    assert!(bad <= 1, "the line that was cut is all that may be bad");
    let boots: Vec<_> = lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.kind == 'I')
        .map(|(i, l)| (i, l.seq, l.fields[4].as_str(), l.number(5)))
        .collect();
    assert_eq!(boots.len(), 2, "{boots:?}");
    let (at, seq, boot, t_us) = boots[1];
    assert_eq!((seq, boot), (0, "1"));
    assert!(at > 10 && t_us < 20_000, "{boots:?}");
    assert_eq!((lines[at + 1].kind, lines[at + 1].seq), ('S', 1));
}

#[test]
fn the_boot_counter_outlives_the_power() {
    let Some(folder) = sim::tools() else { return };
    let cells = folder.join(format!("{}.eeprom", std::process::id()));
    for boot in 0..3 {
        let options = ["-w", "-x", "0", "-t", "0.1", "-e", cells.to_str().unwrap()];
        let probe = Probe::start("force", "", &options).unwrap();
        let lines = clean(&probe.converse(""));
        assert_eq!(lines[0].number(4), boot);
        probe.statistics(); // the file is written by now
    }
    std::fs::remove_file(cells).unwrap();
}

#[test]
fn opening_the_port_resets_a_board_that_is_wired_so() {
    let Some(mut probe) = Probe::start("pressure", "", &["-w", "-r", "-x", "0"]) else {
        return;
    };
    for boot in 0..3 {
        let mut first = String::new();
        let mut port = BufReader::new(probe.open());
        port.read_line(&mut first).unwrap();
        let line = parse(first.trim_end().as_bytes()).unwrap();
        assert_eq!((line.kind, line.seq, line.number(4)), ('I', 0, boot));
        drop(port);
        probe.wait_closed();
    }
}

#[test]
fn pulling_the_plug_ends_the_stream() {
    // Unread bytes die with the plug: the emulator waits at 0.4 s until what came before is read.
    let Some(probe) = Probe::flat_out(
        "force",
        "0 adc 0 1000\n400000 await 1\n500000 unplug\n",
        60.0,
    ) else {
        return;
    };
    let mut port = probe.open();
    let mut bytes = Vec::new();
    while samples(&decode(&bytes).0)
        .last()
        .is_none_or(|s| s.0 < 350_000)
    {
        let mut part = [0; 4096];
        let n = port.read(&mut part).unwrap();
        bytes.extend_from_slice(&part[..n]);
    }
    port.write_all(b"\n").unwrap();
    bytes.extend(sim::read_to_hang_up(&mut port));
    let (lines, bad) = decode(&bytes);
    assert_eq!(bad, 0);
    assert!(samples(&lines).last().unwrap().0 < 510_000);
    let end = probe.statistics().emulated_s;
    assert!((0.5..0.51).contains(&end), "{end}");
}

#[test]
fn killing_the_probe_hangs_up_the_port() {
    let Some(probe) = Probe::start("pressure", "0 adc 0 1000\n", &["-w", "-x", "0"]) else {
        return;
    };
    let mut port = probe.open();
    let mut part = [0; 512];
    assert!(port.read(&mut part).unwrap() > 0);
    drop(probe);
    let rest = sim::read_to_hang_up(&mut port);
    assert!(rest.len() < 1 << 17, "the stream goes on without a probe");
}

#[test]
fn three_flipped_bytes_spoil_one_line() {
    for at_us in [400_000, 411_111, 422_222, 433_333, 444_444] {
        let Some(probe) = Probe::flat_out("force", &format!("0 adc 0 1000\n{at_us} flip 3\n"), 0.8)
        else {
            return;
        };
        let (lines, bad) = decode(&probe.converse(""));
        assert_eq!(bad, 1, "flipped at {at_us} us");
        let gaps: Vec<u16> = lines
            .windows(2)
            .map(|w| w[1].seq - w[0].seq)
            .filter(|&step| step != 1)
            .collect();
        // a flipped LF joins two lines into the one bad one
        assert!(gaps == [2] || gaps == [3], "{gaps:?}");
    }
}

#[test]
fn edges_beyond_the_bandwidth_are_counted_as_lost() {
    for (hz, may_lose) in [(800.0, false), (3000.0, true)] {
        let n = (hz * 1.5f64).floor();
        let times: Vec<f64> = std::iter::successors(Some(0.0), |i| Some(i + 1.0))
            .take_while(|&i| i < n)
            .map(|i| 50_000.0 + i * 1e6 / hz)
            .collect();
        let Some(probe) = Probe::flat_out("hall", &schedule(falling("B0", &times, 100.0)), 3.2)
        else {
            return;
        };
        let lines = clean(&probe.converse(""));
        let got = edges(&lines, 0);
        let lost = of_kind(&lines, 'H').last().unwrap().number(2);
        println!(
            "{hz} edges/s: {} sent, {} received, {lost} reported lost",
            times.len(),
            got.len()
        );
        assert_eq!(got.len() as u64 + lost, times.len() as u64);
        assert_eq!(lost > 0, may_lose);
        assert!(got.is_sorted());
    }
}

#[test]
fn two_probes_at_once_do_not_mix() {
    let pressure = Curve::new(1000.0, 2.2, |t| 1000.0 + 500.0 * t);
    let force = Curve::new(1000.0, 2.2, |t| 3000.0 - 500.0 * t);
    let Some(first) = Probe::flat_out("pressure", &schedule(pressure.events()), 2.0) else {
        return;
    };
    let second = Probe::flat_out("force", &schedule(force.events()), 2.0).unwrap();
    let other = std::thread::spawn(move || second.converse(""));
    let lines = clean(&first.converse(""));
    assert!(check_samples(&samples(&lines), &pressure, 16).0 > 380);
    assert!(check_samples(&samples(&clean(&other.join().unwrap())), &force, 4).0 > 1950);
}

#[test]
fn the_same_schedule_gives_the_same_bytes_at_any_pace() {
    let commands = "i\np 7\n";
    let mut events = falling("B0", &uneven(5, 5000.0, 10_000.0, 250_000.0), 900.0);
    events.push((100_000.0, "await 2".into()));
    events.push((200_000.0, "await 4".into()));
    let text = schedule(events);
    let mut runs = Vec::new();
    for pace in ["0", "1", "3"] {
        let Some(probe) = Probe::start("hall", &text, &["-w", "-x", pace, "-t", "0.4"]) else {
            return;
        };
        runs.push(probe.converse(commands));
    }
    assert!(runs[0].len() > 500 && runs.iter().all(|run| *run == runs[0]));
}
