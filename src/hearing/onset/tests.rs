//! Made scenes with known truth: see `cagehand_stage::sound_scene` for what they are made after.

use cagehand_stage::sound_scene::{Noise, SPEED_OF_SOUND, SoundOf, SoundScene, noise_rms};

use super::*;

/// The onsets of a sound made 0.8 s into a scene, with how far each is from it, milliseconds.
fn heard(
    (of, meters, db): (SoundOf, f64, f64),
    noise: Noise,
    (rate, stereo): (f64, bool),
    reverberation: f64,
    strength: f64,
    seed: u64,
) -> Vec<(f64, Onset)> {
    let mut scene = SoundScene::new(rate, 1.1, reverberation, seed);
    let at = 0.8 + 0.00037 * (seed % 50) as f64;
    scene.add(of, at, meters, strength);
    scene.noise(noise, noise_rms(of, strength, meters, db));
    let (samples, channels) = match stereo {
        true => (scene.stereo(), 2),
        false => (scene.mono(), 1),
    };
    let mut detector = OnsetDetector::new(rate, channels);
    // In blocks of odd lengths, as devices send them.
    let found = samples
        .chunks(channels * 331)
        .flat_map(|block| detector.push(block))
        .collect::<Vec<_>>();
    let truth = at + meters / SPEED_OF_SOUND;
    found
        .into_iter()
        .map(|onset| (1e3 * (onset.frame / rate - truth), onset))
        .collect()
}

/// A bat on a ball is dated within 2 ms for distances of 1 to 6 m, echoes of 0 to 2 s, rates of 16 to 48 kHz, one and two
/// channels, three bats, and noise as strong as the sound itself (0 dB over its first 10 ms).
#[test]
fn a_bat_on_a_ball_is_dated_within_two_milliseconds() {
    let mut errors = Vec::new();
    let mut seed = 0;
    for of in [SoundOf::Wood, SoundOf::Aluminum, SoundOf::Composite] {
        for (rate, stereo) in [(16_000.0, false), (44_100.0, true), (48_000.0, false)] {
            for (reverberation, meters) in [(0.0, 1.0), (0.3, 2.0), (0.8, 4.0), (2.0, 6.0)] {
                for (noise, db) in [(Noise::Pink, 20.0), (Noise::Hall, 6.0), (Noise::Hall, 0.0)] {
                    seed += 1;
                    let found = heard(
                        (of, meters, db),
                        noise,
                        (rate, stereo),
                        reverberation,
                        0.5,
                        seed,
                    );
                    let nearest = found
                        .iter()
                        .map(|(error, _)| error.abs())
                        .fold(f64::MAX, f64::min);
                    assert!(
                        nearest <= 2.0,
                        "{of:?} {rate} {reverberation} {noise:?} {db}: {nearest} ms"
                    );
                    errors.push(nearest);
                }
            }
        }
    }
    errors.sort_by(f64::total_cmp);
    assert!(
        errors[errors.len() / 2] < 0.2,
        "{}",
        errors[errors.len() / 2]
    );
}

/// At -6 dB most are still found, and what is found is dated as well.
#[test]
fn in_noise_that_is_louder_than_the_sound_most_are_heard() {
    let (mut found, mut all) = (0, 0);
    for seed in 0..30 {
        let of = [SoundOf::Wood, SoundOf::Aluminum, SoundOf::Composite][seed as usize % 3];
        let noise = [Noise::Pink, Noise::Hall][seed as usize % 2];
        all += 1;
        let near = heard((of, 3.0, -6.0), noise, (48_000.0, false), 0.5, 0.5, seed);
        found += usize::from(near.iter().any(|(error, _)| error.abs() <= 2.0));
    }
    assert!(4 * found >= 3 * all, "{found} of {all}");
}

#[test]
fn a_sound_that_is_cut_off_is_dated_as_well_and_said_to_be() {
    for seed in 0..6 {
        let found = heard(
            (SoundOf::Wood, 1.0, 30.0),
            Noise::Pink,
            (44_100.0, false),
            0.3,
            30.0,
            seed,
        );
        let (error, onset) = found
            .iter()
            .min_by(|(a, _), (b, _)| a.abs().total_cmp(&b.abs()))
            .unwrap();
        assert!(error.abs() < 0.5 && onset.clipped, "{error} {onset:?}");
        assert!(onset.level_db > -6.0);
    }
}

/// What a bat on a ball has and a shout has not: it rises at once and is bright.
#[test]
fn a_shout_does_not_look_like_a_bat_on_a_ball() {
    let first = |of| {
        let found = heard((of, 2.0, 30.0), Noise::Pink, (48_000.0, false), 0.3, 0.5, 7);
        found.into_iter().find(|(error, _)| error.abs() < 40.0)
    };
    for of in [SoundOf::Wood, SoundOf::Composite, SoundOf::Aluminum] {
        let (_, onset) = first(of).unwrap();
        assert!(
            onset.rise_secs < 0.003 && onset.bright > 0.2,
            "{of:?} {onset:?}"
        );
    }
    let dull = |onset: Onset| onset.rise_secs > 0.006 || onset.bright < 0.1;
    let shout = first(SoundOf::Shout);
    assert!(shout.is_none_or(|(_, onset)| dull(onset)), "{shout:?}");
}

#[test]
fn noise_alone_is_nothing_and_nothing_is_silent() {
    let mut scene = SoundScene::new(16_000.0, 20.0, 0.0, 3);
    scene.noise(Noise::Hall, 0.05);
    let mut detector = OnsetDetector::new(16_000.0, 1);
    let found = detector.push(&scene.mono());
    assert!(found.len() < 12, "{}", found.len());
    let loudness = detector.take_loudness();
    // Pink noise of -26 dB has about a third of its octaves above 1 kHz.
    assert!(!loudness.is_silent() && (-40.0..-26.0).contains(&loudness.room_db().unwrap()));
    detector.push(&[0.0; 16_000]);
    let loudness = detector.take_loudness();
    assert!(loudness.is_silent() && loudness.room_db().is_none());
    // What is no number does not stay.
    detector.push(&[f32::NAN; 160]);
    let scene = SoundScene::new(16_000.0, 1.0, 0.0, 4)
        .add(SoundOf::Wood, 0.5, 1.0, 0.5)
        .mono();
    assert!(!detector.push(&scene).is_empty());
}
