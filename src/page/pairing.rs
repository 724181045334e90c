//! Who may come in from the local network: a code that works once, then a cookie.
//!
//! Codes and cookies are kept as digests and compared without stopping early; they die with the daemon.

use std::{
    collections::VecDeque,
    fmt::{self, Write as _},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use sha2::{Digest as _, Sha256};

/// Symbols of a code: Crockford's base 32, which has no letters that look like digits.
const SYMBOLS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Symbols in a code: 40 bits.
const LENGTH: usize = 8;
/// How long a code can be used, microseconds.
const GOOD_FOR_US: u64 = 10 * 60 * 1_000_000;
/// Wrong codes after which the present one is dead: a guess succeeds once in 2^40 / 5.
const TRIES: u32 = 5;
/// Devices that are paired at one time; the one that was paired first makes room.
const PAIRED: usize = 16;
/// Name of the cookie.
pub(super) const COOKIE: &str = "feelgauge";
/// Bytes of a cookie's token.
const TOKEN: usize = 16;
/// A browser keeps the cookie for a working day, s.
const COOKIE_S: u32 = 12 * 60 * 60;

type Digest = [u8; 32];

/// Pairing of a bench that is open to the local network; clones share it.
#[derive(Clone, Default)]
pub struct Pairing(Arc<Mutex<Inner>>);

#[derive(Default)]
struct Inner {
    offer: Option<Offer>,
    /// Digests of the tokens, oldest first.
    tokens: VecDeque<Digest>,
}

struct Offer {
    code: Digest,
    until_us: u64,
    tries: u32,
}

/// Why a code did not pair.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refused {
    /// It is not the code.
    Wrong {
        /// Tries that are left.
        left: u32,
    },
    /// There is no code that could be used: used up, too old, too many wrong ones.
    NoCode,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Wrong { left } => write!(
                f,
                "This is not the code. Read it again from the bench; {left} more tries."
            ),
            Self::NoCode => f.write_str(
                "There is no code to use: it works once, for ten minutes. For a new one open /pair on the bench's own computer.",
            ),
        }
    }
}

/// Nothing of a secret is printed.
impl fmt::Debug for Pairing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Pairing").finish_non_exhaustive()
    }
}

impl Pairing {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A new code in place of the one before, as a person reads it: `K7M2-9XQ4`.
    ///
    /// # Errors
    /// The machine has no randomness to give.
    pub fn offer(&self, now_us: u64) -> Result<String, getrandom::Error> {
        let mut bytes = [0; LENGTH];
        getrandom::fill(&mut bytes)?;
        // 256 is a multiple of 32: every symbol is equally likely.
        let code: String = bytes
            .iter()
            .map(|byte| char::from(SYMBOLS[usize::from(byte % 32)]))
            .collect();
        self.lock().offer = Some(Offer {
            code: digest(code.as_bytes()),
            until_us: now_us.saturating_add(GOOD_FOR_US),
            tries: TRIES,
        });
        let (first, second) = code.split_at(LENGTH / 2);
        Ok(format!("{first}-{second}"))
    }

    /// Takes a code as it was typed; the token of a new cookie when it is the right one, which then works no more.
    ///
    /// # Errors
    /// [`Refused`]; or the machine has no randomness to give, which refuses too.
    pub fn pair(&self, typed: &str, now_us: u64) -> Result<String, Refused> {
        let mut inner = self.lock();
        let usable = inner.offer.take_if(|offer| now_us < offer.until_us);
        let Some(mut offer) = usable else {
            inner.offer = None;
            return Err(Refused::NoCode);
        };
        if !same(&offer.code, &digest(read(typed).as_bytes())) {
            offer.tries -= 1;
            let left = offer.tries;
            if left == 0 {
                return Err(Refused::NoCode);
            }
            inner.offer = Some(offer);
            return Err(Refused::Wrong { left });
        }
        let mut bytes = [0; TOKEN];
        getrandom::fill(&mut bytes).map_err(|_| Refused::NoCode)?;
        let token = hex(&bytes);
        if inner.tokens.len() == PAIRED {
            inner.tokens.pop_front();
        }
        inner.tokens.push_back(digest(token.as_bytes()));
        Ok(token)
    }

    /// True for the token of a device that was paired. Looks at every one, whichever it is.
    pub fn knows(&self, token: &str) -> bool {
        let asked = digest(token.as_bytes());
        let inner = self.lock();
        inner
            .tokens
            .iter()
            .fold(false, |known, token| known | same(token, &asked))
    }
}

/// The cookie of a token, as a header.
pub(super) fn cookie(token: &str) -> String {
    format!("{COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/; Max-Age={COOKIE_S}")
}

/// What a person typed, as the code is written: signs between are left out, look-alikes are what they look like.
fn read(typed: &str) -> String {
    typed
        .chars()
        .filter(char::is_ascii_alphanumeric)
        .take(LENGTH + 1)
        .map(|c| match c.to_ascii_uppercase() {
            'O' => '0',
            'I' | 'L' => '1',
            c => c,
        })
        .collect()
}

/// Two digits a byte.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02x}").expect("a String takes every write");
        text
    })
}

fn digest(bytes: &[u8]) -> Digest {
    Sha256::digest(bytes).into()
}

/// Compares all of both: how long it takes does not depend on where they differ.
fn same(a: &Digest, b: &Digest) -> bool {
    a.iter().zip(b).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_pairs_once_however_it_is_typed() {
        let pairing = Pairing::default();
        let code = pairing.offer(0).unwrap();
        assert_eq!(code.len(), 9);
        let typed = format!(
            " {} ",
            code.to_lowercase().replace('-', " ").replace('0', "o")
        );
        let token = pairing.pair(&typed.replace('1', "l"), 1).unwrap();
        assert!(token.len() == 32 && pairing.knows(&token));
        assert!(!pairing.knows("") && !pairing.knows(&token.to_uppercase().replace('A', "b")));
        assert_eq!(pairing.pair(&code, 2), Err(Refused::NoCode), "replayed");
    }

    #[test]
    fn a_code_dies_of_age_and_of_guesses() {
        let pairing = Pairing::default();
        assert_eq!(pairing.pair("", 0), Err(Refused::NoCode));
        let code = pairing.offer(0).unwrap();
        assert_eq!(pairing.pair(&code, GOOD_FOR_US), Err(Refused::NoCode));
        let code = pairing.offer(0).unwrap();
        for left in (1..TRIES).rev() {
            let wrong = pairing.pair(&format!("{code}0"), 0);
            assert_eq!(wrong, Err(Refused::Wrong { left }));
        }
        assert_eq!(pairing.pair("U", 0), Err(Refused::NoCode));
        assert_eq!(
            pairing.pair(&code, 0),
            Err(Refused::NoCode),
            "the right one, too late"
        );
    }

    #[test]
    fn a_new_code_ends_the_one_before_and_the_oldest_device_makes_room() {
        let pairing = Pairing::default();
        let old = pairing.offer(0).unwrap();
        let mut tokens = Vec::new();
        for _ in 0..=PAIRED {
            let code = pairing.offer(0).unwrap();
            tokens.push(pairing.pair(&code, 0).unwrap());
        }
        assert!(pairing.pair(&old, 0).is_err());
        assert!(!pairing.knows(&tokens[0]) && tokens[1..].iter().all(|t| pairing.knows(t)));
    }
}
