//! Pages as the file's drawing operations, each with its tag.

use krilla::{
    color::luma,
    document::Document as File,
    geom::{PathBuilder, Point, Rect, Size, Transform},
    num::NormalizedF32,
    page::PageSettings,
    paint::{Fill, FillRule, Stroke},
    surface::Surface,
    tagging::{Artifact, ArtifactType, ContentTag, SpanTag},
    text::Font,
};
use krilla_svg::{SurfaceExt, SvgSettings};

use super::{
    PdfError,
    code::Code,
    face::Face,
    flow::{Page, Part, Placed, What},
    layout::Layout,
    lines::Run,
};

/// Points as the file takes them.
fn pt(value: f64) -> f32 {
    // A sheet is a few hundred points wide.
    #[allow(clippy::cast_possible_truncation)]
    let value = value as f32;
    value
}

fn size(size: (f64, f64)) -> Option<Size> {
    Size::from_wh(pt(size.0), pt(size.1))
}

fn fill(grey: u8) -> Fill {
    Fill {
        paint: luma::Color::new(grey).into(),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }
}

/// The faces as the file takes them.
struct Fonts([Font; 3]);

impl Fonts {
    fn read() -> Result<Self, PdfError> {
        let font = |face: Face| face.font().ok_or(PdfError::Face);
        Ok(Self([
            font(Face::Text)?,
            font(Face::Bold)?,
            font(Face::Far)?,
        ]))
    }
}

/// Draws all pages into the file and notes in the tags what was drawn.
pub(super) fn draw(file: &mut File, layout: &mut Layout, pages: &[Page]) -> Result<(), PdfError> {
    let fonts = Fonts::read()?;
    let sheet = layout.sheet;
    for page in pages {
        let settings =
            PageSettings::from_wh(pt(sheet.width), pt(sheet.height)).ok_or(PdfError::Face)?;
        let mut open = file.start_page_with(settings);
        let mut surface = open.surface();
        let mut inside: Option<Part> = None;
        for placed in &page.placed {
            if inside != Some(placed.part) {
                if inside.is_some() {
                    surface.end_tagged();
                }
                start(&mut surface, layout, placed);
                inside = Some(placed.part);
            }
            one(&mut surface, layout, &fonts, placed);
        }
        if inside.is_some() {
            surface.end_tagged();
        }
        surface.finish();
        open.finish();
    }
    Ok(())
}

fn start(surface: &mut Surface, layout: &mut Layout, placed: &Placed) {
    let artifact = |kind| ContentTag::Artifact(Artifact::with_kind(kind));
    match (placed.part, &placed.what) {
        (Part::Tag(node), What::Text(_)) => {
            let drawn = surface.start_tagged(ContentTag::Span(SpanTag::empty()));
            layout.tags.drawn(node, drawn);
        }
        (Part::Tag(node), _) => {
            let drawn = surface.start_tagged(ContentTag::Other);
            layout.tags.drawn(node, drawn);
        }
        (Part::Ornament, _) => {
            surface.start_tagged(artifact(ArtifactType::Layout));
        }
        (Part::Foot, _) => {
            surface.start_tagged(artifact(ArtifactType::Footer));
        }
    }
}

fn one(surface: &mut Surface, layout: &Layout, fonts: &Fonts, placed: &Placed) {
    let (x, y) = (placed.x, placed.y);
    match &placed.what {
        What::Text(run) => text(surface, fonts, run, (x, y)),
        What::Stroke {
            across,
            down,
            width,
            grey,
        } => {
            let mut path = PathBuilder::new();
            path.move_to(pt(x), pt(y));
            path.line_to(pt(x + across), pt(y + down));
            if let Some(path) = path.finish() {
                surface.set_fill(None);
                surface.set_stroke(Some(Stroke {
                    paint: luma::Color::new(*grey).into(),
                    width: pt(*width),
                    ..Stroke::default()
                }));
                surface.draw_path(&path);
                surface.set_stroke(None);
            }
        }
        What::Drawing { index, size: wh } => moved(surface, (x, y), |surface| {
            if let (Some(tree), Some(wh)) = (layout.drawings.get(*index), size(*wh)) {
                surface.draw_svg(tree, wh, SvgSettings::default());
            }
        }),
        What::Photograph { index, size: wh } => moved(surface, (x, y), |surface| {
            if let (Some(image), Some(wh)) = (layout.photographs.get(*index), size(*wh)) {
                surface.draw_image(image.clone(), wh);
            }
        }),
        What::Code { index, side } => {
            if let Some(code) = layout.codes.get(*index) {
                squares(surface, code, (x, y), *side);
            }
        }
    }
}

fn moved(surface: &mut Surface, to: (f64, f64), draw: impl FnOnce(&mut Surface)) {
    surface.push_transform(&Transform::from_translate(pt(to.0), pt(to.1)));
    draw(surface);
    surface.pop();
}

fn text(surface: &mut Surface, fonts: &Fonts, run: &Run, at: (f64, f64)) {
    if run.text.is_empty() {
        return;
    }
    surface.set_stroke(None);
    surface.set_fill(Some(fill(if run.style.grey { 0x33 } else { 0 })));
    let glyphs = run.style.face.line(&run.text);
    let font = fonts.0[run.style.face as usize].clone();
    let at = Point::from_xy(pt(at.0), pt(at.1));
    surface.draw_glyphs(at, &glyphs, font, &run.text, pt(run.style.size), false);
}

/// The dark squares of a code; the page leaves the white around it.
fn squares(surface: &mut Surface, code: &Code, at: (f64, f64), side: f64) {
    let square = side / code.side as f64;
    let mut path = PathBuilder::new();
    for (column, row, length) in &code.dark {
        let (x, y) = (*column as f64 * square, *row as f64 * square);
        let rect = Rect::from_xywh(
            pt(at.0 + x),
            pt(at.1 + y),
            pt(*length as f64 * square),
            pt(square),
        );
        if let Some(rect) = rect {
            path.push_rect(rect);
        }
    }
    if let Some(path) = path.finish() {
        surface.set_stroke(None);
        surface.set_fill(Some(fill(0)));
        surface.draw_path(&path);
    }
}
