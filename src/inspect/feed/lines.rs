//! Rows of a probe that speaks the wire: each line decoded, and what it indicates.

use super::{
    CLIPPED, Feed, OTHER_PROBE, Source,
    channel::{Role, Scale},
};
use crate::{
    inspect::{Fate, Indication, Reading, Row},
    reading::Edge,
    units::ZERO_CELSIUS_K,
    wire::{Event, Identity, Message, Samples, Standing, Unit},
};

impl Feed {
    /// Takes a row of a probe that speaks the wire.
    pub(super) fn line(&mut self, probe: usize, row: &Row, out: &mut impl FnMut(Indication)) {
        let event = Event::read(&row.bytes, row.part);
        let standing = self.probes[probe].tracker.take(row.host_us, &event);
        let Event::Line {
            outcome: Ok(line), ..
        } = event
        else {
            return;
        };
        let about = Indication {
            probe,
            sequence: Some(line.seq),
            host_us: row.host_us,
            ..Indication::default()
        };
        let gap = match standing {
            Standing::Fresh { gap, .. } => gap,
            Standing::Stale => return self.stale(about, &line.message, out),
            Standing::Broken => return,
        };
        let feeds = self.feeder() == Some(probe);
        if gap && feeds {
            self.quality.gaps += 1;
            self.after_gap.extend(self.last_us.keys());
        }
        match line.message {
            Message::Identity(identity) => self.identify(probe, identity),
            Message::Samples(samples) => self.samples(about, feeds, &samples, out),
            Message::Edges(edges) => {
                let counts = feeds && self.sensors.contains(&u32::from(edges.channel));
                for &t_us in edges.times_us() {
                    let seen = self.edge(about, edges.channel, t_us);
                    let (t_us, sensor) = (seen.probe_us.unwrap_or_default(), edges.channel.into());
                    let edge = Edge {
                        t_us,
                        sensor,
                        after_gap: self.after_gap.remove(&sensor),
                    };
                    self.pass(counts, Reading::Edge(edge), seen, out);
                }
            }
            _ => {}
        }
    }

    /// Hands out what a line says that is not used again.
    fn stale(&self, about: Indication, message: &Message, out: &mut impl FnMut(Indication)) {
        let about = Indication {
            fate: Fate::Stale,
            ..about
        };
        match message {
            Message::Samples(samples) => {
                let scale = self.scale(about.probe, samples.channel);
                for (t_us, count) in samples.timed() {
                    out(self.sample(about, samples.channel, &scale, t_us, count));
                }
            }
            Message::Edges(edges) => {
                for &t_us in edges.times_us() {
                    out(self.edge(about, edges.channel, t_us));
                }
            }
            _ => {}
        }
    }

    fn edge(&self, about: Indication, channel: u8, t_us: u32) -> Indication {
        Indication {
            channel,
            probe_us: Some(self.probes[about.probe].tracker.clock().unwrap(t_us)),
            unit: Some(Unit::Edge),
            ..about
        }
    }

    fn sample(
        &self,
        about: Indication,
        channel: u8,
        scale: &Scale,
        t_us: u32,
        count: i32,
    ) -> Indication {
        Indication {
            channel,
            probe_us: Some(self.probes[about.probe].tracker.clock().unwrap(t_us)),
            count: Some(count),
            unit: scale.channel.map(|channel| channel.unit),
            value: scale.value(count),
            ..about
        }
    }

    fn identify(&mut self, probe: usize, identity: Box<Identity>) {
        let Source::Wire(known) = &mut self.probes[probe].source else {
            return;
        };
        let other = known
            .as_ref()
            .is_some_and(|k| k.serial != identity.serial || k.kind != identity.kind);
        *known = Some(identity);
        if other {
            self.quality.count(OTHER_PROBE);
        }
    }

    fn samples(
        &mut self,
        about: Indication,
        feeds: bool,
        samples: &Samples,
        out: &mut impl FnMut(Indication),
    ) {
        let role = self.role(about.probe, feeds, samples.channel);
        let mut scale = self.scale(about.probe, samples.channel);
        if matches!(role, Role::Thermometer(_)) {
            scale.line = None;
        }
        for (t_us, count) in samples.timed() {
            let mut seen = self.sample(about, samples.channel, &scale, t_us, count);
            match role {
                Role::Counts(channel) => {
                    if channel.is_at_end(count) {
                        self.quality.count(CLIPPED);
                    }
                    let t_us = seen.probe_us.unwrap_or_default();
                    let value = seen.value.unwrap_or_else(|| channel.nominal(count));
                    let reading = self.reading(t_us, value);
                    self.pass(true, reading, seen, out);
                }
                Role::Thermometer(channel) => {
                    self.tank_k = Some(channel.nominal(count) + ZERO_CELSIUS_K);
                    seen.fate = Fate::Thermometer;
                    out(seen);
                }
                Role::Ignored => {
                    self.quality.ignored += 1;
                    out(seen);
                }
            }
        }
    }

    fn scale(&self, probe: usize, channel: u8) -> Scale {
        self.identity(probe)
            .map_or_else(Scale::default, |identity| {
                Scale::of(identity, &self.calibrations, channel)
            })
    }

    fn role(&self, probe: usize, feeds: bool, channel: u8) -> Role {
        let identity = self.identity(probe).filter(|_| feeds);
        identity.map_or(Role::Ignored, |identity| {
            Role::of(self.test, identity, channel)
        })
    }

    /// Who a probe said that it is.
    fn identity(&self, probe: usize) -> Option<&Identity> {
        match &self.probes[probe].source {
            Source::Wire(identity) => identity.as_deref(),
            Source::Bare(_) => None,
        }
    }
}
