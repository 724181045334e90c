//! A picture as a renderer reads it.

use std::sync::{Arc, OnceLock};

use resvg::usvg::{
    Node, Options, Rect, Tree,
    fontdb::Database,
    roxmltree::{self, Document},
};

/// Half a unit: what a stroke and a rounded tenth may reach over the edge.
const SLACK: f32 = 0.6;
/// Words may touch by this much: boxes of words have room above and below the letters.
const TOUCH: f32 = 1.5;

fn faces() -> Arc<Database> {
    static READ: OnceLock<Arc<Database>> = OnceLock::new();
    let read = || {
        let mut faces = Database::new();
        for face in ["far", "bold", "text"] {
            let path = format!("{}/src/report/font/{face}.ttf", env!("CARGO_MANIFEST_DIR"));
            faces.load_font_data(std::fs::read(path).unwrap());
        }
        Arc::new(faces)
    };
    Arc::clone(READ.get_or_init(read))
}

/// A drawing that stands alone, parsed.
pub struct Drawn {
    text: String,
    tree: Tree,
}

impl Drawn {
    pub fn new(svg: &str) -> Self {
        let options = Options {
            fontdb: faces(),
            ..Options::default()
        };
        Self {
            text: svg.to_owned(),
            tree: Tree::from_str(svg, &options).unwrap(),
        }
    }

    pub fn xml(&self) -> Document<'_> {
        roxmltree::Document::parse(&self.text).unwrap()
    }

    /// What reaches over the frame: kind and place.
    pub fn outside(&self, width: f64, height: f64) -> Vec<String> {
        let mut out = Vec::new();
        #[allow(clippy::cast_possible_truncation)] // hundreds of units
        let (w, h) = (width as f32, height as f32);
        each(self.tree.root(), &mut |node, place| {
            let inside = place.left() >= -SLACK
                && place.top() >= -SLACK
                && place.right() <= w + SLACK
                && place.bottom() <= h + SLACK;
            if !inside {
                out.push(format!("{} {place:?}", kind(node)));
            }
        });
        out
    }

    /// Pairs of words that lie on each other.
    pub fn clashes(&self) -> Vec<String> {
        let mut words: Vec<(String, Rect)> = Vec::new();
        each(self.tree.root(), &mut |node, place| {
            if let Node::Text(text) = node {
                let said: String = text.chunks().iter().map(|c| c.text().to_owned()).collect();
                words.push((said, place));
            }
        });
        let mut clashes = Vec::new();
        for (i, (a, at)) in words.iter().enumerate() {
            for (b, other) in &words[i + 1..] {
                let across = at.right().min(other.right()) - at.left().max(other.left());
                let down = at.bottom().min(other.bottom()) - at.top().max(other.top());
                if across > TOUCH && down > TOUCH {
                    clashes.push(format!("{a:?} on {b:?} ({across} x {down})"));
                }
            }
        }
        clashes
    }
}

fn kind(node: &Node) -> String {
    match node {
        Node::Text(text) => text.chunks().iter().map(|c| c.text().to_owned()).collect(),
        Node::Path(_) => "path".into(),
        _ => "other".into(),
    }
}

/// Every leaf with its box, strokes included.
fn each(group: &resvg::usvg::Group, seen: &mut impl FnMut(&Node, Rect)) {
    for node in group.children() {
        match node {
            Node::Group(inner) => each(inner, seen),
            node => seen(node, node.abs_stroke_bounding_box()),
        }
    }
}
