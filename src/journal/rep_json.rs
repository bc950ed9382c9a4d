//! The rep log's line: one JSON object a rep, and back.
//!
//! The keys and their order are a contract with other programs (see `docs/journal.md`): they may
//! grow, they do not change.

use std::collections::BTreeMap;

use serde::de::Error as _;
use serde::ser::SerializeMap;
use serde::{Deserialize, Serialize, Serializer};

use crate::coach::{AbsoluteBands, CueGiven, JudgedRep, PitchPlayed, Verdict};
use crate::journal::record::{writable, writable_fps};
use crate::rep::{
    Bats, Events, FIRING, LoadStyle, Measure, MeasureName, Rep, RepKind, Style, Unit, View,
    sequence_value, sequence_words,
};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

const FORMAT: &str = "rep";
const VERSION: u64 = 1;

/// Why a line is not a rep.
#[derive(Debug, thiserror::Error)]
pub enum RepLineError {
    /// Not JSON, or a key is missing or of the wrong kind.
    #[error("not a rep line: {0}")]
    Json(#[from] serde_json::Error),
    /// JSON of something else.
    #[error("the line's \"format\" is {found}, not \"rep\"")]
    Format {
        /// What stands there.
        found: String,
    },
    /// A line of a version that this program does not know.
    #[error("the rep line has version {found}, this program knows {VERSION}")]
    Version {
        /// What stands there.
        found: String,
    },
}

/// The line of a rep, without the line feed.
///
/// Seconds have three decimals, values two; what is no quantity is written as true or false, or as a list of words. A
/// measure that was not made says why.
pub fn rep_line(judged: &JudgedRep) -> String {
    to_text(&Line::new(judged, None))
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
    /// Why the coach struck it out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) struck: Option<String>,
    /// What the coach calls it, where that is not `kind`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) called: Option<RepKind>,
    /// The coach moved some of its events, and its measures are made with them.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub(super) moved: bool,
}

/// The line of a rep with where it comes from.
pub(super) fn rep_line_with_origin(judged: &JudgedRep, origin: LineOrigin) -> String {
    to_text(&Line::new(judged, Some(origin)))
}

fn to_text(line: &Line<'_>) -> String {
    // Numbers are finite, keys are strings and no part of a line fails by itself, so that there is
    // always text; an empty object would be seen by every reader.
    serde_json::to_string(line).unwrap_or_else(|error| {
        tracing::error!(%error, "a rep line could not be written");
        "{}".to_owned()
    })
}

#[derive(Serialize)]
struct Line<'a> {
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
    #[serde(flatten)]
    origin: Option<LineOrigin>,
}

impl<'a> Line<'a> {
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
            origin,
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
#[derive(Serialize, Deserialize)]
#[serde(untagged)]
enum Value {
    Quantity(f64),
    YesNo(bool),
    Order(Vec<String>),
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
            Unit::Cm | Unit::Ms | Unit::Pct | Unit::Deg => Self::Quantity(rounded(value, 2)),
        }
    }

    /// The number that the rep holds; `None` where this kind of value is not the measure's.
    fn number(self, name: MeasureName) -> Option<f64> {
        match (self, name.unit()) {
            (Self::YesNo(yes), Unit::YesNo) => Some(f64::from(u8::from(yes))),
            (Self::Order(words), Unit::Order) => {
                let place = |word: &String| FIRING.iter().position(|part| part == word);
                let places: Option<Vec<usize>> = words.iter().map(place).collect();
                places.map(|places| sequence_value(&places))
            }
            (Self::Quantity(value), Unit::Cm | Unit::Ms | Unit::Pct | Unit::Deg) => Some(value),
            _ => None,
        }
    }
}

/// Whether the number of a yes or no says yes.
pub(super) fn is_yes(value: f64) -> bool {
    value >= 0.5
}

#[derive(Default, Serialize, Deserialize)]
#[serde(default)]
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

    /// A way to load that this program does not know is passed over.
    fn style(self) -> Style {
        Style {
            stance_width_cm: self.stance_width_cm,
            hand_height_cm: self.hand_height_cm,
            lift_height_cm: self.lift_height_cm,
            load: self.load.as_deref().and_then(LoadStyle::from_name),
        }
    }
}

