//! A folder of its own for every test, and the program run in it as a person runs it.

use std::{
    fs,
    io::Cursor,
    path::PathBuf,
    process::{Command, Output},
};

use serde_json::Value;

pub use crate::folders::{LEAK, PULL, copy};

/// What one run said.
#[derive(Debug)]
pub struct Said {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Said {
    /// Nothing on standard output, and every word of `words` in the message.
    #[track_caller]
    pub fn refuses(&self, code: i32, words: &[&str]) {
        assert_eq!((self.code, self.out.as_str()), (code, ""), "{self:?}");
        for word in words {
            assert!(self.err.contains(word), "no {word:?} in {}", self.err);
        }
    }

    /// It did its work.
    #[track_caller]
    pub fn done(self) -> String {
        assert_eq!(self.code, 0, "{self:?}");
        self.out
    }

    /// One JSON value.
    #[track_caller]
    pub fn json(self) -> Value {
        serde_json::from_str(&self.done()).unwrap()
    }
}

/// A folder in which the program runs.
pub struct Place {
    pub dir: tempfile::TempDir,
}

impl Place {
    pub fn new() -> Self {
        Self {
            dir: tempfile::tempdir().unwrap(),
        }
    }

    pub fn at(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        let path = self.at(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    pub fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_feelgauge"));
        command.args(args).current_dir(self.dir.path());
        // no bench of this machine is asked
        command.env("XDG_RUNTIME_DIR", self.dir.path());
        command
    }

    pub fn run(&self, args: &[&str]) -> Said {
        said(&self.command(args).output().unwrap())
    }

    /// `inspection ...`.
    pub fn inspection(&self, args: &[&str]) -> Said {
        self.run(&[&["inspection"], args].concat())
    }

    /// An inspection `i`, opened with as little as can be.
    pub fn opened(&self) {
        self.inspection(&[
            "open", "i", "--by", "R. Tern", "--tag", "14", "--car", "Plover 8",
        ])
        .done();
    }

    pub fn journal(&self) -> Vec<Value> {
        let text = fs::read_to_string(self.at("i/journal.jsonl")).unwrap();
        text.lines()
            .map(|l| serde_json::from_str(l).unwrap())
            .collect()
    }

    /// A new key `name` and `name.pub`.
    pub fn key(&self, name: &str) {
        self.run(&["seal", "--new-key", name]).done();
    }
}

pub fn said(output: &Output) -> Said {
    let said = Said {
        // no code: a signal ended it, which no case here asks for
        code: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout.clone()).unwrap(),
        err: String::from_utf8(output.stderr.clone()).unwrap(),
    };
    assert!(!said.err.contains("panicked"), "{said:?}");
    said
}

/// A sample capture beside the sources.
pub fn sample(name: &str) -> String {
    format!("{}/captures/{name}", env!("CARGO_MANIFEST_DIR"))
}

/// A picture of a few elements, drawn by number.
pub fn picture(format: image::ImageFormat, n: u8) -> Vec<u8> {
    let drawn = image::RgbImage::from_fn(24, 16, |x, y| {
        image::Rgb([
            u8::try_from(10 * x).unwrap(),
            u8::try_from(15 * y).unwrap(),
            n,
        ])
    });
    let mut bytes = Cursor::new(Vec::new());
    drawn.write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}
