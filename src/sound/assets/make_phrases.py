#!/usr/bin/env python3
"""Speaks every phrase of phrases.toml into a small WAV file beside it.

Needs the Debian packages festival, festvox-us-slt-hts, ffmpeg and python3 (3.11 or newer).
With the package versions named in README.md the files come out the same byte for byte.

    ./make_phrases.py            write all files and print the table of figures for README.md
    ./make_phrases.py --check    write nothing; fail when a file differs from what would be written
"""

import array
import math
import pathlib
import re
import subprocess
import sys
import tempfile
import tomllib
import wave

HERE = pathlib.Path(__file__).resolve().parent
RATE = 24_000

# The voice at its own pace leaves a four-word phrase too long for a cue between two swings.
SPEED = 1.15

# Rumble below the voice is removed; what a small speaker in a noisy cage carries is lifted a little
# and the loud vowels are pressed down, so that the consonants stand out at the same peak.
SHAPE = (
    "highpass=f=120:poles=2,"
    "equalizer=f=2600:t=q:w=0.9:g=3,"
    "acompressor=threshold=-24dB:ratio=3:attack=4:release=60:makeup=1,"
    f"aresample={RATE}:resampler=soxr"
)

# EBU R128 momentary loudness (400 ms window) that every phrase is brought to.
LOUDNESS_LUFS = -15.0
PEAK_DBFS = -1.5
# Quieter than this against the phrase's peak counts as silence at either end.
SILENCE_DB = -46.0
FADE_IN_SECS = 0.004
FADE_OUT_SECS = 0.020


def run(command, given=None):
    """Runs a program and returns what it wrote; stops with its error text when it fails."""
    done = subprocess.run(command, input=given, capture_output=True)
    if done.returncode != 0:
        sys.exit(f"{command[0]} failed: {done.stderr.decode(errors='replace').strip()}")
    return done


def spoken(words, folder):
    """The voice's samples as floats at RATE, before trimming and levelling."""
    said = folder / "said.wav"
    voice = (
        "(begin (voice_cmu_us_slt_arctic_hts)"
        f" (set! hts_engine_params (append hts_engine_params (list (list \"-r\" {SPEED})))))"
    )
    run(["text2wave", "-eval", voice, "-o", str(said)], given=f"{words}.".encode())
    shaped = run(
        ["ffmpeg", "-v", "error", "-bitexact", "-i", str(said), "-af", SHAPE, "-f", "f32le", "-"]
    ).stdout
    return array.array("f", shaped)


def trimmed(samples):
    """Without the silence at both ends, with short fades so that neither end clicks."""
    floor = max(abs(s) for s in samples) * 10 ** (SILENCE_DB / 20)
    loud = [i for i, s in enumerate(samples) if abs(s) > floor]
    first = max(0, loud[0] - int(FADE_IN_SECS * RATE))
    last = min(len(samples), loud[-1] + 1 + int(FADE_OUT_SECS * RATE))
    kept = samples[first:last]
    for secs, at in ((FADE_IN_SECS, lambda i: i), (FADE_OUT_SECS, lambda i: len(kept) - 1 - i)):
        count = int(secs * RATE)
        for i in range(count):
            kept[at(i)] *= 0.5 - 0.5 * math.cos(math.pi * i / count)
    return kept


def loudest_momentary(samples, folder):
    """Highest EBU R128 momentary loudness in LUFS, by ffmpeg, with silence on both sides."""
    quiet = array.array("f", bytes(4 * RATE // 2))
    raw = folder / "measure.f32"
    raw.write_bytes((quiet + samples + quiet).tobytes())
    told = run(
        ["ffmpeg", "-hide_banner", "-nostats", "-f", "f32le", "-ar", str(RATE), "-ac", "1"]
        + ["-i", str(raw), "-af", "aresample=48000,ebur128=framelog=info", "-f", "null", "-"]
    ).stderr.decode()
    return max(float(m) for m in re.findall(r"M:\s*(-?[\d.]+)", told))


def levelled(samples, folder):
    """At LOUDNESS_LUFS, or as near below it as the peak allows."""
    gain_db = LOUDNESS_LUFS - loudest_momentary(samples, folder)
    peak_db = 20 * math.log10(max(abs(s) for s in samples))
    gain = 10 ** (min(gain_db, PEAK_DBFS - peak_db) / 20)
    return array.array("f", (s * gain for s in samples))


def as_wav(samples, path):
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes(array.array("h", (round(s * 32767) for s in samples)).tobytes())


def main():
    check = sys.argv[1:] == ["--check"]
    if sys.argv[1:] and not check:
        sys.exit(__doc__)
    phrases = tomllib.loads((HERE / "phrases.toml").read_text())["phrase"]
    print("| id | words | length, ms | peak, dBFS | loudness, LUFS | bytes |")
    print("| --- | --- | ---: | ---: | ---: | ---: |")
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for phrase in phrases:
            samples = levelled(trimmed(spoken(phrase["words"], folder)), folder)
            made = folder / "made.wav"
            as_wav(samples, made)
            path = HERE / phrase["file"]
            if check:
                if not path.is_file() or path.read_bytes() != made.read_bytes():
                    sys.exit(f"{path.name} is not what make_phrases.py makes of phrases.toml")
            else:
                path.write_bytes(made.read_bytes())
            peak = 20 * math.log10(max(abs(s) for s in samples))
            loudness = loudest_momentary(samples, folder)
            print(
                f"| {phrase['id']} | {phrase['words']} | {1000 * len(samples) / RATE:.0f}"
                f" | {peak:.1f} | {loudness:.1f} | {made.stat().st_size} |"
            )


if __name__ == "__main__":
    main()
