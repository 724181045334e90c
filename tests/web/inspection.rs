//! The inspection over the page and the API: what is written down, what is put in, and what is tried against it.

use std::{io::Cursor, path::Path, sync::Arc};

use feelgauge::{
    bench::{Inspected, State},
    clock::Clock,
    inspection::{Car, Deed, FORMAT, Folder, Opening, Visit},
    page::Doors,
};
use image::{ImageFormat, Rgb, RgbImage};
use tempfile::TempDir;
use tokio::{io::AsyncWriteExt as _, net::TcpStream};

use super::{Answer, Served};

const SCRIPT: &str = "<script>alert(1)</script>\"'><img src=x onerror=y>";

/// A bench that works on an inspection of its own.
struct Visited {
    served: Served,
    dir: TempDir,
}

/// An inspection with nothing in it yet.
pub fn begin(base: &Path, clock: &Clock) {
    let opening = Opening {
        format: FORMAT,
        tag: "14".into(),
        opened: "2031-05-17T14:02:00+02:00".into(),
        operator: "Ines".into(),
        house: None,
        owner: None,
        reason: None,
        car: Car {
            name: "Plover 8".into(),
            ..Car::default()
        },
        claimed: vec![SCRIPT.into()],
    };
    Folder::create(base, clock, &opening, None, None).unwrap();
}

impl Visited {
    async fn new() -> Self {
        Self::behind(super::doors()).await
    }

    async fn behind(doors: Doors) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let clock = Clock::system();
        let base = dir.path().join("visit");
        begin(&base, &clock);
        let inspected = Inspected::open(&base, None, clock).unwrap();
        let doors = Doors {
            inspection: Some(Arc::new(inspected)),
            ..doors
        };
        let served = Served::with(State::default(), doors).await;
        Self { served, dir }
    }

    fn base(&self) -> std::path::PathBuf {
        self.dir.path().join("visit")
    }

    fn visit(&self) -> Visit {
        Folder::open(&self.base()).unwrap().visit().unwrap()
    }

    fn deeds(&self) -> Vec<Deed> {
        self.visit().entries.into_iter().map(|e| e.deed).collect()
    }

    /// Files in the folder of the photographs.
    fn photographs(&self) -> Vec<String> {
        let Ok(listed) = std::fs::read_dir(self.base().join("photographs")) else {
            return Vec::new();
        };
        let name = |entry: std::io::Result<std::fs::DirEntry>| {
            entry.unwrap().file_name().to_string_lossy().into_owned()
        };
        let mut names: Vec<String> = listed.map(name).collect();
        names.sort();
        names
    }

    /// Sends a file as the form does.
    async fn send(&self, file: &[u8], name: &str, words: &str) -> Answer {
        let mut body = Vec::new();
        let head = format!(
            "--xYz\r\nContent-Disposition: form-data; name=\"photograph\"; filename=\"{name}\"\r\nContent-Type: image/jpeg\r\n\r\n"
        );
        body.extend(head.as_bytes());
        body.extend(file);
        let rest = format!(
            "\r\n--xYz\r\nContent-Disposition: form-data; name=\"words\"\r\n\r\n{words}\r\n--xYz\r\nContent-Disposition: form-data; name=\"tag\"\r\n\r\ntrue\r\n--xYz--\r\n"
        );
        body.extend(rest.as_bytes());
        let kind = "multipart/form-data; boundary=xYz";
        self.bytes("/inspection/photograph", kind, &body).await
    }

    async fn bytes(&self, path: &str, kind: &str, body: &[u8]) -> Answer {
        let mut request = format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nContent-Type: {kind}\r\nContent-Length: {}\r\n\r\n",
            self.served.address,
            body.len()
        )
        .into_bytes();
        request.extend(body);
        self.served.raw(&request).await
    }

    /// An answer's body as it came.
    async fn raw_body(&self, path: &str) -> (String, Vec<u8>) {
        use tokio::io::AsyncReadExt as _;
        let mut socket = TcpStream::connect(self.served.address).await.unwrap();
        let request = format!(
            "GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
            self.served.address
        );
        socket.write_all(request.as_bytes()).await.unwrap();
        let mut all = Vec::new();
        socket.read_to_end(&mut all).await.unwrap();
        let end = all.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
        let body = all.split_off(end + 4);
        (String::from_utf8(all).unwrap(), body)
    }
}

