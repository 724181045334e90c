//! Signatures, the keys behind them, time-stamps.

use std::io;

use super::{
    MAX_STATEMENT, Walk,
    report::{SignedBy, StampSeen, check, not_checked},
};
use crate::{
    evidence::{
        Difference, TAG_MANIFEST,
        signatures::{self, Added, By},
        signers::{self, ExpectedSigners, fingerprint},
        sshsig,
        stamp::{self, MAX_REPLY},
        tree::{self, MAX_FILE},
    },
    record::writer::sha256,
    units::{count, share},
};

impl Walk<'_> {
    pub(super) fn signatures(&mut self) -> io::Result<()> {
        let mut wrong = Vec::new();
        let expected = self
            .tags
            .get(signers::FILE)
            .map(|b| ExpectedSigners::parse(b));
        let expected = match expected {
            Some(Ok(expected)) => expected,
            Some(Err(e)) => {
                wrong.push(e);
                ExpectedSigners::default()
            }
            None => ExpectedSigners::default(),
        };
        let order = signatures::order(self.listing.files.keys().map(String::as_str));
        let order = order.unwrap_or_else(|e| {
            wrong.push(e);
            Vec::new()
        });
        let mut stamped = Vec::new();
        for added in &order {
            let message = self.message(&order, added)?;
            match &added.by {
                By::Signer(name) => self.signer(name, added, &message, &expected, &mut wrong)?,
                By::Stamp(start) => self.stamp(start, added, &message, &mut stamped)?,
            }
        }
        for signer in expected.signers.iter().filter(|_| !self.basis.unsigned) {
            if !self.report.signatures.iter().any(|s| s.name == signer.name) {
                let what = format!(
                    "the expected signer {} ({}) has not signed",
                    signer.name, signer.role
                );
                wrong.push(Difference::of(signers::FILE, what));
            }
        }
        let holding = self.report.signatures.iter().filter(|s| s.holds).count() as u64;
        let said = match expected.signers.len() as u64 {
            0 => "nobody is expected to sign".to_owned(),
            all => {
                let s = if holding == 1 { "s" } else { "" };
                format!("{} hold{s}", share(holding, all, "expected signature"))
            }
        };
        self.report.add(check("signatures", said, wrong));
        self.trust(&expected);
        self.time(&expected, stamped);
        Ok(())
    }

    /// The text that a signature is over.
    fn message(&self, order: &[Added], added: &Added) -> io::Result<Vec<u8>> {
        let mut covered = Vec::new();
        for path in signatures::covered(order, added.number, added.statement.as_deref()) {
            let digests = tree::digests(&mut self.bag.open(&path)?, MAX_FILE)?;
            covered.push((path, digests.map(|d| d.sha256).unwrap_or_default()));
        }
        let tag = self.tags.get(TAG_MANIFEST).map_or(&[][..], Vec::as_slice);
        Ok(signatures::message(tag, &covered))
    }

    fn signer(
        &mut self,
        name: &str,
        added: &Added,
        message: &[u8],
        expected: &ExpectedSigners,
        wrong: &mut Vec<Difference>,
    ) -> io::Result<()> {
        let mut fail = |what: String| wrong.push(Difference::of(&added.file, what));
        let Some(signer) = expected.of(name) else {
            fail(format!("{name} is no expected signer"));
            return Ok(());
        };
        if self.report.signatures.iter().any(|s| s.name == name) {
            fail(format!("{name} has signed already"));
            return Ok(());
        }
        let key = signer.key().map_err(io::Error::other)?;
        let holds = match self.short(&added.file, sshsig::MAX_ARMOUR)? {
            None => Err("too long for a signature".into()),
            Some(armour) => sshsig::check(&armour, &key, message),
        };
        let statement = match &added.statement {
            Some(path) => self
                .short(path, MAX_STATEMENT)?
                .map(|b| String::from_utf8_lossy(&b).into_owned()),
            None => None,
        };
        self.report.signatures.push(SignedBy {
            name: name.into(),
            role: signer.role.clone(),
            vouches_for: signer.vouches_for.clone(),
            key: fingerprint(&key),
            holds: holds.is_ok(),
            statement,
        });
        if let Err(what) = holds {
            fail(what);
        }
        Ok(())
    }

    /// A file that must be short; `None`: it is not.
    pub(super) fn short(&self, path: &str, longest: u64) -> io::Result<Option<Vec<u8>>> {
        if self
            .listing
            .files
            .get(path)
            .is_some_and(|len| *len > longest)
        {
            return Ok(None);
        }
        tree::read(self.bag, path, longest).map(Some)
    }

    fn stamp(
        &mut self,
        start: &str,
        added: &Added,
        message: &[u8],
        wrong: &mut Vec<Difference>,
    ) -> io::Result<()> {
        let found = match self.short(&added.file, MAX_REPLY)? {
            None => Err("too long for a time-stamp reply".into()),
            Some(reply) if sha256(&reply)[..16] != *start => {
                Err("not the bytes that were added: its name states another digest".into())
            }
            Some(reply) => stamp::check(&reply, message, None),
        };
        match found {
            Ok(stamp) => self.report.stamps.push(StampSeen {
                file: added.file.clone(),
                time: stamp.time.to_string(),
                imprint: stamp.imprint,
            }),
            Err(what) => wrong.push(Difference::of(&added.file, what)),
        }
        Ok(())
    }

    /// Whether the verifier knows the keys.
    fn trust(&mut self, expected: &ExpectedSigners) {
        let Some(known) = self.basis.signers else {
            let why = "the keys are those that the bag names; nobody vouched for them";
            self.report.add(not_checked("signers", why));
            return;
        };
        let stranger = |signer: &&signers::Signer| {
            !signer.key().is_ok_and(|key| known.has(&signer.name, &key))
        };
        let wrong: Vec<Difference> = expected
            .signers
            .iter()
            .filter(stranger)
            .map(|s| {
                let key = s.key().map(|key| fingerprint(&key)).unwrap_or_default();
                let what = format!(
                    "{} with the key {key} is not in the file of --signers",
                    s.name
                );
                Difference::of(signers::FILE, what)
            })
            .collect();
        let said = format!(
            "{} looked up by name and key in the file of --signers",
            count(expected.signers.len() as u64, "signer")
        );
        let check = if expected.signers.is_empty() {
            not_checked("signers", "there is no list of expected signers")
        } else {
            check("signers", said, wrong)
        };
        self.report.add(check);
    }

    fn time(&mut self, expected: &ExpectedSigners, mut wrong: Vec<Difference>) {
        let stamps = &self.report.stamps;
        if expected.time_stamp && stamps.is_empty() && wrong.is_empty() && !self.basis.unsigned {
            let what = "a time-stamp is expected, and there is none";
            wrong.push(Difference::of(signers::FILE, what));
        }
        let row = match stamps.last() {
            None if wrong.is_empty() => {
                not_checked("time", "no time-stamp: the dates are the signers' own word")
            }
            None => check("time", "no time-stamp that fits", wrong),
            Some(last) => {
                let said = format!(
                    "{} says that the text it names was there at {}",
                    last.file, last.time
                );
                check("time", said, wrong)
            }
        };
        self.report.add(row);
    }
}
