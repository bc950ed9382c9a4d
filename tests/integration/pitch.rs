//! A pitch that is played flies as long as a real one, and a swing is measured against it.
//!
//! Flight times are held to published ones within 2 %. Two reports of the trade are left out, for they contradict each
//! other and the physics: 0.400 s for 90 mph, and 54 ms between 92 and 100 mph.

use cagehand::pitch::{
    Air, Ball, Delivery, Flight, Level, Pitch, Speed, SpeedClass, Throw, WindUp,
};
use cagehand::pose::PoseFrame;
use cagehand::rep::{HitterSetup, MeasureName, PitchTimes, Rep, RepFinder, RepKind};
use cagehand::time::CaptureTime;

use cagehand_stage::capture::{Capture, HEIGHT_M};
use cagehand_stage::{Camera, Points, Take};

const METRES_PER_FOOT: f64 = 0.3048;

/// An overhand pitch to the middle of a grown hitter's strike zone.
fn throw(ball: Ball, speed: Speed, distance_m: f64) -> Throw {
    Throw {
        ball,
        speed,
        distance_m,
        release_height_m: 1.85,
        crossing_height_m: 0.76,
    }
}

fn fly(ball: Ball, speed: Speed, distance_m: f64) -> Flight {
    throw(ball, speed, distance_m).fly(Air::default()).unwrap()
}

fn hold(what: &str, found: f64, published: f64) {
    let off = 100.0 * (found / published - 1.0);
    println!("{what}: {found:.4}, published {published:.4}, {off:+.2} %");
    assert!(off.abs() < 2.0, "{what}: {found} is not {published}");
}

#[test]
fn flight_times_are_the_published_ones() {
    // K. Nasu, NTT Technical Review 16(3):12-16, 2018: 140 km/h over 18.44 m takes about 500 ms. Without drag it
    // would be 474.
    let flight = fly(Ball::BASEBALL, Speed::from_km_h(140.0), 18.44);
    hold("140 km/h over 18.44 m, s", flight.secs, 0.500);
    // A broadcaster's analysis of college softball ("Speed of softball", Wesley College softball, 3 August 2014): a
    // baseball of 100 mph from its release at 55 ft gives the batter 0.395 s. "396 milliseconds" (going2paris.net)
    // has 0.396 s.
    let flight = fly(
        Ball::BASEBALL,
        Speed::from_mph(100.0),
        55.0 * METRES_PER_FOOT,
    );
    hold("100 mph over 55 ft, s", flight.secs, 0.395);
    hold("100 mph over 55 ft, s", flight.secs, 0.396);
}

#[test]
fn a_pitch_loses_the_published_share_of_its_speed() {
    // 346 pitches followed by cameras lost 10 % (danagonistes.blogspot.com, "Physics of drag", May 2007). From where
    // they were followed is not said; 55 ft, the release, is supposed.
    let flight = fly(
        Ball::BASEBALL,
        Speed::from_mph(90.0),
        55.0 * METRES_PER_FOOT,
    );
    hold("90 mph at the plate, mph", flight.plate_speed.mph(), 81.0);
}

#[test]
fn a_textbooks_pitch_is_the_closed_form_of_its_own_figures() {
    // R. Serway's problem: 40.2 m/s over 18.3 m, drag coefficient 0.305, air 1.20 kg/m3, shadow 4.2e-3 m2, mass 0.145
    // kg. Time and last speed by the closed form for level flight (D. C. Wilcox, "Basic Fluid Mechanics", problem
    // 10.28): 0.478 s and 36.5 m/s, which is also the book's answer (from memory). Gravity makes the real path a
    // little longer.
    let ball = Ball {
        mass_kg: 0.145,
        circumference_m: 2.0 * (std::f64::consts::PI * 4.2e-3).sqrt(),
        drag: 0.305,
    };
    let k = 1.20 * 0.305 * 4.2e-3 / (2.0 * 0.145);
    let (v, x) = (40.2, 18.3);
    let flight = throw(ball, Speed::from_m_s(v), x)
        .fly(Air::with_density(1.20))
        .unwrap();
    let secs = ((k * x).exp() - 1.0) / (k * v);
    assert!((secs - 0.478).abs() < 0.0005);
    hold("40.2 m/s over 18.3 m, s", flight.secs, secs);
    hold(
        "40.2 m/s after 18.3 m, m/s",
        flight.plate_speed.m_s(),
        v * (-k * x).exp(),
    );
    assert!((flight.secs / secs - 1.0).abs() < 0.005);
}

#[test]
fn a_softball_that_takes_0_35_s_is_a_fast_one() {
    // The same analysis of college softball: from 37 ft as fast as 0.35 s. It names no speed, so the time cannot be
    // held to 2 %; the speed must be above what 0.35 s needs without drag, 72.1 mph, and no higher than fast pitches
    // of that game are, in the seventies.
    let secs = |mph| fly(Ball::SOFTBALL, Speed::from_mph(mph), 37.0 * METRES_PER_FOOT).secs;
    assert!(secs(72.1) > 0.35 && secs(78.0) < 0.35);
}

#[test]
fn the_wind_up_is_steady_and_the_ball_takes_its_time() {
    let air = Air::at(25.0, 300.0).unwrap();
    let of = |class| {
        let pitch =
            Pitch::new(Level::HighSchool, Level::HighSchool.usual_speed(class), air).unwrap();
        Delivery::new(pitch, WindUp::default()).unwrap()
    };
    let (fast, slow) = (of(SpeedClass::Fast), of(SpeedClass::Slow));
    assert_eq!(fast.release_secs, slow.release_secs);
    let waits = |d: &Delivery| d.arrival_secs - d.release_secs;
    assert!(waits(&slow) - waits(&fast) > 0.05);
}

