//! Order statistics of small samples. Values that are not finite are ignored.

/// The value below which the share `q` (0 to 1) of the values lies, interpolated linearly; `None` for no values.
pub(crate) fn quantile(values: &[f64], q: f64) -> Option<f64> {
    quantile_in_place(&mut values.to_vec(), q)
}

/// The middle value; `None` for no values.
pub(crate) fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Like [`median`], without allocating: sorts the values and drops those that are not finite.
pub(crate) fn median_in_place(values: &mut Vec<f64>) -> Option<f64> {
    quantile_in_place(values, 0.5)
}

fn quantile_in_place(values: &mut Vec<f64>, q: f64) -> Option<f64> {
    values.retain(|value| value.is_finite());
    if values.is_empty() {
        return None;
    }
    values.sort_unstable_by(f64::total_cmp);
    let position = q.clamp(0.0, 1.0) * (values.len() - 1) as f64;
    let (low, share) = (position.floor() as usize, position.fract());
    let high = (low + 1).min(values.len() - 1);
    Some(values[low] * (1.0 - share) + values[high] * share)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_interpolated_and_ignore_what_is_not_finite() {
        let values = [4.0, f64::NAN, 1.0, 3.0, f64::INFINITY, 2.0];
        assert_eq!(median(&values), Some(2.5));
        assert_eq!(quantile(&values, 0.0), Some(1.0));
        assert_eq!(quantile(&values, 1.0), Some(4.0));
        assert_eq!(quantile(&values, 0.25), Some(1.75));
        assert_eq!(median(&[f64::NAN]), None);
        let mut same = values.to_vec();
        assert_eq!(median_in_place(&mut same), Some(2.5));
        assert_eq!(same, [1.0, 2.0, 3.0, 4.0]);
    }
}
