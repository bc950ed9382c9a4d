//! The trunk's turn in a landmark timeline.

use super::*;

#[test]
fn a_turn_that_is_no_number_is_left_out_and_one_too_large_is_held() {
    let mut frames = with_turns(frames(3, 60.0, false, &mut Dice::new(1)));
    frames[2].turn = frames[1].turn;
    frames[0].turn.as_mut().unwrap().pelvis.deg = f32::NAN;
    frames[1].turn.as_mut().unwrap().shoulders.spread_deg = f32::INFINITY;
    let far = frames[2].turn.as_mut().unwrap();
    (far.pelvis.deg, far.pelvis.spread_deg) = (-1e30, 1e9);
    let back = decode_timeline(&encode_timeline(&frames).unwrap()).unwrap();
    assert_eq!((back[0].turn, back[1].turn), (None, None));
    let held = back[2].turn.unwrap().pelvis;
    assert_eq!((held.deg, held.spread_deg), (-360.0, 63.75));
}
