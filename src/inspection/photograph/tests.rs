use exif::experimental::Writer;
use image::{
    ExtendedColorType, ImageEncoder as _, Rgb, RgbImage,
    codecs::{png::PngEncoder, webp::WebPEncoder},
};

use super::*;

const RED: [u8; 3] = [200, 30, 30];
const GREEN: [u8; 3] = [30, 160, 30];
const BLUE: [u8; 3] = [30, 30, 200];
const WHITE: [u8; 3] = [250, 250, 250];
const GREY: [u8; 3] = [128, 128, 128];
const SIZE: (u32, u32) = (96, 64);

/// A picture whose corners are told apart: red, green / blue, white, as it lies in the file.
fn corners() -> RgbImage {
    let (width, height) = SIZE;
    RgbImage::from_fn(width, height, |x, y| {
        let (left, right) = (x < 16, x >= width - 16);
        let (top, bottom) = (y < 16, y >= height - 16);
        Rgb(match (left, right, top, bottom) {
            (true, _, true, _) => RED,
            (_, true, true, _) => GREEN,
            (true, _, _, true) => BLUE,
            (_, true, _, true) => WHITE,
            _ => GREY,
        })
    })
}

fn jpeg() -> Vec<u8> {
    let mut out = Vec::new();
    JpegEncoder::new_with_quality(&mut out, 95)
        .encode_image(&corners())
        .unwrap();
    out
}

fn png() -> Vec<u8> {
    let (width, height) = SIZE;
    let mut out = Vec::new();
    PngEncoder::new(&mut out)
        .write_image(&corners(), width, height, ExtendedColorType::Rgb8)
        .unwrap();
    out
}

fn webp() -> Vec<u8> {
    let (width, height) = SIZE;
    let mut out = Vec::new();
    WebPEncoder::new_lossless(&mut out)
        .write_image(&corners(), width, height, ExtendedColorType::Rgb8)
        .unwrap();
    out
}

fn ascii(tag: Tag, text: &str) -> exif::Field {
    exif::Field {
        tag,
        ifd_num: In::PRIMARY,
        value: Value::Ascii(vec![text.as_bytes().to_vec()]),
    }
}

/// Notes of a camera: how it lies, when, and where (which must not get out).
fn notes(orientation: u16, texts: &[(Tag, &str)]) -> Vec<u8> {
    let mut fields = vec![
        exif::Field {
            tag: Tag::Orientation,
            ifd_num: In::PRIMARY,
            value: Value::Short(vec![orientation]),
        },
        ascii(Tag::Make, "Harbour Lane"),
        ascii(Tag::GPSLatitudeRef, "N"),
    ];
    fields.extend(texts.iter().map(|(tag, text)| ascii(*tag, text)));
    let mut writer = Writer::new();
    for field in &fields {
        writer.push_field(field);
    }
    let mut out = Cursor::new(Vec::new());
    writer.write(&mut out, false).unwrap();
    out.into_inner()
}

/// A JPEG with a segment APP1 after its beginning.
fn with_notes(notes: &[u8]) -> Vec<u8> {
    let plain = jpeg();
    let mut out = plain[..2].to_vec();
    out.extend(b"\xff\xe1");
    out.extend(u16::try_from(notes.len() + 8).unwrap().to_be_bytes());
    out.extend(b"Exif\0\0");
    out.extend(notes);
    out.extend(&plain[2..]);
    out
}

/// Colours of the corners: top left, top right, bottom left, bottom right.
fn seen(jpeg: &[u8]) -> [[u8; 3]; 4] {
    let picture = image::load_from_memory(jpeg).unwrap().into_rgb8();
    let (right, bottom) = (picture.width() - 6, picture.height() - 6);
    [(5, 5), (right, 5), (5, bottom), (right, bottom)].map(|(x, y)| picture.get_pixel(x, y).0)
}

fn near(a: [u8; 3], b: [u8; 3]) -> bool {
    a.iter().zip(b).all(|(a, b)| a.abs_diff(b) < 25)
}

