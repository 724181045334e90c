//! What the system says of this process: Linux writes it to /proc/self; elsewhere nothing is said.

use std::fs::read_to_string;

/// Ticks a second of the times in /proc: the kernel's USER_HZ, 100 in its interface to programs (proc(5)).
const TICKS_PER_S: f64 = 100.0;

/// What this process used.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Usage {
    /// Time of all cores, s.
    pub cpu_s: f64,
    /// Memory that it holds, bytes.
    pub resident_bytes: u64,
}

/// What this process used so far.
pub(super) fn read() -> Option<Usage> {
    let stat = read_to_string("/proc/self/stat").ok()?;
    let status = read_to_string("/proc/self/status").ok()?;
    usage(&stat, &status)
}

fn usage(stat: &str, status: &str) -> Option<Usage> {
    // The name stands in brackets and may hold anything: count from the last bracket.
    let (_, rest) = stat.rsplit_once(") ")?;
    let field = |n: usize| rest.split(' ').nth(n)?.parse::<u64>().ok();
    // Fields 14 and 15 of proc(5), utime and stime; the rest begins with field 3.
    let ticks = field(11)? + field(12)?;
    let resident = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kib: u64 = resident.trim().strip_suffix(" kB")?.parse().ok()?;
    Some(Usage {
        cpu_s: ticks as f64 / TICKS_PER_S,
        resident_bytes: kib * 1024,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_with_brackets_does_not_shift_the_fields() {
        let stat = "7 (a) b) S 1 7 7 0 -1 4 5 6 7 8 250 50 0 0 20 0 1 0 9 10 11";
        let found = usage(stat, "Name:\ta\nVmRSS:\t    2048 kB\n").unwrap();
        assert_eq!(found.resident_bytes, 2_097_152);
        assert!((found.cpu_s - 3.0).abs() < 1e-9);
        assert_eq!(usage("", ""), None);
    }
}
