//! A pose on its way through the rep stage takes no memory: nothing that grows, and no pauses in the allocator.
//!
//! Counted with the program's own stages on one thread, on a recording. A pose that ends a swing is another matter: it is
//! measured, judged and logged, and it is not counted here. The pose stage takes memory a few times a frame: tract's own
//! lists of what goes into a turn of the network and comes out, and once a second those of a look for other people.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::{Arc, OnceLock};

use cagehand::capture::{ClipSource, Frame};
use cagehand::coach::{Bands, Coach, CueWords, Trainer};
use cagehand::daemon::{PoseSample, RepSinks, RepStage, Terminal, Training};
use cagehand::pose::Model;
use cagehand::rep::{HitterSetup, Lengths, MeasureName};
use cagehand::sound::{Language, SoundOutput};

use super::program::recording;

/// The system's memory, with a count of how often this thread took some.
struct Counted;

thread_local! {
    static TAKEN: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    // A thread that is being taken down has no count any more.
    let _ = TAKEN.try_with(|taken| taken.set(taken.get() + 1));
}

#[allow(unsafe_code, reason = "an allocator that counts must be one")]
// Each function hands its arguments on to the system's allocator as they came.
unsafe impl GlobalAlloc for Counted {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { System.alloc(layout) }
    }
    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        count();
        unsafe { System.alloc_zeroed(layout) }
    }
    unsafe fn realloc(&self, place: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        unsafe { System.realloc(place, layout, size) }
    }
    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static COUNTED: Counted = Counted;

/// How often tract takes memory in one turn of the landmark network; what we do around it takes none.
const TRACTS_OWN: u64 = 7;

/// How often memory is taken at most in a frame in which the detector looks for other people too.
const TAKEN_BY_A_LOOK: u64 = 120;

fn taken<T>(work: impl FnOnce() -> T) -> (T, u64) {
    let before = TAKEN.with(Cell::get);
    let done = work();
    (done, TAKEN.with(Cell::get) - before)
}

#[test]
fn the_count_counts() {
    assert_eq!(taken(|| std::hint::black_box(vec![1u8; 100])).1, 1);
    assert_eq!(taken(|| std::hint::black_box(1 + 1)).1, 0);
}

#[test]
fn a_pose_takes_no_memory_of_ours_and_none_in_the_rep_stage() {
    let mut clip = ClipSource::open(recording("r01").as_ref()).unwrap();
    let mut tracker = Model::Lite.tracker().unwrap();
    let order = vec![MeasureName::HeadToPlant];
    let coach = Coach::new(Bands::new(), order.clone());
    let training = Training {
        trainer: Trainer::without_plan(coach, order),
        pitcher: None,
        head_tone: true,
        plan: None,
        cue_words: CueWords::default(),
        language: Language::English,
        units: Lengths::Metric,
        opening: false,
        remarks: true,
    };
    let sinks = RepSinks {
        sound: SoundOutput::silent(),
        journal: None,
        rep_log: None,
        track: None,
        terminal: Terminal::silent(),
    };
    let told = HitterSetup::default();
    let mut stage = RepStage::new(told, training, sinks, Arc::new(OnceLock::new()));
    let mut frame = Frame::default();
    let (mut by_pose, mut by_stage) = (Vec::new(), Vec::new());
    let mut times = Vec::new();
    while clip.next_frame(&mut frame).unwrap() {
        let (found, pose) = taken(|| tracker.next(&frame).unwrap());
        let posed = PoseSample {
            pose: found,
            picture: frame.size(),
            brightness: Some(frame.brightness()),
        };
        let (_, stage) = taken(|| stage.step(posed).unwrap());
        by_pose.push(pose);
        times.push(frame.captured_at);
        by_stage.push(stage);
    }
    assert!(by_stage.len() > 200, "{} frames", by_stage.len());
    // Buffers find their size in the first seconds.
    let settled = by_stage.len() / 2;
    // All but those in which a rep ends, and those after it in which its finish is looked at, five a second for two seconds.
    let stage = &by_stage[settled..];
    let busy = stage.iter().filter(|n| **n > 0).count();
    assert!(
        40 * busy <= stage.len(),
        "{busy} of {} frames took memory in the rep stage: {stage:?}",
        stage.len()
    );
    let pose = &by_pose[settled..];
    // All but those in which the detector looks for other people, one a second: its turns and lists are counted apart.
    let looks: Vec<u64> = pose.iter().copied().filter(|n| *n > TRACTS_OWN).collect();
    let most = looks.iter().max().copied().unwrap_or(0);
    assert!(most <= TAKEN_BY_A_LOOK, "{most} times in a look");
    let secs = times[times.len() - 1].secs_since(times[settled]);
    assert!(
        looks.len() as f64 <= 1.0 + secs,
        "{} looks in {secs} s: {pose:?}",
        looks.len()
    );
}
