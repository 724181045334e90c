//! The tree of tags: what each thing on the paper is, in the order in which it is read.

use std::num::NonZeroU16;

use krilla::tagging::{
    Identifier, ListNumbering, Node, TableHeaderScope, Tag, TagGroup, TagKind, TagTree,
};

/// The tree in the making.
#[derive(Debug, Default)]
pub(super) struct Tags {
    nodes: Vec<Entry>,
    /// The uppermost nodes.
    top: Vec<usize>,
}

#[derive(Debug)]
struct Entry {
    kind: TagKind,
    children: Vec<Child>,
}

#[derive(Clone, Copy, Debug)]
enum Child {
    Entry(usize),
    /// Something drawn.
    Drawn(Identifier),
}

impl Tags {
    /// A new node, last below `parent`, or at the top.
    pub fn open(&mut self, parent: Option<usize>, kind: impl Into<TagKind>) -> usize {
        let node = self.nodes.len();
        self.nodes.push(Entry {
            kind: kind.into(),
            children: Vec::new(),
        });
        match parent {
            Some(parent) => self.nodes[parent].children.push(Child::Entry(node)),
            None => self.top.push(node),
        }
        node
    }

    /// Says that something drawn belongs to a node.
    pub fn drawn(&mut self, node: usize, what: Identifier) {
        self.nodes[node].children.push(Child::Drawn(what));
    }

    /// The tree, in English.
    pub fn tree(&self) -> TagTree {
        let mut tree = TagTree::new().with_lang(Some("en".into()));
        self.top.iter().for_each(|top| tree.push(self.group(*top)));
        tree
    }

    fn group(&self, node: usize) -> TagGroup {
        let entry = &self.nodes[node];
        let child = |child: &Child| match *child {
            Child::Entry(node) => Node::Group(self.group(node)),
            Child::Drawn(what) => Node::Leaf(what),
        };
        TagGroup::with_children(
            entry.kind.clone(),
            entry.children.iter().map(child).collect(),
        )
    }
}

/// A heading; 1 is the uppermost.
pub(super) fn heading(level: u16, title: &str) -> TagKind {
    let level = NonZeroU16::new(level).unwrap_or(NonZeroU16::MIN);
    Tag::Hn(level, Some(spoken(title))).into()
}

/// A picture that is read aloud as `words`.
pub(super) fn figure(words: &str) -> TagKind {
    Tag::Figure(Some(spoken(words))).into()
}

/// A list.
pub(super) fn list(numbered: bool) -> TagKind {
    let numbering = if numbered {
        ListNumbering::Decimal
    } else {
        ListNumbering::None
    };
    Tag::L(numbering).into()
}

/// The name of a column, or of a row.
pub(super) fn name_of(row: bool) -> TagKind {
    let scope = if row {
        TableHeaderScope::Row
    } else {
        TableHeaderScope::Column
    };
    Tag::TH(scope).into()
}

/// Words for the structure of the file: no control characters, and no more than a string of the file may hold.
pub(super) fn spoken(words: &str) -> String {
    let plain = |c: char| {
        if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') {
            ' '
        } else {
            c
        }
    };
    words.chars().take(4000).map(plain).collect()
}
