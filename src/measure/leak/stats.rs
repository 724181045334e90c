//! Medians and running windows over short series. None of them panics on an empty series.

/// Median; 0 of nothing.
pub(super) fn median(values: &[f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let mut parted = values.to_vec();
    let half = parted.len() / 2;
    let odd = parted.len() % 2 == 1;
    let (below, &mut upper, _) = parted.select_nth_unstable_by(half, f64::total_cmp);
    if odd {
        return upper;
    }
    let lower = below.iter().copied().max_by(f64::total_cmp);
    f64::midpoint(lower.unwrap_or(upper), upper)
}

/// Median of five finite values, without putting them in order: neither the lesser of the smaller ones of two pairs nor the
/// greater of the larger ones can be it.
pub(super) fn median_of_five([a, b, c, d, e]: [f64; 5]) -> f64 {
    let (x, y) = (a.min(b).max(c.min(d)), a.max(b).min(c.max(d)));
    x.min(y).max(x.max(y).min(e))
}

/// Median of sorted values; 0 of nothing.
fn middle(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    match n {
        0 => 0.0,
        _ if n % 2 == 1 => sorted[n / 2],
        _ => f64::midpoint(sorted[n / 2 - 1], sorted[n / 2]),
    }
}

/// Median absolute deviation from the median, not scaled.
pub(super) fn mad(values: &[f64]) -> f64 {
    let centre = median(values);
    let away: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&away)
}

/// Arithmetic mean; 0 of nothing.
pub(super) fn mean(values: &[f64]) -> f64 {
    if values.is_empty() {
        0.0
    } else {
        values.iter().sum::<f64>() / values.len() as f64
    }
}

/// Quantile `p` (0..1), linear between the order statistics; 0 of nothing.
pub(super) fn quantile(values: &[f64], p: f64) -> f64 {
    let Some(last) = values.len().checked_sub(1) else {
        return 0.0;
    };
    let at = p * last as f64;
    let below = (0..=last).rev().find(|i| *i as f64 <= at).unwrap_or(0);
    let mut parted = values.to_vec();
    let (_, &mut lower, above) = parted.select_nth_unstable_by(below, f64::total_cmp);
    let upper = above.iter().copied().min_by(f64::total_cmp);
    lower + (upper.unwrap_or(lower) - lower) * (at - below as f64)
}

/// Median over a window of `width` (odd) around each value, the window cut at the ends.
pub(super) fn running_median(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    // The window in order; a value enters and one leaves at every step.
    let mut sorted: Vec<f64> = Vec::with_capacity(width + 1);
    let place = |sorted: &[f64], value: &f64| {
        sorted
            .binary_search_by(|v| v.total_cmp(value))
            .unwrap_or_else(|at| at)
    };
    let mut ahead = values.iter();
    for value in ahead.by_ref().take(half) {
        sorted.insert(place(&sorted, value), *value);
    }
    (0..values.len())
        .map(|i| {
            if let Some(value) = ahead.next() {
                sorted.insert(place(&sorted, value), *value);
            }
            if let Some(gone) = i.checked_sub(half + 1) {
                sorted.remove(place(&sorted, &values[gone]));
            }
            middle(&sorted)
        })
        .collect()
}

/// Mean over a window of `width` (odd) around each value; nearer to the ends than half a window: `None`.
pub(super) fn running_mean(values: &[f64], width: usize) -> Vec<Option<f64>> {
    windows(values, width)
        .map(|w| (w.len() == width).then(|| mean(w)))
        .collect()
}

/// Mean over a window of `width` (odd) around each value, the end values repeated outwards.
pub(super) fn smoothed(values: &[f64], width: usize) -> Vec<f64> {
    let (half, n) = (width / 2, values.len());
    (0..n)
        .map(|i| {
            let sum: f64 = (0..width)
                .map(|j| values[(i + j).saturating_sub(half).min(n - 1)])
                .sum();
            sum / width as f64
        })
        .collect()
}

/// The window of `width` (odd) around a value, cut at the ends.
pub(super) fn window(values: &[f64], at: usize, width: usize) -> &[f64] {
    let half = width / 2;
    &values[at.saturating_sub(half)..(at + half + 1).min(values.len())]
}

fn windows(values: &[f64], width: usize) -> impl Iterator<Item = &[f64]> {
    (0..values.len()).map(move |at| window(values, at, width))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        assert!((median(&[3.0, 1.0, 2.0, 10.0]) - 2.5).abs() < 1e-15);
        assert!((mad(&[1.0, 1.0, 2.0, 4.0, 9.0]) - 1.0).abs() < 1e-15);
        assert!((quantile(&[0.0, 10.0, 20.0], 0.75) - 15.0).abs() < 1e-12);
        assert!((quantile(&[5.0, 7.0], 1.0) - 7.0).abs() < 1e-12);
        assert_eq!(running_median(&[5.0, 1.0, 3.0], 3), [3.0, 3.0, 2.0]);
        assert_eq!(running_mean(&[1.0, 2.0, 6.0], 3), [None, Some(3.0), None]);
        assert_eq!(smoothed(&[3.0, 0.0, 6.0], 3), [2.0, 3.0, 4.0]);
    }

    /// The window that slides against the median of every window by itself.
    #[test]
    fn a_sliding_median_is_the_median_of_every_window() {
        let values: Vec<f64> = (0..200u32).map(|i| f64::from(i * 7919 % 101)).collect();
        for width in [1, 3, 31, 399] {
            let each: Vec<f64> = windows(&values, width).map(median).collect();
            assert_eq!(running_median(&values, width), each);
        }
    }

    /// Every way of putting five values, equal ones among them, into five places.
    #[test]
    fn a_median_of_five_is_a_median() {
        for code in 0..5u32.pow(5) {
            let five = [1, 5, 25, 125, 625].map(|place| f64::from(code / place % 5));
            assert!(
                (median_of_five(five) - median(&five)).abs() < 1e-15,
                "{five:?}"
            );
        }
    }

    #[test]
    fn nothing_gives_nothing() {
        assert!(smoothed(&[], 9).is_empty() && running_median(&[], 31).is_empty());
        assert!(median(&[]).abs() + mad(&[]) + mean(&[]) + quantile(&[], 0.5) < 1e-300);
    }
}
