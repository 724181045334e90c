//! Medians and running windows over short series. None of them panics on an empty series.

/// Median; 0 of nothing.
pub(super) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
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
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else {
        return 0.0;
    };
    let at = p * last as f64;
    let below = (0..=last)
        .take_while(|i| *i as f64 <= at)
        .last()
        .unwrap_or(0);
    let above = (below + 1).min(last);
    sorted[below] + (sorted[above] - sorted[below]) * (at - below as f64)
}

/// Median over a window of `width` (odd) around each value, the window cut at the ends.
pub(super) fn running_median(values: &[f64], width: usize) -> Vec<f64> {
    windows(values, width).map(median).collect()
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

fn windows(values: &[f64], width: usize) -> impl Iterator<Item = &[f64]> {
    let half = width / 2;
    (0..values.len())
        .map(move |i| &values[i.saturating_sub(half)..(i + half + 1).min(values.len())])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn by_hand() {
        assert!((median(&[3.0, 1.0, 2.0, 10.0]) - 2.5).abs() < 1e-15);
        assert!((mad(&[1.0, 1.0, 2.0, 4.0, 9.0]) - 1.0).abs() < 1e-15);
        assert!((quantile(&[0.0, 10.0, 20.0], 0.75) - 15.0).abs() < 1e-12);
        assert_eq!(running_median(&[5.0, 1.0, 3.0], 3), [3.0, 3.0, 2.0]);
        assert_eq!(running_mean(&[1.0, 2.0, 6.0], 3), [None, Some(3.0), None]);
        assert_eq!(smoothed(&[3.0, 0.0, 6.0], 3), [2.0, 3.0, 4.0]);
    }

    #[test]
    fn nothing_gives_nothing() {
        assert!(smoothed(&[], 9).is_empty() && running_median(&[], 31).is_empty());
        assert!(median(&[]).abs() + mad(&[]) + mean(&[]) + quantile(&[], 0.5) < 1e-300);
    }
}
