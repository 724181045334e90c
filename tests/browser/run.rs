//! Runs the scripts in `js` with node and chromium. Without these: SKIPPED, and failed where nothing may be skipped.

use std::{
    env, fs,
    path::{Path, PathBuf},
    process::Command,
    sync::{Mutex, PoisonError},
};

use super::scenes::{out, render};

/// Where `./check` puts what it gets from npm.
const MODULES: &str = "target/check/browser/node_modules";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn found(program: &str) -> Option<PathBuf> {
    let paths = env::var_os("PATH")?;
    env::split_paths(&paths)
        .map(|dir| dir.join(program))
        .find(|file| file.is_file())
}

/// Chromium, node and what the scripts need; what is missing otherwise.
fn tools() -> Result<(PathBuf, PathBuf, PathBuf), String> {
    let chromium = found("chromium").ok_or("chromium is not installed")?;
    let node = found("node").ok_or("node is not installed")?;
    let modules =
        env::var_os("FEELGAUGE_NODE_MODULES").map_or_else(|| root().join(MODULES), PathBuf::from);
    for name in ["playwright-core", "axe-core"] {
        if !modules.join(name).is_dir() {
            return Err(format!("{name} is not in {}", modules.display()));
        }
    }
    Ok((chromium, node, modules))
}

/// One browser at a time: what is measured in it is time, too.
static BROWSER: Mutex<()> = Mutex::new(());

fn run(script: &str, args: &[&str]) {
    let _one = BROWSER.lock().unwrap_or_else(PoisonError::into_inner);
    let (chromium, node, modules) = match tools() {
        Ok(tools) => tools,
        Err(why) => {
            let required = env::var_os("CI_REQUIRED").is_some_and(|v| v == "1");
            assert!(!required, "{why}");
            eprintln!("SKIPPED: {script} needs a browser: {why}; ./check gets it");
            return;
        }
    };
    let ran = Command::new(node)
        .arg(root().join("tests/browser/js").join(script))
        .args(args)
        .env("FEELGAUGE_CHROMIUM", chromium)
        .env("FEELGAUGE_NODE_MODULES", modules)
        .env("FEELGAUGE_BROWSER_OUT", out())
        .env("FEELGAUGE_BIN", env!("CARGO_BIN_EXE_feelgauge"))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&ran.stdout);
    eprintln!("{said}");
    for skipped in said.lines().filter(|line| line.starts_with("SKIPPED")) {
        let required = env::var_os("CI_REQUIRED").is_some_and(|v| v == "1");
        assert!(!required, "{skipped}");
    }
    assert!(
        ran.status.success(),
        "{said}\n{}",
        String::from_utf8_lossy(&ran.stderr)
    );
}

#[test]
fn every_scene_is_accessible_and_fits_every_screen() {
    render();
    let dir = out().join("scene");
    assert!(
        fs::read_dir(&dir).unwrap().count() > 30,
        "the scenes were rendered"
    );
    run("scenes.mjs", &[dir.to_str().unwrap()]);
}

#[test]
fn a_person_plays_every_test_on_the_virtual_bench() {
    run("live.mjs", &[]);
}
