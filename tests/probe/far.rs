//! The probe's end of a link in memory, and what it says.

use feelgauge::{
    clock::Clock,
    probe::link::{Arrival, Link},
    wire::{Channel, Command, Encoder, Identity, Message, ProbeKind, Samples, Unit},
};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream, duplex};

pub fn virtual_clock() -> Clock {
    Clock::virtual_from("2031-05-17T14:21:40Z".parse().unwrap())
}

pub fn identity(serial: &str, boot: u16) -> Identity {
    Identity {
        version: 1,
        kind: ProbeKind::Pressure,
        serial: serial.into(),
        firmware: "1.0".into(),
        boot,
        t_us: 2_000,
        channels: vec![Channel {
            index: 0,
            unit: Unit::Pascal,
            scale: 2.5,
            zero: 1638.0,
            min: 0,
            max: 16_368,
            rate_hz: 200.0,
            order: 1,
        }],
    }
}

pub fn hello(serial: &str, boot: u16) -> Message<'static> {
    Message::Identity(Box::new(identity(serial, boot)))
}

pub fn batch(t0_us: u32) -> Message<'static> {
    Message::Samples(Samples::new(0, t0_us, 5_000, &[1702; 10]).unwrap())
}

/// The probe's end of a link in memory.
pub struct Far {
    pub stream: DuplexStream,
    pub encoder: Encoder,
}

pub fn linked() -> (Link<DuplexStream>, Far) {
    let (near, stream) = duplex(1 << 20);
    let link = Link::new(near, virtual_clock());
    (
        link,
        Far {
            stream,
            encoder: Encoder::default(),
        },
    )
}

impl Far {
    pub async fn say(&mut self, message: &Message<'_>) {
        let line = self.encoder.line(message).unwrap();
        self.stream.write_all(&line).await.unwrap();
    }

    /// The next command of the host.
    pub async fn hear(&mut self) -> Command {
        let mut line = Vec::new();
        loop {
            match self.stream.read_u8().await.unwrap() {
                b'\n' => return Command::read(&line).unwrap(),
                b => line.push(b),
            }
        }
    }
}

pub fn quiet(_: &Arrival<'_>) {}

/// A port in memory and its other end.
pub fn linked_pair() -> (DuplexStream, Far) {
    let (near, stream) = duplex(1 << 16);
    (
        near,
        Far {
            stream,
            encoder: Encoder::default(),
        },
    )
}