/// A photograph of 120 x 80 elements that lies on its side (orientation 6), its left end red; with the place where it
/// was taken in its notes.
fn photograph() -> Vec<u8> {
    let picture = RgbImage::from_fn(120, 80, |x, _| {
        Rgb(if x < 30 { [200, 20, 20] } else { [20, 20, 200] })
    });
    let mut plain = Cursor::new(Vec::new());
    picture.write_to(&mut plain, ImageFormat::Jpeg).unwrap();
    let plain = plain.into_inner();
    // Byte order, IFD at 8: orientation (274) SHORT 6, GPS's IFD (34853) as a place that is not looked at.
    let notes = b"Exif\0\0II*\0\x08\0\0\0\x02\0\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\x0f\x01\x02\0\x04\0\0\0GPS\0\0\0\0\0";
    let mut file = plain[..2].to_vec();
    file.extend(b"\xff\xe1");
    file.extend(u16::try_from(notes.len() + 2).unwrap().to_be_bytes());
    file.extend(notes);
    file.extend(&plain[2..]);
    file
}

#[tokio::test(flavor = "multi_thread")]
#[allow(clippy::too_many_lines)] // one form after the other
async fn what_is_typed_into_the_forms_stands_in_the_journal() {
    let visited = Visited::new().await;
    let served = &visited.served;
    let page = served.get("/inspection").await;
    assert!(
        page.status == 200 && page.body.contains("Plover 8"),
        "{page:?}"
    );
    for (form, body, words) in [
        (
            "observe",
            "sense=felt&text=play+in+the+axle",
            "Felt.</b> Play in the axle",
        ),
        (
            "not-checked",
            "text=the+battery",
            "Not checked.</b> The battery",
        ),
        (
            "conditions",
            "temperature=21%2C5&ambient=1003.2&words=",
            "21.5 C, 1003 hPa",
        ),
        (
            "part",
            "name=lid+seal&low=4.5&high=&currency=EUR&minutes=15",
            "Lid seal, 15 min of work, 4.50 EUR",
        ),
        ("work", "text=seal+renewed", "Work done.</b> Seal renewed"),
    ] {
        let shown = served.get(&format!("/inspection/{form}")).await;
        assert!(
            shown.status == 200 && shown.body.contains("<form"),
            "{form}"
        );
        let answer = served.form(&format!("/inspection/{form}"), body).await;
        assert_eq!(
            (answer.status, answer.header("location")),
            (303, vec!["/inspection"]),
            "{answer:?}"
        );
        let page = served.get("/inspection").await.body;
        assert!(page.contains(words), "{form}: {page}");
    }
    let visit = visited.visit();
    assert_eq!(visit.entries.len(), 6);
    assert!(visit.entries.iter().all(|entry| entry.who == "Ines"));
    let again = served
        .form("/inspection/observe", "sense=felt&text=+")
        .await;
    assert!(
        again.status == 422 && again.body.contains("is missing"),
        "{again:?}"
    );
    assert!(
        again.body.contains("value=\"felt\" checked"),
        "what was typed is still there"
    );
    assert_eq!(visited.deeds().len(), 6);
    for path in [
        "/inspection/nothing",
        "/inspection/photographs",
        "/inspection/photographs/none",
    ] {
        assert_eq!(served.get(path).await.status, 404, "{path}");
    }
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_photograph_is_kept_as_it_is_and_shown_turned_right_without_its_notes() {
    let visited = Visited::new().await;
    let file = photograph();
    assert!(file.windows(4).any(|w| w == b"Exif"));
    let answer = visited.send(&file, "../../evil.jpg", "the left side").await;
    let place = "/inspection/photographs/photograph.jpg";
    assert_eq!(
        (answer.status, answer.header("location")),
        (303, vec![place]),
        "{answer:?}"
    );
    assert_eq!(visited.photographs(), ["photograph.jpg"]);
    let kept = std::fs::read(visited.base().join("photographs/photograph.jpg")).unwrap();
    assert_eq!(kept, file, "byte for byte");
    let Some(Deed::Photographed(deed)) = visited.deeds().pop() else {
        panic!("it stands in the journal");
    };
    assert_eq!((deed.width, deed.height, deed.orientation), (80, 120, 6));
    assert!(deed.tag_in_picture && deed.words.as_deref() == Some("the left side"));

    let page = visited.served.get(place).await;
    assert!(
        page.status == 200 && page.body.contains("shown.jpg"),
        "{page:?}"
    );
    for path in [
        format!("{place}/shown.jpg"),
        format!("{place}/shown.jpg?size=small"),
        "/api/1/inspection/photographs/photograph.jpg?size=large".into(),
    ] {
        let (head, body) = visited.raw_body(&path).await;
        let head = head.to_lowercase();
        assert!(
            head.starts_with("http/1.1 200") && head.contains("content-type: image/jpeg"),
            "{head}"
        );
        assert!(
            head.contains("content-security-policy") && head.contains("nosniff"),
            "{head}"
        );
        assert!(!body.windows(4).any(|w| w == b"Exif" || w == b"GPS\0"));
        let shown = image::load_from_memory(&body).unwrap().into_rgb8();
        assert_eq!(shown.dimensions(), (80, 120), "{path}");
        // What lies left in the file is on top when it is shown right.
        let (top, bottom) = (shown.get_pixel(40, 8).0, shown.get_pixel(40, 110).0);
        assert!(
            top[0] > 150 && top[2] < 80 && bottom[2] > 150,
            "{top:?} {bottom:?}"
        );
    }
    let twice = visited.send(&file, "again.jpg", "").await;
    assert!(
        twice.status >= 400,
        "the same file is in already: {twice:?}"
    );
    assert_eq!(visited.photographs(), ["photograph.jpg"]);
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_no_photograph_leaves_nothing_behind() {
    let visited = Visited::new().await;
    let cut = &photograph()[..400];
    for (file, words) in [
        (
            &b"<svg xmlns=\"http://www.w3.org/2000/svg\"><script>alert(1)</script></svg>"[..],
            "an SVG drawing",
        ),
        (b"<!DOCTYPE html><script>alert(1)</script>", "a web page"),
        (b"%PDF-1.7", "a PDF"),
        (b"GIF89a\x01\0\x01\0\0\0\0", "a GIF"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "HEIC"),
        (b"", "an empty file"),
        (cut, "cut off"),
    ] {
        let answer = visited.send(file, "picture.jpg", "caption").await;
        assert_eq!(answer.status, 422, "{words}: {answer:?}");
        assert!(
            answer.body.contains(words) && answer.body.contains("value=\"caption\""),
            "{}",
            answer.body
        );
        let api = "/api/1/inspection/photographs";
        let answer = visited.bytes(api, "image/jpeg", file).await;
        assert_eq!(
            (answer.status, answer.code().as_str()),
            (422, "no_photograph"),
            "{words}"
        );
    }
    let as_text = visited
        .bytes("/api/1/inspection/photographs", "text/html", &photograph())
        .await;
    assert_eq!(
        (as_text.status, as_text.code().as_str()),
        (415, "wrong_type")
    );
    let no_form = visited
        .bytes("/inspection/photograph", "image/jpeg", &photograph())
        .await;
    assert_eq!(no_form.status, 415, "{no_form:?}");
    assert_eq!((visited.photographs(), visited.deeds().len()), (vec![], 1));
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_body_of_a_hundred_megabytes_is_turned_away() {
    let visited = Visited::new().await;
    let address = visited.served.address;
    for path in ["/inspection/photograph", "/api/1/inspection/photographs"] {
        let stated = format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\nContent-Type: image/jpeg\r\nContent-Length: 100000000\r\n\r\n"
        );
        assert_eq!(
            visited.served.raw(stated.as_bytes()).await.status,
            413,
            "{path}"
        );
        // Without a stated length it is counted as it comes.
        let mut socket = TcpStream::connect(address).await.unwrap();
        let head = format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\nContent-Type: image/jpeg\r\nTransfer-Encoding: chunked\r\n\r\n"
        );
        socket.write_all(head.as_bytes()).await.unwrap();
        let piece = [
            format!("{:x}\r\n", 1 << 20).as_bytes(),
            &vec![0xff; 1 << 20],
            b"\r\n",
        ]
        .concat();
        let mut sent = 0;
        for _ in 0..100 {
            if socket.write_all(&piece).await.is_err() {
                break;
            }
            sent += 1;
        }
        assert!(sent < 100, "it took all of it");
    }
    // Everything else is short, as before.
    let long = format!("sense=seen&text={}", "x".repeat(9000));
    assert_eq!(
        visited
            .served
            .form("/inspection/observe", &long)
            .await
            .status,
        413
    );
    assert_eq!((visited.photographs(), visited.deeds().len()), (vec![], 1));
    assert_eq!(
        visited.served.get("/inspection").await.status,
        200,
        "it goes on"
    );
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn names_of_photographs_lead_nowhere_else() {
    let visited = Visited::new().await;
    visited.send(&photograph(), "a.jpg", "").await;
    let long = "a".repeat(20_000);
    for name in [
        "..",
        "..%2finspection.toml",
        "..%2f..%2f..%2fetc%2fpasswd",
        "%2e%2e%2fjournal.jsonl",
        "..%5cjournal.jsonl",
        "%2fetc%2fpasswd",
        "photograph.jpg%00",
        "photograph.jpg%2f..%2f..%2finspection.toml",
        "photographs%2fphotograph.jpg",
        "journal.jsonl",
        "%ff%fe",
        "x%0d%0aSet-Cookie:%20a=b",
        &long,
    ] {
        for path in [
            format!("/inspection/photographs/{name}"),
            format!("/inspection/photographs/{name}/shown.jpg"),
            format!("/api/1/inspection/photographs/{name}"),
            format!("/inspection/{name}"),
        ] {
            let answer = visited.served.get(&path).await;
            assert!(
                matches!(answer.status, 400 | 404 | 414 | 431),
                "{path}: {answer:?}"
            );
            assert!(
                !answer.body.contains("root:") && !answer.body.contains("format = "),
                "{path}"
            );
            assert!(answer.header("set-cookie").is_empty());
        }
    }
    let answer = visited
        .served
        .get("/inspection/photographs/photograph.jpg/shown.jpg?size=huge")
        .await;
    assert_eq!(answer.status, 400);
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_somebody_writes_is_text_and_nothing_else() {
    let visited = Visited::new().await;
    let served = &visited.served;
    let answer = visited.send(&photograph(), SCRIPT, SCRIPT).await;
    assert_eq!(answer.status, 303, "{answer:?}");
    let script = "%3Cscript%3Ealert(1)%3C%2Fscript%3E%22%27%3E%3Cimg+src%3Dx+onerror%3Dy%3E";
    for (form, fields) in [
        ("observe", format!("sense=seen&text={script}")),
        (
            "part",
            format!("name={script}&from={script}&priced_by={script}"),
        ),
        ("conditions", format!("words={script}")),
    ] {
        assert_eq!(
            served
                .form(&format!("/inspection/{form}"), &fields)
                .await
                .status,
            303
        );
        let wrong = served
            .form(
                &format!("/inspection/{form}"),
                &format!("text={script}%00&name={script}%00&words={script}%00&sense={script}"),
            )
            .await;
        assert_eq!(wrong.status, 422, "{wrong:?}");
        assert!(!wrong.body.contains("<script>alert") && !wrong.body.contains("<img src=x"));
    }
    for path in ["/inspection", "/inspection/photographs/photograph.jpg"] {
        let page = served.get(path).await.body;
        assert!(
            page.contains("&lt;script&gt;"),
            "it is shown as text: {page}"
        );
        assert!(
            !page.contains("<script>alert") && !page.contains("<img src=x"),
            "{page}"
        );
        for tag in page.split('<').skip(1) {
            let tag = tag.split('>').next().unwrap();
            assert!(
                !tag.starts_with("style") && !tag.contains(" style="),
                "<{tag}>"
            );
        }
    }
    let json = served.get("/api/1/inspection").await.json();
    assert_eq!(json["opening"]["claimed"][0], SCRIPT);
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_page_of_another_origin_or_a_stranger_writes_nothing_down() {
    let visited = Visited::new().await;
    let served = &visited.served;
    for head in [
        "Origin: http://evil.example\r\n",
        "Origin: null\r\n",
        "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n",
    ] {
        for (path, kind) in [
            ("/inspection/observe", "application/x-www-form-urlencoded"),
            ("/inspection/photograph", "multipart/form-data; boundary=x"),
            ("/api/1/inspection/deeds", "application/json"),
            ("/api/1/inspection/photographs", "image/jpeg"),
        ] {
            let head = format!("{head}Content-Type: {kind}\r\n");
            let answer = served.ask("POST", path, &head, "sense=seen&text=x").await;
            assert_eq!(answer.status, 403, "{head} {path}: {answer:?}");
        }
    }
    let cross = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n";
    for path in [
        "/inspection",
        "/api/1/inspection",
        "/inspection/photographs/a/shown.jpg",
    ] {
        assert_eq!(
            served.ask("GET", path, cross, "").await.status,
            403,
            "{path}"
        );
    }
    assert_eq!(visited.deeds().len(), 1);
    visited.served.end().await;

    let visited = Visited::behind(super::shared_doors()).await;
    for path in ["/inspection", "/inspection/observe", "/api/1/inspection"] {
        assert_eq!(visited.served.get(path).await.status, 401, "{path}");
    }
    let answer = visited
        .served
        .form("/inspection/observe", "sense=seen&text=x")
        .await;
    assert_eq!(answer.status, 401);
    assert_eq!(visited.send(&photograph(), "a.jpg", "").await.status, 401);
    assert_eq!(visited.deeds().len(), 1);
    visited.served.end().await;
}

#[tokio::test(flavor = "multi_thread")]
#[allow(clippy::too_many_lines)] // one form after the other
async fn programs_write_lines_and_photographs_and_nothing_that_is_the_benchs_own() {
    let visited = Visited::new().await;
    let served = &visited.served;
    let answer = served
        .post(
            "/api/1/inspection/deeds",
            r#"{"what":"observed","sense":"smelt","text":"fuel"}"#,
        )
        .await;
    assert_eq!(
        (answer.status, answer.json()["entries"].as_u64()),
        (200, Some(2)),
        "{answer:?}"
    );
    for body in [
        r#"{"what":"found","file":"findings/x.json","sha256":"00"}"#,
        r#"{"what":"photographed","file":"../x"}"#,
        r#"{"what":"observed","sense":"seen","text":"x","photograph":"../x"}"#,
        r#"{"what":"observed","sense":"seen","text":""}"#,
        r#"{"what":"conditions"}"#,
        r#"{"what":"conditions","temperature_k":21.5}"#,
        r#"{"what":"part","name":"x","act":"needed","price":{"low":2,"high":1,"currency":"EUR"}}"#,
    ] {
        assert_eq!(
            served.post("/api/1/inspection/deeds", body).await.status,
            422,
            "{body}"
        );
    }
    let path = "/api/1/inspection/photographs?words=left%20side&tag_in_picture=true";
    let put = visited.bytes(path, "image/jpeg", &photograph()).await;
    assert_eq!(put.status, 200, "{put:?}");
    assert_eq!(put.json()["photograph"]["words"], "left side");
    let json = served.get("/api/1/inspection").await.json();
    let entries = json["entries"].as_array().unwrap();
    let whats: Vec<&str> = entries
        .iter()
        .map(|e| e["what"].as_str().unwrap())
        .collect();
    assert_eq!(whats, ["opened", "observed", "photographed"]);
    for method in ["GET", "PUT", "DELETE"] {
        assert_eq!(
            served
                .ask(method, "/api/1/inspection/deeds", "", "")
                .await
                .status,
            405
        );
    }
    visited.served.end().await;

    let none = Served::new().await;
    for path in ["/api/1/inspection", "/api/1/inspection/photographs/a"] {
        let answer = none.get(path).await;
        assert_eq!(
            (answer.status, answer.code().as_str()),
            (404, "no_inspection")
        );
        assert!(answer.body.contains("--inspection DIR"), "{answer:?}");
    }
    let page = none.get("/inspection").await;
    assert!(
        page.status == 200 && page.body.contains("feelgauge inspection open"),
        "{page:?}"
    );
    assert_eq!(none.get("/inspection/observe").await.status, 404);
    assert_eq!(
        none.form("/inspection/observe", "sense=seen&text=x")
            .await
            .status,
        404
    );
    none.end().await;
}

/// Two browsers and a program beside the bench write at once: every line is there, once, in one chain.
#[tokio::test(flavor = "multi_thread")]
async fn nobody_who_writes_at_the_same_time_loses_a_line() {
    const EACH: usize = 12;
    let visited = Visited::new().await;
    let base = visited.base();
    let commands = (0..2).map(|who| {
        let base = base.clone();
        tokio::task::spawn_blocking(move || {
            for n in 0..EACH {
                let ran = std::process::Command::new(env!("CARGO_BIN_EXE_feelgauge"))
                    .args(["inspection", "observe"])
                    .arg(&base)
                    .arg(format!("command {who} says {n}"))
                    .arg("--seen")
                    .output()
                    .unwrap();
                assert!(
                    ran.status.success(),
                    "{}",
                    String::from_utf8_lossy(&ran.stderr)
                );
            }
        })
    });
    let commands: Vec<_> = commands.collect();
    let browser = async |who: usize| {
        for n in 0..EACH {
            let body = format!("sense=seen&text=browser+{who}+says+{n}");
            let answer = visited.served.form("/inspection/observe", &body).await;
            assert_eq!(answer.status, 303, "{answer:?}");
            assert_eq!(visited.served.get("/inspection").await.status, 200);
        }
    };
    tokio::join!(browser(0), browser(1));
    for command in commands {
        command.await.unwrap();
    }
    let mut said: Vec<String> = visited
        .deeds()
        .into_iter()
        .filter_map(|deed| match deed {
            Deed::Observed { text, .. } => Some(text),
            _ => None,
        })
        .collect();
    said.sort();
    let mut wanted: Vec<String> = ["browser", "command"]
        .into_iter()
        .flat_map(|kind| {
            (0..2).flat_map(move |who| (0..EACH).map(move |n| format!("{kind} {who} says {n}")))
        })
        .collect();
    wanted.sort();
    assert_eq!(said, wanted);
    let page = visited.served.get("/inspection").await.body;
    assert!(
        wanted
            .iter()
            .all(|line| page.to_lowercase().contains(line.as_str())),
        "{page}"
    );
    visited.served.end().await;
}
