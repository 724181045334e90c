//! Photographs: what counts as one, how it is shown, and what its camera wrote about it.
//!
//! A file is judged by its content alone, never by its name or by what a browser calls it: it must begin as a JPEG, a PNG
//! or a WebP and must be decoded to the last row. The file itself is kept byte for byte; what a page or a report shows is
//! made of its picture elements alone, so nothing that a camera wrote beside them (place, owner, serial number) goes along.

use std::{error::Error, fmt, io::Cursor};

use exif::{In, Tag, Value};
use image::{
    DynamicImage, ImageDecoder, ImageError, Limits,
    codecs::{jpeg::JpegDecoder, jpeg::JpegEncoder, png::PngDecoder, webp::WebPDecoder},
    metadata::Orientation,
};

use crate::units::count;

/// Longest file that is taken, bytes.
pub const MOST_BYTES: usize = 20_000_000;
/// Most picture elements that are taken.
pub const MOST_ELEMENTS: u64 = 64_000_000;
/// Most memory that a decoded picture may take, bytes: `MOST_ELEMENTS` in colour with transparency.
const MOST_MEMORY: u64 = MOST_ELEMENTS * 4;
/// Most passes over a JPEG; cameras write 1, progressive files about 10. Each pass may cost a whole decoding.
const MOST_SCANS: usize = 100;
/// Longest text that is kept of a camera's time, characters ("2031:05:17 14:21:40" has 19).
const MOST_TIME: usize = 40;
/// Quality of a shown picture, 1 to 100: no block can be seen at reading distance (common practice, no source).
const QUALITY: u8 = 85;

/// What a photograph's file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// ISO/IEC 10918-1 in JFIF or EXIF.
    Jpeg,
    /// W3C PNG.
    Png,
    /// RFC 9649.
    WebP,
}

impl Kind {
    /// Kind by the first bytes; `None`: none of the three.
    pub fn of(bytes: &[u8]) -> Option<Self> {
        if bytes.starts_with(b"\xff\xd8\xff") {
            Some(Self::Jpeg)
        } else if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            Some(Self::Png)
        } else if bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP") {
            Some(Self::WebP)
        } else {
            None
        }
    }

    /// Ending of a file's name.
    pub fn ending(self) -> &'static str {
        match self {
            Self::Jpeg => "jpg",
            Self::Png => "png",
            Self::WebP => "webp",
        }
    }

    /// Media type.
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::WebP => "image/webp",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Jpeg => "JPEG",
            Self::Png => "PNG",
            Self::WebP => "WebP",
        })
    }
}

/// What a look at a photograph's file tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Looked {
    /// What the file is.
    pub kind: Kind,
    /// Picture elements across, as it is shown.
    pub width: u32,
    /// Picture elements down, as it is shown.
    pub height: u32,
    /// How it lies in the file: 1 to 8 as in EXIF; 1 where the file does not say.
    pub orientation: u8,
    /// When the camera says it was taken: DateTimeOriginal, and after a space OffsetTimeOriginal where it is written, letter by letter.
    pub taken: Option<String>,
    /// What a person should know of this file: broken notes of the camera, bytes after the picture's end.
    pub remarks: Vec<String>,
}

/// A photograph made ready to be shown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    /// A JPEG of the picture alone, turned right.
    pub jpeg: Vec<u8>,
    /// Picture elements across.
    pub width: u32,
    /// Picture elements down.
    pub height: u32,
}

/// Why a file is no photograph here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum PhotographError {
    /// It is longer than [`MOST_BYTES`].
    TooLong {
        /// Its length.
        bytes: usize,
    },
    /// It is something else.
    Other {
        /// What it looks like.
        found: &'static str,
    },
    /// It moves.
    Moves {
        /// What it is.
        kind: Kind,
    },
    /// It has more picture elements than [`MOST_ELEMENTS`], or takes more memory than they do.
    TooLarge {
        /// Across, as it lies in the file.
        width: u32,
        /// Down, as it lies in the file.
        height: u32,
    },
    /// It cannot be decoded to the end.
    Broken {
        /// What it is.
        kind: Kind,
        /// What is wrong.
        why: String,
    },
}

