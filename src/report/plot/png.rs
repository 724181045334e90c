//! A drawing as pixels, with the faces that come with the program.

use std::sync::{Arc, OnceLock};

use resvg::{
    tiny_skia::{Pixmap, Transform},
    usvg::{Options, Tree, fontdb::Database},
};

/// The faces, each as its file.
const FACES: [&[u8]; 3] = [
    include_bytes!("../font/far.ttf"),
    include_bytes!("../font/bold.ttf"),
    include_bytes!("../font/text.ttf"),
];
/// Most pixels of a picture: 64 million, 256 MB.
const MOST_PIXELS: f64 = 64e6;

/// Why a drawing gives no pixels.
#[derive(Debug)]
pub enum PngError {
    /// It is no SVG.
    NotSvg(resvg::usvg::Error),
    /// It is too large, or has no size: width and height in pixels.
    Size(f64, f64),
    /// The pixels could not be written as PNG; in words.
    Encode(String),
}

impl std::fmt::Display for PngError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::NotSvg(e) => write!(f, "the drawing is no SVG: {e}"),
            Self::Size(w, h) => write!(f, "a picture of {w:.0} times {h:.0} pixels is too large"),
            Self::Encode(e) => write!(f, "the picture could not be written as PNG: {e}"),
        }
    }
}

impl std::error::Error for PngError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::NotSvg(e) => Some(e),
            _ => None,
        }
    }
}

/// The faces, read once.
pub(super) fn faces() -> Arc<Database> {
    static READ: OnceLock<Arc<Database>> = OnceLock::new();
    let read = || {
        let mut faces = Database::new();
        for face in FACES {
            faces.load_font_data(face.to_vec());
        }
        Arc::new(faces)
    };
    Arc::clone(READ.get_or_init(read))
}

/// An SVG drawing that stands alone as a tree of shapes, its text as outlines.
///
/// # Errors
/// [`PngError::NotSvg`].
pub(in crate::report) fn tree(svg: &str) -> Result<Tree, PngError> {
    let options = Options {
        fontdb: faces(),
        ..Options::default()
    };
    Tree::from_str(svg, &options).map_err(PngError::NotSvg)
}

/// An SVG drawing that stands alone as a PNG file, so many pixels a unit (> 0).
///
/// # Errors
/// The drawing is no SVG, or too large.
pub fn png(svg: &str, pixels_per_unit: f32) -> Result<Vec<u8>, PngError> {
    let tree = tree(svg)?;
    let size = tree.size();
    let pixels = |units: f32| f64::from((units * pixels_per_unit).ceil());
    let (w, h) = (pixels(size.width()), pixels(size.height()));
    let too_large = || PngError::Size(w, h);
    if !(w >= 1.0 && h >= 1.0 && w * h <= MOST_PIXELS) {
        return Err(too_large());
    }
    // Both are whole, at least 1 and at most MOST_PIXELS.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let mut pixels = Pixmap::new(w as u32, h as u32).ok_or_else(too_large)?;
    let scale = Transform::from_scale(pixels_per_unit, pixels_per_unit);
    resvg::render(&tree, scale, &mut pixels.as_mut());
    pixels
        .encode_png()
        .map_err(|e| PngError::Encode(e.to_string()))
}
