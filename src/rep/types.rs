//! What a rep is: its kind, its events in capture time and its measures.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::motion::{Direction, Scale, Side};
use crate::text_enum::Recorded;
use crate::time::CaptureTime;

use super::heard::Heard;
use super::not_measured::NotMeasured;

/// Which side of the plate the hitter stands on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Bats {
    /// Front foot is the right foot.
    Left,
    /// Front foot is the left foot.
    Right,
}

impl Bats {
    /// The side of the front foot.
    pub(crate) const fn front(self) -> Side {
        match self {
            Bats::Left => Side::Right,
            Bats::Right => Side::Left,
        }
    }

    /// The side of the plate of a hitter with this foot in front.
    pub(crate) const fn with_front(front: Side) -> Self {
        match front {
            Side::Left => Bats::Right,
            Side::Right => Bats::Left,
        }
    }

    /// The word used in settings, logs and on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Bats::Left => "left",
            Bats::Right => "right",
        }
    }
}

/// Where the camera stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum View {
    /// Across the plate, facing the hitter's chest.
    OpenSide,
    /// On the other side of the hitter, facing the back.
    BackSide,
    /// Behind the hitter, along the line to the pitcher.
    Rear,
    /// In front of the hitter, along the line to the pitcher.
    Front,
}

impl View {
    /// All of them.
    pub(crate) const ALL: [View; 4] = [View::OpenSide, View::BackSide, View::Rear, View::Front];

    /// Whether the line to the pitcher runs across the picture.
    pub(crate) const fn is_side_on(self) -> bool {
        matches!(self, View::OpenSide | View::BackSide)
    }

    /// What a way toward the camera is multiplied by to be a way toward the plate.
    pub(super) const fn near_to_plate(self) -> f64 {
        match self {
            View::BackSide => -1.0,
            View::OpenSide | View::Rear | View::Front => 1.0,
        }
    }

    /// The word used in logs.
    pub const fn name(self) -> &'static str {
        match self {
            View::OpenSide => "open-side",
            View::BackSide => "back-side",
            View::Rear => "rear",
            View::Front => "front",
        }
    }
}

/// What the hitter is doing now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// Not in a hitting stance, or not in view.
    Away,
    /// In the stance and quiet.
    Set,
    /// The weight goes back.
    Gather,
    /// The front foot is off the ground.
    Stride,
    /// The front foot is down, the hands are still back.
    Planted,
    /// The hands come forward.
    Swing,
    /// The follow-through, until the hands rest.
    Finish,
}

impl Phase {
    /// The word used in logs and on screens.
    pub const fn name(self) -> &'static str {
        match self {
            Phase::Away => "away",
            Phase::Set => "set",
            Phase::Gather => "gather",
            Phase::Stride => "stride",
            Phase::Planted => "planted",
            Phase::Swing => "swing",
            Phase::Finish => "finish",
        }
    }
}

/// A whole swing, or a stride that no swing followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RepKind {
    /// From set to finish.
    Swing,
    /// A stride without a swing.
    Take,
}

impl RepKind {
    /// The word used in logs.
    pub const fn name(self) -> &'static str {
        match self {
            RepKind::Swing => "swing",
            RepKind::Take => "take",
        }
    }
}

/// When things happened, in capture time; `None` where the recording does not show it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Events {
    /// The hitter came to rest in the stance.
    pub set: Option<CaptureTime>,
    /// The weight starts back.
    pub gather: Option<CaptureTime>,
    /// The front foot leaves the ground.
    pub lift_off: Option<CaptureTime>,
    /// The front foot's heel is down and still.
    pub plant: Option<CaptureTime>,
    /// The back heel leaves the ground.
    pub heel_rise: Option<CaptureTime>,
    /// The bat meets the ball: heard where [`Rep::heard`] says so, else estimated from the hands.
    pub contact: Option<CaptureTime>,
    /// The hands come to rest after the swing.
    pub finish: Option<CaptureTime>,
}

