"""Looks at what the virtual machine left behind and says PASS or FAIL for each promise.

Takes the folder with the guest's files (guest.sh writes them); prints one line a check; ends with 1 where one failed.
What the program says is held against others: the kernel's own trace of the frames it handed over, v4l2-ctl's list of
modes, and the sound on the other side of the loop-back card.
"""

import array
import math
import re
import sys
import wave

from results import Results

# Seconds after the camera's return within which frames must come again.
CAMERA_BACK_SECS = 3.0
# A camera that gives no frame is reported after half a second; the rest is for the emulated machine.
HANG_SECS = 2.0
# Seconds within which a camera that gives nothing is opened afresh.
OPENED_AFRESH_SECS = 10.0
# Seconds within which the program ends when it is asked to: the pose of one frame takes some, emulated.
END_SECS = 20.0
# The sound card is looked for again 5 s after it was lost; the rest is for the emulated machine.
SOUND_BACK_SECS = 8.0
# What cracks may lie apart from where they are in the scene: 2 ms, and what an emulated card's clock wavers by.
MICROPHONE_MS = 6.0
# The in-band tone is two notes, A5 and E6 in equal temperament (ISO 16: A4 = 440 Hz).
TONE_HZ = (880.0, 440.0 * 2 ** (19 / 12))

results = Results(sys.argv[1])
check, text, log, first, events = results.check, results.text, results.log, results.first, results.events


def offered():
    """What v4l2-ctl says the first camera offers: for each format and size the fastest rate."""
    names = {"MJPG": "MJPEG", "JPEG": "MJPEG", "YUYV": "YUYV", "NV12": "NV12", "RGB3": "RGB"}
    truth, form, size = {}, None, None
    for line in text("offered_0.txt").splitlines():
        if found := re.search(r"\]: '(....)'", line):
            form = names.get(found[1])
        elif found := re.search(r"Size: Discrete (\d+)x(\d+)", line):
            size = (int(found[1]), int(found[2]))
        elif (found := re.search(r"\(([\d.]+) fps\)", line)) and form:
            truth[form, *size] = max(truth.get((form, *size), 0), float(found[1]))
    return truth


def modes(report, backend, prefix=""):
    """What `check` says is offered and chosen, against v4l2-ctl. nokhwa takes an interval of 2/25 s for 1/25 (docs/upstream.md)."""
    truth, said = offered(), {}
    listed = re.search(r"modes +offered, each with its fastest rate:(.*)", text(report))
    for part in listed[1].split(";") if listed else []:
        form = part.split()[0]
        for width, height, fps in re.findall(r"(\d+) x (\d+) at (\d+)", part):
            said[form, int(width), int(height)] = float(fps)
    right = lambda told, true: abs(told - true) <= 0.5 or (backend == "nokhwa" and true % 1 and abs(told - 2 * true) <= 0.5)
    same = truth.keys() == said.keys() and all(right(said[k], truth[k]) for k in truth)
    formats = ", ".join(sorted({k[0] for k in truth}))
    check(f"{prefix}modes offered", bool(truth) and same, f"{len(said)} told by check, {len(truth)} by v4l2-ctl ({formats})")

    found = re.search(
        rf"good  camera +/dev/video0 \(vivid-000\S*\): (\d+) x (\d+) at (\d+) frames a second, (\w+), through {backend}$",
        text(report),
        re.M,
    )
    chosen = found and (int(found[1]), int(found[2]), int(found[3]), found[4])
    fastest = round(max((fps for key, fps in truth.items() if key[1:] == (640, 480)), default=0))
    nearest = bool(chosen) and chosen[:3] == (640, 480, fastest) and (chosen[3], 640, 480) in truth
    told = f"{chosen[0]} x {chosen[1]} at {chosen[2]} in {chosen[3]} through {backend}" if chosen else "none"
    check(f"{prefix}mode chosen", nearest, f"{told}; 640 x 480 at 60 was wished, {fastest} is the fastest offered")
    found = re.search(r"frames +([\d.]+) frames a second \((\d+) expected\), (\d+) lost", text(report))
    good = found is not None and abs(float(found[1]) - fastest) <= 1.5
    check(f"{prefix}rate in check", good, " ".join(found[0].split()) if found else "check says nothing of the rate")


