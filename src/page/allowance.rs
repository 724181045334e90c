//! How often one visitor may ask: a bucket of tokens for each address, and a bound on how many addresses are known.

use std::{
    collections::BTreeMap,
    net::IpAddr,
    sync::{Mutex, PoisonError},
};

/// Addresses that are remembered.
const PEERS: usize = 1024;

/// How often: so many at once, and so many a second after that.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rate {
    /// At once; > 0.
    pub burst: f64,
    /// A second; > 0.
    pub per_s: f64,
}

/// Buckets of all peers.
#[derive(Debug)]
pub(super) struct Allowance {
    rate: Rate,
    buckets: Mutex<BTreeMap<IpAddr, Bucket>>,
}

#[derive(Clone, Copy, Debug)]
struct Bucket {
    tokens: f64,
    at_us: u64,
}

impl Allowance {
    pub fn new(rate: Rate) -> Self {
        Self {
            rate,
            buckets: Mutex::default(),
        }
    }

    /// Takes one token of a peer at a time; false when there is none.
    pub fn take(&self, peer: IpAddr, now_us: u64) -> bool {
        // Numbers only: nothing is left half changed by a panic.
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        if buckets.len() >= PEERS && !buckets.contains_key(&peer) {
            buckets.retain(|_, bucket| self.filled(*bucket, now_us) < self.rate.burst);
            if buckets.len() >= PEERS {
                // More busy addresses than a workshop has: a flood, and it gets nothing.
                return false;
            }
        }
        let full = Bucket {
            tokens: self.rate.burst,
            at_us: now_us,
        };
        let bucket = buckets.entry(peer).or_insert(full);
        bucket.tokens = self.filled(*bucket, now_us);
        bucket.at_us = now_us;
        let has = bucket.tokens >= 1.0;
        if has {
            bucket.tokens -= 1.0;
        }
        has
    }

    fn filled(&self, bucket: Bucket, now_us: u64) -> f64 {
        let s = now_us.saturating_sub(bucket.at_us) as f64 * 1e-6;
        (bucket.tokens + s * self.rate.per_s).min(self.rate.burst)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peer(n: u32) -> IpAddr {
        std::net::Ipv4Addr::from(0x0a00_0000 + n).into()
    }

    #[test]
    fn a_peer_spends_its_tokens_and_gets_them_back_with_time() {
        let allowance = Allowance::new(Rate {
            burst: 3.0,
            per_s: 0.5,
        });
        let taken = |us| allowance.take(peer(1), us);
        assert_eq!(
            [taken(0), taken(0), taken(0), taken(0)],
            [true, true, true, false]
        );
        assert!(!taken(1_900_000) && taken(2_000_000) && !taken(2_000_000));
        assert!(
            allowance.take(peer(2), 2_000_000),
            "another one has its own"
        );
        assert!(!taken(1_000_000), "a clock that goes back gives nothing");
    }

    #[test]
    fn a_flood_of_addresses_takes_bounded_memory_and_shuts_nobody_out_for_long() {
        let allowance = Allowance::new(Rate {
            burst: 2.0,
            per_s: 1.0,
        });
        for n in 0..5_000 {
            allowance.take(peer(n), 0);
        }
        assert_eq!(allowance.buckets.lock().unwrap().len(), PEERS);
        assert!(!allowance.take(peer(9_000), 0));
        assert!(allowance.take(peer(9_000), 3_000_000));
    }
}
