//! What was read beside the landmarks of a frame, in a timeline: the bat, and how the trunk was turned.

use super::{
    HAS_BAT, HAS_TURN, MAX_STEPS, Payload, STEPS_PER_PX, TURN_FROM_PLATE, TimelineError,
    VERSION_WITH_BAT, VERSION_WITH_TURN, VERSION_WITHOUT_BAT, damaged, probability_byte,
    put_byte_differences, put_differences, steps,
};
use crate::pose::{PoseFrame, SeenBat, TrunkTurn, TurnAngle, TurnOrigin};

/// Steps to a degree of a turn, and to a degree of its spread.
const STEPS_PER_DEG: f32 = 10.0;
const STEPS_PER_SPREAD_DEG: f32 = 4.0;
/// No turn is larger, either way, in steps.
const MAX_TURN_STEPS: i64 = 3600;

/// The quantized bat of one frame.
struct BatSteps {
    /// x and y of the knob, then of the tip.
    places: [i64; 4],
    probability: u8,
}

impl BatSteps {
    fn of(bat: &SeenBat) -> Option<Self> {
        let [[knob_x, knob_y], [tip_x, tip_y]] = [bat.knob_px, bat.tip_px];
        let places = [knob_x, knob_y, tip_x, tip_y];
        places.iter().all(|px| px.is_finite()).then(|| Self {
            places: places.map(steps),
            probability: probability_byte(bat.probability),
        })
    }
}

/// The quantized turn of one frame.
struct TurnSteps {
    /// Pelvis, then shoulders.
    turned: [i64; 2],
    spreads: [u8; 2],
    origin: TurnOrigin,
}

impl TurnSteps {
    fn of(turn: &TrunkTurn) -> Option<Self> {
        let lines = [turn.pelvis, turn.shoulders];
        let finite = |line: &TurnAngle| line.deg.is_finite() && line.spread_deg.is_finite();
        let turned = |line: TurnAngle| {
            ((line.deg * STEPS_PER_DEG).round() as i64).clamp(-MAX_TURN_STEPS, MAX_TURN_STEPS)
        };
        lines.iter().all(finite).then(|| Self {
            turned: lines.map(turned),
            // `as` holds it within 0 to 255.
            spreads: lines.map(|line| (line.spread_deg * STEPS_PER_SPREAD_DEG).round() as u8),
            origin: turn.origin,
        })
    }
}

/// What was read beside the landmarks of each frame.
pub(super) struct ReadingSteps {
    frames: Vec<(Option<BatSteps>, Option<TurnSteps>)>,
}

impl ReadingSteps {
    pub(super) fn of(frames: &[PoseFrame]) -> Self {
        let of_frame = |frame: &PoseFrame| {
            (
                frame.bat.as_ref().and_then(BatSteps::of),
                frame.turn.as_ref().and_then(TurnSteps::of),
            )
        };
        Self {
            frames: frames.iter().map(of_frame).collect(),
        }
    }

    /// The oldest version that can hold it, so that older programs read what they know.
    pub(super) fn version(&self) -> u8 {
        if self.turns().next().is_some() {
            VERSION_WITH_TURN
        } else if self.bats().next().is_some() {
            VERSION_WITH_BAT
        } else {
            VERSION_WITHOUT_BAT
        }
    }

    /// The flags of each frame.
    pub(super) fn flags(&self) -> impl Iterator<Item = u8> {
        self.frames.iter().map(|(bat, turn)| {
            let of_bat = if bat.is_some() { HAS_BAT } else { 0 };
            let of_turn = match turn.as_ref().map(|turn| turn.origin) {
                None => 0,
                Some(TurnOrigin::Camera) => HAS_TURN,
                Some(TurnOrigin::Plate) => HAS_TURN | TURN_FROM_PLATE,
            };
            of_bat | of_turn
        })
    }

    fn bats(&self) -> impl Iterator<Item = &BatSteps> {
        self.frames.iter().filter_map(|(bat, _)| bat.as_ref())
    }

