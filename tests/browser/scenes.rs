//! Every scene renders: one heading of the first rank, unique names, at most two buttons, a far word. The pages are left in
//! `target/browser/scene` for the browser, which checks them for accessibility, size and overflow.

use std::{collections::BTreeSet, fs, path::PathBuf};

use feelgauge::{
    bench::State,
    page::{asset, scene},
    reading::Verdict,
    report::plot::Width,
};
use maud::Markup;

use super::states;

/// Where pages and pictures are left.
pub fn out() -> PathBuf {
    let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/browser");
    fs::create_dir_all(dir.join("scene/asset")).unwrap();
    for file in asset::all() {
        fs::write(dir.join("scene/asset").join(&file.name), &file.bytes).unwrap();
    }
    dir
}

/// Scenes of the bench's own page: name, state, far word (empty: a heading that only asks).
fn scenes() -> Vec<(&'static str, State, &'static str)> {
    use states as s;
    vec![
        ("start", s::start(), ""),
        ("start-probe-gone", s::probe_gone(), ""),
        ("start-troubled", s::troubled(), ""),
        ("start-no-car", s::no_car(), ""),
        ("start-virtual", s::on_virtual_bench(), ""),
        (
            "cautions-leak",
            s::cautions("leak", Some("whole")),
            "drain first",
        ),
        (
            "cautions-pull",
            s::cautions("pull", Some("plug_in_cold")),
            "fuel out",
        ),
        (
            "cautions-plug-out",
            s::cautions("pull", Some("plug_out")),
            "plug out",
        ),
        ("cautions-roll", s::cautions("roll", None), "wheels free"),
        ("leak-pump", s::pump(), "pump"),
        ("leak-settle", s::settle(), "hands off"),
        ("leak-hold", s::hold(), "hands off"),
        ("leak-hold-gone", s::hold_gone(), "hands off"),
        (
            "leak-within",
            s::leak_ended(Verdict::Within, "whole"),
            "within",
        ),
        (
            "leak-outside",
            s::leak_ended(Verdict::Outside, "whole"),
            "outside",
        ),
        (
            "leak-outside-lid",
            s::leak_ended(Verdict::Outside, "lid_clamped"),
            "outside",
        ),
        (
            "leak-undecided",
            s::leak_ended(Verdict::Undecided, "whole"),
            "undecided",
        ),
        ("refused", s::refused(), "refused"),
        ("not-measured", s::not_measured(), "refused"),
        ("pull-rest", s::pull_rest(), "hands off"),
        ("pull-first", s::pull_first(), "pull"),
        ("pull-between", s::pull_between(), "pull again"),
        ("pull-within", s::pull_ended(0.0), "within"),
        ("pull-outside", s::pull_ended(1.0), "outside"),
        ("stuck-cord", s::stuck(), "STOP"),
        ("roll-first", s::roll_first(), "spin it"),
        ("roll-rolling", s::rolling(), "hands off"),
        ("roll-suspects", s::roll_ended(), "outside"),
    ]
}

/// The pages around them.
#[allow(clippy::too_many_lines)] // one row a page
fn pages() -> Vec<(&'static str, Markup)> {
    let state = states::start();
    let finding = feelgauge::inspect::Finding::Leak(Box::new(states::leak_finding(1.0)));
    let (before, after) = (&state.kept[1], &state.kept[0]);
    let result = states::compared();
    let visit = states::visit();
    let visited = scene::Visited {
        folder: "inspections/14",
        visit: &visit,
    };
    let typed = scene::Typed::from([
        ("sense".to_owned(), "felt".to_owned()),
        ("text".to_owned(), "play in the front axle".to_owned()),
    ]);
    let form = |form| scene::inspection_form(&state, form, None, &scene::Typed::new());
    let picture = visit.entries.iter().find(|entry| entry.n == 3).unwrap();
    let remark = "behind the picture's end: 38 bytes, kept and never shown".to_owned();
    let compared = scene::Compared {
        before,
        after,
        result: Ok(&result),
    };
    vec![
        ("captures", scene::captures(&state)),
        ("capture", scene::capture(&state, after, Ok(&finding), None)),
        (
            "capture-none",
            scene::capture(&state, before, Err("capture.toml is missing"), None),
        ),
        ("compare-choice", scene::compare(&state, None, None)),
        ("compare", scene::compare(&state, Some(compared), None)),
        ("probes", scene::probes(&states::troubled())),
        (
            "pair",
            scene::pair(Some("that was not the code; look again"), ""),
        ),
        ("invite", scene::invite(None)),
        ("inspection", scene::inspection(&state, Some(visited))),
        ("inspection-none", scene::inspection(&state, None)),
        ("inspection-observe", form(scene::Form::Observe)),
        (
            "inspection-observe-wrong",
            scene::inspection_form(
                &state,
                scene::Form::Observe,
                Some("the text holds control characters; write plain text"),
                &typed,
            ),
        ),
        ("inspection-photograph", form(scene::Form::Photograph)),
        ("inspection-not-checked", form(scene::Form::NotChecked)),
        ("inspection-conditions", form(scene::Form::Conditions)),
        ("inspection-part", form(scene::Form::Part)),
        ("inspection-work", form(scene::Form::Work)),
        (
            "inspection-shown",
            scene::photograph(&state, picture, &states::photograph(), &[remark]),
        ),
        (
            "problem",
            scene::problem(Some(&state), "not now", "a test runs; stop it first"),
        ),
    ]
}