#[derive(Serialize, Deserialize)]
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

#[derive(Serialize, Deserialize)]
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

/// Rounds to so many decimals; what is too large to have any stays as it is.
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

#[derive(Deserialize)]
struct LineIn {
    rep: u32,
    kind: RepKind,
    bats: Bats,
    view: View,
    fps: f64,
    events: EventsIn,
    measures: BTreeMap<String, serde_json::Value>,
    cue: Option<CueLine>,
    no_cue: Option<String>,
    pitch: Option<PitchLine>,
    #[serde(default)]
    style: StyleLine,
}

#[derive(Deserialize)]
struct EventsIn {
    set: Option<f64>,
    gather: Option<f64>,
    lift_off: Option<f64>,
    plant: Option<f64>,
    heel_rise: Option<f64>,
    contact: Option<f64>,
    finish: Option<f64>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum MeasureIn {
    Made {
        value: Value,
        plus_minus: f64,
        confidence: f64,
        verdict: Option<Verdict>,
    },
    NotMade {
        why: String,
    },
}

/// Reads a line of the rep log or of an export.
///
/// Keys and measures that this program does not know are passed over. The line holds no bands, and does not say when
/// the rep was known to be over; `known_at` is its last event.
///
/// # Errors
/// [`RepLineError`], with the place in the line where JSON fails.
pub fn parse_rep_line(line: &str) -> Result<JudgedRep, RepLineError> {
    let whole: serde_json::Value = serde_json::from_str(line)?;
    let word = |key: &str| {
        whole
            .get(key)
            .map_or_else(|| "missing".to_owned(), ToString::to_string)
    };
    if whole.get("format").and_then(|format| format.as_str()) != Some(FORMAT) {
        return Err(RepLineError::Format {
            found: word("format"),
        });
    }
    if whole.get("version").and_then(serde_json::Value::as_u64) != Some(VERSION) {
        return Err(RepLineError::Version {
            found: word("version"),
        });
    }
    let line: LineIn = serde_json::from_value(whole)?;
    let time = |secs: Option<f64>| secs.map(CaptureTime::from_secs);
    let events = Events {
        set: time(line.events.set),
        gather: time(line.events.gather),
        lift_off: time(line.events.lift_off),
        plant: time(line.events.plant),
        heel_rise: time(line.events.heel_rise),
        contact: time(line.events.contact),
        finish: time(line.events.finish),
    };
    let mut measures = BTreeMap::new();
    let mut verdicts = BTreeMap::new();
    for (name, measure) in line.measures {
        let Some(name) = MeasureName::from_name(&name) else {
            continue;
        };
        let measure = match serde_json::from_value(measure)? {
            MeasureIn::Made {
                value,
                plus_minus,
                confidence,
                verdict,
            } => {
                let value = value.number(name).ok_or_else(|| {
                    let what = format!("{name} has a value of the wrong kind");
                    serde_json::Error::custom(what)
                })?;
                verdicts.extend(verdict.map(|verdict| (name, verdict)));
                Measure::Made {
                    value,
                    plus_minus,
                    confidence,
                }
            }
            MeasureIn::NotMade { why } => Measure::NotMade {
                why: why.as_str().into(),
            },
        };
        measures.insert(name, measure);
    }
    let known_at = events
        .named()
        .into_iter()
        .filter_map(|(_, at)| at)
        .max()
        .unwrap_or_default();
    Ok(JudgedRep {
        number: line.rep,
        rep: Rep {
            kind: line.kind,
            bats: line.bats,
            view: line.view,
            fps: line.fps,
            events,
            measures,
            style: line.style.style(),
            ruler: None,
            known_at,
        },
        bands: AbsoluteBands::new(),
        verdicts,
        cue: line.cue.map(|cue| CueGiven {
            id: cue.id.as_str().into(),
            at: CaptureTime::from_secs(cue.at),
            latency_ms: cue.latency_ms,
        }),
        no_cue: line.no_cue.as_deref().map(Recorded::from),
        pitch: line.pitch.map(|pitch| PitchPlayed {
            speed_kmh: pitch.speed_kmh,
            release: CaptureTime::from_secs(pitch.release),
            arrival: CaptureTime::from_secs(pitch.arrival),
        }),
    })
}
