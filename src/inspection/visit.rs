//! What an inspection holds, read from its files.

use super::{
    Checked, Decision, Deed, Entry, Moment, Opening, Owner, Photograph, PlannedPart, Price, Sense,
    Stage,
};

/// An inspection, read.
#[derive(Clone, Debug)]
pub struct Visit {
    /// `inspection.toml`.
    pub opening: Opening,
    /// `owner.toml`, where it is there.
    pub owner: Option<Owner>,
    /// The journal, first line first.
    pub entries: Vec<Entry>,
}

/// A test that was recorded.
#[derive(Clone, Copy, Debug)]
pub struct TakenTest<'a> {
    /// Its line.
    pub entry: &'a Entry,
    /// Name of the folder in `captures/`.
    pub capture: &'a str,
    /// `leak`, `pull` or `roll`.
    pub test: &'a str,
    /// Setup of the vehicle file.
    pub setup: Option<&'a str>,
    /// Before or after the repair.
    pub stage: Stage,
    /// Path of its finding, where one was recorded.
    pub finding: Option<&'a str>,
}

/// Something seen or felt.
#[derive(Clone, Copy, Debug)]
pub struct Observation<'a> {
    /// Its line.
    pub entry: &'a Entry,
    /// By which sense.
    pub sense: Sense,
    /// What.
    pub text: &'a str,
    /// Path of a photograph that shows it.
    pub photograph: Option<&'a str>,
}

/// The day's conditions, each as it was read off last.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DaysConditions {
    /// Temperature of the room, K.
    pub temperature_k: Option<f64>,
    /// Absolute pressure of the air, Pa.
    pub ambient_pa: Option<f64>,
    /// Anything else.
    pub words: Vec<String>,
}

/// A file that was attached.
#[derive(Clone, Copy, Debug)]
pub struct Attachment<'a> {
    /// Its line.
    pub entry: &'a Entry,
    /// Path from the folder.
    pub file: &'a str,
    /// Digest of its bytes.
    pub sha256: &'a str,
    /// Length, bytes.
    pub bytes: u64,
    /// What it is.
    pub words: &'a str,
}

/// What was decided.
#[derive(Clone, Copy, Debug)]
pub struct Decided<'a> {
    /// Its line.
    pub entry: &'a Entry,
    /// What.
    pub decision: Decision,
    /// What is offered.
    pub offer: Option<&'a Price>,
    /// Why.
    pub words: Option<&'a str>,
}

impl Visit {
    fn each<'a, T>(&'a self, of: impl Fn(&'a Entry) -> Option<T>) -> Vec<T> {
        self.entries.iter().filter_map(of).collect()
    }

