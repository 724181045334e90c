//! The faces of the paper: which characters they have, how wide those are, and what stands for one that they lack.

use std::{borrow::Cow, ops::Range, sync::OnceLock};

use krilla::text::{Font, GlyphId, KrillaGlyph};

/// A face.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Face {
    /// For reading.
    Text,
    /// For what matters.
    Bold,
    /// Condensed, for what is read from far away.
    Far,
}

/// The files, in the order of [`Face`].
const FILES: [&[u8]; 3] = [
    include_bytes!("../../font/text.ttf"),
    include_bytes!("../../font/bold.ttf"),
    include_bytes!("../../font/far.ttf"),
];

impl Face {
    fn glyphs(self) -> &'static Glyphs {
        static READ: OnceLock<[Glyphs; 3]> = OnceLock::new();
        &READ.get_or_init(|| FILES.map(Glyphs::read))[self as usize]
    }

    /// The face as the writer of the file takes it; none where it cannot be read.
    pub fn font(self) -> Option<Font> {
        Font::new(FILES[self as usize].into(), 0)
    }

    /// Whether the face has the character.
    pub fn has(self, c: char) -> bool {
        self.glyphs().of(c).is_some()
    }

    /// Length of a line in parts of the size.
    pub fn width(self, text: &str) -> f64 {
        text.chars().map(|c| self.advance(c)).sum()
    }

    /// How far a character carries on, in parts of the size.
    pub fn advance(self, c: char) -> f64 {
        self.glyphs().of(c).map_or(0.0, |(_, width)| width)
    }

    /// A line of characters that the face has, ready to be drawn.
    pub fn line(self, text: &str) -> Vec<KrillaGlyph> {
        let place = |(at, c): (usize, char)| {
            let (id, width) = self.glyphs().of(c)?;
            let range: Range<usize> = at..at + c.len_utf8();
            // Parts of the size fit.
            #[allow(clippy::cast_possible_truncation)]
            let advance = width as f32;
            let id = GlyphId::new(u32::from(id));
            Some(KrillaGlyph::new(id, advance, 0.0, 0.0, 0.0, range, None))
        };
        text.char_indices().filter_map(place).collect()
    }
}

/// What a face's file says of its characters.
#[derive(Debug)]
struct Glyphs {
    /// Runs of characters with number and width (parts of the size) of each, in rising order.
    runs: Vec<(u32, Vec<(u16, f64)>)>,
}

impl Glyphs {
    /// Reads the character map (format 4), the widths and the digits of equal width of a file that comes with the program.
    fn read(file: &[u8]) -> Self {
        let u16_at = |at: usize| u16::from_be_bytes([file[at], file[at + 1]]);
        let u32_at = |at: usize| usize::from(u16_at(at)) << 16 | usize::from(u16_at(at + 2));
        let table = |name: &[u8; 4]| {
            (0..usize::from(u16_at(4)))
                .map(|i| 12 + 16 * i)
                .find(|at| &file[*at..*at + 4] == name)
                .map_or(0, |at| u32_at(at + 8))
        };
        let (cmap, head, hhea, hmtx) = (
            table(b"cmap"),
            table(b"head"),
            table(b"hhea"),
            table(b"hmtx"),
        );
        let even = even_digits(file, table(b"GSUB"));
        let size = f64::from(u16_at(head + 18));
        let widths = usize::from(u16_at(hhea + 34)).saturating_sub(1);
        let width = |id: u16| f64::from(u16_at(hmtx + 4 * usize::from(id).min(widths))) / size;
        let map = cmap + u32_at(cmap + 8);
        let count = usize::from(u16_at(map + 6)) / 2;
        let (ends, starts) = (map + 14, map + 16 + 2 * count);
        let (deltas, offsets) = (starts + 2 * count, starts + 4 * count);
        let run = |i: usize| {
            let (start, end) = (u16_at(starts + 2 * i), u16_at(ends + 2 * i));
            let (delta, offset) = (u16_at(deltas + 2 * i), u16_at(offsets + 2 * i));
            let listed = |c: u16| {
                let at = offsets + 2 * i + usize::from(offset) + 2 * usize::from(c - start);
                match u16_at(at) {
                    0 => 0,
                    id => id.wrapping_add(delta),
                }
            };
            let id = |c: u16| {
                if offset == 0 {
                    c.wrapping_add(delta)
                } else {
                    listed(c)
                }
            };
            // The last run holds the one character that is none.
            let glyphs = (start..=end).filter(|c| *c != u16::MAX);
            let id = |c| match u8::try_from(c) {
                Ok(b'0'..=b'9') => id(c).wrapping_add(even),
                _ => id(c),
            };
            let glyphs = glyphs.map(|c| (id(c), width(id(c)))).collect();
            (u32::from(start), glyphs)
        };
        Self {
            runs: (0..count).map(run).collect(),
        }
    }

