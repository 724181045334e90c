//! Probes that are unplugged, plugged in elsewhere, reset; lines that are lost on the way; a real pseudo-terminal.

use feelgauge::{
    bench::{EventKind, Order, Scene, Standing},
    clock::Clock,
    inspect::Test,
    wire::Message,
};

use crate::rig::{FarProbe, Rig, lines_of, plover, stands};

const NAME: &str = "force-F-1";

/// True for a probe that came, false for one that went.
fn comings_and_goings(rig: &Rig) -> Vec<bool> {
    let kind = |e: EventKind| match e {
        EventKind::ProbeHere { .. } => Some(true),
        EventKind::ProbeGone { .. } => Some(false),
        _ => None,
    };
    rig.events().into_iter().filter_map(kind).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_probe_that_is_plugged_in_elsewhere_goes_on_in_the_same_capture() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut opened = rig.ports.plug("memory-1");
    let mut probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here(NAME).await;
    rig.begin(Test::Pull, None).await;
    for _ in 0..20 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    rig.lines(NAME, probe.said).await;
    rig.ports.unplug("memory-1");
    drop(probe);
    let state = rig
        .until(
            "gone",
            |state| matches!(&state.scene, Scene::Running(r) if r.gone == [NAME]),
        )
        .await;
    let gone = state.probes.iter().find(|p| p.serial.is_some()).unwrap();
    assert_eq!(gone.standing, Standing::Gone);
    assert!(gone.gone_since.is_some());
    let trouble = gone.trouble.as_deref().unwrap();
    assert!(
        trouble.contains("plug the force probe F-1 in again"),
        "{trouble}"
    );

    let mut opened = rig.ports.plug("memory-2");
    let mut probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 2).await;
    let state = rig
        .until(
            "back",
            |state| matches!(&state.scene, Scene::Running(r) if r.gone.is_empty()),
        )
        .await;
    assert_eq!(
        state.probes.len(),
        1,
        "one probe, one seat: {:?}",
        state.probes
    );
    assert_eq!(state.probes[0].port, "memory-2");
    for _ in 0..20 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    rig.lines(NAME, probe.said).await;
    rig.order(Order::Stop).await.unwrap();
    let ended = rig.ended().await;
    let capture = rig.capture(&ended.capture);
    // 20 lines before, the new hello and 20 lines after
    assert_eq!(capture.rows[0].len(), 41);
    let marks: Vec<&str> = capture.marks.iter().map(|m| m.text.as_str()).collect();
    assert_eq!(marks, ["gone force-F-1", "back force-F-1"]);
    let quality = ended.found.as_ref().unwrap().quality();
    assert_eq!(quality.faults.get("reset"), Some(&1), "{quality:?}");
    assert_eq!(comings_and_goings(&rig), [true, false, true]);
    rig.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reset_is_counted_and_the_probe_stays() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut opened = rig.ports.plug("memory-1");
    let mut probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    for _ in 0..10 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    probe.reset(2).await;
    for _ in 0..10 {
        probe.pull(&rig.clock, |_| 0.0).await;
    }
    probe
        .say(&Message::Heartbeat {
            t_us: probe.t_us,
            lost_lines: 3,
            lost_readings: 0,
        })
        .await;
    let state = rig.lines(NAME, probe.said).await;
    assert_eq!(stands(&state, NAME), Some(Standing::Here));
    let shown = &state.probes[0];
    let faults = &shown.health.as_ref().unwrap().faults;
    assert_eq!(faults.get("reset"), Some(&1), "{faults:?}");
    assert_eq!(shown.probe_lost_lines, 3);
    assert_eq!(shown.identity.as_ref().unwrap().boot, 2);
    assert!(
        shown
            .calibration
            .as_deref()
            .unwrap()
            .contains("never calibrated")
    );
    assert_eq!(rig.ports.opens("memory-1"), 1, "nobody opened it again");
    rig.close().await;
}

/// Two boards with one serial number: the second is told of, and taken when the first goes.
#[tokio::test(flavor = "multi_thread")]
async fn a_second_probe_of_the_same_name_waits() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut opened = rig.ports.plug("memory-1");
    let first = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here(NAME).await;
    let mut opened = rig.ports.plug("memory-2");
    let second = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 9).await;
    let state = rig
        .until("trouble", |s| {
            s.probes.iter().any(|p| p.standing == Standing::Trouble)
        })
        .await;
    let trouble = state.probes[1].trouble.as_deref().unwrap();
    assert!(
        trouble.contains("serial number") && trouble.contains("memory-1"),
        "{trouble}"
    );
    drop((first, second));
    rig.close().await;
}

/// A force probe and a pressure probe at once: each line is in the record of its own test alone.
#[tokio::test(flavor = "multi_thread")]
async fn a_probe_of_another_kind_does_not_reach_the_record() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut opened = rig.ports.plug("memory-1");
    let mut probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here(NAME).await;
    let denied = {
        let order = Order::Choose {
            test: Test::Leak,
            setup: None,
        };
        rig.order(order).await.unwrap();
        rig.order(Order::Begin).await.unwrap_err()
    };
    assert_eq!(denied.code, "no_probe");
    probe.pull(&rig.clock, |_| 0.0).await;
    rig.lines(NAME, probe.said).await;
    assert!(lines_of(&rig.bench.state(), NAME) >= 2);
    assert_eq!(rig.bench.state().kept.len(), 0, "no capture was made");
    rig.close().await;
}

#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn a_pseudo_terminal_is_opened_read_and_lost() {
    use feelgauge::{
        bench::{Bench, Captures, Daemon, Plan, SerialPorts, State},
        probe::serial::PortName,
        wire::Encoder,
    };
    use tokio::io::AsyncWriteExt as _;
    use tokio_serial::SerialPort as _;

    let (mut master, slave) = tokio_serial::SerialStream::pair().unwrap();
    let name: PortName = slave.name().unwrap().parse().unwrap();
    drop(slave);
    let folder = tempfile::tempdir().unwrap();
    let plan = Plan {
        named: vec![name.clone()],
        ..Plan::default()
    };
    let (bench, ends) = Bench::new(State::default());
    // An empty folder in place of /dev: the named port is all there is.
    let ports = SerialPorts::under(folder.path());
    let daemon = Daemon::new(ports, Captures::under(folder.path()), Clock::system(), plan);
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let daemon = tokio::spawn(daemon.run(ends, async move { drop(stopped.await) }));
    crate::rig::until(&bench, "opened", |s| {
        s.probes.iter().any(|p| p.standing == Standing::Greeting)
    })
    .await;
    let line = Encoder::default()
        .line(&crate::rig::identity("F-1", 1, 2_000))
        .unwrap();
    master.write_all(&line).await.unwrap();
    let state =
        crate::rig::until(&bench, "here", |s| stands(s, NAME) == Some(Standing::Here)).await;
    assert_eq!(state.probes[0].port, name.path);
    drop(master);
    crate::rig::until(&bench, "gone", |s| stands(s, NAME) == Some(Standing::Gone)).await;
    drop(stop);
    daemon.await.unwrap();
}
