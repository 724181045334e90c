//! What people put in: photographs, attachments, the joint statement; and what was done, written into the journal.

use super::{Folder, MAX_ATTACHMENT};
use crate::{
    clock::Clock,
    inspection::{
        ATTACHMENTS, Deed, Entry, FolderError, JOINT_STATEMENT, Objection, PHOTOGRAPHS, Party,
        Photograph, fit, joint, photograph,
    },
    record::{SharedStorage, writer::sha256},
};

impl<S: SharedStorage> Folder<S> {
    /// Writes what was done. Takes the folder's lock, checks the chain, and appends one line that is durable when this returns.
    /// Before it come lines of their own where the clock was set or a crash had torn the last one. The same `clock` is to be
    /// handed in every time: only so can a clock that was set forward be seen.
    ///
    /// # Errors
    /// [`FolderError::Sealed`], [`FolderError::Unfit`], [`FolderError::Broken`], what the disk says.
    #[allow(clippy::needless_pass_by_value)] // handed over: what was written is the entry
    pub fn write(&self, clock: &Clock, who: &str, deed: Deed) -> Result<Entry, FolderError> {
        self.held(|ledger| {
            ledger.disk.is_there(&deed)?;
            ledger.append(clock, who, &deed)
        })
    }

    /// Puts a photograph in. `name`: what its camera or a person called it; `words`: what it shows.
    ///
    /// # Errors
    /// It is none, or too large; the same is in already; as [`Folder::write`].
    pub fn put_photograph(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        bytes: &[u8],
        words: Option<&str>,
        tag_in_picture: bool,
    ) -> Result<Entry, FolderError> {
        self.may_write()?;
        let looked = photograph::look(bytes)?;
        let safe = fit::safe_name(name, "photograph");
        let (stem, _) = fit::split(&safe);
        let name = format!("{stem}.{}", looked.kind.ending());
        let mut deed = Photograph {
            file: format!("{PHOTOGRAPHS}/{name}"),
            sha256: sha256(bytes),
            bytes: bytes.len() as u64,
            width: looked.width,
            height: looked.height,
            orientation: looked.orientation,
            taken: looked.taken,
            words: words.map(str::to_owned),
            tag_in_picture,
        };
        fit::deed(&Deed::Photographed(deed.clone())).map_err(FolderError::Unfit)?;
        self.held(|ledger| {
            deed.file = ledger
                .disk
                .put_once(PHOTOGRAPHS, &name, bytes, &deed.sha256)?;
            ledger.append(clock, who, &Deed::Photographed(deed))
        })
    }

    /// Puts a file in that is never opened: a receipt, a message, a PDF.
    ///
    /// # Errors
    /// It is too large; the same is in already; as [`Folder::write`].
    pub fn put_attachment(
        &self,
        clock: &Clock,
        who: &str,
        name: &str,
        bytes: &[u8],
        words: &str,
    ) -> Result<Entry, FolderError> {
        self.may_write()?;
        if bytes.len() as u64 > MAX_ATTACHMENT {
            return Err(FolderError::Unfit(format!(
                "{name}: {} bytes, and {MAX_ATTACHMENT} are the most; attach a smaller copy",
                bytes.len()
            )));
        }
        let name = fit::safe_name(name, "attachment");
        let deed = |file: String| Deed::Attached {
            file,
            sha256: sha256(bytes),
            bytes: bytes.len() as u64,
            words: words.to_owned(),
        };
        fit::deed(&deed(format!("{ATTACHMENTS}/{name}"))).map_err(FolderError::Unfit)?;
        self.held(|ledger| {
            let file = ledger
                .disk
                .put_once(ATTACHMENTS, &name, bytes, &sha256(bytes))?;
            ledger.append(clock, who, &deed(file))
        })
    }

    /// Lays out what the parties state together before they sign; what somebody objects to stands in it in their own words.
    ///
    /// # Errors
    /// As [`Folder::write`].
    pub fn put_joint_statement(
        &self,
        clock: &Clock,
        who: &str,
        present: &[Party],
        objections: &[Objection],
    ) -> Result<Entry, FolderError> {
        let visit = self.visit()?;
        let deed = |file: String, sha256: String| Deed::Joint {
            present: present.to_vec(),
            objections: objections.to_vec(),
            file,
            sha256,
        };
        fit::deed(&deed(JOINT_STATEMENT.into(), String::new())).map_err(FolderError::Unfit)?;
        let text = joint::statement(&visit, clock.wall(), present, objections);
        self.held(|ledger| {
            let file = ledger.disk.put("", JOINT_STATEMENT, text.as_bytes())?;
            ledger.append(clock, who, &deed(file, sha256(text.as_bytes())))
        })
    }
}
