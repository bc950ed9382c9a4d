//! Which sound is this swing's contact.
//!
//! In: sharp sounds on the camera's clock, what our own speaker played, how well the microphone heard meanwhile, and the
//! contact as the hands show it. Out: [`Heard`], and the moment of contact where it was heard. What is learned from swing to
//! swing: how loud contact is here, and how much later sound is than picture. Pure.

use std::collections::VecDeque;

use crate::stats::median;
use crate::time::CaptureTime;

use super::heard::Heard;

/// Sounds are kept so long, seconds: a rep is analyzed at most a few seconds after its swing.
const KEPT_SECS: f64 = 8.0;
/// Contact as the hands show it varies by so much from swing to swing of one hitter, and by so much from hitter to hitter,
/// seconds: together the spread of the estimate (docs/accuracy.md).
const SWING_SPREAD_SECS: f64 = 0.014;
const HITTER_SPREAD_SECS: f64 = 0.018;
/// An estimate that is itself less sure than that is taken to be off by this share of its spread from swing to swing.
const UNSURE_SHARE: f64 = 0.7;
/// A sound belongs to a swing within so many standard deviations, and so many seconds at most.
const GATE: f64 = 3.0;
const MOST_GATE_SECS: f64 = 0.16;
/// Sound and picture drift apart by so much from one swing to the next, one standard deviation, seconds.
const DRIFT_SECS: f64 = 0.0003;
/// Where in the hitting area the ball is met differs by this much on sound's way, one standard deviation, seconds: a foot.
const PLACE_SPREAD_SECS: f64 = 0.001;
/// Contact rises within this long and has highs; a sound that stands out this much can be asked, dB.
const MOST_RISE_SECS: f64 = 0.006;
const LEAST_BRIGHT: f64 = 0.1;
const SHAPE_SHOWS_DB: f64 = 15.0;
/// Without a usual level only a sound that stands out this much is taken, decibels.
const STANDS_OUT_DB: f64 = 10.0;
/// How far from the usual level contact may be once it was heard three times, before that, and above it, decibels.
const BELOW_USUAL_DB: f64 = 10.0;
const BELOW_FIRST_DB: f64 = 18.0;
const ABOVE_USUAL_DB: f64 = 15.0;
const KNOWN_AFTER: usize = 3;
/// Its spread from swing to swing, one standard deviation, decibels.
const LEVEL_SPREAD_DB: f64 = 4.0;
/// Levels of so many contacts make the usual one.
const USUAL_OF: usize = 15;
/// Sounds whose scores lie closer than this are not told apart.
const CLEAR_SCORE: f64 = 4.0;
/// A wall or a screen answers later and at most so much louder, decibels.
const ANSWER_DB: f64 = 3.0;
/// Our own speaker is heard from so long before to so long after its time is thought to be, seconds.
const OWN_MARGIN_SECS: (f64, f64) = (0.03, 0.06);
/// A contact on top of our own sound is louder than that by this, decibels.
const OVER_OWN_DB: f64 = 6.0;
/// Stretches that follow each other are dated by a clock that is set meanwhile; so much between them is no gap, seconds.
const SEAM_SECS: f64 = 0.02;
/// A sound as loud as contact so close to where it was looked for leaves open whether it was contact, seconds.
const NEAR_SECS: f64 = 0.08;
/// Where the room is not this far below the usual level, silence says nothing, decibels.
const ROOM_BELOW_DB: f64 = 8.0;
/// So many swings in a row without the usual sound but with another that varies by no more than this, decibels: contact
/// sounds otherwise now, for the microphone was moved or turned down.
const RELEARN_AFTER: usize = 4;
const ALIKE_DB: f64 = 4.0;

/// A sharp sound on the camera's clock, as it reached the microphone.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SharpSound {
    /// When it began.
    pub at: CaptureTime,
    /// How far it stands above what was heard before it, decibels.
    pub above_db: f64,
    /// Its highest sample above 1 kHz within 4 ms, decibels against full scale.
    pub level_db: f64,
    /// From its beginning to where it has a fourth of its highest energy, seconds.
    pub rise_secs: f64,
    /// Which share of its energy lies above 1 kHz, 0 to 1.
    pub bright: f64,
}

