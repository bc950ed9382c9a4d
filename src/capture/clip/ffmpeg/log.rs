//! Parses the lines that ffmpeg prints while it decodes.

use crate::picture_size::PictureSize;
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

/// What `showinfo` says about the frame that follows on the other pipe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct FrameReport {
    /// `None` where the container has no timestamp for it.
    pub at: Option<CaptureTime>,
    pub size: PictureSize,
}

/// One line of ffmpeg's log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum LogLine {
    TimeBase(TimeBase),
    Frame(FrameReport),
    /// An error or worse.
    Error(String),
    Other,
}

impl LogLine {
    /// `time_base` is the latest one that was parsed.
    pub(super) fn parse(text: &str, time_base: TimeBase) -> Self {
        let text = text.trim_end();
        if text.contains("showinfo") {
            return Self::parse_showinfo(text, time_base);
        }
        ["[error] ", "[fatal] ", "[panic] "]
            .iter()
            .find_map(|level| text.split_once(level))
            .map_or(Self::Other, |(_, error)| {
                Self::Error(error.trim().to_owned())
            })
    }

    fn parse_showinfo(text: &str, time_base: TimeBase) -> Self {
        if let Some((_, config)) = text.split_once("config in time_base:") {
            let fraction = config
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
        // Side data have lines of their own, without these fields.
        let (Some(ticks), Some(size)) = (value_of(text, " pts:"), value_of(text, " s:")) else {
            return Self::Other;
        };
        let Some((Ok(width_px), Ok(height_px))) = size
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
        let size = PictureSize {
            width_px,
            height_px,
        };
        Self::Frame(FrameReport { at, size })
    }
}

fn value_of<'a>(text: &'a str, key: &str) -> Option<&'a str> {
    text.split_once(key)?.1.split_whitespace().next()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn timestamps_are_exact_fractions_of_the_time_base() {
        let config = LogLine::parse(
            "[Parsed_showinfo_0 @ 0x55] [info] config in time_base: 1001/60000, frame_rate: 60000/1001\n",
            TimeBase::default(),
        );
        let base = TimeBase {
            numerator: 1001,
            denominator: 60_000,
        };
        assert_eq!(config, LogLine::TimeBase(base));
        let line = "[Parsed_showinfo_0 @ 0x55] [info] n:   2 pts:      3 pts_time:0.05005 pos:  4 fmt:yuv420p sar:1/1 s:320x240 i:P iskey:0";
        let frame = FrameReport {
            at: Some(CaptureTime::from_nanos(50_050_000)),
            size: PictureSize {
                width_px: 320,
                height_px: 240,
            },
        };
        assert_eq!(LogLine::parse(line, base), LogLine::Frame(frame));
    }

    #[test]
    fn a_frame_without_a_timestamp_is_still_a_frame() {
        let line = "[Parsed_showinfo_1 @ 0x1] [info] n:   0 pts:    NOPTS pts_time:NOPTS   duration:0 fmt:yuv420p sar:0/1 s:64x48 i:P";
        assert_eq!(
            LogLine::parse(line, TimeBase::default()),
            LogLine::Frame(FrameReport {
                at: None,
                size: PictureSize {
                    width_px: 64,
                    height_px: 48
                }
            })
        );
    }

    #[test]
    fn errors_are_kept_and_chatter_is_not() {
        assert_eq!(
            LogLine::parse("[h264 @ 0x1] [error] no frame!\n", TimeBase::default()),
            LogLine::Error("no frame!".into())
        );
        assert_eq!(
            LogLine::parse("[info] Stream mapping:\n", TimeBase::default()),
            LogLine::Other
        );
        assert_eq!(
            LogLine::parse(
                "[Parsed_showinfo_0 @ 0x1] [info]   side data - display matrix\n",
                TimeBase::default()
            ),
            LogLine::Other
        );
    }
}
