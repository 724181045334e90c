//! Each test from the cautions to its finding, on virtual boards.

use feelgauge::{
    bench::{EventKind, Order, Scene},
    inspect::{Stated, Test},
    physics::{
        drivetrain::{self, DrivetrainScenario},
        engine::{self, EngineScenario},
        tank::{self, TankScenario},
    },
    probe::{board::Board, board::BoardPlan, boards},
};
use tokio::io::{AsyncWriteExt as _, DuplexStream};

use crate::rig::{Rig, plover, virtual_clock};

/// A board at the far end of a port: says hello at once, and the rest when it is let go.
struct FarBoard {
    board: Board,
    stream: DuplexStream,
    opened_us: u64,
    /// Lines sent so far.
    lines: u64,
}

impl FarBoard {
    async fn hello(rig: &Rig, path: &str, plan: &BoardPlan) -> Self {
        let mut opened = rig.ports.plug(path);
        let plan = BoardPlan {
            resets_on_open: true,
            ..plan.clone()
        };
        let mut far = Self {
            stream: opened.recv().await.unwrap(),
            board: Board::new(&plan),
            opened_us: rig.clock.host_us(),
            lines: 0,
        };
        while far.lines == 0 {
            assert!(far.packet(rig).await);
        }
        far
    }

    /// Sends the next packet at its time; false when there is none.
    async fn packet(&mut self, rig: &Rig) -> bool {
        let Some(packet) = self.board.next_packet() else {
            return false;
        };
        rig.clock.set_us(self.opened_us + packet.at_us);
        self.stream.write_all(&packet.bytes).await.unwrap();
        self.lines += packet.bytes.split(|b| *b == b'\n').count() as u64 - 1;
        true
    }
}

/// Plays a board through a test; the events that it brought.
async fn play(test: Test, setup: &str, board: BoardPlan, stated: Stated) -> Vec<EventKind> {
    let plan = feelgauge::bench::Plan { stated, ..plover() };
    let mut rig = Rig::open(virtual_clock(), plan);
    let name = format!("{}-{}", test.kind(), board.identity.serial);
    let mut far = FarBoard::hello(&rig, "virtual-1", &board).await;
    rig.here(&name).await;
    rig.begin(test, Some(setup)).await;
    while far.packet(&rig).await {}
    rig.lines(&name, far.lines).await;
    // It may have ended by itself.
    let _ = rig.order(Order::Stop).await;
    let ended = rig.ended().await;
    let capture = rig.capture(&ended.capture);
    let found = ended.found.as_ref().unwrap();
    let again = capture.analyze(Stated::default(), None).unwrap();
    assert_eq!(
        serde_json::to_string(found).unwrap(),
        serde_json::to_string(&again).unwrap(),
        "the record says what was found live"
    );
    assert!(found.refused().is_none(), "{:?}", found.refused());
    let closed = capture.closed.as_ref().unwrap();
    assert!(closed.in_order && ["finished", "stopped"].contains(&&*closed.reason));
    assert_eq!(capture.meta.operator.as_deref(), Some("R. Tern"));
    assert_eq!(capture.meta.setup.as_deref(), Some(setup));
    let state = rig.bench.state();
    assert_eq!((state.dropped.record, state.dropped.live), (0, 0));
    assert_eq!(state.kept[0].name, ended.capture);
    assert_eq!(state.kept[0].verdict.is_some(), found.verdict().is_some());
    assert!(state.trouble.is_empty(), "{:?}", state.trouble);
    rig.order(Order::Leave).await.unwrap();
    assert!(matches!(rig.bench.state().scene, Scene::Start));
    let events = rig.events();
    rig.close().await;
    events
}

fn began_and_ended(events: &[EventKind], test: Test) {
    let began = events
        .iter()
        .position(|e| matches!(e, EventKind::TestBegan { test: t, .. } if t == test.word()));
    let ended = events
        .iter()
        .position(|e| matches!(e, EventKind::TestEnded { test: t, .. } if t == test.word()));
    assert!(began.unwrap() < ended.unwrap(), "{events:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_leak_test_runs_to_its_finding() {
    let tank = tank::simulate(&TankScenario::plover(), 1);
    let stated = Stated {
        p_ref_pa: Some(tank.truth.p_ref_pa),
        ..Stated::default()
    };
    let events = play(
        Test::Leak,
        "whole",
        boards::pressure(&tank.readings, 1),
        stated,
    )
    .await;
    began_and_ended(&events, Test::Leak);
    let decided = events
        .iter()
        .filter(|e| matches!(e, EventKind::Decided { .. }));
    assert_eq!(decided.count(), 1, "{events:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_pull_session_runs_to_its_finding() {
    let scenario = EngineScenario::plover();
    let engine = engine::simulate(&scenario, 1);
    let board = boards::force(&engine.readings, scenario.probe.filter_order, 1);
    let events = play(Test::Pull, "plug_in_cold", board, Stated::default()).await;
    began_and_ended(&events, Test::Pull);
    assert!(!events.iter().any(|e| matches!(e, EventKind::Stop { .. })));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_roll_runs_to_its_finding() {
    let train = drivetrain::simulate(&DrivetrainScenario::plover(), 1);
    let board = boards::hall(&train.readings, 1);
    let events = play(Test::Roll, "one_fl", board, Stated::default()).await;
    began_and_ended(&events, Test::Roll);
}

/// Orders that cannot be carried out say why, and change nothing.
#[tokio::test(flavor = "multi_thread")]
async fn orders_are_denied_with_a_reason() {
    let mut rig = Rig::open(virtual_clock(), feelgauge::bench::Plan::default());
    let choose = |test, setup: Option<&str>| Order::Choose {
        test,
        setup: setup.map(str::to_owned),
    };
    let mut codes = Vec::new();
    for order in [
        Order::Begin,
        Order::Stop,
        Order::Mark("start".into()),
        choose(Test::Leak, None),
        choose(Test::Roll, None),
        choose(Test::Pull, Some("plug_out")),
        Order::Fault(feelgauge::bench::Fault::SeizedEngine(true)),
    ] {
        let denied = rig.order(order).await.unwrap_err();
        assert!(!denied.message.is_empty());
        codes.push(denied.code);
    }
    let expected = [
        "no_test",
        "no_test",
        "no_test",
        "not_stated",
        "not_stated",
        "no_setup",
        "not_virtual",
    ];
    assert_eq!(codes, expected);
    assert!(matches!(rig.bench.state().scene, Scene::Start));
    rig.order(choose(Test::Pull, None)).await.unwrap();
    let denied = rig.order(Order::Begin).await.unwrap_err();
    assert_eq!(denied.code, "no_probe");
    assert!(denied.message.contains("force probe"), "{denied}");
    assert!(matches!(
        rig.bench.state().scene,
        Scene::Cautions { test: "pull", .. }
    ));
    rig.order(Order::Leave).await.unwrap();
    let bench = rig.bench.clone();
    rig.close().await;
    assert_eq!(bench.order(Order::Begin).await.unwrap_err().code, "ending");
}
