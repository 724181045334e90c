//! Rows of a bare probe: numbers alone, timed by the host's reads.

use super::{Feed, Probe, Source, channel::unit_of};
use crate::inspect::{Indication, Row};

impl Feed {
    /// Takes a row of a bare probe.
    pub(super) fn bare_row(&mut self, probe: usize, row: &Row, out: &mut impl FnMut(Indication)) {
        let Probe { source, bare, .. } = &mut self.probes[probe];
        let Source::Bare(how) = source else { return };
        let (read_us, timed) = (bare.read_us(), bare.take(how, row));
        self.bare_readings(probe, read_us, timed, out);
    }

    /// `read_us`: when the host read them; `timed`: when each was made, and the number that was printed.
    pub(super) fn bare_readings(
        &mut self,
        probe: usize,
        read_us: u64,
        timed: Vec<(u64, f64)>,
        out: &mut impl FnMut(Indication),
    ) {
        let Source::Bare(how) = &self.probes[probe].source else {
            return;
        };
        let unit = unit_of(how.kind);
        let counts = self.feeder() == Some(probe);
        let line = self.calibrations.of_readings(self.test.kind());
        let line = line.map(|(line, _)| line.clone()).filter(|_| counts);
        for (t_us, printed) in timed {
            let value = line.as_ref().map_or(printed, |line| line.value(printed));
            let seen = Indication {
                probe,
                host_us: read_us,
                printed: Some(printed),
                unit: Some(unit),
                value: Some(value),
                ..Indication::default()
            };
            let reading = self.reading(t_us, value);
            self.pass(counts, reading, seen, out);
        }
    }
}
