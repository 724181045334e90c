//! Visitors from other machines: the code, the cookie, and who tries without.

use feelgauge::{
    bench::{Order, State},
    page::{Doors, Pairing},
};

use super::{Answer, Served, doors, shared_doors};

/// A served bench where nobody is in, with its pairing.
async fn shut() -> (Served, Pairing) {
    let doors = shared_doors();
    let pairing = doors.lan.clone().unwrap();
    (Served::with(State::default(), doors).await, pairing)
}

async fn pair(served: &Served, code: &str) -> Answer {
    served.form("/pair", &format!("code={code}")).await
}

/// The cookie of an answer, as a browser sends it back.
fn cookie(answer: &Answer) -> String {
    let set = answer.header("set-cookie");
    assert_eq!(set.len(), 1, "{answer:?}");
    format!("Cookie: other=1; {}\r\n", set[0].split(';').next().unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn who_was_not_paired_sees_the_pairing_page_and_nothing_else() {
    let (served, _) = shut().await;
    let home = served.get("/").await;
    assert_eq!((home.status, home.header("location")), (303, vec!["/pair"]));
    for path in [
        "/captures",
        "/captures/x",
        "/compare",
        "/probes",
        "/stream",
        "/invite",
        "/do/begin",
    ] {
        let answer = served.get(path).await;
        assert_eq!(answer.status, 401, "{path}");
        assert!(
            answer.header("content-type")[0].starts_with("text/html"),
            "{path}"
        );
        assert!(!answer.body.contains("probe"), "{path}: {}", answer.body);
    }
    for path in [
        "/api/1/state",
        "/api/1/probes",
        "/api/1/events",
        "/api/1/openapi.json",
        "/metrics",
    ] {
        assert_eq!(served.get(path).await.code(), "not_paired", "{path}");
    }
    for path in [
        "/do/begin",
        "/do/stop",
        "/do/let-go",
        "/invite",
        "/api/1/test/stop",
    ] {
        assert_eq!(served.form(path, "").await.status, 401, "{path}");
    }
    assert_eq!(served.orders(), []);
    assert_eq!(served.get("/pair").await.status, 200);
    for asset in feelgauge::page::asset::all() {
        let answer = served.get(&format!("/asset/{}", asset.name)).await;
        assert_eq!(answer.status, 200, "{}", asset.name);
    }
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_code_lets_one_device_in_and_its_cookie_has_every_flag() {
    let (served, pairing) = shut().await;
    let code = pairing.offer(0).unwrap();
    // The address of the QR code fills the form in and does no more.
    let form = served.get(&format!("/pair?code={code}")).await;
    assert!(
        form.status == 200 && form.body.contains(&code) && form.header("set-cookie").is_empty()
    );
    let answer = pair(&served, &code).await;
    assert_eq!((answer.status, answer.header("location")), (303, vec!["/"]));
    let set = answer.header("set-cookie")[0].to_owned();
    for flag in ["; HttpOnly", "; SameSite=Strict", "; Path=/", "; Max-Age="] {
        assert!(set.contains(flag), "{set}");
    }
    assert!(!set.contains("Domain"), "{set}");
    let cookie = cookie(&answer);
    assert_eq!(
        served.ask("GET", "/api/1/state", &cookie, "").await.status,
        200
    );
    assert_eq!(
        served.ask("POST", "/do/begin", &cookie, "").await.status,
        303
    );
    assert_eq!(served.orders(), [Order::Begin]);
    // With the cookie another page still may not act.
    let cross = format!("{cookie}Origin: http://evil.example\r\n");
    assert_eq!(served.ask("POST", "/do/stop", &cross, "").await.status, 403);
    // The code again, from another device.
    let replayed = pair(&served, &code).await;
    assert!(
        replayed.status == 403 && replayed.header("set-cookie").is_empty(),
        "{replayed:?}"
    );
    // A cookie that is nearly it.
    let other = cookie.replace("feelgauge=", "feelgauge=0");
    assert_eq!(
        served.ask("GET", "/api/1/state", &other, "").await.status,
        401
    );
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_that_is_in_lets_another_one_in() {
    let (served, pairing) = shut().await;
    let first = cookie(&pair(&served, &pairing.offer(0).unwrap()).await);
    let page = served.ask("POST", "/invite", &first, "").await;
    assert!(page.status == 200 && page.body.contains("<svg"), "{page:?}");
    let at = page
        .body
        .find('-')
        .into_iter()
        .chain(page.body.match_indices('-').map(|(i, _)| i));
    let symbols = |text: &str| {
        text.bytes()
            .all(|b| b.is_ascii_uppercase() || b.is_ascii_digit())
    };
    let mut codes = at
        .filter_map(|i| page.body.get(i.checked_sub(4)?..i + 5))
        .filter(|c| symbols(&c.replace('-', "")));
    let code = codes.next().unwrap().to_owned();
    let second = cookie(&pair(&served, &code).await);
    assert_ne!(first, second);
    for cookie in [&first, &second] {
        assert_eq!(served.ask("GET", "/", cookie, "").await.status, 200);
    }
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn guessing_a_code_ends_soon() {
    let (served, pairing) = shut().await;
    let code = pairing.offer(0).unwrap();
    let mut told = Vec::new();
    for n in 0..20 {
        let guess = format!("{n:08}");
        told.push(pair(&served, &guess).await.status);
    }
    let slowed = told.iter().filter(|status| **status == 429).count();
    assert!(told[..5].iter().all(|status| *status == 403), "{told:?}");
    // One try comes back in ten seconds; a slow machine may have given one.
    assert!(slowed >= 13, "{told:?}");
    let late = pair(&served, &code).await;
    assert!(late.status == 429 && late.header("set-cookie").is_empty());
    assert!(!late.header("retry-after").is_empty());
    // The wrong ones have used the code up, for whoever comes from elsewhere.
    assert!(pairing.pair(&code, 0).is_err());
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stolen_cookie_is_worth_nothing_after_a_restart() {
    let (served, pairing) = shut().await;
    let stolen = cookie(&pair(&served, &pairing.offer(0).unwrap()).await);
    assert_eq!(
        served.ask("GET", "/api/1/state", &stolen, "").await.status,
        200
    );
    served.end().await;
    let (served, _) = shut().await;
    assert_eq!(
        served.ask("GET", "/api/1/state", &stolen, "").await.status,
        401
    );
    served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bench_that_is_not_open_pairs_nobody() {
    let closed = Doors {
        is_shared: true,
        ..doors()
    };
    let served = Served::with(State::default(), closed).await;
    for path in ["/", "/pair", "/api/1/state"] {
        assert_eq!(served.get(path).await.status, 403, "{path}");
    }
    assert_eq!(pair(&served, "00000000").await.status, 403);
    served.end().await;
}

/// From another address of this machine, where it has one: the real way of a visitor from outside.
#[tokio::test(flavor = "multi_thread")]
async fn a_visitor_from_outside_is_not_trusted() {
    let Some(own) = feelgauge::page::doors::outward_addresses()
        .into_iter()
        .next()
    else {
        // A machine without a network has no outside; the tests above play it.
        return;
    };
    let (bench, _ends) = feelgauge::bench::Bench::new(State::default());
    let listener = tokio::net::TcpListener::bind((own, 0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let server = tokio::spawn(feelgauge::page::server::serve(
        listener,
        bench,
        doors(),
        stopped,
    ));
    let mut socket = tokio::net::TcpStream::connect(address).await.unwrap();
    let request = format!("GET / HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    tokio::io::AsyncWriteExt::write_all(&mut socket, request.as_bytes())
        .await
        .unwrap();
    assert_eq!(Answer::read(&mut socket).await.status, 403);
    stop.send_replace(true);
    server.await.unwrap().unwrap();
}
