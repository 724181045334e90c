//! The list of an inspection's files that its report brings along, and how it stands to the files that are there.
//!
//! A report is made of what is there at that moment, and its list says what that was: every file but those in `report/`, each with
//! its digest. An inspection only grows: lines come to the journal and files come beside it, nothing is written over. So there are
//! two ways in which list and inspection part, and they are not alike:
//!
//! - **Later**: the listed journal is the beginning of the one that is there, or there are files that the list does not name. The
//!   report is true of its moment and older than the inspection. That is a remark: list and files do not contradict each other, and
//!   the seal holds.
//! - **Contradiction**: a file has other bytes than the list says, or is not there. Nothing that is done in order does that, and who
//!   holds the paper with the list's digest cannot find that file any more. That is a difference, whoever signed it, as it is one
//!   when the journal names a file with another digest. Only `owner.toml` may be missing, because a copy may leave it out.

use std::{collections::BTreeMap, io};

use super::{
    Difference, journal,
    manifest::Manifest,
    tree::{MAX_TAG, Tree, read},
};
use crate::units::count;

/// Folder of the report, which its own list leaves out.
pub const REPORT: &str = "report";
/// The list's name in it.
pub const NAME: &str = "contents-sha256.txt";
/// The list's path from the inspection's folder.
pub const FILE: &str = "report/contents-sha256.txt";
/// The one file that a copy may leave out and the list may name all the same.
const MAY_BE_LEFT_OUT: &str = "owner.toml";
/// Names of later files that are told; the rest is counted.
const MAX_NAMED: usize = 4;

/// True for a path that the list names: everything outside of the report.
pub fn is_listed(path: &str) -> bool {
    let inside = path.strip_prefix(REPORT);
    !inside.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
}

/// How the report's list stands to the inspection.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// Files that the list names.
    pub listed: u64,
    /// In what the report is older than the inspection, a clause each.
    pub remarks: Vec<String>,
    /// Where list and inspection contradict each other.
    pub differences: Vec<Difference>,
}

impl Standing {
    /// The list names every file as it is.
    pub fn fits(&self) -> bool {
        self.remarks.is_empty() && self.differences.is_empty()
    }
}

/// Lays the list beside the files that are there: SHA-256 by path, those of `report/` too. The inspection lies at `base` in the tree,
/// `""` for the tree itself. `None`: there is no report.
///
/// # Errors
/// What the disk says of the list and of the journal.
pub fn standing(
    tree: &dyn Tree,
    base: &str,
    there: &BTreeMap<String, String>,
) -> io::Result<Option<Standing>> {
    let at = |path: &str| match base {
        "" => path.to_owned(),
        base => format!("{base}/{path}"),
    };
    if there.keys().all(|path| is_listed(path)) {
        return Ok(None);
    }
    let only = |remark: String| Standing {
        remarks: vec![remark],
        ..Standing::default()
    };
    if !there.contains_key(FILE) {
        return Ok(Some(only(format!(
            "the report has no {NAME}, so nobody can tell of what it was made"
        ))));
    }
    let bytes = read(tree, &at(FILE), MAX_TAG)?;
    let list = match Manifest::parse(&at(FILE), &bytes, 64, is_listed) {
        Ok(list) => list,
        Err(e) => {
            return Ok(Some(only(format!(
                "the report's list cannot be understood: {e}"
            ))));
        }
    };
    let mut standing = Standing {
        listed: list.0.len() as u64,
        ..Standing::default()
    };
    for (n, (path, digest)) in (1..).zip(&list.0) {
        match since(
            tree,
            &at(path),
            (path.as_str(), digest.as_str()),
            there.get(path),
        )? {
            Since::Same => {}
            Since::Later(remark) => standing.remarks.push(remark),
            Since::Contradicted(what) => {
                standing.differences.push(Difference::at(at(FILE), n, what));
            }
        }
    }
    let later: Vec<&String> = there
        .keys()
        .filter(|path| is_listed(path) && !list.0.contains_key(*path))
        .collect();
    standing.remarks.extend(unlisted(&later));
    Ok(Some(standing))
}

/// What became of a listed file since the report was made.
enum Since {
    Same,
    Later(String),
    Contradicted(String),
}

/// Of the listed file that lies at `place` in the tree; `now`: the digest that it has, if it is there.
fn since(
    tree: &dyn Tree,
    place: &str,
    (path, digest): (&str, &str),
    now: Option<&String>,
) -> io::Result<Since> {
    Ok(match now {
        Some(now) if now == digest => Since::Same,
        Some(_) if path == journal::FILE => match journal::lines_when(digest, tree.open(place)?)? {
            (Some(then), now) => Since::Later(format!(
                "the report is older than the journal: it was made at line {then} of {now}"
            )),
            (None, _) => Since::Contradicted(
                "lines of the journal were changed or taken away since the report was made".into(),
            ),
        },
        Some(_) => Since::Contradicted(format!(
            "{path} has other bytes than when the report was made"
        )),
        None if path == MAY_BE_LEFT_OUT => Since::Later(format!(
            "{path}, which the report's list names, was left out"
        )),
        None => Since::Contradicted(format!(
            "{path} was there when the report was made and is not there now"
        )),
    })
}

