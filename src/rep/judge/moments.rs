//! What the judge sees of a burst of the hands: where the body's parts are at thirteen moments around its peak.
//!
//! In: signals of a stretch. Out: [`Moments`]. Everything is relative to the hips and the body's own size, mirrored so that
//! the hands go to the right, and each pair's parts are in the order in which they lie in the picture: people who label
//! films take the picture's left for the hitter's as often as not.

use crate::motion::filter::Butterworth;
use crate::motion::{Pair, Path, Signals};
use crate::stats::median;

/// Moments around the peak, this many seconds apart, and how many of them come before it.
const COUNT: usize = 13;
const STEP_SECS: f64 = 2.0 / 30.0;
const BEFORE: usize = 7;
/// Each moment is looked at twice: close about the peak, and with twice the time between them. The second look shows the
/// stride of a swing at life's pace, and the swing of a film that was slowed down.
const PACES: [f64; 2] = [1.0, 2.0];
/// Cutoff of the zero-phase low pass, hertz: labels that people set tremble from frame to frame.
const SMOOTH_HZ: f64 = 8.0;
/// Head, five pairs, the line of the hips, the hips' path, the gap between the wrists.
const PER_MOMENT: usize = 2 + 5 * 4 + 2 + 2 + 1;
/// Peak speed, and how much of the stretch lies before and after the peak.
const GENERAL: usize = 3;
/// The body's size is the median over this long before and after the peak, seconds.
const SIZE_SECS: f64 = 1.0;
/// More of a stretch than this before or after the peak says nothing more, seconds.
const MOST_SHOWN_SECS: f64 = 1.0;
/// No value lies farther from the hips than this, sizes: a landmark that does was lost.
const FARTHEST: f64 = 3.0;

/// How many values the judge sees.
pub(super) const LEN: usize = PACES.len() * COUNT * PER_MOMENT + GENERAL;

/// The paths that moments are read from, smoothed once for all bursts of a stretch.
pub(super) struct Paths {
    rate_hz: f64,
    len: usize,
    head: Path,
    shoulder: Pair<Path>,
    elbow: Pair<Path>,
    wrist: Pair<Path>,
    hip: Pair<Path>,
    knee: Pair<Path>,
    ankle: Pair<Path>,
    hands: Path,
    hand_speed: Vec<f64>,
}

impl Paths {
    /// `rate_hz`: samples a second of the clock on which it is judged.
    pub(super) fn of(signals: &Signals, rate_hz: f64) -> Self {
        let low = Butterworth::low_pass(SMOOTH_HZ, rate_hz);
        let smooth = |p: &Path| Path {
            x_cm: low.zero_phase(&p.x_cm),
            y_cm: low.zero_phase(&p.y_cm),
            visibility: p.visibility.clone(),
        };
        let pair = |p: &Pair<Path>| Pair {
            left: smooth(&p.left),
            right: smooth(&p.right),
        };
        let (shoulder, wrist) = (pair(&signals.shoulder), pair(&signals.wrists));
        let elbow = signals.elbow.as_ref().map_or_else(
            || Pair {
                left: Path::middle(&shoulder.left, &wrist.left),
                right: Path::middle(&shoulder.right, &wrist.right),
            },
            pair,
        );
        let hands = smooth(&signals.hands);
        Self {
            rate_hz,
            len: signals.len,
            head: smooth(&signals.head),
            shoulder,
            elbow,
            wrist,
            hip: pair(&signals.hip),
            knee: pair(&signals.knee),
            ankle: Pair {
                left: smooth(&signals.feet.left.ankle),
                right: smooth(&signals.feet.right.ankle),
            },
            hand_speed: hands.speed(rate_hz),
            hands,
        }
    }

