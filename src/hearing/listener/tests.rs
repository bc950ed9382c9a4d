use super::*;
use crate::hearing::device::Block;

/// A microphone that gives a click each half second, or nothing but zeros, until it is unplugged.
struct FakeMicrophone {
    unplugged: Arc<std::sync::atomic::AtomicBool>,
}

const RATE_HZ: f64 = 16_000.0;

impl Microphone for FakeMicrophone {
    fn name(&self) -> &str {
        "fake"
    }
    fn rate_hz(&self) -> f64 {
        RATE_HZ
    }
    fn channels(&self) -> usize {
        1
    }
    fn is_lost(&self) -> bool {
        self.unplugged.load(std::sync::atomic::Ordering::Relaxed)
    }
}

/// Plays blocks of 10 ms into the ports at the clock's pace, clicking at each half second; unplugs itself after `secs`.
fn play(ports: BlockPorts, secs: f64, muted: bool) -> FakeMicrophone {
    let unplugged = Arc::new(std::sync::atomic::AtomicBool::new(false));
    let lost = Arc::clone(&unplugged);
    spawn("fake-microphone", move || {
        let start = Instant::now();
        let mut random = fastrand::Rng::with_seed(1);
        for block in 0..(100.0 * secs) as u64 {
            let samples: Vec<f32> = (0..160)
                .map(|i| match (muted, block % 50, i) {
                    (true, ..) => 0.0,
                    (_, 0, 0..40) => random.f32() - 0.5,
                    _ => 0.001 * (random.f32() - 0.5),
                })
                .collect();
            let heard_at = start + Duration::from_millis(10 * block);
            let due = heard_at + Duration::from_millis(10);
            std::thread::sleep(due.saturating_duration_since(Instant::now()));
            let block = Block {
                samples,
                heard_at,
                losses: 0,
            };
            if ports.full.send(block).is_err() {
                return;
            }
        }
        lost.store(true, std::sync::atomic::Ordering::Relaxed);
    })
    .unwrap();
    FakeMicrophone { unplugged }
}

fn listener(opens: impl Fn(u32) -> Option<(f64, bool)> + Send + Sync + 'static) -> Listener {
    let count = std::sync::atomic::AtomicU32::new(0);
    let open: OpenMicrophone = Arc::new(move |ports| {
        let nth = count.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let (secs, muted) = opens(nth).ok_or(HearingError::NoMicrophone {
            name: String::new(),
        })?;
        Ok(Box::new(play(ports, secs, muted)))
    });
    let soon = Duration::from_millis(100);
    Listener::start_with(open, (soon, soon)).unwrap()
}

/// Waits until the condition holds; the pieces that came meanwhile.
fn wait_until(
    listener: &Listener,
    what: &str,
    done: impl Fn(&Listener, &[Piece]) -> bool,
) -> Vec<Piece> {
    let mut pieces = Vec::new();
    let until = Instant::now() + Duration::from_secs(30);
    while !done(listener, &pieces) {
        assert!(Instant::now() < until, "{what}");
        pieces.extend(listener.wait(Duration::from_millis(50)));
    }
    pieces
}

#[test]
fn a_microphone_that_is_missing_lost_and_back_is_heard_when_it_is_there() {
    // Not there at first, then for a second, then gone for a try, then there again.
    let listener = listener(|nth| match nth {
        0 | 2 => None,
        1 => Some((1.2, false)),
        _ => Some((60.0, false)),
    });
    let clicks = |pieces: &[Piece]| pieces.iter().map(|p| p.onsets.len()).sum::<usize>();
    let first = wait_until(&listener, "the first clicks", |_, pieces| {
        clicks(pieces) >= 2
    });
    assert!(first.iter().any(|p| p.room_db.is_none()), "it was missing");
    wait_until(&listener, "its loss", |l, _| {
        l.state() == MicrophoneState::Missing
    });
    let back = wait_until(&listener, "clicks again", |_, pieces| clicks(pieces) >= 3);
    assert!(matches!(listener.state(), MicrophoneState::Listens { .. }));
    let at: Vec<Instant> = back
        .iter()
        .flat_map(|p| p.onsets.iter().map(|(at, _)| *at))
        .collect();
    for pair in at.windows(2) {
        let apart = pair[1].duration_since(pair[0]).as_secs_f64();
        assert!((apart - 0.5).abs() < 0.005, "{apart}");
    }
}

#[test]
fn a_muted_microphone_is_noticed() {
    let listener = listener(|_| Some((60.0, true)));
    let muted = |l: &Listener, _: &[Piece]| matches!(l.state(), MicrophoneState::Muted { .. });
    let pieces = wait_until(&listener, "that it is muted", muted);
    assert!(pieces.iter().all(|piece| piece.room_db.is_none()));
}

/// Clicks each 0.37 s; of every 0.9 s the system loses 30 ms, and the block after that arrives 25 ms late. Each click that was heard
/// has its own time all the same, the ones just before a loss too.
#[test]
fn a_sound_beside_lost_samples_is_dated_as_any_other() {
    let (block, lost_each, lost_blocks) = (Duration::from_millis(10), 90, 3);
    let start = Instant::now();
    let mut ear = Ear::new(RATE_HZ, 1);
    let mut random = fastrand::Rng::with_seed(1);
    let (mut found, mut heard) = (Vec::new(), Vec::new());
    for nth in 0..1500u32 {
        let is_lost = nth % lost_each < lost_blocks && nth >= lost_each;
        let click = nth % 37 == 0;
        let samples: Vec<f32> = (0..160)
            .map(|i| match (click, i) {
                (true, 0..40) => random.f32() - 0.5,
                _ => 0.001 * (random.f32() - 0.5),
            })
            .collect();
        if is_lost {
            continue;
        }
        let first_after = nth % lost_each == lost_blocks && nth >= lost_each;
        let late = Duration::from_millis(if first_after { 25 } else { 0 });
        if first_after {
            ear.note_gap();
        }
        ear.take(&samples, start + block * nth + late);
        // The first half second is for the detector to get to know the room.
        if click && nth > 50 && !first_after {
            heard.push(start + block * nth);
        }
        if let Some((piece, _)) = ear.piece_due() {
            found.extend(piece.onsets.into_iter().map(|(at, _)| at));
        }
    }
    let off_ms = |at: &Instant, found: &[Instant]| {
        let offs = found.iter().map(|f| {
            1e3 * (f.saturating_duration_since(*at).as_secs_f64()
                - at.saturating_duration_since(*f).as_secs_f64())
        });
        offs.min_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap()
    };
    assert!(heard.len() > 30, "{}", heard.len());
    for at in &heard {
        let off = off_ms(at, &found);
        let secs = at.duration_since(start).as_secs_f64();
        assert!(off.abs() < 1.0, "{off} ms off at {secs}");
    }
}