    /// Tests in the order in which they were entered.
    pub fn captures(&self) -> Vec<TakenTest<'_>> {
        let found: Vec<&str> = self.found().collect();
        self.each(|entry| {
            let Deed::Captured {
                capture,
                test,
                setup,
                stage,
            } = &entry.deed
            else {
                return None;
            };
            let own = format!("findings/{capture}.json");
            Some(TakenTest {
                entry,
                capture,
                test,
                setup: setup.as_deref(),
                stage: *stage,
                finding: found.iter().find(|file| **file == own).copied(),
            })
        })
    }

    /// Tests of one stage and one kind.
    pub fn captures_of(&self, stage: Stage, test: &str) -> Vec<TakenTest<'_>> {
        let mut taken = self.captures();
        taken.retain(|t| t.stage == stage && t.test == test);
        taken
    }

    /// Paths of findings and comparisons, in order.
    fn found(&self) -> impl Iterator<Item = &str> {
        self.entries.iter().filter_map(|entry| match &entry.deed {
            Deed::Found { file, .. } => Some(file.as_str()),
            _ => None,
        })
    }

    /// Paths of the comparisons, in order.
    pub fn comparisons(&self) -> Vec<&str> {
        self.found()
            .filter(|file| file.starts_with("findings/comparison-"))
            .collect()
    }

    /// Photographs in order, each with its line.
    pub fn photographs(&self) -> Vec<(&Entry, &Photograph)> {
        self.each(|entry| match &entry.deed {
            Deed::Photographed(photograph) => Some((entry, photograph)),
            _ => None,
        })
    }

    /// Attachments in order.
    pub fn attachments(&self) -> Vec<Attachment<'_>> {
        self.each(|entry| match &entry.deed {
            Deed::Attached {
                file,
                sha256,
                bytes,
                words,
            } => Some(Attachment {
                entry,
                file,
                sha256,
                bytes: *bytes,
                words,
            }),
            _ => None,
        })
    }

    /// What was seen, felt, heard, smelt; in order.
    pub fn observations(&self) -> Vec<Observation<'_>> {
        self.each(|entry| match &entry.deed {
            Deed::Observed {
                sense,
                text,
                photograph,
            } => Some(Observation {
                entry,
                sense: *sense,
                text,
                photograph: photograph.as_deref(),
            }),
            _ => None,
        })
    }

    /// What was left out.
    pub fn not_checked(&self) -> Vec<&str> {
        self.each(|entry| match &entry.deed {
            Deed::NotChecked { text } => Some(text.as_str()),
            _ => None,
        })
    }

    /// Work that was done on the car, each with its line.
    pub fn repairs(&self) -> Vec<(&Entry, &str)> {
        self.each(|entry| match &entry.deed {
            Deed::Repaired { text } => Some((entry, text.as_str())),
            _ => None,
        })
    }

    /// Parts, each with its line.
    pub fn parts(&self) -> Vec<(&Entry, &PlannedPart)> {
        self.each(|entry| match &entry.deed {
            Deed::Part(part) => Some((entry, part)),
            _ => None,
        })
    }

    /// Checks of probes against something known.
    pub fn checks(&self, moment: Moment) -> Vec<(&Entry, &Checked)> {
        self.each(|entry| match &entry.deed {
            Deed::Checked(checked) if checked.moment == moment => Some((entry, checked)),
            _ => None,
        })
    }

    /// The day's conditions.
    pub fn conditions(&self) -> DaysConditions {
        let mut day = DaysConditions::default();
        for entry in &self.entries {
            if let Deed::Conditions {
                temperature_k,
                ambient_pa,
                words,
            } = &entry.deed
            {
                day.temperature_k = temperature_k.or(day.temperature_k);
                day.ambient_pa = ambient_pa.or(day.ambient_pa);
                day.words.extend(words.clone());
            }
        }
        day
    }

    /// What was decided last.
    pub fn decided(&self) -> Option<Decided<'_>> {
        self.entries
            .iter()
            .rev()
            .find_map(|entry| match &entry.deed {
                Deed::Decided {
                    decision,
                    offer,
                    words,
                } => Some(Decided {
                    entry,
                    decision: *decision,
                    offer: offer.as_ref(),
                    words: words.as_deref(),
                }),
                _ => None,
            })
    }

    /// What was said later of a line that is wrong, each with its own line.
    pub fn corrections(&self, line: u64) -> Vec<(&Entry, &str)> {
        self.each(|entry| match &entry.deed {
            Deed::Corrected { line: of, text } if *of == line => Some((entry, text.as_str())),
            _ => None,
        })
    }

    /// When the clock was set, and by how much, s.
    pub fn clock_jumps(&self) -> Vec<(&Entry, f64)> {
        self.each(|entry| match &entry.deed {
            Deed::ClockSet { by_s } => Some((entry, *by_s)),
            _ => None,
        })
    }

    /// Where a test that is taken now stands: after the repair when one was done.
    pub fn stage(&self) -> Stage {
        let repaired = self
            .entries
            .iter()
            .any(|entry| matches!(entry.deed, Deed::Repaired { .. }));
        if repaired {
            Stage::AfterRepair
        } else {
            Stage::AsFound
        }
    }

    /// Every file that a line names by its digest.
    pub fn named_files(&self) -> Vec<(&String, &String)> {
        self.each(|entry| match &entry.deed {
            Deed::Photographed(Photograph { file, sha256, .. })
            | Deed::Attached { file, sha256, .. }
            | Deed::Found { file, sha256 }
            | Deed::Joint { file, sha256, .. } => Some((file, sha256)),
            _ => None,
        })
    }
}