fn unlisted(later: &[&String]) -> Option<String> {
    let named: Vec<&str> = later
        .iter()
        .take(MAX_NAMED)
        .map(|path| path.as_str())
        .collect();
    let more = match later.len().saturating_sub(MAX_NAMED) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    (!named.is_empty()).then(|| {
        format!(
            "the report's list does not name {}: {}{more}",
            count(later.len() as u64, "file"),
            named.join(", ")
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::writer::sha256;

    type Folder = BTreeMap<String, Vec<u8>>;

    const JOURNAL: [&str; 3] = ["{\"n\":1}\n", "{\"n\":2}\n", "{\"n\":3}\n"];

    fn folder() -> Folder {
        let files = [
            ("data/inspection.toml", "format = 1\n"),
            ("data/journal.jsonl", &JOURNAL[..2].concat()),
            ("data/owner.toml", "name = \"A. Wigeon\"\n"),
        ];
        files
            .map(|(path, text)| (path.to_owned(), text.as_bytes().to_vec()))
            .into()
    }

    fn digests(folder: &Folder) -> BTreeMap<String, String> {
        let of = |(path, bytes): (&String, &Vec<u8>)| {
            Some((path.strip_prefix("data/")?.to_owned(), sha256(bytes)))
        };
        folder.iter().filter_map(of).collect()
    }

    /// With a report made now.
    fn reported(mut folder: Folder) -> Folder {
        let list = Manifest(digests(&folder)).text();
        folder.insert("data/report/report.pdf".into(), b"%PDF".to_vec());
        folder.insert(format!("data/{FILE}"), list.into_bytes());
        folder
    }

    fn of(folder: &Folder) -> Standing {
        let found = standing(folder, "data", &digests(folder)).unwrap();
        found.expect("there is a report")
    }

    #[test]
    fn a_list_made_now_fits_and_none_is_asked_for_without_a_report() {
        let found = of(&reported(folder()));
        assert!(found.fits(), "{found:?}");
        assert_eq!(found.listed, 3);
        assert_eq!(
            standing(&folder(), "data", &digests(&folder())).unwrap(),
            None
        );
        assert!(is_listed("report.txt") && is_listed("reports/a"));
        assert!(!is_listed("report") && !is_listed("report/a"));
    }

    #[test]
    fn what_came_later_is_a_remark() {
        let mut grown = reported(folder());
        grown.insert("data/journal.jsonl".into(), JOURNAL.concat().into_bytes());
        for n in 0..6 {
            grown.insert(format!("data/photographs/{n}.jpg"), vec![n]);
        }
        let found = of(&grown);
        assert!(found.differences.is_empty(), "{found:?}");
        let [older, files] = &found.remarks[..] else {
            panic!("{found:?}")
        };
        assert!(older.ends_with("it was made at line 2 of 3"), "{older}");
        assert!(
            files.contains("6 files: photographs/0.jpg,") && files.ends_with("and 2 more"),
            "{files}"
        );
        let mut copy = reported(folder());
        copy.remove("data/owner.toml");
        let found = of(&copy);
        assert!(
            found.differences.is_empty() && found.remarks.len() == 1,
            "{found:?}"
        );
    }

    #[test]
    fn other_bytes_and_missing_files_contradict_the_list() {
        let mut changed = reported(folder());
        changed.insert("data/inspection.toml".into(), b"format = 1 \n".to_vec());
        changed.insert("data/owner.toml".into(), b"name = \"B\"\n".to_vec());
        // the second line of two, changed; and the first alone, where two were listed
        for journal in [[JOURNAL[0], JOURNAL[2]].concat(), JOURNAL[0].to_owned()] {
            changed.insert("data/journal.jsonl".into(), journal.into_bytes());
            let found = of(&changed);
            let lines: Vec<_> = found.differences.iter().map(|d| d.line).collect();
            assert_eq!(lines, [Some(1), Some(2), Some(3)], "{found:?}");
            assert_eq!(found.differences[0].file, format!("data/{FILE}"));
            assert!(found.remarks.is_empty(), "{found:?}");
        }
        let mut fewer = reported(folder());
        fewer.remove("data/inspection.toml");
        assert_eq!(of(&fewer).differences.len(), 1);
    }

    #[test]
    fn a_report_without_a_list_or_with_a_strange_one_is_told() {
        let mut bare = reported(folder());
        bare.remove(&format!("data/{FILE}"));
        assert!(of(&bare).remarks[0].contains(NAME));
        let mut strange = reported(folder());
        strange.insert(format!("data/{FILE}"), b"every file\n".to_vec());
        let found = of(&strange);
        assert!(found.remarks[0].contains("cannot be understood"));
        assert!(found.differences.is_empty());
    }
}