/// Where the file's first row and first column stand when it is shown right: EXIF 2.32, 4.6.4, tag 274.
/// Corners: top left, top right, bottom left, bottom right.
const TURNED: [[[u8; 3]; 4]; 8] = [
    [RED, GREEN, BLUE, WHITE], // 1: row 0 top, column 0 left
    [GREEN, RED, WHITE, BLUE], // 2: top, right
    [WHITE, BLUE, GREEN, RED], // 3: bottom, right
    [BLUE, WHITE, RED, GREEN], // 4: bottom, left
    [RED, BLUE, GREEN, WHITE], // 5: left, top
    [BLUE, RED, WHITE, GREEN], // 6: right, top
    [WHITE, GREEN, BLUE, RED], // 7: right, bottom
    [GREEN, WHITE, RED, BLUE], // 8: left, bottom
];

#[test]
fn all_eight_ways_of_lying_are_shown_right() {
    for (n, corners) in TURNED.iter().enumerate() {
        let way = u16::try_from(n + 1).unwrap();
        let file = with_notes(&notes(way, &[]));
        let looked = look(&file).unwrap();
        assert_eq!(u16::from(looked.orientation), way);
        let across = if way < 5 { SIZE } else { (SIZE.1, SIZE.0) };
        assert_eq!((looked.width, looked.height), across, "orientation {way}");
        let shown = shown(&file, 1000).unwrap();
        assert_eq!((shown.width, shown.height), across, "orientation {way}");
        let seen = seen(&shown.jpeg);
        assert!(
            seen.iter().zip(corners).all(|(a, b)| near(*a, *b)),
            "orientation {way}: {seen:?}"
        );
    }
}

#[test]
fn the_time_of_the_camera_is_kept_letter_by_letter() {
    let time = (Tag::DateTimeOriginal, "2031:05:17 14:21:40");
    let offset = (Tag::OffsetTimeOriginal, "+02:00");
    let taken = |texts: &[_]| look(&with_notes(&notes(1, texts))).unwrap().taken;
    assert_eq!(taken(&[time]).as_deref(), Some("2031:05:17 14:21:40"));
    assert_eq!(
        taken(&[time, offset]).as_deref(),
        Some("2031:05:17 14:21:40 +02:00")
    );
    assert_eq!(taken(&[]), None);
    // Blank: the camera says that it does not know.
    assert_eq!(
        taken(&[(Tag::DateTimeOriginal, "    :  :     :  :  ")]),
        None
    );
}

#[test]
fn a_time_that_is_no_text_is_left_out_and_said() {
    let long = "2".repeat(MOST_TIME + 1);
    for bad in ["2031\u{1b}[2J", &long] {
        let looked = look(&with_notes(&notes(6, &[(Tag::DateTimeOriginal, bad)]))).unwrap();
        assert_eq!((looked.taken, looked.orientation), (None, 6));
        assert!(looked.remarks[0].contains("time"), "{:?}", looked.remarks);
    }
}

#[test]
fn broken_notes_cost_no_photograph_and_are_said() {
    for broken in [
        &b"II*\0\xff\xff\xff\x7f"[..],
        b"",
        b"MM\0*\0\0\0\x08\xff\xff",
    ] {
        let looked = look(&with_notes(broken)).unwrap();
        assert_eq!(looked.orientation, 1);
        assert!(looked.remarks[0].contains("EXIF"), "{:?}", looked.remarks);
    }
    let looked = look(&with_notes(&notes(9, &[]))).unwrap();
    assert_eq!(looked.orientation, 1);
    assert!(looked.remarks[0].contains("none of 1 to 8"));
}

#[test]
fn the_three_kinds_are_told_by_their_content() {
    for (file, kind) in [
        (jpeg(), Kind::Jpeg),
        (png(), Kind::Png),
        (webp(), Kind::WebP),
    ] {
        let looked = look(&file).unwrap();
        assert_eq!(looked.kind, kind);
        assert_eq!((looked.width, looked.height), SIZE);
        assert_eq!(looked.remarks, Vec::<String>::new());
        let seen = seen(&shown(&file, 1000).unwrap().jpeg);
        assert!(seen.iter().zip(TURNED[0]).all(|(a, b)| near(*a, b)));
    }
}

#[test]
fn what_is_shown_holds_nothing_that_the_camera_wrote() {
    let file = with_notes(&notes(6, &[(Tag::DateTimeOriginal, "2031:05:17 14:21:40")]));
    let shown = shown(&file, 1000).unwrap().jpeg;
    let holds = |needle: &[u8]| shown.windows(needle.len()).any(|w| w == needle);
    assert!(!holds(b"Exif") && !holds(b"Harbour") && !holds(b"2031:05:17"));
    let (orientation, taken) = camera_notes(&shown, &mut Vec::new());
    assert_eq!((orientation, taken), (1, None));
}

