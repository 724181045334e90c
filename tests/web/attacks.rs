//! What another page, another name or crooked input tries, and that it gets nothing.

use feelgauge::bench::{Order, ProbeState, Standing, State};

use super::{Served, kept};

/// Header that a browser adds for a page of another site.
const CROSS: &str = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n";

#[tokio::test(flavor = "multi_thread")]
async fn a_name_that_is_not_this_machines_is_refused() {
    let served = Served::new().await;
    let port = served.address.port();
    let host = |host: &str| {
        format!("GET /api/1/state HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")
    };
    for name in [
        "evil.example",
        &format!("evil.example:{port}"),
        "192.0.2.7",
        "0.0.0.0",
        "127.0.0.2",
        "localhost.evil.example",
        "user@localhost",
        "[::1]",
        "%6cocalhost",
        "",
    ] {
        let answer = served.raw(host(name).as_bytes()).await;
        assert!(matches!(answer.status, 400 | 421), "{name}: {answer:?}");
        assert!(!answer.body.contains("version"), "{name}: {answer:?}");
    }
    for name in ["localhost", "LOCALHOST:1", &format!("127.0.0.1:{port}")] {
        assert_eq!(
            served.raw(host(name).as_bytes()).await.status,
            200,
            "{name}"
        );
    }
    let twice = format!(
        "GET / HTTP/1.1\r\nHost: {0}\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
        served.address
    );
    assert_eq!(served.raw(twice.as_bytes()).await.status, 400);
    let absolute = format!(
        "GET http://evil.example/ HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
        served.address
    );
    assert_eq!(served.raw(absolute.as_bytes()).await.status, 421);
    let none = served.raw(b"GET / HTTP/1.0\r\n\r\n").await;
    assert_eq!(none.status, 400);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_another_origin_can_neither_act_nor_read() {
    let served = Served::new().await;
    let form = "Content-Type: application/x-www-form-urlencoded\r\n";
    for head in [
        "Origin: http://evil.example\r\n",
        "Origin: null\r\n",
        "Origin: http://localhost:1\r\n",
        &format!("Origin: https://{}\r\n", served.address),
        // an older browser says where it comes from, a newer one what it is
        CROSS,
        "Sec-Fetch-Site: same-site\r\n",
        "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\n",
        "Sec-Fetch-Site: \u{e9}\r\n",
    ] {
        for path in [
            "/do/begin",
            "/do/stop",
            "/do/let-go",
            "/api/1/test/stop",
            "/do/choose",
        ] {
            let answer = served
                .ask("POST", path, &format!("{form}{head}"), "test=leak")
                .await;
            assert_eq!(answer.status, 403, "{head} {path}: {answer:?}");
        }
    }
    assert_eq!(served.orders(), []);
    for path in ["/api/1/state", "/stream", "/captures", "/metrics"] {
        assert_eq!(
            served.ask("GET", path, CROSS, "").await.status,
            403,
            "{path}"
        );
    }
    // A link from elsewhere may lead to the page: nothing of it can be read there.
    let link = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\n";
    assert_eq!(served.ask("GET", "/", link, "").await.status, 200);
    // The bench's own page may act.
    let own = format!(
        "{form}Origin: http://{}\r\nSec-Fetch-Site: same-origin\r\n",
        served.address
    );
    let answer = served.ask("POST", "/do/begin", &own, "").await;
    assert_eq!((answer.status, answer.header("location")), (303, vec!["/"]));
    assert_eq!(served.orders(), [Order::Begin]);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn looking_changes_nothing() {
    let served = Served::new().await;
    for path in [
        "/do/choose?test=leak",
        "/do/begin",
        "/do/stop",
        "/do/leave",
        "/do/let-go",
        "/do/mark?mark=start",
        "/do/fault",
        "/invite",
        "/api/1/tests",
        "/api/1/test/begin",
        "/api/1/test/stop",
        "/api/1/test/leave",
        "/api/1/test/mark",
        "/api/1/guard/let-go",
        "/api/1/virtual/fault",
    ] {
        for method in ["GET", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH"] {
            let answer = served.ask(method, path, "", "").await;
            assert_eq!(answer.status, 405, "{method} {path}");
            assert_eq!(answer.header("allow"), ["POST"], "{method} {path}");
        }
    }
    for path in ["/", "/captures", "/compare", "/probes", "/api/1/state"] {
        let answer = served.ask("POST", path, "", "").await;
        assert_eq!(answer.status, 405, "POST {path}");
    }
    assert_eq!(served.orders(), []);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn names_of_captures_lead_nowhere_else() {
    let state = State {
        kept: std::sync::Arc::new(kept()),
        ..State::default()
    };
    let served = Served::with(state, super::doors()).await;
    let long = "a".repeat(20_000);
    for name in [
        "..",
        ".",
        "..%2f",
        "..%2f..%2fetc%2fpasswd",
        "%2e%2e%2fCargo.toml",
        "..%5c..%5cwindows",
        "%2fetc%2fpasswd",
        "x%00",
        "20310517T142140Z-leak-whole%00.toml",
        "20310517T142140Z-leak-whole%2fcapture.toml",
        "%ff%fe",
        "20310517T142140Z-leak-whole%0d%0aSet-Cookie:%20a=b",
        &long,
    ] {
        for path in [
            format!("/api/1/captures/{name}"),
            format!("/api/1/captures/{name}/plot.svg"),
            format!("/captures/{name}"),
            format!("/compare?before={name}&after={name}"),
            format!("/api/1/comparison?before={name}&after={name}"),
            format!("/asset/{name}"),
        ] {
            let answer = served.get(&path).await;
            assert!(
                matches!(answer.status, 400 | 404 | 414 | 431),
                "{path}: {answer:?}"
            );
            assert!(
                !answer.body.contains("[package]") && !answer.body.contains("root:"),
                "{path}"
            );
            assert!(answer.header("set-cookie").is_empty());
        }
    }
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn even_a_list_with_a_crooked_name_opens_no_other_folder() {
    let mut crooked = kept().remove(2);
    crooked.name = "../captures/20310517T142140Z-leak-whole".into();
    let state = State {
        kept: std::sync::Arc::new(vec![crooked]),
        ..State::default()
    };
    let served = Served::with(state, super::doors()).await;
    let path = "/api/1/captures/..%2fcaptures%2f20310517T142140Z-leak-whole";
    assert_eq!(served.get(path).await.status, 404);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_probe_calls_itself_is_text_and_nothing_else() {
    let script = "<script>alert(1)</script>\"'><img src=x onerror=y>";
    let served = Served::new().await;
    served.change(|state| {
        state.tag = Some(script.into());
        state.trouble = vec![script.into()];
        state.probes = vec![ProbeState {
            port: script.into(),
            kind: Some(script.into()),
            serial: Some(script.into()),
            standing: Standing::Trouble,
            trouble: Some(script.into()),
            gone_since: None,
            health: None,
            probe_lost_lines: 0,
            rate_hz: None,
            calibration: Some(script.into()),
            identity: None,
        }];
        let mut bad = kept().remove(0);
        bad.setup = Some(script.into());
        bad.why = Some(script.into());
        state.kept = std::sync::Arc::new(vec![bad]);
    });
    for path in ["/", "/probes", "/captures", "/compare"] {
        let page = served.get(path).await;
        assert_eq!(page.status, 200, "{path}");
        assert!(
            !page.body.contains("<script>alert") && !page.body.contains("<img src=x"),
            "{path}"
        );
    }
    let probes = served.get("/probes").await.body;
    assert!(
        probes.contains("&lt;script&gt;"),
        "it is shown as text: {probes}"
    );
    let mut stream = super::Listener::new(served.address, "/stream", "").await;
    let scene = stream.next_of("scene").await.text;
    assert!(!scene.contains("<script>alert"), "{scene}");
    let problem = served
        .get("/captures/%3Cscript%3Ealert(1)%3C%2Fscript%3E")
        .await;
    assert!(problem.status == 404 && !problem.body.contains("<script>alert"));
    let metrics = served.get("/metrics").await.body;
    assert!(
        metrics.contains("\\\"'>") && metrics.ends_with("# EOF\n"),
        "{metrics}"
    );
    drop(stream);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn no_input_can_add_a_header_or_a_line_of_a_record() {
    let served = Served::new().await;
    for body in [
        "mark=start%0d%0aX-Evil:%201",
        "mark=start%0aguard",
        "mark=",
        "mark=%00",
        "mark=A",
    ] {
        let answer = served.form("/do/mark", body).await;
        assert_eq!(answer.status, 422, "{body}: {answer:?}");
        assert!(answer.header("x-evil").is_empty());
    }
    let answer = served.form("/do/choose", "test=leak%0d%0aX-Evil:1").await;
    assert!((400..500).contains(&answer.status) && answer.header("x-evil").is_empty());
    assert_eq!(served.orders(), []);
    let answer = served
        .post("/api/1/test/mark", r#"{"mark":"phase sealed_zero"}"#)
        .await;
    assert_eq!(answer.status, 200);
    assert_eq!(served.orders(), [Order::Mark("phase sealed_zero".into())]);
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn every_answer_is_dressed() {
    let state = State {
        kept: std::sync::Arc::new(kept()),
        ..State::default()
    };
    let served = Served::with(state, super::doors()).await;
    let policy = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";
    let asset = format!("/asset/{}", feelgauge::page::asset::all()[0].name);
    for (method, path, status) in [
        ("GET", "/", 200),
        ("GET", "/captures", 200),
        ("GET", "/compare", 200),
        ("GET", "/probes", 200),
        ("GET", "/pair", 404),
        ("GET", &asset, 200),
        ("GET", "/nowhere", 404),
        ("POST", "/do/begin", 303),
        ("POST", "/do/leave", 409),
        ("POST", "/", 405),
        ("GET", "/api/1/state", 200),
        ("GET", "/api/1/captures/none", 404),
        ("GET", "/api/2", 404),
        ("GET", "/metrics", 200),
    ] {
        let answer = served.ask(method, path, "", "").await;
        assert_eq!(answer.status, status, "{method} {path}: {answer:?}");
        assert_eq!(answer.header("content-security-policy"), [policy], "{path}");
        assert_eq!(
            answer.header("x-content-type-options"),
            ["nosniff"],
            "{path}"
        );
        assert_eq!(answer.header("referrer-policy"), ["same-origin"], "{path}");
        assert_eq!(
            answer.header("cross-origin-resource-policy"),
            ["same-origin"],
            "{path}"
        );
        assert_eq!(
            answer.header("cross-origin-opener-policy"),
            ["same-origin"],
            "{path}"
        );
        assert_eq!(answer.header("cache-control").len(), 1, "{path}");
        assert!(
            answer.header("access-control-allow-origin").is_empty(),
            "{path}"
        );
        if path != asset {
            assert_eq!(answer.header("cache-control"), ["no-store"], "{path}");
        }
    }
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn no_page_holds_anything_inline_that_the_policy_would_have_to_allow() {
    let served = Served::new().await;
    for path in ["/", "/captures", "/compare", "/probes", "/nowhere"] {
        let page = served.get(path).await.body;
        for tag in page.split('<').skip(1) {
            let tag = tag.split('>').next().unwrap();
            let inline = tag.starts_with("style")
                || (tag.starts_with("script") && !tag.contains("src="))
                || tag
                    .split(' ')
                    .skip(1)
                    .any(|a| a.starts_with("style=") || (a.starts_with("on") && a.contains('=')));
            assert!(!inline, "{path}: <{tag}>");
        }
    }
    served.end().await;
}
