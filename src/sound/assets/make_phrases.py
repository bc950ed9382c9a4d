#!/usr/bin/env python3
"""Speaks every phrase of a language's phrases.toml into a small FLAC file beside it.

Needs python3 (3.11 or newer) and the Debian package ffmpeg; from PyPI hibari-tts for English and
py-nanotts for Spanish. With the versions named in README.md the files come out the same byte for
byte, but see there about other processors.

    ./make_phrases.py en [ID ...]    write all files, or these, and print the table of figures
    ./make_phrases.py en --check     write nothing; fail when a file differs from what would be written

Writing all files also removes those that the list no longer names.
"""

import array
import functools
import math
import pathlib
import re
import subprocess
import sys
import tempfile
import tomllib

HERE = pathlib.Path(__file__).resolve().parent


class English:
    """The American voice that comes inside hibari-tts, a small neural network."""

    # It speaks at 24 kHz, but has no harmonics above 11 kHz, and the noise there takes 8% of the bytes.
    # Its own pace is for reading aloud; between two swings a little faster is better.
    rate = 22_050
    network_rate = 24_000
    speed = 1.1
    # Part of the voice is noise. The same noise for every phrase, so that each comes out the same
    # whichever phrases were spoken before it.
    seed = 0

    @staticmethod
    @functools.cache
    def network():
        from hibari import Hibari, dsp

        # With SciPy installed it would compute the same sounds with other rounding.
        if dsp.FFT_BACKEND != "numpy":
            sys.exit("hibari-tts found SciPy, with which the files differ: use an environment without")
        return Hibari()

    @classmethod
    def say(cls, words, speed, folder):
        said = folder / "said.f32"
        # A capital after a full stop or a question mark, else the two are read as one sentence.
        words = re.sub(r"([.?] )([a-z])", lambda m: m[1] + m[2].upper(), words)
        said.write_bytes(cls.network()(f"{words}.", speed=speed, seed=cls.seed).tobytes())
        return ["-f", "f32le", "-ar", str(cls.network_rate), "-ac", "1", "-i", str(said)]


class Spanish:
    """SVOX Pico's voice for es-ES, through py-nanotts. It gives nothing above 8 kHz."""

    rate = 16_000
    speed = 1.2
    # Its silence hisses, which SHAPE would raise into the words: pieces of 10 ms at either end that
    # are this much below the loudest, or below full scale, are left out, but for one.
    piece = rate // 100
    below_loudest_db = -42.0
    hiss_dbfs = -52.0

    # What it says depends on what the same process said before, so that each phrase has its own.
    program = (
        "import sys; from py_nanotts import NanoTTS; "
        "sys.stdout.buffer.write(NanoTTS().speak(sys.argv[1], voice='es-ES', speed=float(sys.argv[2])))"
    )

    @classmethod
    def say(cls, words, speed, folder):
        said = folder / "said.s16"
        command = [sys.executable, "-c", cls.program, f"{words}.", str(speed)]
        heard = array.array("h", run(command).stdout)
        pieces = [heard[i : i + cls.piece] for i in range(0, len(heard), cls.piece)]
        power = [sum(s * s for s in piece) for piece in pieces]
        hiss = cls.piece * 32768**2 * 10 ** (cls.hiss_dbfs / 10)
        floor = max(hiss, max(power) * 10 ** (cls.below_loudest_db / 10))
        loud = [i for i, p in enumerate(power) if p > floor]
        first, last = max(0, loud[0] - 1), loud[-1] + 2
        said.write_bytes(heard[first * cls.piece : last * cls.piece].tobytes())
        return ["-f", "s16le", "-ar", "16000", "-ac", "1", "-i", str(said)]


VOICES = {"en": English, "es": Spanish}

# Rumble below the voice is removed; what a small speaker in a noisy cage carries is lifted a little
# and the loud vowels are pressed down, so that the consonants stand out at the same peak.
SHAPE = (
    "highpass=f=120:poles=2,"
    "equalizer=f=2600:t=q:w=0.9:g=3,"
    "acompressor=threshold=-24dB:ratio=3:attack=4:release=60:makeup=1,"
    "aresample={rate}:resampler=soxr"
)

# A cue must be over before the next swing: tone, gap and words within 1600 ms (../mod.rs), of which
# this is left for the words. Longer ones are spoken a step faster until they fit.
CUE_WORDS_SECS = 1.30
FASTER = 1.03

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


def spoken(voice, words, speed, folder):
    """The voice's samples as floats at its rate, before trimming and leveling."""
    shaped = run(
        ["ffmpeg", "-v", "error", "-bitexact", *voice.say(words, speed, folder)]
        + ["-af", SHAPE.format(rate=voice.rate), "-f", "f32le", "-"]
    ).stdout
    return array.array("f", shaped)


def fitting(voice, phrase, folder):
    """The trimmed words, and how much faster than the voice's usual pace they had to be."""
    words = phrase.get("say", phrase["words"]).rstrip(".")
    faster = 1.0
    while True:
        speed = round(voice.speed * faster, 4)
        samples = trimmed(spoken(voice, words, speed, folder), voice.rate)
        if phrase["tone"] == "none" or len(samples) <= CUE_WORDS_SECS * voice.rate:
            return samples, faster
        faster *= FASTER


