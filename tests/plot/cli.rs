//! `--plot FILE` as a person calls it.

use std::{fs, path::Path, process::Command};

use super::{drawn::Drawn, scenes::CAPTURES};

/// Exit code, standard output and standard error of a call from the root of the repository.
fn call(args: &[&str]) -> (i32, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_feelgauge"))
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(args)
        .output()
        .unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

fn name(dir: &Path, file: &str) -> String {
    dir.join(file).to_str().unwrap().to_owned()
}

#[test]
fn captures_plot_as_svg_and_png() {
    let dir = tempfile::tempdir().unwrap();
    for (test, folder) in CAPTURES {
        let capture = format!("captures/{folder}");
        let (svg, png) = (
            name(dir.path(), &format!("{test}.SVG")),
            name(dir.path(), &format!("{test}.png")),
        );
        let plain = call(&["analyze", test, &capture]);
        for file in [&svg, &png] {
            // What is printed does not change.
            assert_eq!(
                call(&["analyze", test, &capture, "--plot", file]),
                plain,
                "{test}"
            );
        }
        let text = fs::read_to_string(&svg).unwrap();
        let drawn = Drawn::new(&text);
        assert!(text.contains(folder) && drawn.xml().root_element().has_attribute("aria-label"));
        assert!(fs::read(&png).unwrap().starts_with(b"\x89PNG\r\n\x1a\n"));
    }
}

#[test]
fn compare_plots_too() {
    let dir = tempfile::tempdir().unwrap();
    let capture = format!("captures/{}", CAPTURES[1].1);
    let file = name(dir.path(), "both.svg");
    let (code, _, err) = call(&["compare", &capture, &capture, "--plot", &file]);
    assert_eq!(code, 0, "{err}");
    let svg = fs::read_to_string(&file).unwrap();
    Drawn::new(&svg);
    for words in ["before", "after", "not shown", "weight of the car"] {
        assert!(svg.contains(words), "{words}");
    }
}

#[test]
fn wrong_names_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    let capture = format!("captures/{}", CAPTURES[0].1);
    let plot = |verb: &[&str], file: &str| {
        let (code, _, err) = call(&[verb, &["--plot", file]].concat());
        assert!(err.contains(file), "{err}");
        (code, err)
    };
    let analyze = ["analyze", "leak", &capture];
    let compare = ["compare", &capture, &capture];
    for verb in [&analyze[..], &compare[..]] {
        for file in ["x.gif", "x", "png", ".svg"] {
            let (code, err) = plot(verb, &name(dir.path(), file));
            assert_eq!(code, 2, "{err}");
            assert!(err.contains(".svg, .png"), "{err}");
        }
        let taken = name(dir.path(), "taken.svg");
        fs::write(&taken, "mine").unwrap();
        let (code, err) = plot(verb, &taken);
        assert!(
            code == 2 && err.contains("exists already and is left alone"),
            "{err}"
        );
        assert_eq!(fs::read_to_string(&taken).unwrap(), "mine");
        let (code, err) = plot(verb, &name(dir.path(), "no folder/x.png"));
        assert!(
            code == 1 && err.contains("the folder does not exist"),
            "{err}"
        );
        let (code, err) = plot(verb, "/proc/x.svg");
        assert_eq!(code, 1, "{err}");
    }
}

#[test]
fn help_says_what_is_accepted() {
    for verb in [&["analyze", "pull", "--help"][..], &["compare", "--help"]] {
        let (_, out, _) = call(verb);
        let words: Vec<&str> = out.split_whitespace().collect();
        let out = words.join(" ");
        assert!(
            out.contains(".svg or .png, by its ending. FILE must not exist yet"),
            "{out}"
        );
    }
}
