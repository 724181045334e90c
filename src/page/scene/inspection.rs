//! The inspection: what the car is, what was done so far, and one small scene for each thing that a person adds.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::{
    frame::{Place, foot, head, page},
    words::{capital, chip, day, link, verdict_of},
};
use crate::{
    bench::State,
    inspection::{Car, Deed, Entry, PHOTOGRAPHS, Photograph, Visit},
    report::{count, sentence, told::told},
};

/// An inspection that a bench works on.
#[derive(Clone, Copy, Debug)]
pub struct Visited<'a> {
    /// Its folder.
    pub folder: &'a str,
    /// What it holds.
    pub visit: &'a Visit,
}

/// What a person can add.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Seen, felt, heard, smelt.
    Observe,
    /// A photograph.
    Photograph,
    /// Left out of the inspection.
    NotChecked,
    /// The day's conditions.
    Conditions,
    /// A part that is needed.
    Part,
    /// Work that was done on the car.
    Work,
}

impl Form {
    /// Every one, in the order of the page.
    pub const ALL: [Self; 6] = [
        Self::Observe,
        Self::Photograph,
        Self::NotChecked,
        Self::Conditions,
        Self::Part,
        Self::Work,
    ];

    /// Its word in an address.
    pub fn word(self) -> &'static str {
        match self {
            Self::Observe => "observe",
            Self::Photograph => "photograph",
            Self::NotChecked => "not-checked",
            Self::Conditions => "conditions",
            Self::Part => "part",
            Self::Work => "work",
        }
    }

    /// The form of a word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|form| form.word() == word)
    }

    /// Its name on a button.
    fn name(self) -> &'static str {
        match self {
            Self::Observe => "Observe",
            Self::Photograph => "Photograph",
            Self::NotChecked => "Not checked",
            Self::Conditions => "Conditions",
            Self::Part => "Part needed",
            Self::Work => "Work done",
        }
    }

    /// What it asks for, and what that is good for.
    fn asks(self) -> (&'static str, &'static str) {
        match self {
            Self::Observe => (
                "What did you see or feel?",
                "What no probe measures: play, cracks, smell, a missing part.",
            ),
            Self::Photograph => (
                "Take a photograph",
                "JPEG, PNG or WebP, at most 20 MB. The file is kept as it is; the report shows the picture without the camera's notes.",
            ),
            Self::NotChecked => (
                "What was not checked?",
                "What is left out is said, so that nobody takes it for sound.",
            ),
            Self::Conditions => ("How is the day?", "Leave empty what was not read off."),
            Self::Part => ("Which part is needed?", "Only the name must be known now."),
            Self::Work => (
                "What was done on the car?",
                "From here on tests count as taken after the repair.",
            ),
        }
    }
}

/// What was typed into a form, by field.
pub type Typed = BTreeMap<String, String>;

/// The inspection that the bench works on, or how to begin one.
pub fn inspection(state: &State, visited: Option<Visited>) -> Markup {
    let about = visited.map_or_else(
        || "none is open".to_owned(),
        |visited| count(visited.visit.entries.len() as u64, "line"),
    );
    let body = html! {
        (head(state, &place(about)))
        main #page .visit {
            @match visited {
                None => (none()),
                Some(visited) => (whole(state, visited)),
            }
        }
        (foot(state))
    };
    page(Some(state), "inspection - bench", false, &body)
}

fn place(about: String) -> Place {
    Place {
        word: "inspection",
        about,
    }
}

fn none() -> Markup {
    html! {
        div.one {
            h1.ask { "No inspection is open" }
            p.say { "Captures of this bench stand alone." }
            p.why {
                "An inspection is the folder of one car's visit: what was claimed, seen, photographed and measured, under one seal."
            }
            p.why { "Begin one:" br; code { "feelgauge inspection open DIR" } }
            p.why { "Then start the bench with it:" br; code { "feelgauge bench --inspection DIR" } }
        }
        div.act { (link("back", "/", "Back to the bench", true)) }
    }
}

fn whole(state: &State, visited: Visited) -> Markup {
    let visit = visited.visit;
    let photographs: Vec<&Photograph> = visit.entries.iter().filter_map(photograph_of).collect();
    html! {
        div.one {
            h1.ask { (visit.opening.car.name) }
            @if let Some(description) = &visit.opening.car.description { p.why { (description) } }
        }
        (facts(visited))
        @if !photographs.is_empty() {
            ul.shots aria-label="photographs" { @for photograph in photographs.iter().rev() { li { (thumbnail(photograph)) } } }
        }
        nav."links many" aria-label="more to write down" {
            @for form in &Form::ALL[2..] { a href={ "/inspection/" (form.word()) } { (form.name()) } }
        }
        section.log aria-labelledby="done" {
            h2 #done { "What was done" }
            ol.done reversed { @for entry in visit.entries.iter().rev() { (line(state, entry)) } }
        }
        div.act {
            (link("observe", "/inspection/observe", Form::Observe.name(), true))
            (link("photograph", "/inspection/photograph", Form::Photograph.name(), false))
        }
    }
}

