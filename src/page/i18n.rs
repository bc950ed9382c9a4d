//! The page's text in two languages, one list of messages each.
//!
//! In: a key from a template or from code. Out: text. Both lists have the same keys; a test holds them to it. The texts of cues
//! are those that are heard, so that screen and ear agree. What errors say is under `fault.`; in English it is an error's own
//! `Display` where the list has none.

mod counted;
mod errors;

use super::auth::HERE;
use super::format::{reason_figure, with_unit};
use std::collections::BTreeMap;
use std::fmt::{Display, Write as _};
use std::sync::OnceLock;

use crate::clips::CLIP_SOURCE;
use crate::coach::{
    CueId, CueWords, PlanError, PlanPart, QuietReason, ReadyState, ScheduleKind, Verdict,
};
use crate::pitch::Level;
use crate::pose::Model;
use crate::rep::{Lengths, MeasureName, NotCountedReason, NotMeasured, Phase, RepKind};
use crate::sound::{Language, instruction_id, phrase_words};
use crate::status::{ModelReason, RateAndModel, Timed};
use crate::text_enum::Recorded;

/// The messages of a language.
#[derive(Debug)]
pub(crate) struct Messages {
    language: Language,
    lengths: Lengths,
    messages: BTreeMap<String, String>,
    cues: BTreeMap<String, String>,
}