impl Events {
    /// Names and times in the order in which they happen.
    pub fn named(&self) -> [(&'static str, Option<CaptureTime>); 7] {
        [
            ("set", self.set),
            ("gather", self.gather),
            ("lift_off", self.lift_off),
            ("plant", self.plant),
            ("heel_rise", self.heel_rise),
            ("contact", self.contact),
            ("finish", self.finish),
        ]
    }
}

/// When a pitch that was played was heard to leave the hand and to arrive, on the clock of the camera, and how it comes in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PitchTimes {
    /// The ball leaves the hand.
    pub release: CaptureTime,
    /// The ball is over the front of the plate.
    pub arrival: CaptureTime,
    /// How steeply it comes down there, degrees below level; `None` where the level it was thrown at is not recognized.
    pub descent_deg: Option<f64>,
}

macro_rules! measures {
    ($($(#[$doc:meta])* $variant:ident = $name:literal, $unit:ident;)+) => {
        /// The measures of a rep, by name. The unit is part of the name.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum MeasureName { $($(#[$doc])* $variant),+ }

        impl MeasureName {
            /// Every measure, in the order in which a rep shows them.
            pub const ALL: &'static [MeasureName] = &[$(MeasureName::$variant),+];

            /// The name in logs, settings and the journal.
            pub const fn name(self) -> &'static str {
                match self { $(MeasureName::$variant => $name),+ }
            }

            /// The unit of the value.
            pub const fn unit(self) -> Unit {
                match self { $(MeasureName::$variant => Unit::$unit),+ }
            }
        }
    };
}

/// The unit of a measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Centimeters.
    Cm,
    /// Milliseconds.
    Ms,
    /// Percent.
    Pct,
    /// Degrees.
    Deg,
    /// Meters a second.
    MetersPerSecond,
    /// 1 for yes, 0 for no.
    YesNo,
    /// A sequence, see [`sequence_value`].
    Order,
    /// One of [`PATH_SHAPES`], counted from 1.
    Shape,
}

impl Unit {
    /// Whether values are amounts, which have a middle and a spread.
    pub(crate) const fn is_quantity(self) -> bool {
        !matches!(self, Unit::YesNo | Unit::Order | Unit::Shape)
    }
}

impl Unit {
    /// The unit as it stands behind a number.
    pub(crate) const fn suffix(self) -> &'static str {
        match self {
            Unit::Cm => "cm",
            Unit::Ms => "ms",
            Unit::Pct => "%",
            Unit::Deg => "°",
            Unit::MetersPerSecond => "m/s",
            Unit::YesNo | Unit::Order | Unit::Shape => "",
        }
    }
}