    /// Trunk, thigh and shank together, centimeters: the body's size without its turns.
    fn size_cm(&self, peak: usize) -> Option<f64> {
        let reach = (SIZE_SECS * self.rate_hz) as usize;
        let range = peak.saturating_sub(reach)..(peak + reach + 1).min(self.len);
        let sizes: Vec<f64> = range
            .map(|i| {
                let at = |p: &Pair<Path>| {
                    [
                        0.5 * (p.left.x_cm[i] + p.right.x_cm[i]),
                        0.5 * (p.left.y_cm[i] + p.right.y_cm[i]),
                    ]
                };
                [&self.shoulder, &self.hip, &self.knee, &self.ankle]
                    .windows(2)
                    .map(|two| {
                        let (a, b) = (at(two[0]), at(two[1]));
                        (a[0] - b[0]).hypot(a[1] - b[1])
                    })
                    .sum()
            })
            .collect();
        median(&sizes).filter(|size| *size > 1.0)
    }

    /// The moments around a peak of the hands' speed; `None` where the body has no size.
    pub(super) fn around(&self, peak: usize) -> Option<Moments> {
        let size = self.size_cm(peak)?;
        let hips_at = |at: f64| {
            let [l, r] = [&self.hip.left, &self.hip.right].map(|p| place(p, at));
            [0.5 * (l[0] + r[0]), 0.5 * (l[1] + r[1])]
        };
        let step = STEP_SECS * self.rate_hz;
        // The way that the hands go, seen from the hips.
        let across = |steps: f64| {
            let at = peak as f64 + steps * step;
            place(&self.hands, at)[0] - hips_at(at)[0]
        };
        let ahead = across(1.0) + across(2.0) - across(-1.0) - across(-2.0);
        let mirror = if ahead >= 0.0 { 1.0 } else { -1.0 };
        let hips_at_peak = hips_at(peak as f64);

        let mut values = Vec::with_capacity(LEN);
        let mut push = |v: f64| values.push(v.clamp(-FARTHEST, FARTHEST) as f32);
        for pace in PACES {
            for k in 0..COUNT {
                let at = peak as f64 + (k as f64 - BEFORE as f64) * pace * step;
                let hips = hips_at(at);
                let from_hips = |p: &Path| {
                    let [x, y] = place(p, at);
                    [mirror * (x - hips[0]) / size, (y - hips[1]) / size]
                };
                from_hips(&self.head).into_iter().for_each(&mut push);
                let sorted = |p: &Pair<Path>| {
                    let (a, b) = (from_hips(&p.left), from_hips(&p.right));
                    if a[0] <= b[0] { [a, b] } else { [b, a] }
                };
                for pair in [
                    &self.shoulder,
                    &self.elbow,
                    &self.wrist,
                    &self.knee,
                    &self.ankle,
                ] {
                    sorted(pair).into_iter().flatten().for_each(&mut push);
                }
                let [a, b] = sorted(&self.hip);
                push(b[0] - a[0]);
                push(b[1] - a[1]);
                push(mirror * (hips[0] - hips_at_peak[0]) / size);
                push((hips[1] - hips_at_peak[1]) / size);
                let [a, b] = sorted(&self.wrist);
                push((a[0] - b[0]).hypot(a[1] - b[1]));
            }
        }
        let shown = |samples: usize| (samples as f64 / self.rate_hz).min(MOST_SHOWN_SECS);
        push(self.hand_speed[peak] / size / 2.0);
        push(shown(peak));
        push(shown(self.len - 1 - peak));
        Some(Moments(values))
    }
}

/// Where a path is at a fractional sample; at its ends it stays where it was.
fn place(path: &Path, at: f64) -> [f64; 2] {
    let last = path.x_cm.len() - 1;
    let at = at.clamp(0.0, last as f64);
    let (i, share) = (at.floor() as usize, at.fract());
    let j = (i + 1).min(last);
    [&path.x_cm, &path.y_cm].map(|v| v[i] * (1.0 - share) + v[j] * share)
}

/// What the judge sees of one burst: [`LEN`] values, lengths in the body's own size.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Moments(pub(super) Vec<f32>);
