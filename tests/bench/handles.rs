//! Two who ask at once; a listing that fails; what the system is told.

use std::sync::{Arc, Mutex};

use feelgauge::{
    bench::{Bench, Captures, Daemon, Notice, Order, Plan, Scene, State},
    clock::Clock,
    inspect::Test,
};

use crate::rig::{FarProbe, Rig, TestPorts, plover, until};

#[tokio::test(flavor = "multi_thread")]
async fn two_who_begin_at_once_get_one_test() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut opened = rig.ports.plug("memory-1");
    let probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here("force-F-1").await;
    let other = rig.bench.clone();
    let choose = Order::Choose {
        test: Test::Pull,
        setup: None,
    };
    rig.order(choose.clone()).await.unwrap();
    let (a, b) = tokio::join!(rig.order(Order::Begin), other.order(Order::Begin));
    assert!(a.is_ok() != b.is_ok(), "{a:?} {b:?}");
    let denied = a.err().or(b.err()).unwrap();
    assert_eq!(denied.code, "busy");
    assert_eq!(other.order(choose).await.unwrap_err().code, "busy");
    assert_eq!(other.order(Order::Leave).await.unwrap_err().code, "busy");
    for mark in [
        "",
        "guard",
        "host_overrun 9",
        "back force-F-1",
        "two\nlines",
    ] {
        let denied = other.order(Order::Mark(mark.into())).await.unwrap_err();
        assert_eq!(denied.code, "bad_mark", "{mark:?}");
    }
    other.order(Order::Mark("start".into())).await.unwrap();
    let (a, b) = tokio::join!(rig.order(Order::Stop), other.order(Order::Stop));
    assert!(a.is_ok() && b.is_ok(), "{a:?} {b:?}");
    let ended = rig.ended().await;
    let capture = rig.capture(&ended.capture);
    assert_eq!(capture.marks[0].text, "start");
    let a = rig.bench.state().version;
    assert!(matches!(other.state().scene, Scene::Ended(_)) && other.state().version >= a);
    drop(probe);
    rig.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_listing_that_fails_is_told_and_keeps_what_is_open() {
    let mut rig = Rig::open(Clock::system(), plover());
    let mut opened = rig.ports.plug("memory-1");
    let probe = FarProbe::boot(opened.recv().await.unwrap(), "F-1", 1).await;
    rig.here("force-F-1").await;
    rig.ports.fail_listing(Some("/dev: permission denied"));
    let state = rig.until("trouble", |s| !s.trouble.is_empty()).await;
    assert!(state.trouble[0].contains("--port PATH"));
    rig.here("force-F-1").await;
    rig.ports.fail_listing(None);
    rig.until("well again", |s| s.trouble.is_empty()).await;
    drop(probe);
    rig.close().await;
}

#[tokio::test(start_paused = true)]
async fn the_system_is_told_when_the_bench_is_ready_alive_and_ends() {
    let notices: Arc<Mutex<Vec<Notice>>> = Arc::default();
    let folder = tempfile::tempdir().unwrap();
    let (bench, ends) = Bench::new(State::default());
    let shelf = Captures::under(folder.path());
    let mut daemon = Daemon::new(
        TestPorts::default(),
        shelf,
        Clock::system(),
        Plan::default(),
    );
    let told = Arc::clone(&notices);
    daemon.notices = Box::new(move |notice| told.lock().unwrap().push(notice));
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let daemon = tokio::spawn(daemon.run(ends, async move { drop(stopped.await) }));
    let alive = |notices: &Mutex<Vec<Notice>>| {
        let notices = notices.lock().unwrap();
        notices.iter().filter(|n| **n == Notice::Alive).count()
    };
    until(&bench, "a minute", |_| alive(&notices) >= 30).await;
    drop(stop);
    daemon.await.unwrap();
    let notices = notices.lock().unwrap();
    assert_eq!(notices[0], Notice::Ready);
    assert_eq!(notices.last(), Some(&Notice::Stopping));
    let status = Notice::Status("0 probes answer; no test runs".into());
    assert_eq!(notices.iter().filter(|n| **n == status).count(), 1);
    assert_eq!(notices.iter().filter(|n| **n == Notice::Ready).count(), 1);
}