    /// Number and width of a character.
    fn of(&self, c: char) -> Option<(u16, f64)> {
        let code = u32::from(c);
        let run = self.runs.partition_point(|(start, _)| *start <= code);
        let (start, glyphs) = self.runs.get(run.checked_sub(1)?)?;
        let at = usize::try_from(code - start).ok()?;
        glyphs.get(at).copied().filter(|(id, _)| *id != 0)
    }
}

/// How much further in the file a digit of equal width stands than the same digit as wide as it is: feature `tnum` of the
/// table of substitutions, a single substitution by a difference.
fn even_digits(file: &[u8], table: usize) -> u16 {
    let u16_at = |at: usize| u16::from_be_bytes([file[at], file[at + 1]]);
    let below = |at: usize, field: usize| at + usize::from(u16_at(at + field));
    let (features, lookups) = (below(table, 6), below(table, 8));
    let even = (0..usize::from(u16_at(features)))
        .map(|i| features + 2 + 6 * i)
        .find(|at| &file[*at..*at + 4] == b"tnum");
    even.map_or(0, |at| {
        let feature = features + usize::from(u16_at(at + 4));
        let lookup = below(lookups, 2 + 2 * usize::from(u16_at(feature + 4)));
        let subtable = below(lookup, 6);
        match u16_at(subtable) {
            1 => u16_at(subtable + 4),
            _ => 0,
        }
    })
}

/// Letters that file systems and keyboards may write as two characters: the mark that follows, then letter and whole.
const COMPOSED: [(char, &str); 12] = [
    ('\u{300}', "AÀEÈIÌOÒUÙaàeèiìoòuù"),
    (
        '\u{301}',
        "AÁEÉIÍOÓUÚYÝaáeéiíoóuúyýCĆcćLĹlĺNŃnńRŔrŕSŚsśZŹzź",
    ),
    (
        '\u{302}',
        "AÂEÊIÎOÔUÛaâeêiîoôuûCĈcĉGĜgĝHĤhĥJĴjĵSŜsŝWŴwŵYŶyŷ",
    ),
    ('\u{303}', "AÃNÑOÕaãnñoõIĨiĩUŨuũ"),
    ('\u{304}', "AĀaāEĒeēIĪiīOŌoōUŪuū"),
    ('\u{306}', "AĂaăGĞgğUŬuŭ"),
    ('\u{307}', "CĊcċEĖeėGĠgġIİZŻzż"),
    ('\u{308}', "AÄEËIÏOÖUÜaäeëiïoöuüyÿYŸ"),
    ('\u{30a}', "AÅaåUŮuů"),
    ('\u{30b}', "OŐoőUŰuű"),
    ('\u{30c}', "CČcčDĎdďEĚeěNŇnňRŘrřSŠsšTŤtťZŽzž"),
    ('\u{327}', "CÇcçGĢKĶkķLĻlļNŅnņRŖrŗSŞsşTŢtţ"),
];

fn composed(letter: char, mark: char) -> Option<char> {
    let (_, pairs) = COMPOSED.iter().find(|(m, _)| *m == mark)?;
    let mut pairs = pairs.chars();
    while let (Some(from), Some(to)) = (pairs.next(), pairs.next()) {
        if from == letter {
            return Some(to);
        }
    }
    None
}