/// Skilled hitters meet the ball about this long after their hands are fastest (published).
/// The captured events are read from the joints by thresholds and good to about this.
const TRUTH_MS: f64 = 20.0;

fn swing_at(frames: &[PoseFrame], pitch: PitchTimes) -> Rep {
    let mut finder = RepFinder::new(HitterSetup {
        height_cm: Some(100.0 * HEIGHT_M),
        ..HitterSetup::default()
    });
    finder.set_pitch(Some(pitch));
    let mut reps: Vec<Rep> = frames
        .iter()
        .filter_map(|frame| finder.push(frame.clone()))
        .map(|found| found.rep)
        .collect();
    reps.extend(finder.finish().map(|found| found.rep));
    assert_eq!(reps.len(), 1);
    assert_eq!(reps[0].kind, RepKind::Swing);
    reps.remove(0)
}

fn times(release: f64, arrival: f64) -> PitchTimes {
    PitchTimes {
        release: CaptureTime::from_secs(release),
        arrival: CaptureTime::from_secs(arrival),
        descent_deg: Some(7.0),
    }
}

/// The captured swing from these yaws, on both sides of the plate, with every set of points.
fn films(capture: &Capture, fps: f64, yaws: &[f64], seeds: u64) -> Vec<Vec<PoseFrame>> {
    let mut films = Vec::new();
    for left in [false, true] {
        let motion = capture.motion(0.0, capture.secs(), left);
        for &yaw in yaws {
            for points in [Points::Thirteen, Points::Seventeen, Points::WithFeet] {
                for seed in 0..seeds {
                    let camera = Camera::at(if left { -yaw } else { yaw });
                    let take = Take {
                        fps,
                        points,
                        ..Take::new(camera, seed + 1000 * u64::from(left))
                    };
                    films.push(take.film(&motion));
                }
            }
        }
    }
    films
}

/// The films and the bounds are those with which the plant and contact of this capture are tested as events: the pitch
/// adds nothing to their errors.
#[test]
fn a_captured_swing_is_early_or_late_as_it_was() {
    let capture = Capture::load();
    let met = capture.contact();
    for (fps, share) in [(30.0, 1.5), (60.0, 1.0)] {
        let (mut release_errors, mut ready_errors, mut contact_errors) =
            (Vec::new(), Vec::new(), Vec::new());
        let films = films(&capture, fps, &[0.0, 15.0, -15.0, 25.0, -25.0], 10);
        // Late by so much against the pitch, by turns.
        let lates = [-0.08, 0.0, 0.12].into_iter().cycle();
        for (frames, late) in films.iter().zip(lates) {
            let arrival = met.0 - late;
            let release = arrival - 0.45;
            let rep = swing_at(frames, times(release, arrival));
            // How far a measure is outside its truth, given in seconds, milliseconds.
            let off = |name, low: f64, high: f64| {
                let value = rep.measures[&name].value().unwrap();
                let (low, high) = (1000.0 * low - TRUTH_MS, 1000.0 * high + TRUTH_MS);
                (low - value).max(value - high).max(0.0)
            };
            let planted = capture.plant - release;
            release_errors.push(off(MeasureName::PlantAfterRelease, planted, planted));
            let ready = arrival - capture.plant;
            ready_errors.push(off(MeasureName::PlantToArrival, ready, ready));
            let (earliest, latest) = (met.0 - arrival, met.1 - arrival);
            contact_errors.push(off(MeasureName::ContactToArrival, earliest, latest));
        }
        for (errors, what, median, p95) in [
            (&mut release_errors, "plant after release", 5.0, 15.0),
            (&mut ready_errors, "plant to arrival", 5.0, 15.0),
            (&mut contact_errors, "contact to arrival", 5.0, 15.0),
        ] {
            errors.sort_by(f64::total_cmp);
            let last = errors.len() - 1;
            let (m, p) = (errors[last / 2], errors[last * 95 / 100]);
            println!("{what} at {fps}: median {m:.1} ms, 95 % {p:.1} ms");
            assert!(m <= share * median && p <= share * p95, "{what} at {fps}");
        }
    }
}

#[test]
fn the_slower_the_pitch_the_further_forward_the_same_swing_has_its_weight() {
    let capture = Capture::load();
    let met = capture.contact().0;
    for frames in films(&capture, 60.0, &[0.0], 6) {
        let kept = |arrival: f64| {
            let rep = swing_at(&frames, times(arrival - 0.5, arrival));
            rep.measures[&MeasureName::WeightKept].value().unwrap()
        };
        // On time, and out in front by 120 ms: the weight has gone on meanwhile.
        let (on_time, fooled) = (kept(met), kept(met + 0.12));
        assert!(fooled > on_time + 3.0, "{on_time} {fooled}");
    }
}

#[test]
fn another_swings_pitch_is_left_alone() {
    let capture = Capture::load();
    let frames = &films(&capture, 60.0, &[0.0], 1)[0];
    let rep = swing_at(frames, times(capture.plant + 3.0, capture.plant + 3.5));
    for name in [
        MeasureName::PlantAfterRelease,
        MeasureName::PlantToArrival,
        MeasureName::ContactToArrival,
        MeasureName::WeightKept,
    ] {
        assert!(rep.measures[&name].value().is_none(), "{name}");
    }
}