impl Messages {
    /// The messages of this language, with lengths in these units.
    pub(crate) fn of(language: Language, lengths: Lengths) -> &'static Self {
        static ALL: OnceLock<Vec<Messages>> = OnceLock::new();
        let all = ALL.get_or_init(|| {
            let each = |language| Lengths::ALL.map(|lengths| Messages::read(language, lengths));
            Language::ALL.into_iter().flat_map(each).collect()
        });
        let found = all
            .iter()
            .find(|messages| (messages.language, messages.lengths) == (language, lengths));
        // All of them are there.
        found.unwrap_or(&all[0])
    }

    /// In which units lengths are shown.
    pub(crate) const fn lengths(&self) -> Lengths {
        self.lengths
    }

    fn read(language: Language, lengths: Lengths) -> Self {
        let text = match language {
            Language::English => include_str!("i18n/en.toml"),
            Language::Spanish => include_str!("i18n/es.toml"),
        };
        let messages = toml::from_str(text).unwrap_or_else(|error| {
            tracing::error!(%error, "the page's messages cannot be read");
            BTreeMap::new()
        });
        Self {
            language,
            lengths,
            messages,
            cues: phrase_words(language),
        }
    }

    /// The text of a key; the key itself where it has none, so that a gap shows.
    pub(crate) fn t<'a>(&'a self, key: &'a str) -> &'a str {
        self.messages.get(key).map_or(key, String::as_str)
    }

    /// The text of a key with `{}` filled in.
    pub(crate) fn format(&self, key: &str, value: impl Display) -> String {
        self.fill(key, &[&value])
    }

    /// The text of a key with each `{}` filled in, in their order.
    pub(crate) fn fill(&self, key: &str, values: &[&dyn Display]) -> String {
        let mut parts = self.t(key).split("{}");
        let mut text = parts.next().unwrap_or_default().to_owned();
        for (part, value) in parts.zip(values) {
            let _ = write!(text, "{value}{part}");
        }
        text
    }

    /// A detail that the program words in English, such as an error's: as it is in English, else the text of a key in its place.
    pub(super) fn detail<'a>(&'a self, english: &'a str, key: &'a str) -> &'a str {
        match self.language {
            Language::English => english,
            Language::Spanish => self.t(key),
        }
    }

    /// Whether the camera has the hitter.
    pub(super) fn ready(&self, state: ReadyState) -> String {
        self.t(&format!("js.ready.{}", state.key())).to_owned()
    }

    /// The rate and the pose model in use, and why.
    pub(super) fn model(&self, reason: ModelReason) -> String {
        match (self.language, reason) {
            (Language::English, reason) => reason.to_string(),
            (_, ModelReason::Configured(Model::Full)) => self.t("fault.model.full_set").to_owned(),
            (_, ModelReason::Configured(Model::Lite)) => self.t("fault.model.lite_set").to_owned(),
            (_, ModelReason::KeepsUp { now, too_slow }) => {
                let mut text = self.timed("fault.model.keeps_up", &now);
                match too_slow {
                    _ if !now.holds() => text += self.t("fault.model.no_time"),
                    Some(other) => text += &self.timed("fault.model.too_slow", &other),
                    None => {}
                }
                text
            }
            (
                _,
                ModelReason::Dropped {
                    from,
                    dropped_pct,
                    to,
                },
            ) => self.fill(
                "fault.model.dropped",
                &[&self.pair(to), &self.pair(from), &dropped_pct.round()],
            ),
            (_, ModelReason::TriedAgain(pair)) => {
                self.fill("fault.model.tried_again", &[&self.pair(pair)])
            }
        }
    }

    fn pair(&self, pair: RateAndModel) -> String {
        let key = match pair.model {
            Model::Full => "fault.model.full_at",
            Model::Lite => "fault.model.lite_at",
        };
        self.fill(key, &[&pair.fps.round()])
    }

    fn timed(&self, key: &str, timed: &Timed) -> String {
        let [frame, free] = [timed.frame_ms, timed.free_ms].map(|ms| format!("{ms:.1}"));
        self.fill(key, &[&self.pair(timed.pair), &frame, &free])
    }

    /// What is wrong with a plan; in its fields there is no line.
    pub(super) fn plan_error(&self, error: &PlanError, in_fields: bool) -> String {
        let key = match error.part {
            PlanPart::Text => "fault.plan.text",
            PlanPart::Name => "fault.plan.name",
            PlanPart::Focus => "fault.plan.focus",
            PlanPart::Bands => "fault.plan.bands",
            PlanPart::Cues => "fault.plan.cues",
            PlanPart::Set => "fault.plan.set",
            PlanPart::Pitch => "fault.plan.pitch",
        };
        match (self.language, in_fields) {
            (Language::English, true) => error.reason.clone(),
            (Language::English, false) => error.to_string(),
            (_, true) => self.t(key).to_owned(),
            (_, false) => self.fill("fault.plan.line", &[&error.line, &self.t(key)]),
        }
    }

    /// The text of a name under a prefix, such as `level.` and `youth`; the name itself where it has none.
    pub(crate) fn named<'a>(&'a self, prefix: &str, name: &'a str) -> &'a str {
        self.messages
            .get(&format!("{prefix}{name}"))
            .map_or(name, String::as_str)
    }

    /// The names that the program gives hitters and plans.
    pub(super) fn names(&self) -> impl Iterator<Item = (&str, &str)> {
        let names = self.messages.iter();
        names
            .filter(|(key, _)| key.starts_with("hitter.") || key.starts_with("plan."))
            .map(|(key, text)| (key.as_str(), text.as_str()))
    }

    /// All cues and what they say.
    pub(super) fn cues(&self) -> impl Iterator<Item = (&str, &str)> {
        self.cues
            .iter()
            .map(|(id, text)| (id.as_str(), text.as_str()))
    }

    /// What a cue says; its id where it has no text.
    pub(crate) fn cue(&self, id: CueId) -> &str {
        let id = id.as_str();
        self.cues.get(id).map_or(id, String::as_str)
    }

    /// What a hitter heard after a rep.
    pub(crate) fn cue_heard<'a>(&'a self, id: &'a Recorded<CueId>, words: CueWords) -> &'a str {
        match id {
            Recorded::Known(CueId::InBand) => self.t("js.in_band"),
            Recorded::Known(id) => match words {
                CueWords::Happened => self.cue(*id),
                CueWords::ToDo => {
                    let instruction = self.cues.get(&instruction_id(*id));
                    instruction.map_or_else(|| self.cue(*id), String::as_str)
                }
            },
            Recorded::Unknown(text) => self.unknown(text),
        }
    }

    /// A text that another version wrote: in English as it is, else that it is another's.
    fn unknown<'a>(&'a self, text: &'a str) -> &'a str {
        match self.language {
            Language::English => text,
            Language::Spanish => self.t("fault.unknown_text"),
        }
    }

    /// A measure's name for people.
    pub(crate) fn measure(&self, name: MeasureName) -> &str {
        self.named("measure.", name.name())
    }

    /// A measure's name where there is little room.
    pub(crate) fn short(&self, name: MeasureName) -> &str {
        self.named("short.", name.name())
    }

    /// A value of a measure with its unit.
    pub(crate) fn value(&self, name: MeasureName, value: f64) -> String {
        with_unit(self, name, value)
    }

    pub(crate) fn rep_kind(&self, kind: RepKind) -> &str {
        self.t(match kind {
            RepKind::Swing => "js.swing",
            RepKind::Take => "js.take",
        })
    }

    /// A phase of a rep.
    pub(super) fn phase(&self, phase: Phase) -> &str {
        self.named("phase.", phase.name())
    }

    /// A part of the body in the order in which they fire.
    pub(super) fn body_part<'a>(&'a self, name: &'a str) -> &'a str {
        self.named("part.", name)
    }

    /// A shape of the barrel's path.
    pub(super) fn path_shape(&self, word: &str) -> String {
        self.named("shape.", word).to_owned()
    }

    /// Why a measure was not made.
    pub(super) fn not_measured<'a>(&'a self, why: &'a Recorded<NotMeasured>) -> &'a str {
        match why {
            Recorded::Known(why) => self.named("not_measured.", why.as_str()),
            Recorded::Unknown(text) => self.unknown(text),
        }
    }

    /// Why a movement did not count: what was seen, and what is asked for.
    pub(super) fn not_counted(
        &self,
        reason: &Recorded<NotCountedReason>,
        value: f64,
        asked: f64,
    ) -> String {
        use NotCountedReason as R;
        match reason {
            Recorded::Known(reason) => {
                // These are told by how far something went the wrong way.
                let sign = match reason {
                    R::OtherSide | R::StrideAway | R::DrawnIn => -1.0,
                    _ => 1.0,
                };
                let figure = |value: f64| reason_figure(self, reason.unit(), sign * value);
                self.fill(
                    &format!("not_counted.{reason}"),
                    &[&figure(value), &figure(asked)],
                )
            }
            Recorded::Unknown(text) => self.unknown(text).to_owned(),
        }
    }

    /// Why nothing was said after a rep.
    pub(crate) fn quiet_reason<'a>(&'a self, why: &'a Recorded<QuietReason>) -> &'a str {
        match why {
            Recorded::Known(why) => self.named("quiet.", why.as_str()),
            Recorded::Unknown(text) => self.unknown(text),
        }
    }

    pub(crate) fn schedule(&self, kind: ScheduleKind) -> &str {
        self.named("schedule.", kind.as_str())
    }

    /// A level of play.
    pub(super) fn level(&self, level: Level) -> &str {
        self.named("level.", level.name())
    }

    /// A plan's name: as its coach wrote it, but that of a template in the reader's language.
    pub(crate) fn plan_name<'a>(&'a self, name: &'a str) -> &'a str {
        self.named("plan.", name)
    }

    /// A hitter's name, or that they have none.
    pub(super) fn hitter<'a>(&'a self, name: Option<&'a str>) -> &'a str {
        match name {
            Some(name) => self.named("hitter.", name),
            None => self.t("cage.nobody"),
        }
    }

    /// The account of whoever changed something.
    pub(super) fn account<'a>(&'a self, by: &'a str) -> &'a str {
        match by {
            HERE => self.t("account.here"),
            by => by,
        }
    }

    /// What saw a session: as the journal notes it, of a file the name alone.
    pub(super) fn source(&self, noted: &str) -> String {
        let name = |path: &'_ str| path.rsplit(['/', '\\']).next().unwrap_or(path).to_owned();
        if let Some(path) = noted.strip_prefix("recording ") {
            return self.format("source.recording", name(path));
        }
        if noted.split(' ').next() == Some(CLIP_SOURCE) {
            return self.t("source.clip").to_owned();
        }
        let camera = noted.strip_prefix("camera ");
        match camera.and_then(|camera| camera.split_once(" frames a second")) {
            Some((camera, through)) => {
                let through = through.replace(", through ", self.t("source.through"));
                self.format("source.camera", camera) + &through
            }
            None => name(noted),
        }
    }

    pub(super) fn verdict(&self, verdict: Verdict) -> &str {
        self.t(match verdict {
            Verdict::In => "verdict.in",
            Verdict::Low => "verdict.low",
            Verdict::High => "verdict.high",
        })
    }

    /// The messages of one script as JSON: those that begin with `js.` and its name.
    pub(super) fn messages_of_script(&self, name: &str) -> String {
        let mut all = self.script_messages();
        all.retain(|key, _| key.split('.').next() == Some(name));
        serde_json::json!(all).to_string()
    }

    /// All messages that scripts need, by key: those that begin with `js.`.
    pub(super) fn script_messages(&self) -> BTreeMap<&str, &str> {
        self.messages
            .iter()
            .filter_map(|(key, text)| Some((key.strip_prefix("js.")?, text.as_str())))
            .collect()
    }
}

#[cfg(test)]
mod tests;
