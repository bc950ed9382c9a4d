//! Wall-clock stamps: RFC 3339, UTC, always three decimals, so that text order is time order.

use jiff::Timestamp;

/// The stamp as stored, such as `2026-05-01T17:03:09.250Z`.
pub(super) fn stamp_text(at: Timestamp) -> String {
    format!("{at:.3}")
}

/// Reads a stored stamp back.
pub(super) fn parse_stamp(text: &str) -> Result<Timestamp, jiff::Error> {
    text.parse()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wall_clock::now_to_the_millisecond;

    #[test]
    fn stamps_have_one_width_and_sort_as_time() {
        let whole: Timestamp = "2026-05-01T17:03:09Z".parse().unwrap();
        let later: Timestamp = "2026-05-01T19:03:09.0125+02:00".parse().unwrap();
        assert_eq!(stamp_text(whole), "2026-05-01T17:03:09.000Z");
        assert_eq!(stamp_text(later), "2026-05-01T17:03:09.012Z");
        assert!(stamp_text(whole) < stamp_text(later));
        let now = now_to_the_millisecond();
        assert_eq!(parse_stamp(&stamp_text(now)).unwrap(), now);
    }
}
