//! What pages and listeners are sent: the newest, at once where it matters, nothing queued for those who do not read.

use std::{sync::Arc, time::Duration};

use feelgauge::{
    bench::{Alarm, EventKind, Order, Running, Scene, State},
    inspect::{
        Reading, Settings, Stated,
        guide::{Guide, View},
        leak_settings,
    },
    page::{Doors, Limits},
    reading::PressureReading,
};
use tokio::{io::AsyncWriteExt as _, net::TcpStream, time::Instant};

use super::{Listener, Served, doors};

fn alarm(id: u64) -> Alarm {
    Alarm {
        id,
        host_us: 1_000_000,
        force_n: 131.0,
        reason: "force".into(),
    }
}

/// A leak that is being pumped to a pressure.
fn pumping(pressure_pa: f64) -> Scene {
    let settings = leak_settings(&Stated::default(), None, &[]);
    let mut guide = Guide::new(&Settings::Leak(settings));
    for k in 0..8 {
        guide.push(Reading::Pressure(PressureReading {
            t_us: k * 5_000,
            pressure_pa: pressure_pa * f64::from(u32::try_from(k).unwrap()) / 7.0,
            tank_k: None,
        }));
    }
    let mut view = guide.view();
    if let View::Leak(leak) = &mut view {
        leak.pressure_pa = Some(pressure_pa);
    }
    Scene::Running(Arc::new(Running {
        setup: None,
        capture: "20310517T142140Z-leak".into(),
        since_s: 1.0,
        view,
        gone: Vec::new(),
        is_ending: false,
    }))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_is_told_what_is_and_then_what_changes() {
    let served = Served::new().await;
    let mut page = Listener::new(served.address, "/stream?width=narrow", "").await;
    assert!(page.head.contains("text/event-stream"));
    let first = page.next().await.unwrap();
    assert_eq!(first.name, "stop", "whether there is a warning comes first");
    let start = page.next_of("scene").await;
    assert!(start.text.contains("id=\"scene\""), "{}", start.text);
    served.change(|state| state.scene = pumping(3_200.0));
    let begun = Instant::now();
    let scene = page.next_of("scene").await;
    assert_ne!(scene.text, start.text);
    assert!(
        begun.elapsed() < Duration::from_millis(400),
        "what the hands do is told at once"
    );
    assert_eq!(served.get("/stream?width=huge").await.status, 400);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn scenes_of_the_same_act_are_paced_and_the_newest_is_shown() {
    let served = Served::new().await;
    let mut page = Listener::new(served.address, "/stream", "").await;
    served.change(|state| state.tag = Some("first".into()));
    page.next_of("scene").await;
    let begun = Instant::now();
    let mut scenes = 0;
    for n in 0..40 {
        served.change(|state| state.tag = Some(format!("tag{n}")));
        tokio::time::sleep(Duration::from_millis(25)).await; // the pace of a bench, not a wait for anything
    }
    loop {
        let scene = page.next_of("scene").await;
        scenes += 1;
        if scene.text.contains("tag39") {
            break;
        }
    }
    let most = begun.elapsed().as_millis() / 500 + 2;
    assert!(scenes >= 2 && scenes <= most, "{scenes} of at most {most}");
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn pictures_come_ten_times_a_second_and_more() {
    let served = Served::new().await;
    served.change(|state| state.scene = pumping(1_000.0));
    let mut page = Listener::new(served.address, "/stream?width=wide", "").await;
    page.next_of("scene").await;
    let begun = Instant::now();
    let changing = async {
        for n in 0..100 {
            served.change(|state| state.scene = pumping(1_000.0 + 37.0 * f64::from(n)));
            tokio::time::sleep(Duration::from_millis(20)).await; // fifty changes a second, as a bench makes them
        }
    };
    let looking = async {
        let mut frames = 0_u32;
        while begun.elapsed() < Duration::from_millis(1_900) {
            let heard = page.next().await.unwrap();
            frames += u32::from(heard.name == "picture" || heard.name == "scene");
        }
        frames
    };
    let ((), frames) = tokio::join!(changing, looking);
    let a_second = f64::from(frames) / begun.elapsed().as_secs_f64();
    println!("{a_second:.1} frames a second");
    // 15 pictures and 2 scenes at most; a loaded machine gives fewer
    assert!((8.0..=18.0).contains(&a_second), "{a_second}");
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_warning_is_ahead_of_everything_and_goes_when_it_was_touched() {
    let served = Served::new().await;
    let mut page = Listener::new(served.address, "/stream", "").await;
    page.next_of("scene").await;
    for id in 1..=20 {
        served.change(|state| state.scene = pumping(100.0));
        let begun = Instant::now();
        served.alarm.send_replace(Some(alarm(id)));
        let stop = page.next_of("stop").await;
        assert!(begun.elapsed() < Duration::from_millis(500));
        assert!(
            stop.text.contains("alertdialog") && stop.text.contains("/do/let-go"),
            "{}",
            stop.text
        );
        served.alarm.send_replace(None);
        let gone = page.next_of("stop").await;
        assert!(
            gone.text.contains("hidden") && !gone.text.contains("alertdialog"),
            "{}",
            gone.text
        );
    }
    // A page that comes in the middle of it is warned first of all.
    served.alarm.send_replace(Some(alarm(30)));
    let mut late = Listener::new(served.address, "/stream", "").await;
    let first = late.next().await.unwrap();
    assert!(first.name == "stop" && first.text.contains("alertdialog"));
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn streams_end_at_once_with_the_daemon() {
    let served = Served::new().await;
    let mut pages = Vec::new();
    for path in ["/stream", "/stream?width=wide", "/api/1/events"] {
        pages.push(Listener::new(served.address, path, "").await);
    }
    // One that never reads, and one that says nothing.
    let mute = Listener::new(served.address, "/stream", "").await;
    let silent = TcpStream::connect(served.address).await.unwrap();
    let begun = Instant::now();
    served.stop.send_replace(true);
    for page in &mut pages {
        page.next_of("end").await;
        assert!(page.next().await.is_none());
    }
    served.server.await.unwrap().unwrap();
    let took = begun.elapsed();
    println!("ended in {took:?}");
    assert!(took < Duration::from_millis(500), "{took:?}");
    drop((mute, silent));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_hears_a_beat_when_nothing_happens() {
    let served = Served::new().await;
    let mut page = Listener::new(served.address, "/stream", "").await;
    page.next_of("scene").await;
    let begun = Instant::now();
    page.next_of("beat").await;
    assert!(begun.elapsed() < Duration::from_secs(4));
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_browsers_see_the_same_and_both_may_act() {
    let served = Served::new().await;
    let mut one = Listener::new(served.address, "/stream?width=wide", "").await;
    let mut other = Listener::new(served.address, "/stream?width=wide", "").await;
    let (a, b) = tokio::join!(one.next_of("scene"), other.next_of("scene"));
    assert_eq!(a, b);
    served.change(|state| state.scene = pumping(500.0));
    let (a, b) = tokio::join!(one.next_of("scene"), other.next_of("scene"));
    assert_eq!(a, b);
    let (a, b) = tokio::join!(served.form("/do/begin", ""), served.form("/do/stop", ""));
    assert_eq!((a.status, b.status), (303, 303));
    let orders = served.orders();
    assert!(orders.len() == 2 && orders.contains(&Order::Begin) && orders.contains(&Order::Stop));
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn who_never_reads_loses_pictures_and_then_the_connection() {
    let limits = Limits {
        unread: Duration::from_millis(400),
        ..Limits::default()
    };
    let served = Served::with(State::default(), Doors { limits, ..doors() }).await;
    let mut mute = TcpStream::connect(served.address).await.unwrap();
    let request = format!("GET /stream HTTP/1.1\r\nHost: {}\r\n\r\n", served.address);
    mute.write_all(request.as_bytes()).await.unwrap();
    let mut page = Listener::new(served.address, "/stream?width=narrow", "").await;
    let here = |n: u32| format!("feelgauge_page_clients {n}\n");
    let begun = Instant::now();
    // Pictures as large as they come, until the socket of the mute one is full; the other one sees them all the while.
    let long: String = "x".repeat(200_000);
    let mut n = 0;
    while !(n > 10 && served.get("/metrics").await.body.contains(&here(1))) {
        n += 1;
        served.change(|state| {
            state.trouble = vec![format!("{n} {long}"); usize::from(n % 2 == 0) + 1];
        });
        page.next_of("scene").await;
        assert!(
            begun.elapsed() < super::LONG,
            "the mute one is still held after {n} scenes"
        );
    }
    served.end().await;
}

/// Memory that this process holds, bytes; `None` where the system does not say.
fn resident() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.trim()
        .strip_suffix(" kB")?
        .parse::<u64>()
        .ok()
        .map(|kib| kib * 1024)
}

#[tokio::test(flavor = "multi_thread")]
async fn two_hundred_pages_get_every_scene_and_cost_little() {
    const PAGES: usize = 200;
    let served = Served::new().await;
    served.change(|state| state.scene = pumping(1_000.0));
    let before = resident();
    let mut pages = Vec::new();
    for _ in 0..PAGES {
        pages.push(Listener::new(served.address, "/stream?width=narrow", "").await);
    }
    for page in &mut pages {
        page.next_of("scene").await;
    }
    let with = resident();
    let begun = Instant::now();
    served.alarm.send_replace(Some(alarm(1)));
    for page in &mut pages {
        loop {
            if page.next_of("stop").await.text.contains("alertdialog") {
                break;
            }
        }
    }
    let warned = begun.elapsed();
    let begun = Instant::now();
    served.change(|state| state.tag = Some("the newest".into()));
    for page in &mut pages {
        while !page.next_of("scene").await.text.contains("the newest") {}
    }
    let shown = begun.elapsed();
    println!("{PAGES} pages: all warned in {warned:?}, new scene at all in {shown:?}");
    assert!(warned < Duration::from_secs(2) && shown < Duration::from_secs(3));
    if let (Some(before), Some(with)) = (before, with) {
        let each = with.saturating_sub(before) / PAGES as u64;
        println!(
            "{} KiB a page, both ends of its socket and the test's own buffer",
            each / 1024
        );
        assert!(each < 512 * 1024, "{each} bytes a page");
    }
    assert!(
        served
            .get("/metrics")
            .await
            .body
            .contains("feelgauge_page_clients 200\n")
    );
    drop(pages);
    served.end().await;
}

fn trouble(served: &Served, n: u32) {
    let message = format!("trouble {n}");
    served.events.add(
        "2031-05-17T14:21:40Z".into(),
        EventKind::Trouble { message },
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_listener_resumes_after_the_last_event_that_it_knows() {
    let served = Served::new().await;
    for n in 1..=3 {
        trouble(&served, n);
    }
    let mut all = Listener::new(served.address, "/api/1/events?after=0", "").await;
    let mut ids = Vec::new();
    for n in 1..=3 {
        let heard = all.next().await.unwrap();
        assert!(
            heard.name == "message" && heard.text.contains(&format!("trouble {n}")),
            "{heard:?}"
        );
        let event: serde_json::Value = serde_json::from_str(&heard.text).unwrap();
        assert_eq!(
            (&event["id"], &event["event"]),
            (&n.into(), &"trouble".into())
        );
        ids.push(heard.id.unwrap());
    }
    // Away for two events; then it goes on where it was.
    drop(all);
    trouble(&served, 4);
    let mut back = Listener::new(
        served.address,
        "/api/1/events",
        &format!("Last-Event-ID: {}\r\n", ids[1]),
    )
    .await;
    for n in [3, 4] {
        assert!(
            back.next()
                .await
                .unwrap()
                .text
                .contains(&format!("trouble {n}"))
        );
    }
    trouble(&served, 5);
    assert!(back.next().await.unwrap().text.contains("trouble 5"));
    // A new one hears from now on; one of an earlier daemon learns of the gap.
    let mut new = Listener::new(served.address, "/api/1/events", "").await;
    trouble(&served, 6);
    assert!(new.next().await.unwrap().text.contains("trouble 6"));
    let mut other = Listener::new(served.address, "/api/1/events", "Last-Event-ID: 00-3\r\n").await;
    assert_eq!(other.next().await.unwrap().name, "gap");
    assert!(other.next().await.unwrap().text.contains("trouble 1"));
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_listener_that_was_away_too_long_hears_of_the_gap() {
    let served = Served::new().await;
    for n in 0..2_000 {
        trouble(&served, n);
    }
    let mut late = Listener::new(served.address, "/api/1/events?after=5", "").await;
    let gap = late.next().await.unwrap();
    assert_eq!(gap.name, "gap");
    let oldest = late.next().await.unwrap();
    assert!(oldest.text.contains("trouble 976"), "{oldest:?}");
    served.end().await;
}