measures! {
    /// Head travel toward the pitcher from set to plant.
    HeadToPlant = "head_to_plant_cm", Cm;
    /// Head travel toward the pitcher from plant to contact.
    HeadToContact = "head_to_contact_cm", Cm;
    /// How far the head sinks from set to contact.
    HeadDrop = "head_drop_cm", Cm;
    /// Where the head is at plant: 0 over the back ankle, 100 over the front ankle.
    HeadBetweenFeet = "head_between_feet_pct", Pct;
    /// How far the front ankle travels toward the pitcher from set to plant.
    StrideLength = "stride_length_cm", Cm;
    /// The same as a share of the hitter's height.
    StrideLengthOfHeight = "stride_length_pct_height", Pct;
    /// From the start of the gather to plant.
    GatherToPlant = "gather_to_plant_ms", Ms;
    /// From lift-off to plant.
    LiftToPlant = "lift_to_plant_ms", Ms;
    /// From plant to contact.
    PlantToContact = "plant_to_contact_ms", Ms;
    /// Where the center of mass is at its rearmost in the gather: 0 over the middle of the back foot, 100 over the front.
    WeightBack = "weight_back_pct", Pct;
    /// Where the center of mass is at plant, on the same scale.
    WeightAtPlant = "weight_at_plant_pct", Pct;
    /// Whether the center of mass goes back before it goes forward.
    BackBeforeForward = "back_before_forward", YesNo;
    /// How far the hands go back against the middle of the shoulders, lift-off to plant.
    HandsBack = "hands_back_cm", Cm;
    /// Where the front foot points at plant: 0 at the plate, 90 at the pitcher.
    FrontFootOpen = "front_foot_open_deg", Deg;
    /// Trunk against vertical at plant, from the hips' middle to the shoulders' middle.
    TrunkHinge = "trunk_hinge_deg", Deg;
    /// How much that changes from plant to contact; positive when the trunk bends further.
    TrunkHingeChange = "trunk_hinge_change_deg", Deg;
    /// How far the pelvis is closed at most in the load: 0 square to the plate.
    Coil = "coil_deg", Deg;
    /// How far the pelvis is open at plant: 0 square to the plate, 90 toward the pitcher.
    PelvisAtPlant = "pelvis_open_plant_deg", Deg;
    /// The same at contact.
    PelvisAtContact = "pelvis_open_contact_deg", Deg;
    /// How far the shoulder line is open at plant.
    ShouldersAtPlant = "shoulders_open_plant_deg", Deg;
    /// The same at contact.
    ShouldersAtContact = "shoulders_open_contact_deg", Deg;
    /// How far the pelvis is turned ahead of the shoulders at plant.
    Separation = "separation_deg", Deg;
    /// How far it is ahead at most, from 150 ms before plant to contact.
    SeparationMax = "separation_max_deg", Deg;
    /// How long before contact that is.
    SeparationMaxBefore = "separation_max_before_ms", Ms;
    /// The order in which pelvis, arm, hands and bat are fastest, as far as one camera can tell.
    Sequence = "sequence", Order;
    /// How far head and breastbone get sideways from over the navel at worst, plant to finish.
    BalanceOffset = "balance_offset_cm", Cm;
    /// How long the finish is held.
    FinishHold = "finish_hold_ms", Ms;
    /// From the release of the pitch that was played to plant.
    PlantAfterRelease = "plant_after_release_ms", Ms;
    /// From plant to the pitch's arrival: how long the front foot has been down by then.
    PlantToArrival = "plant_to_arrival_ms", Ms;
    /// From the pitch's arrival to contact: negative is early, positive late.
    ContactToArrival = "contact_to_arrival_ms", Ms;
    /// Where the center of mass is 200 ms before the pitch arrives: 0 over the middle of the back foot, 100 over the front.
    WeightKept = "weight_kept_pct", Pct;
    /// The barrel's direction in the picture at plant, knob to tip: 0 upright, positive tipped toward the pitcher.
    BarrelAtPlant = "barrel_plant_deg", Deg;
    /// The barrel's path against level at contact, positive upward.
    Attack = "attack_deg", Deg;
    /// The barrel's speed at its highest before contact, 15 cm from the tip.
    BatSpeed = "bat_speed_mps", MetersPerSecond;
    /// How far behind the back ankle the knob's line meets the ground at plant; negative on the pitcher's side of it.
    KnobAtPlant = "knob_plant_cm", Cm;
    /// The barrel's path at contact against the line on which the pitch comes in; positive where it climbs more steeply.
    AttackToPitch = "attack_to_pitch_deg", Deg;
    /// How long the barrel's path stays on the plane of the pitch's line.
    OnPlaneTime = "on_plane_ms", Ms;
    /// How far it runs along the pitch's line meanwhile.
    OnPlaneLength = "on_plane_cm", Cm;
    /// How long before contact it gets there.
    OnPlaneBefore = "on_plane_before_ms", Ms;
    /// How far the hands get from the straight way to the ball, positive below it.
    HandsLoop = "hands_loop_cm", Cm;
    /// How far the barrel trails the hands 50 ms before contact: 0 beside them, 90 straight behind.
    BarrelLag = "barrel_lag_deg", Deg;
    /// The shape of the barrel's way to the ball, see [`path_shape_word`].
    PathShape = "path_shape", Shape;
}

/// What the digits of a sequence's value stand for. Pelvis, arm, hand and bat are timed, and should be fastest in that order; the
/// first four were timed by earlier versions, whose journals are still read.
const SEQUENCE_PARTS: [&str; 8] = [
    "heel", "knee", "hip", "hands", "pelvis", "arm", "hand", "bat",
];
/// The digit of the pelvis.
const FIRST_DIGIT: usize = 5;

