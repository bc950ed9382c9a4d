//! Understands the lines that ffmpeg prints while it decodes.

use crate::time::CaptureTime;

/// The length of a tick, in seconds, as a fraction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct TimeBase {
    pub numerator: i64,
    pub denominator: i64,
}

impl Default for TimeBase {
    fn default() -> Self {
        Self {
            numerator: 1,
            denominator: 1_000_000,
        }
    }
}

/// A frame that is about to come through the other pipe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Picture {
    /// None where the container has no stamp for it.
    pub at: Option<CaptureTime>,
    pub width: usize,
    pub height: usize,
}

/// One line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Line {
    TimeBase(TimeBase),
    Picture(Picture),
    Complaint(String),
    Other,
}

impl Line {
    /// `time_base` is the one told last.
    pub(super) fn read(text: &str, time_base: TimeBase) -> Self {
        let text = text.trim_end();
        if text.contains("showinfo") {
            return Self::of_showinfo(text, time_base);
        }
        ["[error] ", "[fatal] ", "[panic] "]
            .iter()
            .find_map(|level| text.split_once(level))
            .map_or(Self::Other, |(_, complaint)| {
                Self::Complaint(complaint.trim().to_owned())
            })
    }

    fn of_showinfo(text: &str, time_base: TimeBase) -> Self {
        if let Some((_, told)) = text.split_once("config in time_base:") {
            let fraction = told
                .trim_start()
                .split([',', ' '])
                .next()
                .and_then(|fraction| fraction.split_once('/'));
            let parsed = fraction.and_then(|(n, d)| {
                Some(TimeBase {
                    numerator: n.parse().ok()?,
                    denominator: d.parse().ok().filter(|d| *d > 0)?,
                })
            });
            return parsed.map_or(Self::Other, Self::TimeBase);
        }
        // Side data are told on lines of their own, without these fields.
        let (Some(ticks), Some(size)) = (value_of(text, " pts:"), value_of(text, " s:")) else {
            return Self::Other;
        };
        let Some((Ok(width), Ok(height))) = size
            .split_once('x')
            .map(|(width, height)| (width.parse(), height.parse()))
        else {
            return Self::Other;
        };
        let at = ticks.parse().ok().map(|ticks: i64| {
            let nanos = i128::from(ticks) * i128::from(time_base.numerator) * 1_000_000_000;
            let rounded = (nanos + i128::from(time_base.denominator) / 2)
                .div_euclid(i128::from(time_base.denominator));
            CaptureTime::from_nanos(i64::try_from(rounded).unwrap_or(i64::MAX))
        });
        Self::Picture(Picture { at, width, height })
    }
}

fn value_of<'a>(text: &'a str, key: &str) -> Option<&'a str> {
    text.split_once(key)?.1.split_whitespace().next()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stamps_are_exact_fractions_of_the_time_base() {
        let told = Line::read(
            "[Parsed_showinfo_0 @ 0x55] [info] config in time_base: 1001/60000, frame_rate: 60000/1001\n",
            TimeBase::default(),
        );
        let base = TimeBase {
            numerator: 1001,
            denominator: 60_000,
        };
        assert_eq!(told, Line::TimeBase(base));
        let line = "[Parsed_showinfo_0 @ 0x55] [info] n:   2 pts:      3 pts_time:0.05005 pos:  4 fmt:yuv420p sar:1/1 s:320x240 i:P iskey:0";
        let picture = Picture {
            at: Some(CaptureTime::from_nanos(50_050_000)),
            width: 320,
            height: 240,
        };
        assert_eq!(Line::read(line, base), Line::Picture(picture));
    }

    #[test]
    fn a_frame_without_a_stamp_is_still_a_frame() {
        let line = "[Parsed_showinfo_1 @ 0x1] [info] n:   0 pts:    NOPTS pts_time:NOPTS   duration:0 fmt:yuv420p sar:0/1 s:64x48 i:P";
        assert_eq!(
            Line::read(line, TimeBase::default()),
            Line::Picture(Picture {
                at: None,
                width: 64,
                height: 48
            })
        );
    }

    #[test]
    fn complaints_are_kept_and_chatter_is_not() {
        assert_eq!(
            Line::read("[h264 @ 0x1] [error] no frame!\n", TimeBase::default()),
            Line::Complaint("no frame!".into())
        );
        assert_eq!(
            Line::read("[info] Stream mapping:\n", TimeBase::default()),
            Line::Other
        );
        assert_eq!(
            Line::read(
                "[Parsed_showinfo_0 @ 0x1] [info]   side data - display matrix\n",
                TimeBase::default()
            ),
            Line::Other
        );
    }
}