#[test]
fn a_shown_picture_is_scaled_down_and_never_up_and_is_the_same_each_time() {
    let file = with_notes(&notes(6, &[]));
    let small = shown(&file, 48).unwrap();
    assert_eq!((small.width, small.height), (32, 48));
    assert_eq!(small, shown(&file, 48).unwrap());
    let large = shown(&file, u32::MAX).unwrap();
    assert_eq!((large.width, large.height), (64, 96));
    assert_eq!(shown(&file, 0).unwrap().width, 1);
}

#[test]
fn transparency_lies_on_white() {
    let clear = image::RgbaImage::from_pixel(20, 20, image::Rgba([0, 0, 0, 0]));
    let mut file = Vec::new();
    PngEncoder::new(&mut file)
        .write_image(&clear, 20, 20, ExtendedColorType::Rgba8)
        .unwrap();
    assert!(near(seen(&shown(&file, 20).unwrap().jpeg)[0], [255; 3]));
}

/// A decoder may fill up what is missing with grey: no piece of a file may pass for the file.
#[test]
fn a_file_that_was_cut_off_anywhere_is_refused() {
    for file in [jpeg(), with_notes(&notes(6, &[])), png(), webp()] {
        for length in 0..file.len() {
            let looked = look(&file[..length]);
            assert!(
                looked.is_err(),
                "{length} of {} bytes: {looked:?}",
                file.len()
            );
        }
    }
    let said = look(&jpeg()[..300]).unwrap_err().to_string();
    assert!(said.contains("cut off") && said.contains("again"), "{said}");
}

#[test]
fn other_files_are_refused_by_what_they_are() {
    let cases: [(&[u8], &str); 11] = [
        (b"", "an empty file"),
        (b"\0\0\0\x18ftypheic\0\0\0\0", "HEIC"),
        (b"GIF89a\x01\0\x01\0", "a GIF"),
        (b"%PDF-1.7\n", "a PDF"),
        (
            b"<svg xmlns=\"http://www.w3.org/2000/svg\"><script/></svg>",
            "an SVG",
        ),
        (b"<?xml version=\"1.0\"?><svg/>", "an SVG"),
        (b"<!DOCTYPE html><script>alert(1)</script>", "a web page"),
        (b"II*\0\x08\0\0\0", "a TIFF"),
        (b"PK\x03\x04", "a ZIP"),
        (b"BM\0\0\0\0", "a bitmap"),
        (b"just words", "something else"),
    ];
    for (bytes, what) in cases {
        let said = look(bytes).unwrap_err();
        assert!(matches!(said, PhotographError::Other { .. }));
        assert!(said.to_string().contains(what), "{said}");
    }
}

/// The first bytes of a JPEG before a web page, and a web page behind a JPEG.
#[test]
fn a_mixture_is_a_photograph_or_nothing() {
    let page = b"<html><script>alert(1)</script></html>";
    let mut disguised = b"\xff\xd8\xff\xe0".to_vec();
    disguised.extend(page);
    assert!(matches!(
        look(&disguised),
        Err(PhotographError::Broken { .. })
    ));
    let mut photograph = jpeg();
    photograph.extend(page);
    let looked = look(&photograph).unwrap();
    assert!(
        looked.remarks[0].contains("38 bytes, kept and never shown"),
        "{:?}",
        looked.remarks
    );
    let shown = shown(&photograph, 1000).unwrap().jpeg;
    assert!(!shown.windows(7).any(|w| w == b"<script"));
}

fn chunk(name: [u8; 4], inside: &[u8]) -> Vec<u8> {
    let mut out = u32::try_from(inside.len()).unwrap().to_be_bytes().to_vec();
    let mut named = name.to_vec();
    named.extend(inside);
    out.extend(&named);
    let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&named);
    out.extend(sum.to_be_bytes());
    out
}