def frames():
    """The frames that `watch` had, against the kernel's trace of those it handed over."""
    lines = log("watch.log")
    had = results.frames_in(lines)
    given = results.frames_of_trace("dqbuf.txt")
    had_before = [f for f in had if f[0] < events["camera_away_1"]]
    by_stamp = {stamp: sequence for stamp, sequence in given}
    # The trace may end a frame or two before the log of this stretch does.
    pairs = [(index, by_stamp[nanos]) for _, index, nanos in had_before if nanos in by_stamp]
    of_trace = [f for f in had_before if given and f[2] <= given[-1][0]]
    dated = len(of_trace) >= 100 and len(pairs) == len(of_trace)
    check("capture times", dated, f"{len(pairs)} of {len(of_trace)} frames carry a stamp of the kernel's trace to the nanosecond")
    shifts = {sequence - index for index, sequence in pairs}
    steps = [(b[1] - a[1], b[2] - a[2]) for a, b in zip(had_before, had_before[1:])]
    ordered = len(steps) >= 100 and all(index > 0 and nanos > 0 for index, nanos in steps)
    check("frames in order", ordered and len(shifts) == 1, f"{len(had_before)} frames, numbers and times rise; offset to the driver's count {sorted(shifts)}")
    # By the driver's count, which goes on where the busy machine loses a frame.
    span = (had_before[-1][2] - had_before[0][2]) / 1e9 if len(had_before) > 1 else 0
    counted = had_before[-1][1] - had_before[0][1] if span else 0
    lost = counted + 1 - len(had_before) if span else 0
    rate = counted / span if span else 0.0
    good = abs(rate - 25) <= 1 and lost <= 0.2 * counted
    check("rate", good, f"{rate:.2f} frames a second by the driver's count, 25 were set; {lost} of {counted + 1} lost")
    return lines, had


def replug(lines, had):
    for away in (1, 8):
        returned = events[f"camera_back_{away}"]
        lost = first(lines, "the camera was lost", events[f"camera_away_{away}"])
        again = first(lines, "the camera is back", returned - 0.5)
        after = (lost or math.inf) - events[f"camera_away_{away}"]
        check(f"unplugged {away} s", after <= 2, f"the loss was in the log after {after:.2f} s, 2 s allowed")
        frame = next((at for at, index, _ in had if again and at >= again), None)
        took = (frame or math.inf) - returned
        told = f"{(again or math.inf) - returned:.2f} s after its return the camera was open, after {took:.2f} s a frame came"
        check(f"replugged {away} s", took <= CAMERA_BACK_SECS, f"{told}; {CAMERA_BACK_SECS:.0f} s allowed")


def controls():
    """The camera's gain while the settings say 40 and then 80 percent, as v4l2-ctl tells it."""

    def gain(when):
        found = re.search(r"^ *gain 0x00980913 .*min=(-?\d+) max=(-?\d+) .*value=(-?\d+)", text(f"controls_{when}.txt"), re.M)
        own = re.search(r"^ *gain_automatic 0x00980912 .*value=(\d)", text(f"controls_{when}.txt"), re.M)
        if not found or not own:
            return math.nan, None
        least, most, value = map(int, found.groups())
        return 100 * (value - least) / (most - least), own[1] == "1"

    before, had = gain("before"), gain("set")
    check("gain set", before[1] is True and had[1] is False and abs(had[0] - 40) <= 0.5, f"{had[0]:.1f} %, 40 were set; the camera's own gain was on before and is {'on' if had[1] else 'off'}")
    edited = gain("edited")
    check("gain edited", edited[1] is False and abs(edited[0] - 80) <= 0.5, f"{edited[0]:.1f} % after an edit to 80 while it ran")
    backs = [gain(f"back_{away}") for away in (1, 8)]
    good = all(own is False and abs(value - 80) <= 0.5 for value, own in backs)
    check("gain after replug", good, f"{backs[0][0]:.1f} and {backs[1][0]:.1f} %, 80 are set")
    after = gain("after")
    check("gain given back", after[1] is True, f"the camera's own gain is {'on' if after[1] else 'off'} after the end")
    # What vivid lacks is no error, and is told in a line each.
    said = dict(re.findall(r"^(?:good|FIX)  (\w+) +(.*)$", text("check.txt"), re.M))
    told = "cannot be told" in said.get("exposure", "") and "% of what the camera can, set by the camera" in said.get("gain", "")
    told = told and "no setting" in said.get("flicker", "") and "fixed" in said.get("focus", "")
    lacks = re.findall(r"INFO.* about this camera: (.*?)(?: camera=.*)?$", text("watch.log"), re.M)
    check("controls told", told and len(lacks) >= 2 and len(lacks) == len(set(lacks)), f"check tells exposure, gain, flicker, focus; {len(lacks)} lacks in the log over three openings, each once")