/// What the car is, by what can be seen on it, and what was claimed.
fn facts(visited: Visited) -> Markup {
    let opening = &visited.visit.opening;
    let Car {
        serial,
        marks,
        fitted,
        ..
    } = &opening.car;
    html! {
        dl.facts {
            dt { "Tag" } dd { (opening.tag) }
            (fact("Serial number", serial.as_deref()))
            (facts_of("Marks", marks))
            (facts_of("Fitted", fitted))
            (facts_of("Claimed", &opening.claimed))
            (fact("Why it came", opening.reason.as_deref()))
            (fact("Owner", opening.owner.as_deref()))
            dt { "Folder" } dd { code { (visited.folder) } }
        }
    }
}

fn fact(name: &str, words: Option<&str>) -> Markup {
    html! { @if let Some(words) = words { dt { (name) } dd { (words) } } }
}

fn facts_of(name: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            dt { (name) }
            dd { @for (i, line) in lines.iter().enumerate() { @if i > 0 { br; } (line) } }
        }
    }
}

fn photograph_of(entry: &Entry) -> Option<&Photograph> {
    match &entry.deed {
        Deed::Photographed(photograph) => Some(photograph),
        _ => None,
    }
}

/// Name of a photograph's file without its folder.
pub(in crate::page) fn file_name(photograph: &Photograph) -> &str {
    photograph_name(&photograph.file).unwrap_or(&photograph.file)
}

/// The same of any file of the inspection, where it is a photograph.
fn photograph_name(file: &str) -> Option<&str> {
    file.strip_prefix(PHOTOGRAPHS)?.strip_prefix('/')
}

/// What a photograph shows, for who does not see it.
fn shows(photograph: &Photograph) -> String {
    match (&photograph.words, photograph.tag_in_picture) {
        (Some(words), _) => words.clone(),
        (None, true) => "photograph with the tag in it".into(),
        (None, false) => format!("photograph {}", file_name(photograph)),
    }
}

fn thumbnail(photograph: &Photograph) -> Markup {
    let name = file_name(photograph);
    html! {
        a href={ "/inspection/photographs/" (name) } {
            img src={ "/inspection/photographs/" (name) "/shown.jpg?size=small" } alt=(shows(photograph)) loading="lazy";
        }
    }
}

/// One line of the journal.
fn line(state: &State, entry: &Entry) -> Markup {
    let told = told(&entry.deed);
    let (what, words) = (sentence(told.what), &told.words);
    let of_capture = |name| state.kept.iter().find(|kept| kept.name == name);
    let kept = told.capture.and_then(of_capture);
    let photograph = told.file.and_then(photograph_name);
    html! {
        li value=(entry.n) {
            p.when { (day(&entry.when.to_string())) " " (entry.who) }
            p { b { (what) } @if !words.is_empty() { " " (sentence(words)) } }
            @if let Some(kept) = kept {
                p {
                    a.more href={ "/captures/" (kept.name) } { "capture" }
                    @if let Some(verdict) = kept.verdict.as_deref().and_then(verdict_of) { " " (chip(verdict)) }
                }
            }
            @if let Some(name) = photograph { p { a.more href={ "/inspection/photographs/" (name) } { "photograph" } } }
        }
    }
}

/// One thing that a person adds. `wrong` says why the last try was not taken, `typed` fills it in.
pub fn inspection_form(state: &State, form: Form, wrong: Option<&str>, typed: &Typed) -> Markup {
    let (asks, why) = form.asks();
    let done = match form {
        Form::Photograph => "Put it in",
        _ => "Write it down",
    };
    let kind = (form == Form::Photograph).then_some("multipart/form-data");
    let body = html! {
        (head(state, &place(form.name().to_lowercase())))
        main #page {
            div.one {
                h1.ask { (asks) }
                p.why { (why) }
            }
            @if let Some(wrong) = wrong { div.fault role="alert" { (sentence(wrong)) } }
            form.note method="post" action={ "/inspection/" (form.word()) } enctype=[kind] {
                (fields(form, typed))
                div.act {
                    button #done .btn.first { (done) }
                    (link("back", "/inspection", "Inspection", false))
                }
            }
        }
        (foot(state))
    };
    let title = format!("{} - inspection", form.name().to_lowercase());
    page(Some(state), &title, false, &body)
}

