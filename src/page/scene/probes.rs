//! The probes' health: one quiet table.

use maud::{Markup, html};

use super::{
    frame::{Place, foot, head, name_of, page},
    words::clock,
};
use crate::{
    bench::{ProbeState, Standing, State},
    report::{count, plain, sentence},
};

/// Rate and calibration, a row a probe.
pub(super) fn table(state: &State) -> Markup {
    html! {
        table {
            @for probe in &state.probes {
                tr {
                    th scope="row" { (probe.kind.as_deref().unwrap_or("unknown")) }
                    td { (name_of(probe)) }
                    td { (rate(probe)) }
                    td { (probe.calibration.as_deref().unwrap_or("calibration not known")) }
                }
            }
        }
    }
}

fn rate(probe: &ProbeState) -> Markup {
    match (probe.standing, probe.rate_hz) {
        (Standing::Gone, _) => html! {
            "gone" @if let Some(since) = &probe.gone_since { " since " (clock(since)) }
        },
        (Standing::Greeting, _) => html! { "wakes up" },
        (Standing::Trouble, _) => html! { "has trouble" },
        (Standing::Here, None) => html! { "answers" },
        (Standing::Here, Some((says, arrives))) if says > 0.0 => html! {
            (format!("{arrives:.0} of {says:.0}")) " readings a second"
        },
        (Standing::Here, Some(_)) => html! { "still" },
    }
}

/// The probes' health.
pub fn probes(state: &State) -> Markup {
    let place = Place {
        word: "probes",
        about: count(state.probes.len() as u64, "probe"),
    };
    let body = html! {
        (head(state, &place))
        main #page {
            h1.ask { "Probes" }
            @if state.probes.is_empty() {
                p.why { "None is plugged in. Plug one in: the bench finds it by itself. A port that it does not look at: " code { "feelgauge bench --port PATH" } "." }
            }
            div.cmp { @for probe in &state.probes { (one(probe)) } }
        }
        (foot(state))
    };
    page(Some(state), "probes", false, &body)
}

fn one(probe: &ProbeState) -> Markup {
    html! {
        article.probe {
            h2 { b { (probe.kind.as_deref().unwrap_or("unknown")) } " " (name_of(probe)) }
            @if let Some(trouble) = &probe.trouble { p.say { (sentence(trouble)) } }
            dl {
                dt { "Port" } dd { (probe.port) }
                dt { "Readings" } dd { (rate(probe)) }
                dt { "Calibration" } dd { (probe.calibration.as_deref().unwrap_or("not known")) }
                (link(probe))
                dt { "Lost by the probe itself" } dd { (count(probe.probe_lost_lines, "line")) }
                @if let Some(identity) = &probe.identity { dt { "Firmware" } dd { (identity.firmware) } }
            }
        }
    }
}

/// How the lines of a probe arrive.
fn link(probe: &ProbeState) -> Markup {
    let Some(health) = &probe.health else {
        return html! {};
    };
    let faults: Vec<String> = health
        .faults
        .iter()
        .map(|(kind, n)| format!("{n} {}", kind.replace('_', " ")))
        .collect();
    html! {
        dt { "Lines" } dd { (health.lines) @if let Some(rate) = health.lines_per_s { ", " (plain(rate)) " a second" } }
        dt { "Faults" } dd { @if faults.is_empty() { "none" } @else { (faults.join(", ")) } }
        @if let Some(late) = &health.late {
            dt { "Lines arrive late by" }
            dd {
                (ms(late.p50_us)) " ms as a rule, " (ms(late.p99_us)) " ms for one in a hundred, " (ms(late.max_us)) " ms at most"
            }
        }
        @if let Some(ppm) = health.clock_ppm { dt { "Its clock is slow by" } dd { (plain(ppm)) " parts in a million" } }
    }
}

fn ms(us: u64) -> String {
    plain(us as f64 / 1e3)
}