def hang(lines, had, hangs, answers, prefix=""):
    """The camera stays and gives no frames for a while."""
    noticed = first(lines, "no frame for \\d+ ms", events[hangs])
    took = (noticed or math.inf) - events[hangs]
    check(f"{prefix}hang noticed", took <= HANG_SECS, f"in the log after {took:.2f} s, {HANG_SECS:.0f} s allowed")
    again = next((at for at, *_ in had if at >= events[answers]), math.inf) - events[answers]
    check(f"{prefix}hang over", again <= CAMERA_BACK_SECS, f"frames came {again:.2f} s after the camera gave some again, {CAMERA_BACK_SECS:.0f} s allowed")


def silence(lines, had):
    """The camera stays and gives nothing for long: it is opened afresh, as often as it takes."""
    lost = (first(lines, "the camera was lost", events["camera_silent"]) or math.inf) - events["camera_silent"]
    back = (first(lines, "the camera is back", events["camera_silent"]) or math.inf) - events["camera_silent"]
    check("silence", back <= OPENED_AFRESH_SECS, f"given up {lost:.2f} s after its last frame and open again after {back:.2f} s, {OPENED_AFRESH_SECS:.0f} s allowed")
    again = next((at for at, *_ in had if at >= events["camera_gives"]), math.inf) - events["camera_gives"]
    check("silence over", again <= CAMERA_BACK_SECS, f"frames came {again:.2f} s after the camera gave some again, {CAMERA_BACK_SECS:.0f} s allowed")