/// A stretch that the microphone heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Listened {
    /// From here.
    pub from: CaptureTime,
    /// To here.
    pub to: CaptureTime,
    /// How loud it was above 1 kHz, root mean square, decibels against full scale; `None` where nothing at all was heard, as
    /// from a microphone that is muted.
    pub room_db: Option<f64>,
}

/// How much later sound is stamped than the picture of the same moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lag {
    /// Seconds.
    pub secs: f64,
    /// One standard deviation.
    pub spread_secs: f64,
}

/// What is known of the sounds beside the hitter.
#[derive(Clone, Debug)]
pub struct Ears {
    sounds: VecDeque<SharpSound>,
    own: VecDeque<(CaptureTime, CaptureTime)>,
    listened: VecDeque<Listened>,
    usual: VecDeque<f64>,
    /// The loudest sharp sounds of the latest swings whose contact was not heard.
    unusual: VecDeque<f64>,
    lag: LagFilter,
}

/// The moment of contact, as it was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct HeardContact {
    /// When, on the camera's clock.
    pub at: CaptureTime,
    /// One standard deviation, seconds.
    pub spread_secs: f64,
}

/// What was heard about a swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Verdict {
    /// What the rep says.
    pub heard: Heard,
    /// The moment, where it was heard.
    pub contact: Option<HeardContact>,
    lesson: Lesson,
}

/// What there is to learn from a swing once it counts.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Lesson {
    /// From the contact that the hands show to the sound, and the estimate's spread from swing to swing, seconds.
    late: Option<(f64, f64)>,
    /// How loud: of contact, or of the loudest sharp sound where contact was not heard.
    level_db: Option<f64>,
}

impl Ears {
    /// Ears that have heard nothing; `lag` is what was measured of sound and picture.
    pub fn new(lag: Lag) -> Self {
        Self {
            sounds: VecDeque::new(),
            own: VecDeque::new(),
            listened: VecDeque::new(),
            usual: VecDeque::new(),
            unusual: VecDeque::new(),
            lag: LagFilter::new(lag),
        }
    }

    /// How much later sound is than the picture, as far as it is known by now.
    pub fn lag(&self) -> Lag {
        self.lag.lag()
    }

    /// Another hitter: how their hands show contact is not known.
    pub fn forget_hitter(&mut self) {
        self.lag.forget_hitter();
    }

    /// Takes a sharp sound; they come in time order.
    pub fn push_sound(&mut self, sound: SharpSound) {
        self.sounds.push_back(sound);
    }

    /// Takes a stretch that was heard, with all its sharp sounds taken before.
    pub fn push_listened(&mut self, listened: Listened) {
        let oldest = listened.to.plus_secs(-KEPT_SECS);
        self.listened.push_back(listened);
        drop_before(&mut self.listened, |l| l.to < oldest);
        drop_before(&mut self.sounds, |s| s.at < oldest);
        drop_before(&mut self.own, |(_, to)| *to < oldest);
    }

    /// Our own speaker is heard from here to here.
    pub fn push_own(&mut self, from: CaptureTime, to: CaptureTime) {
        let (before, after) = OWN_MARGIN_SECS;
        self.own
            .push_back((from.plus_secs(-before), to.plus_secs(after)));
    }