/// 2 GB of picture in less than 100 bytes, in each of the three kinds.
#[test]
fn a_huge_picture_in_a_tiny_file_is_refused_before_it_is_unpacked() {
    let large = 50_000_u32.to_be_bytes();
    let mut head = [large, large].concat();
    head.extend([8, 2, 0, 0, 0]);
    let mut bomb = b"\x89PNG\r\n\x1a\n".to_vec();
    bomb.extend(chunk(*b"IHDR", &head));
    bomb.extend(chunk(*b"IDAT", &[0x78, 0x9c, 0x63, 0, 0, 0, 1, 0, 1]));
    bomb.extend(chunk(*b"IEND", b""));
    assert_eq!(
        look(&bomb),
        Err(PhotographError::TooLarge {
            width: 50_000,
            height: 50_000
        })
    );

    let mut bomb = jpeg();
    let frame = bomb.windows(2).position(|w| w == b"\xff\xc0").unwrap();
    bomb[frame + 5..frame + 9].copy_from_slice(&[0xc3, 0x50, 0xc3, 0x50]);
    assert_eq!(
        look(&bomb),
        Err(PhotographError::TooLarge {
            width: 50_000,
            height: 50_000
        })
    );

    // VP8L: 14 bits for each side, less one.
    let mut bomb = webp();
    let at = bomb.windows(4).position(|w| w == b"VP8L").unwrap() + 9;
    bomb[at..at + 4].copy_from_slice(&0x0fff_bffe_u32.to_le_bytes());
    assert_eq!(
        look(&bomb),
        Err(PhotographError::TooLarge {
            width: 16_383,
            height: 16_383
        })
    );
}

#[test]
fn a_file_that_is_too_long_is_refused_by_its_length() {
    let said = look(&vec![0; MOST_BYTES + 1]).unwrap_err();
    assert_eq!(
        said,
        PhotographError::TooLong {
            bytes: MOST_BYTES + 1
        }
    );
    assert!(said.to_string().contains("20000001"));
}

#[test]
fn what_moves_is_refused() {
    let mut moving = png();
    let after_head = 8 + 25;
    moving.splice(
        after_head..after_head,
        chunk(*b"acTL", &[0, 0, 0, 1, 0, 0, 0, 0]),
    );
    assert_eq!(
        look(&moving),
        Err(PhotographError::Moves { kind: Kind::Png })
    );

    let still = webp();
    let mut frame = vec![0; 16];
    frame[6] = 95;
    frame[9] = 63;
    frame.extend(&still[12..]);
    let part = |name: &[u8], inside: &[u8]| {
        let mut out = name.to_vec();
        out.extend(u32::try_from(inside.len()).unwrap().to_le_bytes());
        out.extend(inside);
        out.resize(out.len().next_multiple_of(2), 0);
        out
    };
    let inside = [
        b"WEBP".to_vec(),
        part(b"VP8X", &[2, 0, 0, 0, 95, 0, 0, 63, 0, 0]),
        part(b"ANIM", &[0; 6]),
        part(b"ANMF", &frame),
    ]
    .concat();
    let moving = part(b"RIFF", &inside);
    assert_eq!(
        look(&moving),
        Err(PhotographError::Moves { kind: Kind::WebP })
    );
}

#[test]
fn a_jpeg_of_endless_passes_is_refused() {
    let plain = jpeg();
    let scan = plain.windows(2).position(|w| w == b"\xff\xda").unwrap();
    let mut bomb = plain[..scan].to_vec();
    for _ in 0..=MOST_SCANS {
        bomb.extend(&plain[scan..plain.len() - 2]);
    }
    bomb.extend(b"\xff\xd9");
    let said = look(&bomb).unwrap_err().to_string();
    assert!(said.contains("passes"), "{said}");
}

/// Whatever happens to a file on its way: a photograph or a refusal, never a fall.
#[test]
fn files_with_changed_bytes_never_panic() {
    let mut state = 1_u32;
    let mut next = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        state >> 8
    };
    for file in [with_notes(&notes(6, &[])), png(), webp()] {
        let mut refused = 0;
        for _ in 0..300 {
            let mut changed = file.clone();
            for _ in 0..=next() % 4 {
                let at = next() as usize % changed.len();
                changed[at] = u8::try_from(next() % 256).unwrap();
            }
            refused += usize::from(shown(&changed, 32).is_err());
        }
        assert!(refused > 0, "some changes are found");
    }
}
