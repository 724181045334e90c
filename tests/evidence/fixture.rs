//! A small inspection folder of the invented club car, sealed and signed by its two parties.

use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
    sync::OnceLock,
};

use feelgauge::{
    evidence::{
        ExpectedSigners, Signer,
        journal::{self, Journal},
        key_file, signatures, sshsig,
    },
    inspect::Stated,
    record::{Files, read_capture},
    report,
};
use serde_json::{Map, json};
use ssh_key::{LineEnding, PrivateKey};

pub use crate::folders::{Folder, LEAK, PULL, arg, copy, done, feelgauge, load};
use crate::folders::{samples, tiny_leak};

/// The tool, or none where it is missing, which is said.
pub fn tool(name: &str, args: &[&str]) -> Option<Command> {
    let found = Command::new(name).args(args).output();
    if found.is_ok() {
        return Some(Command::new(name));
    }
    assert!(
        std::env::var_os("CI_REQUIRED").is_none(),
        "{name} is missing"
    );
    eprintln!("SKIPPED: {name} is missing");
    None
}

/// Writes a folder.
pub fn store(files: &Folder, base: &Path) {
    for (path, bytes) in files {
        let path = base.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }
}

/// A sound journal of five lines.
pub fn journal_text() -> String {
    let mut text = String::new();
    for (n, what) in [
        "opened",
        "photographed",
        "took a leak",
        "took a pull",
        "closed",
    ]
    .iter()
    .enumerate()
    {
        let when =
            jiff::Timestamp::from_second(1_936_881_700 + 60 * i64::try_from(n).unwrap()).unwrap();
        let so_far: Journal = journal::check(journal::FILE, text.as_bytes())
            .unwrap()
            .unwrap();
        let mut more = Map::new();
        more.insert("step".into(), json!(n));
        text.push_str(&so_far.line(when, "R. Tern", what, more));
    }
    text
}

fn record_finding(base: &Path, name: &str) {
    let capture = read_capture(&Files::under(base.join("captures")), name).unwrap();
    let finding = capture.analyze(Stated::default(), None).unwrap();
    fs::create_dir_all(base.join("findings")).unwrap();
    fs::write(
        base.join(format!("findings/{name}.json")),
        report::pretty(&finding),
    )
    .unwrap();
}

/// An inspection with facts, journal, a photograph that is none, and captures with their findings.
fn inspection(base: &Path, full: bool) {
    fs::create_dir_all(base.join("photographs")).unwrap();
    fs::write(
        base.join("inspection.toml"),
        "format = 1\ntag = \"HL 14\"\n",
    )
    .unwrap();
    fs::write(base.join("journal.jsonl"), journal_text()).unwrap();
    fs::write(base.join("photographs/front.jpg"), b"no real photograph").unwrap();
    let name = tiny_leak(&base.join("captures"));
    record_finding(base, &name);
    if full {
        for name in [LEAK, PULL] {
            copy(&samples().join(name), &base.join("captures").join(name));
            record_finding(base, name);
        }
        let leak = base.join("captures").join(LEAK);
        let compared = done(&["compare", "--json", arg(&leak), arg(&leak)]);
        fs::write(base.join("findings/comparison-1.json"), compared).unwrap();
        let of = format!("before = [\"{LEAK}\"]\nafter = [\"{LEAK}\"]\n");
        fs::write(base.join("findings/comparison-1.toml"), of).unwrap();
    }
}

/// A folder with keys, an inspection and its sealed, twice signed form.
pub struct Place {
    pub dir: tempfile::TempDir,
}

impl Place {
    fn make(full: bool) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let place = Self { dir };
        inspection(&place.at("inspection"), full);
        for (n, name) in (1..).zip(["seller", "buyer", "mallory"]) {
            let key = key_file::from_seed(n, name);
            fs::write(
                place.at(name),
                key.to_openssh(LineEnding::LF).unwrap().as_bytes(),
            )
            .unwrap();
            let public = key.public_key().to_openssh().unwrap();
            fs::write(place.at(&format!("{name}.pub")), format!("{public}\n")).unwrap();
        }
        fs::write(
            place.at("objection.txt"),
            "I do not agree that the plug was in.\n",
        )
        .unwrap();
        let buyer = format!(
            "buyer:buyer:{}:I was there and saw the lines come",
            arg(&place.at("buyer.pub"))
        );
        let (bag, folder) = (place.at("bag"), place.at("inspection"));
        let seller = place.at("seller");
        let first = [
            "seal",
            arg(&folder),
            "--out",
            arg(&bag),
            "--sign",
            arg(&seller),
            "--as",
            "seller",
            "--expect",
            &buyer,
        ];
        let said = done(&first);
        let keys = said.lines().filter(|l| l.contains(" ssh-ed25519 "));
        let allowed: Vec<&str> = keys.map(str::trim).collect();
        fs::write(place.at("allowed"), allowed.join("\n") + "\n").unwrap();
        let (buyer, objection) = (place.at("buyer"), place.at("objection.txt"));
        done(&[
            "seal",
            arg(&bag),
            "--sign",
            arg(&buyer),
            "--as",
            "buyer",
            "--statement",
            arg(&objection),
        ]);
        place
    }

    pub fn at(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }
}