    /// What was heard of a swing whose hands show contact at `seen_at`, with this standard deviation.
    pub(crate) fn verdict(&self, seen_at: CaptureTime, seen_spread_secs: f64) -> Verdict {
        let noise_secs = SWING_SPREAD_SECS.max(UNSURE_SHARE * seen_spread_secs);
        let (late, spread) = self.lag.expected(noise_secs);
        let reach = (GATE * spread).min(MOST_GATE_SECS);
        let (from, to) = (
            seen_at.plus_secs(late - reach),
            seen_at.plus_secs(late + reach),
        );
        let in_window = |s: &&SharpSound| s.at >= from && s.at <= to;
        let fits: Vec<&SharpSound> = self
            .sounds
            .iter()
            .filter(in_window)
            .filter(|sound| self.may_be_contact(sound, (from, to)))
            .collect();
        let score = |sound: &SharpSound| {
            let off = (sound.at.secs_since(seen_at) - late) / spread;
            let level = self
                .usual_db()
                .map_or(0.0, |usual| (sound.level_db - usual) / LEVEL_SPREAD_DB);
            -0.5 * (off * off + level * level)
        };
        let best = fits
            .iter()
            .copied()
            .max_by(|a, b| score(a).total_cmp(&score(b)));
        let clear = best.filter(|best| {
            fits.iter().all(|other| {
                let answers = other.at > best.at && other.level_db <= best.level_db + ANSWER_DB;
                *other == *best || answers || score(best) - score(other) > CLEAR_SCORE
            })
        });
        let loudest = self
            .sounds
            .iter()
            .filter(in_window)
            .filter(|s| is_sharp(s))
            .map(|s| s.level_db)
            .reduce(f64::max);
        let Some(sound) = clear else {
            let heard = match best.is_none() && self.would_have_heard((from, to)) {
                true => Heard::Nothing,
                false => Heard::Unclear,
            };
            return Verdict {
                heard,
                contact: None,
                lesson: Lesson {
                    late: None,
                    level_db: loudest,
                },
            };
        };
        let lag = self.lag.lag();
        let contact = HeardContact {
            at: sound.at.plus_secs(-lag.secs),
            spread_secs: lag.spread_secs.hypot(PLACE_SPREAD_SECS),
        };
        Verdict {
            heard: Heard::Contact {
                plus_minus_ms: 1e3 * contact.spread_secs,
                level_db: sound.level_db,
            },
            contact: Some(contact),
            lesson: Lesson {
                late: Some((sound.at.secs_since(seen_at), noise_secs)),
                level_db: Some(sound.level_db),
            },
        }
    }

    /// Learns from a swing that counts.
    pub(crate) fn learn(&mut self, verdict: &Verdict) {
        let Lesson { late, level_db } = verdict.lesson;
        if let Some((late, noise_secs)) = late {
            self.lag.update(late, noise_secs);
            self.unusual.clear();
            self.usual.extend(level_db);
            drop_to(&mut self.usual, USUAL_OF);
            return;
        }
        match level_db {
            Some(level) => self.unusual.push_back(level),
            // A swing without any sound is a miss, whatever contact sounds like.
            None => self.unusual.clear(),
        }
        drop_to(&mut self.unusual, RELEARN_AFTER);
        let alike = |of: &VecDeque<f64>| {
            let (low, high) = of
                .iter()
                .fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
            of.len() == RELEARN_AFTER && high - low <= ALIKE_DB
        };
        if alike(&self.unusual) && !self.usual.is_empty() {
            self.usual = std::mem::take(&mut self.unusual);
        }
    }

    /// How loud contact usually is here.
    fn usual_db(&self) -> Option<f64> {
        median(&self.usual.iter().copied().collect::<Vec<f64>>())
    }

    fn may_be_contact(&self, sound: &SharpSound, window: (CaptureTime, CaptureTime)) -> bool {
        let fits_level = match self.usual_db() {
            None => sound.above_db >= STANDS_OUT_DB,
            Some(usual) => {
                let known = self.usual.len() >= KNOWN_AFTER;
                let below = if known {
                    BELOW_USUAL_DB
                } else {
                    BELOW_FIRST_DB
                };
                (usual - below..=usual + ABOVE_USUAL_DB).contains(&sound.level_db)
            }
        };
        let over_own = !self.is_own(sound.at)
            || self
                .own_level_db(window)
                .is_some_and(|own| sound.level_db >= own + OVER_OWN_DB);
        is_sharp(sound) && fits_level && over_own
    }

    fn is_own(&self, at: CaptureTime) -> bool {
        self.own
            .iter()
            .any(|(from, to)| (*from..=*to).contains(&at))
    }

    /// How loud our own speaker is here, outside of the window; `None` where that was not heard.
    fn own_level_db(&self, (from, to): (CaptureTime, CaptureTime)) -> Option<f64> {
        self.sounds
            .iter()
            .filter(|s| (s.at < from || s.at > to) && self.is_own(s.at))
            .map(|s| s.level_db)
            .reduce(f64::max)
    }

