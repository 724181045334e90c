//! What people say and do in the demo. All of it is invented: club, member, car, prices.

use crate::inspection::{
    Act, Car, Decision, Deed, FORMAT, Objection, Opening, Owner, Party, PlannedPart, Price, Sense,
};

/// Who measures.
pub(super) const OPERATOR: &str = "R. Tern";
/// The other side.
pub(super) const BORROWER: &str = "A. Wren";
/// When the inspection is opened.
pub(super) const OPENED: &str = "2031-05-17T13:52:00Z";
/// When the first test begins.
pub(super) const BEGIN: &str = "2031-05-17T14:21:40Z";
/// When the car is opened and repaired.
pub(super) const REPAIR: &str = "2031-05-19T16:05:00Z";
/// When it is measured again.
pub(super) const AGAIN: &str = "2031-05-24T10:10:00Z";

const HOUSE: &str = "Harbour Lane model club";
const CURRENCY: &str = "EUR";

pub(super) fn opening(car: &str) -> Opening {
    Opening {
        format: FORMAT,
        tag: "14".into(),
        opened: OPENED.replace('Z', "+00:00"),
        operator: OPERATOR.into(),
        house: Some(HOUSE.into()),
        owner: Some("M-27, the borrower".into()),
        reason: Some("a hitch that comes and goes, and a starter that feels flat".into()),
        car: Car {
            name: car.into(),
            description: Some(
                "1:8 buggy, four-wheel drive, two-stroke glow engine of 3.5 cm3; an invented car"
                    .into(),
            ),
            serial: Some("HL-0814, struck into the chassis behind the tank".into()),
            marks: vec![
                "inventory sticker 14 on the wing's left end plate".into(),
                "scratch of 40 mm across the chassis, below the engine mount".into(),
            ],
            fitted: vec!["steel clutch bell of another maker".into()],
        },
        claimed: vec![
            "\"It ran well until the last day, then it began to hitch.\"".into(),
            "\"The starter felt flat from the beginning.\"".into(),
        ],
    }
}

/// The borrower's own data: a copy of the inspection may leave them out.
pub(super) fn owner() -> Owner {
    Owner {
        name: BORROWER.into(),
        contact: vec![
            "member M-27 of the club (invented)".into(),
            "3 Slipway Cottages, Harbour Lane (invented)".into(),
        ],
    }
}

/// A message that is put in and never opened.
pub(super) const MESSAGE: (&str, &str, &str) = (
    "message-from-M-27.txt",
    "The borrower's message of the day on which the car came back",
    "Invented for the demo.\n\nThe buggy is back on the shelf. It hitches since Sunday, about once a turn of the wheel but not always.\n\
     The starter felt flat from the beginning. I did not open anything.\n",
);
/// The receipt of the parts.
pub(super) const RECEIPT: (&str, &str, &str) = (
    "receipt-parts.txt",
    "Receipt of the parts that were bought",
    "Invented for the demo.\n\n1 lid seal                      4.50 EUR\n1 set of front ring and pinion 18.90 EUR\n\
     sum                            23.40 EUR\n",
);

/// What is seen, felt and left out when it comes in. `photograph`: the car's.
pub(super) fn seen(photograph: &str) -> Vec<Deed> {
    let sense = |sense, text: &str, photograph: Option<&str>| Deed::Observed {
        sense,
        text: text.into(),
        photograph: photograph.map(str::to_owned),
    };
    let not = |text: &str| Deed::NotChecked { text: text.into() };
    vec![
        sense(
            Sense::Seen,
            "Complete, dirty, no broken part; tag 14 tied to the nose for the photograph.",
            Some(photograph),
        ),
        sense(
            Sense::Felt,
            "Front left wheel turned by hand: a hitch that comes and goes.",
            None,
        ),
        sense(
            Sense::Felt,
            "Starter cord: weak to the hand; the spring is slow to take it back.",
            None,
        ),
        sense(
            Sense::Smelt,
            "Fuel at the tank's lid, an hour after it was drained and flushed.",
            None,
        ),
        not("Receiver, servos and batteries: not looked at."),
        not("Rear diff: not opened, it showed nothing."),
    ]
}

fn part(
    name: &str,
    part: Option<&str>,
    act: Act,
    minutes: u32,
    bought: Option<(u64, &str)>,
) -> Deed {
    Deed::Part(PlannedPart {
        name: name.into(),
        part: part.map(str::to_owned),
        act,
        minutes: Some(minutes),
        from: bought.map(|(_, from)| from.into()),
        price: bought.map(|(cents, _)| price(cents)),
        priced_by: bought.map(|_| "the club's list of 2031, invented".into()),
    })
}

fn price(cents: u64) -> Price {
    Price {
        low: cents,
        high: cents,
        currency: CURRENCY.into(),
    }
}

const SEAL: u64 = 450;
const RING: u64 = 1890;

/// What it needs, and what was decided, when it has been measured.
pub(super) fn plan() -> Vec<Deed> {
    vec![
        part("front diff", Some("ring_f"), Act::ToOpen, 40, None),
        part("lid seal", None, Act::Needed, 10, Some((SEAL, "new"))),
        part(
            "front ring and pinion",
            Some("ring_f"),
            Act::Needed,
            30,
            Some((RING, "new")),
        ),
        Deed::Decided {
            decision: Decision::Repair,
            offer: Some(price(SEAL + RING)),
            words: Some(
                "A whole donor car would be 60 to 80 EUR. The engine is within its limit and needs nothing."
                    .into(),
            ),
        },
    ]
}

/// What is found and done when it is open. `lid`, `ring`: the photographs.
pub(super) fn repair(lid: &str, ring: &str) -> Vec<Deed> {
    let seen = |text: &str, photograph: &str| Deed::Observed {
        sense: Sense::Seen,
        text: text.into(),
        photograph: Some(photograph.into()),
    };
    vec![
        seen("Lid seal: cracked, pressed flat on one side.", lid),
        seen(
            "Front ring gear: one tooth chipped, a burr beside it. Pinion, side and planet gears sound.",
            ring,
        ),
        part("front diff", Some("ring_f"), Act::PutRight, 40, None),
        part("lid seal", None, Act::Renewed, 10, Some((SEAL, "new"))),
        part(
            "front ring and pinion",
            Some("ring_f"),
            Act::Renewed,
            55,
            Some((RING, "new")),
        ),
        part(
            "piston and sleeve",
            None,
            Act::Renewed,
            50,
            Some((0, "own stock")),
        ),
        Deed::Repaired {
            text: "Lid seal, front ring and pinion renewed. Piston and sleeve renewed too, at the club's own wish and \
                   cost, from its stock: by the measurement that was not needed. Starter spring cleaned and oiled."
                .into(),
        },
    ]
}

/// Who was there.
pub(super) fn present() -> Vec<Party> {
    [(OPERATOR, "shop"), (BORROWER, "borrower")]
        .map(|(name, role)| Party {
            name: name.into(),
            role: role.into(),
        })
        .into()
}

/// What the borrower writes before signing.
pub(super) fn objection() -> Objection {
    Objection {
        name: BORROWER.into(),
        text: "I saw every test and agree with what was recorded. I do not agree that the tooth broke while I had the car."
            .into(),
    }
}