def trimmed(samples, rate):
    """Without the silence at both ends, with short fades so that neither end clicks."""
    floor = max(abs(s) for s in samples) * 10 ** (SILENCE_DB / 20)
    loud = [i for i, s in enumerate(samples) if abs(s) > floor]
    first = max(0, loud[0] - int(FADE_IN_SECS * rate))
    last = min(len(samples), loud[-1] + 1 + int(FADE_OUT_SECS * rate))
    kept = samples[first:last]
    for secs, at in ((FADE_IN_SECS, lambda i: i), (FADE_OUT_SECS, lambda i: len(kept) - 1 - i)):
        count = int(secs * rate)
        for i in range(count):
            kept[at(i)] *= 0.5 - 0.5 * math.cos(math.pi * i / count)
    return kept


def loudest_momentary(samples, rate, folder):
    """Highest EBU R128 momentary loudness in LUFS, by ffmpeg, with silence on both sides."""
    quiet = array.array("f", bytes(4 * (rate // 2)))
    raw = folder / "measure.f32"
    raw.write_bytes((quiet + samples + quiet).tobytes())
    told = run(
        ["ffmpeg", "-hide_banner", "-nostats", "-f", "f32le", "-ar", str(rate), "-ac", "1"]
        + ["-i", str(raw), "-af", "aresample=48000,ebur128=framelog=info", "-f", "null", "-"]
    ).stderr.decode()
    return max(float(m) for m in re.findall(r"M:\s*(-?[\d.]+)", told))


def leveled(samples, rate, folder):
    """At LOUDNESS_LUFS; with the loudness and the peak reached. A short word gets there only with its
    peaks held down, so it goes through a limiter as often as it takes."""
    for _ in range(6):
        gain_db = LOUDNESS_LUFS - loudest_momentary(samples, rate, folder)
        samples = array.array("f", (s * 10 ** (gain_db / 20) for s in samples))
        peak_db = decibel(max(abs(s) for s in samples))
        if peak_db <= PEAK_DBFS:
            return samples, LOUDNESS_LUFS, peak_db
        raw = folder / "limit.f32"
        raw.write_bytes(samples.tobytes())
        limit = 10 ** ((PEAK_DBFS - 0.1) / 20)
        samples = array.array(
            "f",
            run(
                ["ffmpeg", "-v", "error", "-bitexact", "-f", "f32le", "-ar", str(rate)]
                + ["-ac", "1", "-i", str(raw), "-af"]
                + [f"alimiter=limit={limit:.4f}:attack=1:release=25:level=false"]
                + ["-f", "f32le", "-"]
            ).stdout,
        )
    lower_db = PEAK_DBFS - decibel(max(abs(s) for s in samples))
    samples = array.array("f", (s * 10 ** (min(0.0, lower_db) / 20) for s in samples))
    loudness = loudest_momentary(samples, rate, folder)
    return samples, loudness, decibel(max(abs(s) for s in samples))


def decibel(share):
    return 20 * math.log10(share)


def as_flac(samples, rate, path):
    steps = array.array("h", (round(s * 32767) for s in samples)).tobytes()
    run(
        ["ffmpeg", "-v", "error", "-y", "-bitexact", "-f", "s16le", "-ar", str(rate), "-ac", "1"]
        + ["-i", "-", "-compression_level", "12", "-f", "flac", str(path)],
        given=steps,
    )
    path.write_bytes(bare(path.read_bytes()))


def bare(flac):
    """Without comments and padding, which take more room than a short word: of the metadata only the
    block that every file must have, marked as the last."""
    at = 4
    while True:
        last, size = flac[at] >> 7, int.from_bytes(flac[at + 1 : at + 4], "big")
        if flac[at] & 127 == 0:
            info = b"\x80" + flac[at + 1 : at + 4 + size]
        at += 4 + size
        if last:
            return b"fLaC" + info + flac[at:]


def main():
    language, *options = sys.argv[1:] or [""]
    check = options == ["--check"]
    if language not in VOICES or (not check and any(o.startswith("-") for o in options)):
        sys.exit(__doc__)
    voice, home = VOICES[language], HERE / language
    phrases = tomllib.loads((home / "phrases.toml").read_text())["phrase"]
    named = {phrase["file"] for phrase in phrases}
    stale = sorted(path for path in home.glob("*.flac") if path.name not in named)
    if check and stale:
        sys.exit(f"{stale[0]} is not in phrases.toml")
    print("| id | words | pace | length, ms | peak, dBFS | loudness, LUFS | bytes |")
    print("| --- | --- | ---: | ---: | ---: | ---: | ---: |")
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        for phrase in phrases:
            if options and not check and phrase["id"] not in options:
                continue
            samples, faster = fitting(voice, phrase, folder)
            samples, loudness, peak = leveled(samples, voice.rate, folder)
            made = folder / "made.flac"
            as_flac(samples, voice.rate, made)
            path = home / phrase["file"]
            if check:
                if not path.is_file() or path.read_bytes() != made.read_bytes():
                    sys.exit(f"{path} is not what make_phrases.py makes of phrases.toml")
            else:
                path.write_bytes(made.read_bytes())
            print(
                f"| {phrase['id']} | {phrase['words']} | {faster:.2f} | {1000 * len(samples) / voice.rate:.0f}"
                f" | {peak:.1f} | {loudness:.1f} | {made.stat().st_size} |",
                flush=True,
            )
    if not options:
        for path in stale:
            path.unlink()


if __name__ == "__main__":
    main()