/// The markup between `<tag` and its end, the first time.
fn part<'a>(html: &'a str, from: &str, to: &str) -> &'a str {
    let start = html.find(from).unwrap_or_else(|| panic!("no {from}"));
    let end = html[start..]
        .find(to)
        .unwrap_or_else(|| panic!("no {to} after {from}"));
    &html[start..start + end]
}

fn assert_sound(name: &str, html: &str, is_stop: bool) {
    assert!(html.starts_with("<!DOCTYPE html>"), "{name}");
    assert!(
        !html.contains("style=") && !html.contains("<style"),
        "{name}: inline style"
    );
    assert!(
        !html.contains("onclick") && html.matches("<script").count() <= 1,
        "{name}: inline script"
    );
    let mut ids = BTreeSet::new();
    for id in html.split(" id=\"").skip(1) {
        let id = id.split('"').next().unwrap();
        assert!(ids.insert(id), "{name}: id {id} stands twice");
    }
    for file in html.split("/asset/").skip(1) {
        let file = file.split('"').next().unwrap();
        assert!(asset::find(file).is_some(), "{name}: no file {file}");
    }
    // The template of the lost bench is not shown, and what lies under a warning is hidden.
    let shown = html.split("<template").next().unwrap();
    assert_eq!(
        shown.matches("<h1").count(),
        1 + usize::from(is_stop),
        "{name}"
    );
}

fn text(markup: &str) -> String {
    let mut text = String::new();
    let mut inside = false;
    for c in markup.chars() {
        match c {
            '<' => inside = true,
            '>' => inside = false,
            c if !inside => text.push(c),
            _ => {}
        }
    }
    text
}

/// Leaves every scene and page for the browser; true of each: see the test below.
pub fn render() {
    let dir = out().join("scene");
    for (name, state, _) in scenes() {
        fs::write(
            dir.join(format!("{name}.html")),
            scene::document(&state, None).into_string(),
        )
        .unwrap();
    }
    for (name, markup) in pages() {
        fs::write(dir.join(format!("{name}.html")), markup.into_string()).unwrap();
    }
}

#[test]
fn every_scene_has_one_far_word_and_at_most_two_buttons() {
    for (name, state, word) in scenes() {
        let html = scene::document(&state, None).into_string();
        let is_stop = state.alarm.is_some();
        assert_sound(name, &html, is_stop);
        let main = part(&html, "<main", "</main>");
        let heading = part(if is_stop { &html } else { main }, "<h1", "</h1>");
        let heading = text(heading.split_once('>').unwrap().1);
        let wanted = if word.is_empty() { "Pick a test" } else { word };
        assert_eq!(heading, wanted, "{name}");
        if let Some(act) = main.find("class=\"act\"") {
            let buttons = main[act..].matches("class=\"btn").count();
            assert!((1..=2).contains(&buttons), "{name}: {buttons} buttons");
        }
        assert!(
            !main.contains('!') && !text(main).contains('\u{2192}'),
            "{name}: shouts or has an arrow"
        );
    }
    for (name, markup) in pages() {
        let html = markup.into_string();
        assert_sound(name, &html, false);
        let buttons = html.split("class=\"act\"").skip(1);
        for act in buttons {
            let act = act.split("</main>").next().unwrap();
            let buttons = act.matches("class=\"btn").count();
            assert!((1..=2).contains(&buttons), "{name}: {buttons} buttons");
        }
    }
}

