//! A report as one HTML page that needs nothing else: no script, no other file; faces and photographs lie inside, and the
//! page's own policy lets nothing be fetched. It can be read on a phone and printed on A4 and Letter.

use std::fmt::Write as _;

use maud::{DOCTYPE, Markup, PreEscaped, html as markup};
use qrcode::{Color, QrCode};
use sha2::{Digest as _, Sha256};

use super::{Block, Document, Drawing, Judgement, Section, Shown, Table, groups};
use crate::report::plot::{self, Mark};

/// Faces, as the style names them.
const FACES: [(&str, u16, &[u8]); 3] = [
    ("BenchFar", 700, include_bytes!("../font/far.woff2")),
    ("Bench", 500, include_bytes!("../font/text.woff2")),
    ("Bench", 700, include_bytes!("../font/bold.woff2")),
];
/// White squares around a QR code (ISO/IEC 18004).
const QUIET: usize = 4;

/// The report as a page.
pub fn html(document: &Document) -> String {
    let style = style();
    let policy = format!(
        "default-src 'none'; img-src data:; font-src data:; style-src 'sha256-{}'; base-uri 'none'; form-action 'none'",
        base64(&Sha256::digest(style.as_bytes()))
    );
    let papers = papers(&document.sections);
    let count = papers.len();
    let page = markup! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width,initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                title { (document.title) }
                meta name="author" content=(document.author);
                meta name="date" content=(document.made.to_string());
                style { (PreEscaped(&style)) }
            }
            body {
                main {
                    @for (n, paper) in papers.iter().enumerate() {
                        div.paper {
                            @for (id, section) in paper { (self::section(*id, section)) }
                            p.foot { (document.foot) ", sheet " (n + 1) " of " (count) }
                        }
                        @if n == 0 { (contents(&document.sections)) }
                    }
                }
            }
        }
    };
    page.into_string() + "\n"
}

/// The style sheet; its digest stands in the page's policy.
fn style() -> String {
    let mut faces = String::new();
    for (name, weight, bytes) in FACES {
        let _ = writeln!(
            faces,
            "@font-face{{font-family:\"{name}\";font-weight:{weight};src:url(data:font/woff2;base64,{}) format(\"woff2\")}}",
            base64(bytes)
        );
    }
    [faces.as_str(), plot::STYLE, include_str!("html.css")].concat()
}

/// Sections that share a sheet, with their numbers.
fn papers(sections: &[Section]) -> Vec<Vec<(usize, &Section)>> {
    let mut papers: Vec<Vec<(usize, &Section)>> = Vec::new();
    for one in sections.iter().enumerate() {
        match papers.last_mut().filter(|_| !one.1.new_page) {
            Some(paper) => paper.push(one),
            None => papers.push(vec![one]),
        }
    }
    papers
}

/// Links to the sections, on a screen.
fn contents(sections: &[Section]) -> Markup {
    markup! {
        nav aria-label="contents" {
            ol {
                @for (id, section) in sections.iter().enumerate().skip(1) {
                    li { a href={ "#part-" (id) } { (section.name) } }
                }
            }
        }
    }
}

fn section(id: usize, section: &Section) -> Markup {
    markup! {
        section.part id={ "part-" (id) } aria-label=(section.name) {
            @if !has_head(section) { h2.chapter { (section.name) } }
            @for block in &section.blocks { (self::block(block)) }
        }
    }
}

/// The first block says what the section is.
fn has_head(section: &Section) -> bool {
    matches!(
        section.blocks.first(),
        Some(Block::Tag { .. } | Block::Judgement(_))
    )
}

