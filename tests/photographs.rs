//! Photographs against programs that are not ours: Pillow makes them and turns them right, exiftool reads what is shown.

#![allow(clippy::unwrap_used)] // in a test an unwrap is an assertion

use std::{fs, path::Path, process::Command};

use feelgauge::inspection::photograph::{look, shown};
use serde_json::Value;

/// Files that Pillow made, with what it shows of them; none where Python or Pillow is missing.
fn made(folder: &Path) -> Option<Vec<Value>> {
    let python = std::env::var("FEELGAUGE_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/tests/reference/photographs.py"
    );
    let ran = Command::new(python).arg(script).arg(folder).output();
    let why = match ran {
        Ok(ran) if ran.status.success() => {
            return Some(serde_json::from_slice(&ran.stdout).unwrap());
        }
        Ok(ran) => String::from_utf8_lossy(&ran.stderr).into_owned(),
        Err(e) => e.to_string(),
    };
    let is_missing = why.contains("No module named") || why.contains("No such file");
    assert!(
        is_missing && std::env::var_os("CI_REQUIRED").is_none(),
        "{why}"
    );
    eprintln!("SKIPPED: photographs need Python with Pillow: {why}");
    None
}

#[test]
fn every_kind_and_every_way_of_lying_is_shown_as_pillow_shows_it() {
    let dir = tempfile::tempdir().unwrap();
    let Some(made) = made(dir.path()) else { return };
    assert_eq!(made.len(), 48);
    for photograph in made {
        let name = photograph["file"].as_str().unwrap();
        let bytes = fs::read(dir.path().join(name)).unwrap();
        let looked = look(&bytes).unwrap();
        assert_eq!(u64::from(looked.orientation), photograph["way"], "{name}");
        assert_eq!(
            looked.taken.as_deref(),
            Some("2031:05:17 14:21:40 +02:00"),
            "{name}"
        );
        assert_eq!(looked.remarks, Vec::<String>::new(), "{name}");
        let shown = shown(&bytes, 2000).unwrap();
        let size = serde_json::json!([shown.width, shown.height]);
        assert_eq!(size, photograph["size"], "{name}");
        let picture = image::load_from_memory(&shown.jpeg).unwrap().into_rgb8();
        let (right, bottom) = (picture.width() - 20, picture.height() - 20);
        let corners = [(20, 20), (right, 20), (20, bottom), (right, bottom)];
        for (place, wanted) in corners
            .iter()
            .zip(photograph["corners"].as_array().unwrap())
        {
            let seen = picture.get_pixel(place.0, place.1).0;
            for (seen, wanted) in seen.iter().zip(wanted.as_array().unwrap()) {
                let off = u64::from(*seen).abs_diff(wanted.as_u64().unwrap());
                // two lossy steps, each below 5 of 255 in plain areas
                assert!(off <= 10, "{name} at {place:?}: {seen} and {wanted}");
            }
        }
    }
}

/// What leaves for a page or a report carries no place, no time, no camera: as an outside reader of such notes finds.
#[test]
fn an_outside_reader_finds_no_notes_in_what_is_shown() {
    let dir = tempfile::tempdir().unwrap();
    let notes = |path: &Path| {
        let ran = Command::new("exiftool")
            .args(["-j", "-G"])
            .arg(path)
            .output();
        let text = ran.ok().filter(|ran| ran.status.success())?.stdout;
        let all: Vec<Value> = serde_json::from_slice(&text).ok()?;
        let map = all.first()?.as_object()?.clone();
        let is_notes = |key: &&String| {
            ["EXIF:", "XMP:", "IPTC:"]
                .iter()
                .any(|g| key.starts_with(g))
                || key.contains("GPS")
        };
        Some(map.keys().filter(is_notes).cloned().collect::<Vec<_>>())
    };
    let Some(made) = made(dir.path()) else { return };
    for photograph in made.iter().step_by(8) {
        let path = dir.path().join(photograph["file"].as_str().unwrap());
        let Some(before) = notes(&path) else {
            assert!(std::env::var_os("CI_REQUIRED").is_none(), "no exiftool");
            eprintln!("SKIPPED: no exiftool");
            return;
        };
        assert!(before.iter().any(|key| key.contains("GPS")), "{before:?}");
        let shown = shown(&fs::read(&path).unwrap(), 2000).unwrap();
        let path = dir.path().join("shown.jpg");
        fs::write(&path, shown.jpeg).unwrap();
        assert_eq!(notes(&path), Some(vec![]));
    }
}