def nokhwa():
    """The same camera through nokhwa, which dates frames by the wall clock and counts none that are lost."""
    modes("nokhwa_check.txt", "nokhwa", "nokhwa: ")
    lines = log("nokhwa_watch.log")
    had = results.frames_in(lines)
    before = [f for f in had if f[0] < events["nokhwa_traced"]]
    steps = [(b[1] - a[1], b[2] - a[2]) for a, b in zip(before, before[1:])]
    ordered = len(steps) >= 50 and all(index == 1 and nanos > 0 for index, nanos in steps)
    check("nokhwa: in order", ordered, f"{len(before)} frames, numbers without a gap, times rise")
    given = results.frames_of_trace("nokhwa_dqbuf.txt")
    stamps = [stamp for stamp, _ in given]
    off = sorted(min((abs(nanos - stamp) for stamp in stamps), default=math.inf) / 1e6 for _, _, nanos in before)
    middle, most = (off[len(off) // 2], off[-1]) if off else (math.inf, math.inf)
    # Half a frame is 20 ms: so each is nearer to its own frame of the trace than to another.
    check("nokhwa: times", middle <= 1 and most < 20, f"off the kernel's by {middle:.3f} ms in the middle, {most:.3f} ms at most; 1 and 20 ms allowed")
    # Lost frames leave no gap in the numbers, so the kernel's trace has to tell the rate that was set.
    rate = (given[-1][1] - given[0][1]) / ((given[-1][0] - given[0][0]) / 1e9) if len(given) > 1 else 0.0
    check("nokhwa: rate", abs(rate - 25) <= 1, f"{rate:.2f} frames a second by the driver's count, 25 were set")
    hang(lines, had, "nokhwa_hangs", "nokhwa_answers", "nokhwa: ")
    lost = (first(lines, "the camera was lost", events["nokhwa_away"]) or math.inf) - events["nokhwa_away"]
    check("nokhwa: unplugged", lost <= 2, f"the loss was in the log after {lost:.2f} s, 2 s allowed")
    returned = events["nokhwa_back"]
    again = first(lines, "the camera is back", returned - 0.5)
    frame = next((at for at, *_ in had if again and at >= again), math.inf) - returned
    check("nokhwa: replugged", frame <= CAMERA_BACK_SECS, f"a frame came {frame:.2f} s after its return, {CAMERA_BACK_SECS:.0f} s allowed")
    said = re.findall(r"WARN.* cannot be had of this camera: through nokhwa .*cannot be set", text("nokhwa_watch.log"))
    told = re.search(r"^good  controls +through nokhwa .*cannot be set", text("nokhwa_check.txt"), re.M)
    check("nokhwa: controls", len(said) == 1 and bool(told), f"that a gain of 40 % was wished in vain is in the log {len(said)} times over two openings, check {'tells' if told else 'does not tell'} of it")
    ended = re.search(r"^status (\d+)$", text("nokhwa_watch.txt"), re.M)
    took = events["nokhwa_ended"] - events["nokhwa_stopped"]
    good = took <= END_SECS and ended is not None and ended[1] == "0"
    check("nokhwa: ends", good, f"{took:.2f} s after it was asked while the camera hung, {END_SECS:.0f} s allowed; status {ended[1] if ended else 'unknown'}")


def windows(name):
    """Loudness and strongest pitch (by semitones) of each 20 ms of the left channel; pitch only where there is sound."""
    path = results.folder / name
    if not path.exists():
        return []
    with wave.open(str(path)) as sound:
        rate, samples = sound.getframerate(), array.array("h", sound.readframes(sound.getnframes()))[:: sound.getnchannels()]
    size = rate // 50
    pitches = [440 * 2 ** (k / 12) for k in range(36)]
    found = []
    for start in range(0, len(samples) - size, size):
        part = samples[start : start + size]
        loud = math.sqrt(sum(s * s for s in part) / size) / 32768

        def strength(hz):
            turn = 2 * math.cos(2 * math.pi * hz / rate)
            a = b = 0.0
            for sample in part:
                a, b = sample + turn * a - b, a
            return a * a + b * b - turn * a * b

        found.append((start / rate, loud, max(pitches, key=strength) if loud > 0.003 else None))
    return found


def tone_at(heard):
    """Where the two notes begin: 60 ms of the first at least, then 100 ms of the second, a gap of 100 ms at most between."""
    is_note = lambda hz, note: hz is not None and abs(math.log2(hz / note)) < 0.5 / 12
    for i in range(len(heard) - 15):
        if all(is_note(heard[i + k][2], TONE_HZ[0]) for k in range(3)):
            for j in range(i + 3, min(i + 11, len(heard) - 5)):
                if all(is_note(heard[j + k][2], TONE_HZ[1]) for k in range(5)):
                    return heard[i][0]
    return None


def cue():
    said = text("replay.txt")
    rep = re.search(r"^rep .*?(swing|take).*cue: (.*)$", said, re.M)
    check("swing replayed", rep is not None and rep[2] == "on target" and "status 0" in said, f"{rep[1]}, cue: {rep[2]}" if rep else "no rep")
    heard = windows("cue.wav")
    at = tone_at(heard)
    decided = first(log("replay.txt"), "^cue in_band ")
    if at is None or decided is None:
        loud = sum(1 for _, loud, _ in heard if loud > 0.003)
        check("cue recorded", False, f"no two notes of {TONE_HZ[0]:.0f} and {TONE_HZ[1]:.0f} Hz in {len(heard) / 50:.1f} s, {loud / 50:.1f} s of them loud")
        return
    # When the recorder took its first sample is not known, so the times since the cue before, `ready`, are compared.
    before = first(log("replay.txt"), "^cue ready ")
    onset = next(t for t, loud, _ in heard if loud > 0.003)
    late = (at - onset) - (decided - (before or math.nan))
    told = f"880 and 1319 Hz in the recording, {at - onset:.2f} s after the cue before; {late:+.2f} s from the log's word of it"
    check("cue recorded", abs(late) <= 0.3, told)


def sound_card(lines):
    lost = first(lines, "the sound device stopped working", events["sound_away"] - 0.1)
    freed = "sound_stuck" not in events
    says = f"its loss was {'not ' if lost is None else ''}in the log, the driver {'could' if freed else 'could not'} go"
    check("sound card gone", lost is not None and freed, says)
    back = first(lines, "sound device is open", events["sound_back"])
    took = (back or math.inf) - events["sound_back"]
    check("sound card back", took <= SOUND_BACK_SECS, f"in use {took:.2f} s after its return, {SOUND_BACK_SECS:.0f} s allowed")
    loud = sum(1 for _, loud, _ in windows("count.wav") if loud > 0.01) / 50
    played = first(lines, "answer .* played after", events["sound_back"])
    check("heard again", played is not None and loud >= 0.3, f"the count of swings: {loud:.1f} s of it in the recording")
    ended = re.search(r"^status (\d+)$", text("watch.txt"), re.M)
    alive = "alive" in events
    says = f"{'alive' if alive else 'dead'} after all of it; ended with status {ended[1] if ended else 'unknown'} when asked to"
    check("watch lives on", alive and ended is not None and ended[1] == "0", says)


def microphone(lines):
    said = re.search(r"^\w+ +microphone +(.*)$", text("check.txt"), re.M)
    muted = said is not None and "gives nothing but silence" in said[1]
    check("microphone muted", muted, said[1] if said else "check says nothing of it")
    truth = [float(line) for line in open(sys.argv[2])]
    heard = [
        float(found[1])
        for at, level, rest in lines
        if at >= events["scene"] and level == "TRACE" and (found := re.search(r"sharp sound .*\bat=([\d.]+)", rest))
    ]
    # When the scene began on the camera's clock is not known: the start by which most cracks are heard where they are.
    near = lambda start: [h - start - t for t in truth for h in heard if abs(h - start - t) < 0.05]
    start = max((h - truth[0] for h in heard), key=lambda s: len(near(s)), default=0.0)
    off = sorted(near(start))
    spread = 1e3 * (off[-1] - off[0]) if off else math.inf
    told = f"{len(off)} of {len(truth)} cracks, within {spread:.1f} ms of each other, {MICROPHONE_MS:.0f} allowed"
    check("microphone hears", len(off) >= 0.9 * len(truth) and spread <= MICROPHONE_MS, told)
    lost = first(lines, "the microphone stopped working", events["sound_away"] - 0.1)
    back = first(lines, "the microphone is open", events["sound_back"])
    took = (back or math.inf) - events["sound_back"]
    good = lost is not None and took <= SOUND_BACK_SECS
    check("microphone back", good, f"its loss was {'not ' if lost is None else ''}in the log; heard again {took:.2f} s after its return")


def two_cameras():
    there = re.findall(r"^(video\d) (vivid-\d+)", text("nodes.txt"), re.M)
    check("two cameras", len(there) == 2, ", ".join(" ".join(pair) for pair in there))
    path = re.search(r"^camera (.*)$", text("watch.txt"), re.M)
    check("named by path", path is not None and path[1].startswith("/dev/video0 (vivid-000"), path[0] if path else "no camera")
    name = re.search(r"^camera (.*)$", text("second.txt"), re.M)
    good = name is not None and "(vivid-001" in name[1] and re.search(r"[1-9]\d* frames,", text("second.txt"))
    check("chosen by name", bool(good), f"VIVID-001 gave {name[1] if name else 'no camera'}")


modes("check.txt", "v4l")
lines, had = frames()
replug(lines, had)
hang(lines, had, "camera_hangs", "camera_answers")
silence(lines, had)
controls()
cue()
sound_card(lines)
microphone(lines)
two_cameras()
nokhwa()
results.end()