    /// Whether contact would have been heard in the window: all of it was listened to, in a room that is quiet enough, and
    /// what contact sounds like is known. A sound at that level in or near it leaves it open.
    fn would_have_heard(&self, (from, to): (CaptureTime, CaptureTime)) -> bool {
        let known = self.usual.len() >= KNOWN_AFTER;
        let Some(usual) = self.usual_db().filter(|_| known) else {
            return false;
        };
        let mut heard_to = from;
        for stretch in &self.listened {
            let quiet = stretch
                .room_db
                .is_some_and(|room| room <= usual - ROOM_BELOW_DB);
            let follows = stretch.from.secs_since(heard_to) <= SEAM_SECS;
            if follows && stretch.to > heard_to && quiet {
                heard_to = stretch.to;
            }
        }
        let near = from.plus_secs(-NEAR_SECS)..=to.plus_secs(NEAR_SECS);
        let masked = self
            .sounds
            .iter()
            .any(|s| near.contains(&s.at) && s.level_db >= usual - BELOW_USUAL_DB);
        heard_to >= to && !masked
    }
}

/// Whether a sound begins and looks as a bat on a ball does; one that hardly stands out cannot be asked.
fn is_sharp(sound: &SharpSound) -> bool {
    sound.above_db < SHAPE_SHOWS_DB
        || (sound.rise_secs <= MOST_RISE_SECS && sound.bright >= LEAST_BRIGHT)
}

fn drop_before<T>(queue: &mut VecDeque<T>, old: impl Fn(&T) -> bool) {
    while queue.front().is_some_and(&old) {
        queue.pop_front();
    }
}

fn drop_to<T>(queue: &mut VecDeque<T>, most: usize) {
    while queue.len() > most {
        queue.pop_front();
    }
}

/// How much later sound is than picture, and how much later this hitter's contact is than their hands show it: only the sum of
/// the two is seen, and only the first stays from hitter to hitter (R. E. Kalman, *J. Basic Eng.* 82, 1960).
#[derive(Clone, Copy, Debug)]
struct LagFilter {
    lag: f64,
    hitter: f64,
    /// Variances, and the covariance.
    lag_var: f64,
    hitter_var: f64,
    both: f64,
}

impl LagFilter {
    fn new(lag: Lag) -> Self {
        Self {
            lag: lag.secs,
            hitter: 0.0,
            lag_var: lag.spread_secs * lag.spread_secs,
            hitter_var: HITTER_SPREAD_SECS * HITTER_SPREAD_SECS,
            both: 0.0,
        }
    }

    fn lag(&self) -> Lag {
        Lag {
            secs: self.lag,
            spread_secs: self.lag_var.sqrt(),
        }
    }

    fn forget_hitter(&mut self) {
        self.hitter = 0.0;
        self.hitter_var = HITTER_SPREAD_SECS * HITTER_SPREAD_SECS;
        self.both = 0.0;
    }

    /// How much later than the hands show contact its sound comes, and the standard deviation of that.
    fn expected(&self, noise_secs: f64) -> (f64, f64) {
        let var = self.lag_var + 2.0 * self.both + self.hitter_var + noise_secs * noise_secs;
        (self.lag + self.hitter, var.sqrt())
    }

    fn update(&mut self, late: f64, noise_secs: f64) {
        self.lag_var += DRIFT_SECS * DRIFT_SECS;
        let (expected, spread) = self.expected(noise_secs);
        let (to_lag, to_hitter) = (self.lag_var + self.both, self.hitter_var + self.both);
        let (lag_gain, hitter_gain) = (to_lag / (spread * spread), to_hitter / (spread * spread));
        self.lag += lag_gain * (late - expected);
        self.hitter += hitter_gain * (late - expected);
        self.lag_var -= lag_gain * to_lag;
        self.both -= lag_gain * to_hitter;
        self.hitter_var -= hitter_gain * to_hitter;
    }
}

#[cfg(test)]
mod tests;
