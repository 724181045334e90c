//! Names that climb out, links, pipes, sizes; and what no seal takes in the first place.

use std::{
    fs::{self, File},
    os::unix::{ffi::OsStrExt as _, fs::symlink},
    path::Path,
    process::Command,
    time::{Duration, Instant},
};

use super::{
    attacks::replace,
    deed::{deed, first_line},
    fixture::{bag, full, small},
};

#[test]
fn names_that_climb_out_or_meet() {
    for (name, path, expected) in [
        ("..", "data/../../etc/passwd", "climbs out"),
        (".. deep", "data/a/../../../x", "climbs out"),
        ("absolute", "/etc/passwd", "absolute"),
        ("backslash", "data\\..\\x", "other characters"),
        ("percent", "data/%2e%2e/x", "other characters"),
        ("home", "~/x", "other characters"),
        (
            "outside of data",
            "signatures/01-seller.sig",
            "does not belong here",
        ),
        ("dot", "data/./x", "other characters"),
        ("empty part", "data//x", "other characters"),
    ] {
        deed(&format!("manifest lists {name}"), expected, |bag| {
            let line = format!("{}  {path}\n", "0".repeat(64));
            let path = bag.join("manifest-sha256.txt");
            let text = fs::read_to_string(&path).unwrap();
            fs::write(&path, format!("{line}{text}")).unwrap();
        });
    }
    deed(
        "tag manifest lists a signature",
        "does not belong here",
        |bag| {
            let path = bag.join("tagmanifest-sha256.txt");
            let text = fs::read_to_string(&path).unwrap();
            fs::write(
                &path,
                format!("{text}{}  signatures/01-seller.sig\n", "0".repeat(64)),
            )
            .unwrap();
        },
    );
    deed("name with a backslash", "other characters", |bag| {
        fs::write(bag.join("data/..\\x"), "x").unwrap();
    });
    deed(
        "name that differs by case",
        "only by upper and lower case",
        |bag| fs::write(bag.join("data/Journal.jsonl"), "x").unwrap(),
    );
    deed("name that is no UTF-8", "no UTF-8", |bag| {
        let name = std::ffi::OsStr::from_bytes(b"data/\xFF\xFE");
        fs::write(bag.join(name), "x").unwrap();
    });
    deed("hidden file", "begins with a dot", |bag| {
        fs::write(bag.join("data/.hidden"), "x").unwrap();
    });
}

#[test]
fn links_and_pipes() {
    deed(
        "file replaced by a link",
        "data/photographs/front.jpg: a symbolic link",
        |bag| {
            let path = bag.join("data/photographs/front.jpg");
            fs::rename(&path, bag.parent().unwrap().join("outside.jpg")).unwrap();
            symlink("../../../outside.jpg", path).unwrap();
        },
    );
    deed(
        "folder replaced by a link",
        "data/captures: a symbolic link",
        |bag| {
            let path = bag.join("data/captures");
            fs::rename(&path, bag.parent().unwrap().join("outside")).unwrap();
            symlink("../../outside", path).unwrap();
        },
    );
    deed("link that goes round", "a symbolic link", |bag| {
        symlink("..", bag.join("data/round")).unwrap();
    });
    deed("pipe", "neither a file nor a folder", |bag| {
        let made = Command::new("mkfifo")
            .arg(bag.join("data/pipe"))
            .status()
            .unwrap();
        assert!(made.success());
    });
}

#[test]
#[allow(clippy::disallowed_methods)] // how long it really takes is the point
fn ten_gigabytes_are_refused_before_they_are_read() {
    let sparse = |path: &Path| {
        File::options()
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .unwrap()
            .set_len(10 << 30)
            .unwrap();
    };
    for (name, path) in [
        (
            "10 GB sparse file in place of a photograph",
            "data/photographs/front.jpg",
        ),
        ("10 GB sparse file added", "data/photographs/more.jpg"),
        ("10 GB sparse manifest", "manifest-sha256.txt"),
        ("10 GB sparse signature", "signatures/01-seller.sig"),
    ] {
        let begun = Instant::now();
        deed(name, "larger than 1 GiB", |bag| sparse(&bag.join(path)));
        assert!(
            begun.elapsed() < Duration::from_secs(20),
            "{name}: it was not read: {:?}",
            begun.elapsed()
        );
    }
    // many that are each small enough are too many together
    let (_dir, bag) = bag();
    for n in 0..12 {
        let file = File::create(bag.join(format!("data/photographs/{n}.jpg"))).unwrap();
        file.set_len(900 << 20).unwrap();
    }
    let begun = Instant::now();
    let (status, first) = first_line(&bag, &[]);
    eprintln!("ATTACK twelve sparse files of 0.9 GB: exit {status}: {first}");
    assert!(
        status == 3 && first.contains("Payload-Oxum") && begun.elapsed() < Duration::from_secs(20),
        "{first}"
    );
}

#[test]
fn what_no_seal_takes_is_not_sealed() {
    let seal = |what: &str, of: &dyn Fn(&Path)| {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("in");
        super::fixture::copy(&small().at("inspection"), &folder);
        of(&folder);
        let (out, key) = (dir.path().join("bag"), full().at("seller"));
        let args = [
            folder.to_str().unwrap(),
            "--out",
            out.to_str().unwrap(),
            "--sign",
            key.to_str().unwrap(),
            "--as",
            "seller",
        ];
        let run = super::fixture::feelgauge(&[&["seal"][..], &args].concat());
        let said = String::from_utf8_lossy(&run.stderr).into_owned();
        assert!(
            run.status.code() == Some(1) && said.contains(what),
            "{what}: {said}"
        );
        assert!(
            !out.exists() && !dir.path().join("bag.part").exists(),
            "{what}: nothing is left behind"
        );
    };
    seal("a symbolic link", &|f| {
        symlink("/etc/passwd", f.join("x")).unwrap();
    });
    seal("other characters", &|f| {
        fs::write(f.join("a b"), "x").unwrap();
    });
    seal("larger than 1 GiB", &|f| {
        File::create(f.join("big"))
            .unwrap()
            .set_len(10 << 30)
            .unwrap();
    });
    seal("\"prev\" is not the digest", &|f| {
        replace(&f.join("journal.jsonl"), "photographed", "photograph");
    });
    seal("would not verify", &|f| {
        let list = fs::read_dir(f.join("findings")).unwrap();
        let path = list.map(|e| e.unwrap().path()).next().unwrap();
        replace(&path, "\"refused\"", "\"refuted\"");
    });
    seal("no inspection", &|f| {
        fs::remove_file(f.join("inspection.toml")).unwrap();
    });
}