/// A text with nothing but characters that the faces have, all on one line. What they lack stays visible: by the usual
/// substitute where there is one, else by its number as `[U+4E2D]`.
pub(super) fn legible(text: &str) -> Cow<'_, str> {
    let plain = |c: char| c != '\u{ad}' && !c.is_control() && Face::Text.has(c);
    if text.chars().all(plain) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if plain(c) {
            out.push(c);
            continue;
        }
        if let Some(whole) = out
            .chars()
            .last()
            .and_then(|l| composed(l, c))
            .filter(|c| plain(*c))
        {
            out.pop();
            out.push(whole);
            continue;
        }
        match c {
            '\t'
            | '\n'
            | '\r'
            | '\u{2000}'..='\u{200a}'
            | '\u{202f}'
            | '\u{205f}'
            | '\u{2028}'
            | '\u{2029}' => {
                out.push(' ');
            }
            '\u{2011}' => out.push('-'),
            '\u{2015}' => out.push('\u{2014}'),
            '\u{2190}' => out.push_str("<-"),
            '\u{2192}' => out.push_str("->"),
            '\u{2194}' => out.push_str("<->"),
            '\u{21d2}' => out.push_str("=>"),
            c => out.extend(format!("[U+{:04X}]", u32::from(c)).chars()),
        }
    }
    Cow::Owned(out)
}

/// A drawing with nothing but characters that the faces have; others in its words become question marks.
pub(super) fn legible_drawing(svg: &str) -> Cow<'_, str> {
    let plain = |c: char| matches!(c, '\n' | '\r' | '\t') || Face::Text.has(c) && Face::Bold.has(c);
    if svg.chars().all(plain) {
        return Cow::Borrowed(svg);
    }
    let shown = |c: char| if plain(c) { c } else { '?' };
    Cow::Owned(svg.chars().map(shown).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_those_of_the_files() {
        // From the tables of the same files.
        for (face, a, dot, digit) in [
            (Face::Text, 0.471, 0.238, 0.495),
            (Face::Bold, 0.487, 0.247, 0.521),
            (Face::Far, 0.446, 0.223, 0.498),
        ] {
            assert!((face.advance('a') - a).abs() < 1e-9);
            assert!((face.advance('.') - dot).abs() < 1e-9);
            assert!((face.width("1.4") - 2.0 * digit - dot).abs() < 1e-9);
        }
    }

    #[test]
    fn digits_are_as_wide_as_each_other() {
        for face in [Face::Text, Face::Bold, Face::Far] {
            let one = face.advance('1');
            assert!(('0'..='9').all(|c| (face.advance(c) - one).abs() < 1e-9));
            assert!(face.font().is_some());
        }
    }

    #[test]
    fn what_the_faces_lack_stays_visible() {
        assert_eq!(
            legible("Größe 3 \u{b5}m \u{b2} \u{2013} \u{20ac}"),
            "Größe 3 \u{b5}m \u{b2} \u{2013} \u{20ac}"
        );
        assert_eq!(legible("a \u{2192} b"), "a -> b");
        assert_eq!(legible("\u{4e2d}\u{1f697}"), "[U+4E2D][U+1F697]");
        assert_eq!(legible("\u{394}p\u{7}"), "[U+0394]p[U+0007]");
        assert_eq!(legible("\u{202e}x\u{feff}"), "[U+202E]x[U+FEFF]");
        assert_eq!(legible("e\u{301}te\u{301} Z\u{30c}"), "été Ž");
        assert_eq!(legible("q\u{301}"), "q[U+0301]");
        assert_eq!(legible_drawing("<text>\u{394}p</text>"), "<text>?p</text>");
    }

    #[test]
    fn every_composed_letter_is_in_the_faces() {
        for (_, pairs) in COMPOSED {
            assert_eq!(pairs.chars().count() % 2, 0, "{pairs}");
            for face in [Face::Text, Face::Bold, Face::Far] {
                assert!(pairs.chars().all(|c| face.has(c)), "{pairs}");
            }
        }
    }
}