/// A sequence as a number, of parts that are counted from 0 for the pelvis to 3 for the bat: a decimal digit for each, first to
/// be fastest first.
///
/// `[0, 1, 2, 3]` gives 5678.
pub(crate) fn sequence_value(order: &[usize]) -> f64 {
    order.iter().fold(0.0, |value, part| {
        10.0 * value + (part + FIRST_DIGIT) as f64
    })
}

/// The words of a sequence's number, first to be fastest first; empty for any other number.
pub(crate) fn sequence_words(value: f64) -> Vec<&'static str> {
    if !(1.0..=9999.0).contains(&value) {
        return Vec::new();
    }
    let digits = format!("{value:.0}");
    digits
        .chars()
        .map(|c| {
            SEQUENCE_PARTS
                .get((c as usize).wrapping_sub('1' as usize))
                .copied()
        })
        .collect::<Option<Vec<_>>>()
        .unwrap_or_default()
}

/// The shapes of the barrel's way that are told apart: direct to the ball and long through it; around it, the barrel let go
/// early; out of the zone early.
pub(crate) const PATH_SHAPES: [&str; 3] = ["direct", "around", "out_early"];

/// The word of a shape's number; `None` for any other number.
pub(crate) fn path_shape_word(value: f64) -> Option<&'static str> {
    PATH_SHAPES
        .iter()
        .zip(1..)
        .find(|(_, number)| (value - f64::from(*number)).abs() < 0.5)
        .map(|(word, _)| *word)
}

impl MeasureName {
    /// The measure of this name, if there is one.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|m| m.name() == name)
    }
}

impl fmt::Display for MeasureName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A value with its standard uncertainty, or the reason why there is none.
#[derive(Clone, Debug, PartialEq)]
pub enum Measure {
    /// The value in the measure's own unit.
    Made {
        /// In the measure's own unit.
        value: f64,
        /// One standard deviation, in the same unit.
        plus_minus: f64,
        /// How well the landmarks behind it were seen, 0 to 1.
        confidence: f64,
    },
    /// It could not be made.
    NotMade {
        /// The reason.
        why: Recorded<NotMeasured>,
    },
}

impl From<NotMeasured> for Measure {
    fn from(why: NotMeasured) -> Self {
        Measure::NotMade {
            why: Recorded::Known(why),
        }
    }
}

impl Measure {
    /// The value, where there is one.
    pub fn value(&self) -> Option<f64> {
        match self {
            Measure::Made { value, .. } => Some(*value),
            Measure::NotMade { .. } => None,
        }
    }
}

/// What a rep's pixels were turned into centimeters with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ruler {
    /// The scale.
    pub scale: Scale,
    /// The camera's roll as the operator measured it, degrees; `None` where it was read from the hitter's stance.
    pub roll_deg: Option<f64>,
}

/// One swing or take.
#[derive(Clone, Debug, PartialEq)]
pub struct Rep {
    /// Swing or take.
    pub kind: RepKind,
    /// Which side the hitter stands on.
    pub bats: Bats,
    /// Where the pitcher is in the picture; `None` for a rep that was logged before this was kept, see
    /// [`Rep::pitcher_in`].
    pub pitcher: Option<Direction>,
    /// Where the camera stands.
    pub view: View,
    /// Frames a second that the events were read from.
    pub fps: f64,
    /// The rep's times.
    pub events: Events,
    /// The rep's measures; a take has only those that end at plant.
    pub measures: BTreeMap<MeasureName, Measure>,
    /// How this hitter stands and loads: recorded, never cued.
    pub style: super::style::Style,
    /// What its lengths were measured with; `None` where that is not known.
    pub ruler: Option<Ruler>,
    /// What the microphone says of contact; `None` for a take, and where none listened.
    pub heard: Option<Heard>,
    /// When the stage knew that the rep was over, in capture time.
    pub known_at: CaptureTime,
}