/// With real captures and a comparison; made once, never changed.
pub fn full() -> &'static Place {
    static PLACE: OnceLock<Place> = OnceLock::new();
    PLACE.get_or_init(|| Place::make(true))
}

/// With a tiny capture alone; made once, never changed.
pub fn small() -> &'static Place {
    static PLACE: OnceLock<Place> = OnceLock::new();
    PLACE.get_or_init(|| Place::make(false))
}

/// A copy of the full bag to do something to.
pub fn bag() -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("bag");
    copy(&full().at("bag"), &path);
    (dir, path)
}

/// The key that everybody can make.
pub fn key(name: &str) -> PrivateKey {
    let seed = ["seller", "buyer", "mallory"]
        .iter()
        .position(|n| *n == name)
        .unwrap();
    key_file::from_seed(seed as u64 + 1, name)
}

/// What somebody without the keys can always do: new manifests, bag-info and tag manifests around the changed data, with the
/// expected signers that are there.
pub fn list_anew(bag: &Path) {
    let data = load(&bag.join("data"));
    let expected =
        ExpectedSigners::parse(&fs::read(bag.join("expected-signers.toml")).unwrap()).unwrap();
    put_lists(bag, &data, &expected);
}

fn put_lists(bag: &Path, data: &Folder, expected: &ExpectedSigners) {
    // a broken journal cannot be sealed by us; somebody else's program would do it
    let mut sound = data.clone();
    sound.insert("journal.jsonl".into(), journal_text().into_bytes());
    let mut sealing = feelgauge::evidence::seal(&sound, expected, None).unwrap();
    if sound["journal.jsonl"] != data["journal.jsonl"] {
        sealing = forge(sealing, &data["journal.jsonl"], data);
    }
    for (name, bytes) in sealing.tags {
        fs::write(bag.join(name), bytes).unwrap();
    }
}

/// Lists of a journal that our own seal refuses.
fn forge(
    sealing: feelgauge::evidence::Sealing,
    journal: &[u8],
    data: &Folder,
) -> feelgauge::evidence::Sealing {
    use feelgauge::{evidence::tree::digests, record::writer::sha256};
    let of = |bytes: &[u8]| digests(&mut &bytes[..], u64::MAX).unwrap().unwrap();
    let mut sealing = sealing;
    let sound = of(journal_text().as_bytes());
    let own = of(journal);
    let lines: Vec<&[u8]> = journal
        .split(|b| *b == b'\n')
        .filter(|l| !l.is_empty())
        .collect();
    let sum: usize = data.values().map(Vec::len).sum();
    let mut put = |name: &str, change: &dyn Fn(String) -> String| {
        let at = sealing.tags.iter().position(|(n, _)| n == name).unwrap();
        let old = String::from_utf8(sealing.tags[at].1.clone()).unwrap();
        let new = change(old.clone()).into_bytes();
        let (before, after) = (of(old.as_bytes()), of(&new));
        sealing.tags[at].1 = new;
        for (tag, bytes) in &mut sealing.tags {
            if tag.starts_with("tagmanifest") {
                let text = String::from_utf8(bytes.clone()).unwrap();
                *bytes = text
                    .replace(&before.sha256, &after.sha256)
                    .replace(&before.sha512, &after.sha512)
                    .into_bytes();
            }
        }
    };
    put("manifest-sha256.txt", &|t| {
        t.replace(&sound.sha256, &own.sha256)
    });
    put("manifest-sha512.txt", &|t| {
        t.replace(&sound.sha512, &own.sha512)
    });
    put("bag-info.txt", &|t| {
        let line = |l: &str| match l.split(": ").next().unwrap() {
            "Payload-Oxum" => format!("Payload-Oxum: {sum}.{}\n", data.len()),
            "Feelgauge-Journal-Lines" => format!("Feelgauge-Journal-Lines: {}\n", lines.len()),
            "Feelgauge-Journal-Head" => format!(
                "Feelgauge-Journal-Head: {}\n",
                sha256(lines.last().unwrap())
            ),
            _ => format!("{l}\n"),
        };
        t.lines().map(line).collect()
    });
    sealing
}

/// What somebody with a key of their own can do: the same, expected signers and signatures of that key in both names' place.
pub fn sign_anew(bag: &Path) {
    let data = load(&bag.join("data"));
    let mallory = key("mallory");
    let expected = ExpectedSigners {
        format: 1,
        time_stamp: false,
        signers: vec![Signer {
            name: "seller".into(),
            role: "seller".into(),
            public_key: mallory.public_key().to_openssh().unwrap(),
            vouches_for: "everything".into(),
        }],
    };
    put_lists(bag, &data, &expected);
    fs::remove_dir_all(bag.join("signatures")).unwrap();
    fs::create_dir(bag.join("signatures")).unwrap();
    let message = signatures::message(&fs::read(bag.join("tagmanifest-sha256.txt")).unwrap(), &[]);
    let armour = sshsig::sign(&mallory, &message).unwrap();
    fs::write(bag.join("signatures/01-seller.sig"), armour).unwrap();
}