    fn turns(&self) -> impl Iterator<Item = &TurnSteps> {
        self.frames.iter().filter_map(|(_, turn)| turn.as_ref())
    }

    pub(super) fn put(&self, out: &mut Vec<u8>) {
        for place in 0..4 {
            put_differences(out, self.bats().map(|bat| bat.places[place]));
        }
        put_byte_differences(out, self.bats().map(|bat| bat.probability));
        for line in 0..2 {
            put_differences(out, self.turns().map(|turn| turn.turned[line]));
            put_byte_differences(out, self.turns().map(|turn| turn.spreads[line]));
        }
    }
}

/// Marks in a frame what its flags say was read beside the landmarks; gives the flags of the body alone.
pub(super) fn marked(frame: &mut PoseFrame, flags: u8, version: u8) -> Result<u8, TimelineError> {
    let known = match version {
        VERSION_WITHOUT_BAT => 0,
        VERSION_WITH_BAT => HAS_BAT,
        _ => HAS_BAT | HAS_TURN | TURN_FROM_PLATE,
    };
    let beside = flags & (HAS_BAT | HAS_TURN | TURN_FROM_PLATE);
    if beside & !known != 0 || beside & (HAS_TURN | TURN_FROM_PLATE) == TURN_FROM_PLATE {
        return Err(damaged("a frame has flags that do not exist"));
    }
    frame.bat = (beside & HAS_BAT != 0).then_some(NO_PLACE_YET);
    frame.turn = (beside & HAS_TURN != 0).then_some(TrunkTurn {
        pelvis: NO_ANGLE_YET,
        shoulders: NO_ANGLE_YET,
        origin: match beside & TURN_FROM_PLATE {
            0 => TurnOrigin::Camera,
            _ => TurnOrigin::Plate,
        },
    });
    Ok(flags & !beside)
}

/// A bat until its places are read.
const NO_PLACE_YET: SeenBat = SeenBat {
    knob_px: [0.0; 2],
    tip_px: [0.0; 2],
    probability: 0.0,
};

/// A line of the trunk until its turn is read.
const NO_ANGLE_YET: TurnAngle = TurnAngle {
    deg: 0.0,
    spread_deg: 0.0,
};

pub(super) fn unpack_bats(
    payload: &mut Payload<'_>,
    frames: &mut [PoseFrame],
) -> Result<(), TimelineError> {
    let mut bats: Vec<&mut SeenBat> = frames.iter_mut().filter_map(|f| f.bat.as_mut()).collect();
    for place in 0..4 {
        let mut last = 0;
        for bat in &mut bats {
            let end = match place / 2 {
                0 => &mut bat.knob_px,
                _ => &mut bat.tip_px,
            };
            end[place % 2] = payload.difference(&mut last, MAX_STEPS)? as f32 / STEPS_PER_PX;
        }
    }
    let mut last = 0u8;
    for bat in bats {
        last = last.wrapping_add(payload.byte()?);
        bat.probability = f32::from(last) / 255.0;
    }
    Ok(())
}

pub(super) fn unpack_turns(
    payload: &mut Payload<'_>,
    frames: &mut [PoseFrame],
) -> Result<(), TimelineError> {
    let lines: [fn(&mut TrunkTurn) -> &mut TurnAngle; 2] =
        [|turn| &mut turn.pelvis, |turn| &mut turn.shoulders];
    for line in lines {
        let mut last = 0;
        for turn in frames.iter_mut().filter_map(|f| f.turn.as_mut()) {
            let steps = payload.difference(&mut last, MAX_TURN_STEPS)?;
            line(turn).deg = steps as f32 / STEPS_PER_DEG;
        }
        let mut last = 0u8;
        for turn in frames.iter_mut().filter_map(|f| f.turn.as_mut()) {
            last = last.wrapping_add(payload.byte()?);
            line(turn).spread_deg = f32::from(last) / STEPS_PER_SPREAD_DEG;
        }
    }
    Ok(())
}
