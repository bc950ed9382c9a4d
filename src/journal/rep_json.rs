//! A rep as a line of the rep log: one JSON object.
//!
//! The keys and their order are a contract with other programs (see `docs/journal.md`): they may
//! grow, they do not change.

use std::collections::BTreeMap;

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use crate::coach::{CueGiven, JudgedRep, PitchPlayed, Verdict};
use crate::journal::record::{writable, writable_fps};
use crate::rep::{
    Bats, Events, Heard, Measure, MeasureName, RepKind, Style, Unit, View, path_shape_word,
    sequence_words,
};
use crate::text_enum::Recorded;

const FORMAT: &str = "rep";
const VERSION: u64 = 1;
/// How every line of a rep log begins.
pub(super) const REP_LINE_START: &str = "{\"format\":\"rep\"";

/// The line of a rep, without the line feed.
///
/// Seconds have three decimals, values two; a yes or no is written as true or false, an order as a list of words. A
/// measure that was not made says why.
pub fn rep_line(judged: &JudgedRep) -> String {
    to_text(&RepLine::new(judged, None))
}

/// What an export adds behind the keys of the rep log.
#[derive(Serialize)]
pub(super) struct LineOrigin {
    pub(super) session: i64,
    pub(super) hitter: Option<String>,
    pub(super) logged_at: String,
    /// The coach marked it.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub(super) marked: bool,
    /// Why the coach excluded it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) struck: Option<String>,
    /// What the coach calls it, where that is not `kind`.
    #[serde(rename = "called", skip_serializing_if = "Option::is_none")]
    pub(super) label_override: Option<RepKind>,
    /// The coach moved some of its events, and its measures are made with them.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub(super) moved: bool,
    /// It was not counted when it was seen, and counts since the coach said so.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub(super) made_to_count: bool,
}

/// The line of a rep with where it comes from.
pub(super) fn rep_line_with_origin(judged: &JudgedRep, origin: LineOrigin) -> String {
    to_text(&RepLine::new(judged, Some(origin)))
}

fn to_text(line: &RepLine<'_>) -> String {
    // Numbers are finite, keys are strings and no part of a line fails by itself, so that there is
    // always text; an empty object would be seen by every reader.
    serde_json::to_string(line).unwrap_or_else(|error| {
        tracing::error!(%error, "a rep line could not be written");
        "{}".to_owned()
    })
}

#[derive(Serialize)]
struct RepLine<'a> {
    format: &'static str,
    version: u64,
    rep: u32,
    kind: RepKind,
    bats: Bats,
    view: View,
    fps: f64,
    events: EventsOut<'a>,
    measures: MeasuresOut<'a>,
    cue: Option<CueLine>,
    #[serde(skip_serializing_if = "Option::is_none")]
    no_cue: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pitch: Option<PitchLine>,
    style: StyleLine,
    #[serde(skip_serializing_if = "Option::is_none")]
    heard: Option<HeardLine>,
    #[serde(flatten)]
    origin: Option<LineOrigin>,
}

impl<'a> RepLine<'a> {
    fn new(judged: &'a JudgedRep, origin: Option<LineOrigin>) -> Self {
        let JudgedRep {
            number,
            rep,
            bands: _,
            verdicts,
            cue,
            no_cue,
            pitch,
        } = judged;
        Self {
            format: FORMAT,
            version: VERSION,
            rep: *number,
            kind: rep.kind,
            bats: rep.bats,
            view: rep.view,
            fps: rounded(writable_fps(rep.fps), 3),
            events: EventsOut(&rep.events),
            measures: MeasuresOut {
                measures: &rep.measures,
                verdicts,
            },
            cue: cue.as_ref().map(CueLine::new),
            no_cue: no_cue
                .as_ref()
                .map(Recorded::as_str)
                .filter(|_| cue.is_none()),
            pitch: pitch.as_ref().map(PitchLine::new),
            style: StyleLine::new(&rep.style),
            heard: rep.heard.map(HeardLine::new),
            origin,
        }
    }
}

/// What a microphone says of contact.
#[derive(Serialize)]
struct HeardLine {
    contact: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    plus_minus_ms: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    level_db: Option<f64>,
}

