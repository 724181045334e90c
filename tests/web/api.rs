//! The API says the same as the commands, and its document is the truth.

use std::{collections::BTreeSet, process::Command, sync::Arc};

use feelgauge::{
    bench::{Fault, Order, State, Virtual},
    inspect::Test,
};
use serde_json::{Value, json};

use super::{Served, doors, kept};

const LEAK: &str = "20310517T142140Z-leak-whole";
const PULL: &str = "20310517T142649Z-pull-plug_in_cold";
const ROLL: &str = "20310517T143107Z-roll-one_fl";

async fn with_captures() -> Served {
    let state = State {
        kept: Arc::new(kept()),
        ..State::default()
    };
    Served::with(state, doors()).await
}

/// What a command prints as JSON.
fn command(args: &[&str]) -> Value {
    let output = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(args)
        .arg("--json")
        .output()
        .unwrap();
    serde_json::from_slice(&output.stdout).unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_capture_shows_what_analyze_shows() {
    let served = with_captures().await;
    for (name, test) in [(LEAK, "leak"), (PULL, "pull"), (ROLL, "roll")] {
        let answer = served.get(&format!("/api/1/captures/{name}")).await.json();
        let path = format!("captures/{name}");
        assert_eq!(
            answer["finding"],
            command(&["analyze", test, &path]),
            "{name}"
        );
        assert_eq!(answer["no_finding"], Value::Null);
        assert_eq!(answer["facts"]["car"], "Plover 8");
        assert!(answer["facts"]["lines"].as_u64().unwrap() > 100);
        assert!(answer["text"].as_str().unwrap().starts_with(test));
        for query in [
            "",
            "?width=wide",
            "?width=narrow",
            "?width=narrow&picture=1",
        ] {
            let plot = served
                .get(&format!("/api/1/captures/{name}/plot.svg{query}"))
                .await;
            assert_eq!(
                (plot.status, plot.header("content-type")),
                (200, vec!["image/svg+xml"])
            );
            assert!(
                plot.body.starts_with("<svg") && plot.body.ends_with("</svg>"),
                "{query}"
            );
        }
        let page = served.get(&format!("/captures/{name}")).await;
        assert!(page.status == 200 && page.body.contains("<svg"), "{name}");
        let none = served
            .get(&format!("/api/1/captures/{name}/plot.svg?picture=99"))
            .await;
        assert_eq!(none.code(), "not_found");
    }
    let findings = served.get("/api/1/findings").await.json();
    assert_eq!(findings["findings"].as_array().unwrap().len(), 3);
    assert_eq!(
        served.get("/api/1/captures").await.json()["captures"][2]["name"],
        LEAK
    );
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_comparison_says_what_compare_says() {
    let served = with_captures().await;
    for name in [LEAK, PULL] {
        let query = format!("before={name}&after={name}");
        let answer = served
            .get(&format!("/api/1/comparison?{query}"))
            .await
            .json();
        let path = format!("captures/{name}");
        assert_eq!(answer, command(&["compare", &path, &path]), "{name}");
        let page = served.get(&format!("/compare?{query}")).await;
        assert!(page.status == 200 && page.body.contains(name));
        let plot = served
            .get(&format!("/api/1/comparison/plot.svg?{query}"))
            .await;
        assert!(plot.status == 200 && plot.body.starts_with("<svg"));
    }
    let unlike = served
        .get(&format!("/api/1/comparison?before={LEAK}&after={PULL}"))
        .await;
    assert_eq!(
        (unlike.status, unlike.code().as_str()),
        (409, "not_comparable")
    );
    let page = served
        .get(&format!("/compare?before={LEAK}&after={PULL}"))
        .await;
    assert!(
        page.status == 200 && page.body.contains("cannot be compared"),
        "{}",
        page.body
    );
    assert_eq!(served.get("/api/1/comparison").await.status, 400);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_capture_that_is_gone_from_the_disk_is_a_problem_with_its_reason() {
    let mut gone = kept().remove(0);
    gone.name = "20310517T150000Z-roll".into();
    let state = State {
        kept: Arc::new(vec![gone]),
        ..State::default()
    };
    let served = Served::with(state, doors()).await;
    let answer = served.get("/api/1/captures/20310517T150000Z-roll").await;
    assert_eq!((answer.status, answer.code().as_str()), (500, "unreadable"));
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn orders_reach_the_bench_and_denials_come_back_as_problems() {
    let served = Served::new().await;
    let answer = served
        .post(
            "/api/1/tests",
            r#"{"test":"roll","setup":"one_fl","begin":true}"#,
        )
        .await;
    assert_eq!(answer.status, 200, "{answer:?}");
    for (path, body) in [
        ("/api/1/test/stop", ""),
        ("/api/1/guard/let-go", "{}"),
        ("/api/1/test/mark", r#"{"mark":"start"}"#),
    ] {
        let answer = if body.is_empty() {
            served.ask("POST", path, "", "").await
        } else {
            served.post(path, body).await
        };
        assert_eq!(answer.status, 200, "{path}: {answer:?}");
    }
    let denied = served.ask("POST", "/api/1/test/leave", "", "").await;
    assert_eq!((denied.status, denied.code().as_str()), (409, "no_test"));
    let page = served.form("/do/leave", "").await;
    assert_eq!(page.status, 409);
    assert!(
        page.header("content-type")[0].starts_with("text/html")
            && page.body.contains("o test was chosen"),
        "{page:?}"
    );
    let form = served.form("/do/choose", "test=pull&setup=").await;
    assert_eq!(form.status, 303);
    let setup = Some("one_fl".to_owned());
    let test = Test::Roll;
    assert_eq!(
        served.orders(),
        [
            Order::Choose { test, setup },
            Order::Begin,
            Order::Stop,
            Order::LetGo,
            Order::Mark("start".into()),
            Order::Leave,
            Order::Leave,
            Order::Choose {
                test: Test::Pull,
                setup: None
            },
        ]
    );
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_understood_says_why() {
    let served = Served::new().await;
    let typed = |kind: &str| format!("Content-Type: {kind}\r\n");
    for (head, body, status) in [
        (typed("text/plain"), r#"{"test":"leak"}"#, 415),
        (typed("application/x-www-form-urlencoded"), "test=leak", 415),
        (String::new(), r#"{"test":"leak"}"#, 415),
        (typed("application/json"), "{", 400),
        (typed("application/json"), "", 400),
        (typed("application/json"), r#"{"test":"brake"}"#, 422),
        (typed("application/json"), r#"{"test":"leak","now":1}"#, 422),
        (typed("application/json"), "[]", 422),
    ] {
        let answer = served.ask("POST", "/api/1/tests", &head, body).await;
        assert_eq!(answer.status, status, "{head}{body}: {answer:?}");
        answer.code();
    }
    let form = served
        .ask("POST", "/do/choose", &typed("application/json"), "{}")
        .await;
    assert_eq!(form.status, 415);
    assert_eq!(served.get("/api/1/nothing").await.code(), "not_found");
    assert_eq!(
        served.get("/api/1/tests").await.code(),
        "method_not_allowed"
    );
    assert_eq!(
        served.get("/api/1/events?after=x").await.code(),
        "bad_request"
    );
    assert_eq!(served.orders(), []);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn only_a_virtual_bench_has_faults_to_switch() {
    let served = Served::new().await;
    let fault = r#"{"seeping_lid":true}"#;
    let real = served.post("/api/1/virtual/fault", fault).await;
    assert_eq!((real.status, real.code().as_str()), (404, "not_virtual"));
    assert_eq!(
        served
            .form("/do/fault", "fault=seeping_lid&on=true")
            .await
            .status,
        404
    );
    served.change(|state| state.virtual_bench = Some(Virtual::default()));
    assert_eq!(served.post("/api/1/virtual/fault", fault).await.status, 200);
    for form in [
        "fault=snag&part=ring_f",
        "fault=snag&part=",
        "fault=unplugged&kind=force&on=true",
        "fault=seized_engine&on=false",
    ] {
        assert_eq!(served.form("/do/fault", form).await.status, 303, "{form}");
    }
    assert_eq!(served.form("/do/fault", "fault=fire").await.status, 400);
    assert_eq!(
        served.orders(),
        [
            Order::Fault(Fault::SeepingLid(true)),
            Order::Fault(Fault::Snag(Some("ring_f".into()))),
            Order::Fault(Fault::Snag(None)),
            Order::Fault(Fault::Unplugged("force".into(), true)),
            Order::Fault(Fault::SeizedEngine(false)),
        ]
    );
    served.end().await;
}

/// Routes and document are made of one table; this looks at both from outside.
#[tokio::test(flavor = "multi_thread")]
async fn the_document_names_what_is_served_and_nothing_else() {
    let served = with_captures().await;
    served.change(|state| state.virtual_bench = Some(Virtual::default()));
    let document = served.get("/api/1/openapi.json").await.json();
    assert_eq!(document["openapi"], "3.1.1");
    let paths = document["paths"].as_object().unwrap();
    assert!(paths.len() >= 15, "{}", paths.len());
    for (path, acts) in paths {
        let acts: BTreeSet<&str> = acts
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .collect();
        let place = path.replace("{name}", LEAK);
        for method in ["get", "post", "put", "delete"] {
            if path.ends_with("/events") && method == "get" {
                continue; // it goes on for ever; tests of the stream ask it
            }
            let body = if path.ends_with("/tests") {
                json!({"test": "leak"}).to_string()
            } else {
                String::new()
            };
            let status = served
                .ask(
                    &method.to_uppercase(),
                    &place,
                    "Content-Type: application/json\r\n",
                    &body,
                )
                .await
                .status;
            assert_eq!(
                status == 405,
                !acts.contains(method),
                "{method} {path}: {status}"
            );
            // Without an inspection there is none: tests of its own look behind these doors.
            let is_inspection = path.starts_with("/api/1/inspection");
            assert!(is_inspection || status != 404, "{method} {path}");
            if acts.contains(method) {
                let known = &document["paths"][path][method]["responses"];
                assert!(
                    known.get(status.to_string()).is_some(),
                    "{method} {path}: {status} is not documented"
                );
            }
        }
    }
    served.end().await;
}