impl fmt::Display for PhotographError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLong { bytes } => write!(
                f,
                "the file has {bytes} bytes, and a photograph at most {MOST_BYTES}; let the camera make a smaller picture"
            ),
            Self::Other { found } => write!(
                f,
                "this is {found}, not a JPEG, PNG or WebP photograph; save it as JPEG and put that in"
            ),
            Self::Moves { kind } => write!(
                f,
                "this {kind} is an animation; a photograph stands still: save one of its pictures and put that in"
            ),
            Self::TooLarge { width, height } => write!(
                f,
                "the picture has {width} x {height} elements, and a photograph here at most {} million in 8 bits; let the camera make a smaller one",
                MOST_ELEMENTS / 1_000_000
            ),
            Self::Broken { kind, why } => write!(
                f,
                "this {kind} cannot be read to its end: {why}; copy it from the camera again"
            ),
        }
    }
}

impl Error for PhotographError {}

/// Looks at a file: whether it is a photograph, how large, how it lies, when it was taken.
///
/// # Errors
/// Why it is none.
pub fn look(bytes: &[u8]) -> Result<Looked, PhotographError> {
    views(bytes, &[]).map(|(looked, _)| looked)
}

/// Makes a photograph ready for paper or page: turned right, at most `longest_side` elements long (never larger than it
/// is), on white where it is transparent, colours taken as sRGB. Nothing of the file goes along but its picture elements.
///
/// # Errors
/// Why it is no photograph.
pub fn shown(bytes: &[u8], longest_side: u32) -> Result<Shown, PhotographError> {
    let (_, mut views) = views(bytes, &[longest_side])?;
    Ok(views.pop().expect("one size was asked for"))
}

/// [`look`], and the photograph as in [`shown`] in several sizes, decoded once.
///
/// # Errors
/// Why it is no photograph.
pub fn views(bytes: &[u8], longest_sides: &[u32]) -> Result<(Looked, Vec<Shown>), PhotographError> {
    let (kind, picture) = decoded(bytes)?;
    let mut remarks = Vec::new();
    let (orientation, taken) = camera_notes(bytes, &mut remarks);
    let after = bytes.len() - end(kind, bytes)?;
    if after > 0 {
        remarks.push(format!(
            "behind the picture's end: {}, kept and never shown",
            count(after as u64, "byte")
        ));
    }
    let (mut width, mut height) = (picture.width(), picture.height());
    if orientation >= 5 {
        (width, height) = (height, width);
    }
    let looked = Looked {
        kind,
        width,
        height,
        orientation,
        taken,
        remarks,
    };
    if longest_sides.is_empty() {
        return Ok((looked, Vec::new()));
    }
    let picture = on_white(picture);
    let views = longest_sides
        .iter()
        .map(|side| scaled(&picture, orientation, *side).map_err(|e| broken(kind, &e)));
    Ok((looked, views.collect::<Result<_, _>>()?))
}

/// A picture in one size, turned right.
fn scaled(picture: &DynamicImage, orientation: u8, longest_side: u32) -> Result<Shown, ImageError> {
    let longest = picture.width().max(picture.height());
    let longest_side = longest_side.max(1);
    // Scaled before it is turned: the large picture is in memory once.
    let mut picture = if longest > longest_side {
        picture.thumbnail(longest_side, longest_side)
    } else {
        picture.clone()
    };
    if let Some(turn) = Orientation::from_exif(orientation) {
        picture.apply_orientation(turn);
    }
    let picture = picture.into_rgb8();
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&picture)?;
    Ok(Shown {
        jpeg,
        width: picture.width(),
        height: picture.height(),
    })
}