fn fields(form: Form, typed: &Typed) -> Markup {
    match form {
        Form::Observe => html! {
            fieldset.pick {
                legend { "By which sense" }
                @for (word, name) in [("seen", "Seen"), ("felt", "Felt"), ("heard", "Heard"), ("smelt", "Smelt")] {
                    @let chosen = typed.get("sense").map_or("seen", String::as_str) == word;
                    label { input type="radio" name="sense" value=(word) checked[chosen]; (name) }
                }
            }
            (text(typed, "text", "What", true))
        },
        Form::Photograph => html! {
            label for="file" { "Photograph" }
            input #file type="file" name="photograph" accept="image/jpeg,image/png,image/webp" capture="environment" required;
            (short(typed, "words", "What it shows", None, 500))
            label.check { input type="checkbox" name="tag" value="true" checked[typed.contains_key("tag")]; "The car's tag can be read in it" }
        },
        Form::NotChecked | Form::Work => text(typed, "text", "What", true),
        Form::Conditions => html! {
            (short(typed, "temperature", "Room, C", Some("decimal"), 12))
            (short(typed, "ambient", "Air, absolute pressure, hPa", Some("decimal"), 12))
            (text(typed, "words", "Anything else", false))
        },
        Form::Part => html! {
            (required(typed, "name", "Part", 120))
            (short(typed, "from", "Where from: new, donor car, own stock", None, 120))
            (short(typed, "minutes", "Work, minutes", Some("numeric"), 6))
            div.row-of {
                div { (short(typed, "low", "Price from", Some("decimal"), 12)) }
                div { (short(typed, "high", "to", Some("decimal"), 12)) }
                div { (short(typed, "currency", "Currency", None, 3)) }
            }
            (short(typed, "priced_by", "Whose price", None, 120))
        },
    }
}

fn typed_in<'a>(typed: &'a Typed, name: &str) -> &'a str {
    typed.get(name).map_or("", String::as_str)
}

fn text(typed: &Typed, name: &str, words: &str, required: bool) -> Markup {
    html! {
        label for=(name) { (words) }
        textarea id=(name) name=(name) rows="4" maxlength="2000" required[required] { (typed_in(typed, name)) }
    }
}

fn short(typed: &Typed, name: &str, words: &str, mode: Option<&str>, most: u32) -> Markup {
    html! {
        label for=(name) { (words) }
        input id=(name) type="text" name=(name) inputmode=[mode] maxlength=(most) autocomplete="off" value=(typed_in(typed, name));
    }
}

fn required(typed: &Typed, name: &str, words: &str, most: u32) -> Markup {
    html! {
        label for=(name) { (words) }
        input id=(name) type="text" name=(name) maxlength=(most) autocomplete="off" required value=(typed_in(typed, name));
    }
}

/// One photograph, turned right. `remarks`: what a person should know of its file.
pub fn photograph(
    state: &State,
    entry: &Entry,
    photograph: &Photograph,
    remarks: &[String],
) -> Markup {
    let name = file_name(photograph);
    let body = html! {
        (head(state, &place("photograph".into())))
        main #page ."two shown" {
            div.one {
                h1.ask { (capital(&shows(photograph))) }
                @for remark in remarks { div.fault { (sentence(remark)) } }
            }
            div.pic {
                figure.photograph {
                    img src={ "/inspection/photographs/" (name) "/shown.jpg" } alt=(shows(photograph)) width=(photograph.width) height=(photograph.height);
                }
            }
            dl.facts {
                dt { "Put in" } dd { (day(&entry.when.to_string())) " " (entry.who) }
                dt { "Taken" } dd { (photograph.taken.as_deref().unwrap_or("the camera does not say")) }
                dt { "Tag" } dd { (if photograph.tag_in_picture { "can be read in it" } else { "is not in it" }) }
                dt { "Size" } dd { (photograph.width) " x " (photograph.height) ", " (count(photograph.bytes, "byte")) }
                dt { "File" } dd { code { (photograph.file) } }
                dt { "SHA-256" } dd.digest { (photograph.sha256) }
            }
            div.act {
                (link("again", "/inspection/photograph", "Another one", true))
                (link("back", "/inspection", "Inspection", false))
            }
        }
        (foot(state))
    };
    page(Some(state), "photograph - inspection", false, &body)
}