impl HeardLine {
    fn new(heard: Heard) -> Self {
        let (plus_minus_ms, level_db) = match heard {
            Heard::Contact {
                plus_minus_ms,
                level_db,
            } => (Some(rounded(plus_minus_ms, 1)), Some(rounded(level_db, 1))),
            Heard::Nothing | Heard::Unclear => (None, None),
        };
        Self {
            contact: match heard {
                Heard::Contact { .. } => "heard",
                other => other.name(),
            },
            plus_minus_ms,
            level_db,
        }
    }
}

struct EventsOut<'a>(&'a Events);

impl Serialize for EventsOut<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(
            self.0
                .named()
                .map(|(name, at)| (name, at.map(|at| rounded(at.secs(), 3)))),
        )
    }
}

struct MeasuresOut<'a> {
    measures: &'a BTreeMap<MeasureName, Measure>,
    verdicts: &'a BTreeMap<MeasureName, Verdict>,
}

impl Serialize for MeasuresOut<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        for name in MeasureName::ALL {
            let Some(measure) = self.measures.get(name) else {
                continue;
            };
            let line = match writable(measure) {
                Measure::Made {
                    value,
                    plus_minus,
                    confidence,
                } => MeasureOut::Made {
                    value: Value::new(*name, value),
                    plus_minus: rounded(plus_minus, 2),
                    confidence: rounded(confidence, 2),
                    verdict: self.verdicts.get(name).copied(),
                },
                Measure::NotMade { why } => MeasureOut::NotMade {
                    value: (),
                    why: why.as_str().to_owned(),
                },
            };
            map.serialize_entry(name.name(), &line)?;
        }
        map.end()
    }
}

#[derive(Serialize)]
#[serde(untagged)]
enum MeasureOut {
    Made {
        value: Value,
        plus_minus: f64,
        confidence: f64,
        verdict: Option<Verdict>,
    },
    NotMade {
        value: (),
        why: String,
    },
}

/// A measure's value as it stands in the line.
#[derive(Serialize)]
#[serde(untagged)]
enum Value {
    Quantity(f64),
    YesNo(bool),
    Order(Vec<String>),
    Shape(Option<&'static str>),
}

impl Value {
    fn new(name: MeasureName, value: f64) -> Self {
        match name.unit() {
            Unit::YesNo => Self::YesNo(is_yes(value)),
            Unit::Order => Self::Order(
                sequence_words(value)
                    .into_iter()
                    .map(str::to_owned)
                    .collect(),
            ),
            Unit::Shape => Self::Shape(path_shape_word(value)),
            Unit::Cm | Unit::Ms | Unit::Pct | Unit::Deg | Unit::MetersPerSecond => {
                Self::Quantity(rounded(value, 2))
            }
        }
    }
}

/// Whether the number of a yes or no says yes.
pub(super) fn is_yes(value: f64) -> bool {
    value >= 0.5
}

#[derive(Serialize)]
struct StyleLine {
    stance_width_cm: Option<f64>,
    hand_height_cm: Option<f64>,
    lift_height_cm: Option<f64>,
    load: Option<String>,
}

impl StyleLine {
    fn new(style: &Style) -> Self {
        let length = |cm: Option<f64>| cm.filter(|cm| cm.is_finite()).map(|cm| rounded(cm, 1));
        Self {
            stance_width_cm: length(style.stance_width_cm),
            hand_height_cm: length(style.hand_height_cm),
            lift_height_cm: length(style.lift_height_cm),
            load: style.load.map(|load| load.name().to_owned()),
        }
    }
}

#[derive(Serialize)]
struct CueLine {
    id: String,
    at: f64,
    latency_ms: Option<f64>,
}

impl CueLine {
    fn new(cue: &CueGiven) -> Self {
        Self {
            id: cue.id.to_string(),
            at: rounded(cue.at.secs(), 3),
            latency_ms: cue
                .latency_ms
                .filter(|ms| ms.is_finite())
                .map(|ms| rounded(ms, 1)),
        }
    }
}

#[derive(Serialize)]
struct PitchLine {
    speed_kmh: f64,
    release: f64,
    arrival: f64,
}

impl PitchLine {
    fn new(pitch: &PitchPlayed) -> Self {
        Self {
            speed_kmh: rounded(pitch.speed_kmh, 1),
            release: rounded(pitch.release.secs(), 3),
            arrival: rounded(pitch.arrival.secs(), 3),
        }
    }
}

/// Rounds to so many decimals; a number too large to have any stays as it is.
pub(super) fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    let rounded = (value * scale).round() / scale;
    // Adding zero turns -0 into 0.
    if rounded.is_finite() {
        rounded + 0.0
    } else {
        value
    }
}