/// The picture as it lies in the file. Its size is looked at before memory is taken for it.
fn decoded(bytes: &[u8]) -> Result<(Kind, DynamicImage), PhotographError> {
    if bytes.len() > MOST_BYTES {
        return Err(PhotographError::TooLong { bytes: bytes.len() });
    }
    let kind = Kind::of(bytes).ok_or_else(|| PhotographError::Other {
        found: what_it_is(bytes),
    })?;
    end(kind, bytes)?;
    let source = Cursor::new(bytes);
    let moves = || PhotographError::Moves { kind };
    let picture = match kind {
        Kind::Jpeg => whole(kind, JpegDecoder::new(source)),
        Kind::Png => {
            let mut limits = Limits::default();
            limits.max_alloc = Some(MOST_MEMORY);
            let decoder = PngDecoder::with_limits(source, limits);
            if let Ok(decoder) = &decoder
                && decoder.is_apng().unwrap_or(false)
            {
                return Err(moves());
            }
            whole(kind, decoder)
        }
        Kind::WebP => {
            let decoder = WebPDecoder::new(source);
            if decoder.as_ref().is_ok_and(WebPDecoder::has_animation) {
                return Err(moves());
            }
            whole(kind, decoder)
        }
    };
    Ok((kind, picture?))
}

fn whole(
    kind: Kind,
    decoder: Result<impl ImageDecoder, ImageError>,
) -> Result<DynamicImage, PhotographError> {
    let decoder = decoder.map_err(|e| broken(kind, &e))?;
    let (width, height) = decoder.dimensions();
    let elements = u64::from(width) * u64::from(height);
    if elements > MOST_ELEMENTS || decoder.total_bytes() > MOST_MEMORY {
        return Err(PhotographError::TooLarge { width, height });
    }
    DynamicImage::from_decoder(decoder).map_err(|e| broken(kind, &e))
}

fn broken(kind: Kind, why: &ImageError) -> PhotographError {
    PhotographError::Broken {
        kind,
        why: why.to_string(),
    }
}

/// What people send in the belief that it is a photograph.
fn what_it_is(bytes: &[u8]) -> &'static str {
    let begins = |with: &[u8]| bytes.starts_with(with);
    let head = bytes.get(..bytes.len().min(512)).unwrap_or_default();
    let text = String::from_utf8_lossy(head).to_lowercase();
    if bytes.is_empty() {
        "an empty file"
    } else if bytes.get(4..8) == Some(b"ftyp") {
        "a HEIC or AVIF picture or a film (set the phone's camera to JPEG, often called \"most compatible\")"
    } else if begins(b"GIF8") {
        "a GIF"
    } else if begins(b"%PDF") {
        "a PDF (attach it instead)"
    } else if begins(b"II*\0") || begins(b"MM\0*") {
        "a TIFF or a camera's raw file"
    } else if begins(b"BM") {
        "a bitmap file"
    } else if begins(b"PK\x03\x04") {
        "a ZIP archive"
    } else if text.contains("<svg") {
        "an SVG drawing"
    } else if text.contains("<html") || text.contains("<!doctype") {
        "a web page"
    } else {
        "something else"
    }
}

/// Where the picture ends in its file. A decoder may fill up with grey what was cut off; this does not.
fn end(kind: Kind, bytes: &[u8]) -> Result<usize, PhotographError> {
    let end = match kind {
        Kind::Jpeg => jpeg_end(bytes),
        Kind::Png => png_end(bytes),
        Kind::WebP => webp_end(bytes),
    };
    end.map_err(|why| PhotographError::Broken {
        kind,
        why: why.to_owned(),
    })
}

const CUT_OFF: &str = "it is cut off";

/// Byte after the end marker. ISO/IEC 10918-1, annex B: segments with a length; after SOS coded bytes in which FF 00 and
/// FF D0 to FF D7 are no end.
fn jpeg_end(bytes: &[u8]) -> Result<usize, &'static str> {
    let byte = |at: usize| bytes.get(at).copied().ok_or(CUT_OFF);
    let (mut at, mut scans) = (2, 0);
    loop {
        if byte(at)? != 0xff {
            return Err("there is no marker where one must be");
        }
        while byte(at)? == 0xff {
            at += 1;
        }
        let marker = byte(at)?;
        at += 1;
        match marker {
            0xd9 => return Ok(at),
            0x01 | 0xd0..=0xd8 => continue,
            _ => {}
        }
        let length = usize::from(byte(at)?) << 8 | usize::from(byte(at + 1)?);
        if length < 2 {
            return Err("a segment is shorter than its length");
        }
        at += length;
        if marker == 0xda {
            scans += 1;
            if scans > MOST_SCANS {
                return Err("it has more passes than any camera writes");
            }
            while byte(at)? != 0xff || matches!(byte(at + 1)?, 0 | 0xd0..=0xd7) {
                at += 1;
            }
        }
    }
}