fn block(block: &Block) -> Markup {
    match block {
        Block::Tag {
            number,
            name,
            lines,
        } => markup! {
            header.head {
                span.no { (number) }
                div {
                    h1 { (name) }
                    @for line in lines { p { (line) } }
                }
            }
        },
        Block::Say(words) => markup! { p.lead { (words) } },
        Block::Heading(words) => markup! { h2 { (words) } },
        Block::Text(words) => markup! { p { (words) } },
        Block::Small(words) => markup! { p.small { (words) } },
        Block::Judgement(judgement) => self::judgement(judgement),
        Block::Picture(drawing) => markup! {
            figure.fig {
                @if !drawing.heading.is_empty() { h3 { (drawing.heading) } }
                (self::drawing(drawing))
                @if let Some(caption) = &drawing.caption { figcaption { (caption) } }
            }
        },
        Block::Facts(facts) => markup! {
            table.facts {
                @for (what, value) in facts {
                    tr { th scope="row" { (what) } td { (value) } }
                }
            }
        },
        Block::Table(table) => self::table(table),
        Block::List { numbered, items } => {
            let items = markup! { @for item in items { li { (item) } } };
            if *numbered {
                markup! { ol { (items) } }
            } else {
                markup! { ul { (items) } }
            }
        }
        Block::Photographs(photographs) => markup! {
            div.photos { @for shown in photographs { (photograph(shown)) } }
        },
        Block::Digest { of, sha256 } => markup! {
            p { "Digest (SHA-256) of " b { (of) } ":" }
            p.digest { (groups(sha256)) }
        },
        Block::Qr { text, words } => markup! {
            div.qr {
                @if let Some(code) = code(text) { (code) }
                p { (words) }
            }
        },
        Block::Typed(lines) => markup! { pre tabindex="0" { (lines.join("\n")) } },
    }
}

fn judgement(judgement: &Judgement) -> Markup {
    markup! {
        div.res {
            h2 { (judgement.test) }
            @if let Some(mark) = judgement.mark {
                span class={ "word" @if mark == Mark::Outside { " outside" } } {
                    (plot::mark(mark)) " " (mark.word())
                }
            }
            div.what {
                @if !judgement.figure.is_empty() {
                    p { b { (judgement.figure) } @if !judgement.range.is_empty() { ", " (judgement.range) } }
                }
                @if !judgement.words.is_empty() { p { (judgement.words) } }
                @if let Some(rule) = &judgement.rule { (drawing(rule)) }
            }
        }
    }
}

/// Drawings come from the plot room, which escapes what it writes.
fn drawing(drawing: &Drawing) -> Markup {
    let [narrow, wide] = &drawing.on_page;
    PreEscaped([narrow.as_str(), wide.as_str()].concat())
}

fn table(table: &Table) -> Markup {
    let class = |column: usize| table.figures.contains(&column).then_some("n");
    let last = table.rows.len().saturating_sub(1);
    markup! {
        div.table tabindex="0" role="region" aria-label=(table.caption) {
            table {
                @if !table.caption.is_empty() { caption { (table.caption) } }
                thead { tr { @for (i, name) in table.head.iter().enumerate() {
                    th scope="col" class=[class(i)] { (name) }
                } } }
                tbody { @for (n, row) in table.rows.iter().enumerate() {
                    tr class=[(table.sum && n == last).then_some("sum")] {
                        @for (i, cell) in row.iter().enumerate() { td class=[class(i)] { (cell) } }
                    }
                } }
            }
        }
    }
}

fn photograph(shown: &Shown) -> Markup {
    let source = format!("data:image/jpeg;base64,{}", base64(&shown.jpeg));
    markup! {
        figure {
            img src=(source) width=(shown.size.0) height=(shown.size.1) alt=(shown.words);
            figcaption { (shown.words) }
        }
    }
}

/// A QR code; `None`: the text is too long for one.
fn code(text: &str) -> Option<Markup> {
    let code = QrCode::new(text).ok()?;
    let width = code.width();
    let mut path = String::new();
    for (y, row) in code.to_colors().chunks(width).enumerate() {
        for (x, _) in row.iter().enumerate().filter(|(_, c)| **c == Color::Dark) {
            let _ = write!(path, "M{} {}h1v1h-1z", x + QUIET, y + QUIET);
        }
    }
    let side = width + 2 * QUIET;
    let label = format!("QR code that holds {text}");
    Some(markup! {
        svg viewBox={ "0 0 " (side) " " (side) } role="img" aria-label=(label) {
            rect width=(side) height=(side) fill="#fff" {}
            path d=(path) fill="#000" shape-rendering="crispEdges" {}
        }
    })
}

/// RFC 4648, 4.
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for group in bytes.chunks(3) {
        let byte = |i: usize| u32::from(group.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for i in 0..4 {
            if i <= group.len() {
                let digit = bits >> (18 - 6 * i) & 63;
                text.push(char::from(DIGITS[digit as usize]));
            } else {
                text.push('=');
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_the_rfc() {
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
    }

    #[test]
    fn a_code_holds_a_digest() {
        let code = code(&format!("sha256:{}", "5d".repeat(32)))
            .unwrap()
            .into_string();
        assert!(
            code.contains("role=\"img\"") && code.contains("M4 4h1v1h-1z"),
            "{code}"
        );
    }
}