/// The inspection says what was done, newest first, and each of its forms comes back with what was typed.
#[test]
fn the_inspection_tells_its_journal_newest_first() {
    let state = states::start();
    let visit = states::visit();
    let visited = scene::Visited {
        folder: "inspections/14",
        visit: &visit,
    };
    let html = scene::inspection(&state, Some(visited)).into_string();
    let words = text(part(&html, "<main", "</main>"));
    let at = |what: &str| {
        let place = words.find(what);
        place.unwrap_or_else(|| panic!("no {what}: {words}"))
    };
    assert!(
        at("Lid seal renewed") < at("Part needed.") && at("Part needed.") < at("Inspection begun.")
    );
    assert!(
        words.contains("scratch across the roof") && words.contains("never run without a filter")
    );
    assert!(words.contains("Clock set. Forward by 3600 s"), "{words}");
    assert!(html.contains("/inspection/photographs/photograph.jpg/shown.jpg?size=small"));
    let typed = scene::Typed::from([
        ("sense".to_owned(), "felt".to_owned()),
        ("text".to_owned(), "play </textarea><script>".to_owned()),
    ]);
    let form = scene::inspection_form(&state, scene::Form::Observe, Some("no"), &typed);
    let form = form.into_string();
    assert!(form.contains("value=\"felt\" checked") && !form.contains("<script>"));
    assert!(form.contains("play &lt;/textarea&gt;"), "{form}");
    let none = scene::inspection(&state, None).into_string();
    assert!(none.contains("feelgauge bench --inspection DIR"));
}

/// What a client names is all that it gets; without a width both are drawn.
#[test]
fn pictures_come_for_the_width_that_a_client_names() {
    let state = states::hold();
    let both = scene::document(&state, None).into_string();
    let narrow = scene::main(&state, Some(Width::Narrow)).into_string();
    assert!(both.contains("viewBox=\"0 0 328") && both.contains("viewBox=\"0 0 640"));
    assert!(narrow.contains("viewBox=\"0 0 328") && !narrow.contains("viewBox=\"0 0 640"));
    let fast = scene::pictures(&state, Some(Width::Narrow)).into_string();
    assert!(
        narrow.contains(&fast),
        "the picture event brings what stands in the scene"
    );
}

/// A refused record never shows a figure; an undecided one says what decides it.
#[test]
fn refusals_have_no_figure_and_verdicts_end_in_a_verb() {
    let refused = scene::main(&states::refused(), None).into_string();
    assert!(!refused.contains("class=\"num\"") && refused.contains("never reached 2 kPa"));
    let undecided =
        text(&scene::main(&states::leak_ended(Verdict::Undecided, "whole"), None).into_string());
    assert!(undecided.contains("pump and hold again"), "{undecided}");
    let outside = scene::main(&states::leak_ended(Verdict::Outside, "whole"), None).into_string();
    assert!(outside.contains("value=\"lid_clamped\"") && outside.contains("Lid clamped"));
    let lid = scene::main(&states::leak_ended(Verdict::Outside, "lid_clamped"), None).into_string();
    assert!(
        !text(&lid).contains("clamp the lid"),
        "the lid is clamped already"
    );
}

/// The far word of a pull without a guard never asks for a pull.
#[test]
fn nobody_is_asked_to_pull_while_the_guard_cannot_warn() {
    for state in [states::pull_rest(), states::hold_gone()] {
        let html = scene::main(&state, None).into_string();
        let far = text(part(&html, "<h1", "</h1>").split_once('>').unwrap().1);
        assert_eq!(far, "hands off");
    }
    let stuck = scene::document(&states::stuck(), None).into_string();
    assert!(stuck.contains("<title>STOP"), "the title warns too");
    let stop = part(&stuck, "<div id=\"stop\"", "<header");
    assert!(stop.contains("role=\"alertdialog\"") && stop.contains("action=\"/do/let-go\""));
    assert_eq!(
        scene::stop(None).into_string(),
        "<div id=\"stop\" hidden></div>"
    );
}

/// The page says of a fault what to do, and is quiet otherwise.
#[test]
fn a_fault_moves_to_the_top_with_its_remedy() {
    let well = scene::main(&states::start(), None).into_string();
    assert!(
        !well.contains("class=\"fault\"")
            && text(&well).contains("3 probes answer. No line is lost.")
    );
    let gone = text(&scene::main(&states::probe_gone(), None).into_string());
    assert!(
        gone.contains("The force probe is gone since 14:02."),
        "{gone}"
    );
    assert!(
        gone.contains("Plug F-02 in again. Leak and roll go on without it."),
        "{gone}"
    );
    assert!(gone.contains("2 probes answer. F-02 does not."), "{gone}");
}