/// Byte after the chunk IEND.
fn png_end(bytes: &[u8]) -> Result<usize, &'static str> {
    let mut at = 8_usize;
    loop {
        let head = bytes.get(at..at + 8).ok_or(CUT_OFF)?;
        let length = head[..4].iter().fold(0, |n, b| n << 8 | usize::from(*b));
        // Length, name and check sum: 12 bytes. A length of 4 GB does not fit into a file of 20 MB.
        at = at.saturating_add(length).saturating_add(12);
        if at > bytes.len() {
            return Err(CUT_OFF);
        }
        if &head[4..] == b"IEND" {
            return Ok(at);
        }
    }
}

/// Byte after the container.
fn webp_end(bytes: &[u8]) -> Result<usize, &'static str> {
    let length = bytes.get(4..8).ok_or(CUT_OFF)?;
    let length = length.iter().rev().fold(0, |n, b| n << 8 | usize::from(*b));
    let end = length.saturating_add(8);
    if end > bytes.len() {
        return Err(CUT_OFF);
    }
    Ok(end)
}

/// Orientation and time that the camera wrote. What is broken there is said and costs no photograph.
fn camera_notes(bytes: &[u8], remarks: &mut Vec<String>) -> (u8, Option<String>) {
    let notes = exif::Reader::new()
        .continue_on_error(true)
        .read_from_container(&mut Cursor::new(bytes))
        .or_else(|e| {
            e.distill_partial_result(|errors| {
                for e in errors {
                    remarks.push(format!("the camera's notes (EXIF) are broken in part: {e}"));
                }
            })
        });
    let notes = match notes {
        Ok(notes) => notes,
        Err(exif::Error::NotFound(_)) => return (1, None),
        Err(e) => {
            remarks.push(format!(
                "the camera's notes (EXIF) cannot be read: {e}; how the picture lies and when it was taken is not known"
            ));
            return (1, None);
        }
    };
    let way = notes.get_field(Tag::Orientation, In::PRIMARY);
    let way = way.map(|field| field.value.get_uint(0).map(u8::try_from));
    let orientation = if let Some(Some(Ok(way @ 1..=8))) = way {
        way
    } else {
        if way.is_some() {
            remarks.push(
                "the camera's orientation is none of 1 to 8; the picture is shown as it lies in the file".to_owned(),
            );
        }
        1
    };
    let mut time = |tag| {
        let Value::Ascii(parts) = &notes.get_field(tag, In::PRIMARY)?.value else {
            return None;
        };
        time_text(parts, remarks)
    };
    let taken = time(Tag::DateTimeOriginal);
    let offset = time(Tag::OffsetTimeOriginal);
    let taken = match (taken, offset) {
        (Some(taken), Some(offset)) => Some(format!("{taken} {offset}")),
        (taken, _) => taken,
    };
    (orientation, taken)
}

/// A time as text; blank (`    :  :  `) means that the camera does not know it.
fn time_text(parts: &[Vec<u8>], remarks: &mut Vec<String>) -> Option<String> {
    let text = parts.first()?;
    if !text.iter().any(u8::is_ascii_alphanumeric) {
        return None;
    }
    let is_plain = text.iter().all(|b| (b' '..=b'~').contains(b)) && text.len() <= MOST_TIME;
    if !is_plain {
        remarks.push("the camera's time is no readable text and was left out".to_owned());
        return None;
    }
    Some(text.iter().copied().map(char::from).collect())
}

/// Transparency laid on white paper.
fn on_white(picture: DynamicImage) -> DynamicImage {
    if !picture.color().has_alpha() {
        return picture;
    }
    let mut picture = picture.into_rgba8();
    for element in picture.pixels_mut() {
        let alpha = u32::from(element.0[3]);
        for channel in &mut element.0[..3] {
            let mixed = (u32::from(*channel) * alpha + 255 * (255 - alpha) + 127) / 255;
            *channel = u8::try_from(mixed).unwrap_or(u8::MAX);
        }
        element.0[3] = u8::MAX;
    }
    DynamicImage::ImageRgba8(picture)
}

#[cfg(test)]
mod tests;
