//! The photographs of the demo, which are none: drawings of the invented car, its tag in each, put into files as a camera
//! would. Each says that it is drawn.

use std::io::Cursor;

use exif::{Field, In, Tag, Value, experimental::Writer};
use image::{DynamicImage, ExtendedColorType, ImageEncoder as _, codecs::jpeg::JpegEncoder};

use crate::report::plot;

/// Pixels a unit of a drawing: 1200 times 900.
const SCALE: f32 = 0.75;
/// Quality of the JPEG, 1 to 100: no block can be seen at reading distance (common practice, no source).
const QUALITY: u8 = 85;
/// What the files say of themselves.
const DRAWN: &str = "drawn, not photographed: an invented car";
/// Zone of the camera's clock.
const OFFSET: &str = "+00:00";

/// A drawing that stands for a photograph.
#[derive(Clone, Copy, Debug)]
pub(super) struct Drawn {
    /// Name as a camera gives it.
    pub name: &'static str,
    /// By the camera's clock, as EXIF writes it.
    pub taken: &'static str,
    /// What it shows.
    pub words: &'static str,
    svg: &'static str,
    /// The camera was held upright, and its picture lies on its side in the file (EXIF orientation 6).
    on_its_side: bool,
}

/// A drawing as it lies in the file; `taken` by the camera's clock.
const fn drawn(
    (name, taken): (&'static str, &'static str),
    words: &'static str,
    svg: &'static str,
) -> Drawn {
    Drawn {
        name,
        taken,
        words,
        svg,
        on_its_side: false,
    }
}

pub(super) const CAR: Drawn = drawn(
    ("car-from-above.jpg", "2031:05:17 13:55:12"),
    "The car from above as it came in, with its tag",
    include_str!("photographs/car.svg"),
);
pub(super) const LID: Drawn = Drawn {
    on_its_side: true,
    ..drawn(
        ("tank-lid.jpg", "2031:05:19 16:12:40"),
        "Tank lid opened: the seal is cracked and pressed flat",
        include_str!("photographs/lid.svg"),
    )
};
pub(super) const RING: Drawn = drawn(
    ("front-ring-gear.jpg", "2031:05:19 16:48:03"),
    "Front ring gear taken out: one tooth chipped, a burr beside it",
    include_str!("photographs/ring.svg"),
);

impl Drawn {
    /// The file: a JPEG with the camera's notes.
    ///
    /// # Errors
    /// In words, what could not be drawn.
    pub fn jpeg(&self) -> Result<Vec<u8>, String> {
        let png = plot::png(self.svg, SCALE).map_err(|e| e.to_string())?;
        let mut picture = image::load_from_memory(&png).map_err(|e| e.to_string())?;
        if self.on_its_side {
            picture = picture.rotate270();
        }
        let picture = DynamicImage::ImageRgb8(picture.to_rgb8());
        let mut file = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut file, QUALITY);
        let notes = self.notes().map_err(|e| e.to_string())?;
        encoder
            .set_exif_metadata(notes)
            .map_err(|e| e.to_string())?;
        encoder
            .write_image(
                picture.as_bytes(),
                picture.width(),
                picture.height(),
                ExtendedColorType::Rgb8,
            )
            .map_err(|e| e.to_string())?;
        Ok(file)
    }

    fn notes(&self) -> Result<Vec<u8>, exif::Error> {
        let field = |tag, value| Field {
            tag,
            ifd_num: In::PRIMARY,
            value,
        };
        let text = |words: &str| Value::Ascii(vec![words.as_bytes().to_vec()]);
        let orientation = if self.on_its_side { 6 } else { 1 };
        let fields = [
            field(Tag::ImageDescription, text(DRAWN)),
            field(Tag::Orientation, Value::Short(vec![orientation])),
            field(Tag::DateTimeOriginal, text(self.taken)),
            field(Tag::OffsetTimeOriginal, text(OFFSET)),
        ];
        let mut writer = Writer::new();
        for field in &fields {
            writer.push_field(field);
        }
        let mut notes = Cursor::new(Vec::new());
        writer.write(&mut notes, false)?;
        Ok(notes.into_inner())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::inspection::photograph;

    /// Each is what the inspection takes for a photograph: its size as it is shown, its orientation and its time.
    #[test]
    fn drawings_are_taken_for_photographs() {
        for (drawn, size, orientation) in [
            (CAR, (1200, 900), 1),
            (LID, (900, 1200), 6),
            (RING, (1200, 900), 1),
        ] {
            let file = drawn.jpeg().unwrap();
            assert_eq!(file, drawn.jpeg().unwrap(), "the same bytes");
            let looked = photograph::look(&file).unwrap();
            assert_eq!((looked.width, looked.height), size, "{}", drawn.name);
            assert_eq!(looked.orientation, orientation);
            assert_eq!(looked.taken, Some(format!("{} {OFFSET}", drawn.taken)));
            assert_eq!(looked.remarks, Vec::<String>::new());
        }
    }
}
