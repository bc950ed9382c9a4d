#!/usr/bin/env python3
"""Lets a speech recognizer that has nothing to do with the voice write down what it hears.

Needs ffmpeg from Debian, and pocketsphinx and numpy from PyPI; pocketsphinx brings an English model
of its own, so only English is tried. The recognizer may answer with any cue, or with any part of a
sentence, so a right answer says that a phrase is not taken for another, not that a stranger would
know the words. The two sets of words of a cue are tried apart, each with the remarks, because a hitter
hears one or the other. Pink noise stands in for the cage.

    ./hear_phrases.py            print the table of figures for README.md
"""

import pathlib
import re
import subprocess
import tempfile
import tomllib

import numpy as np
from pocketsphinx import Decoder

HOME = pathlib.Path(__file__).resolve().parent / "en"
RECOGNIZER_RATE = 16_000
NOISE_DB = [None, 15, 10, 5]
SEED = 1


def spoken(path):
    """The phrase at the recognizer's rate, as 16-bit steps."""
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-ar", str(RECOGNIZER_RATE), "-f", "s16le", "-"]
    heard = subprocess.run(command, capture_output=True, check=True).stdout
    return np.frombuffer(heard, np.int16).astype(float)


def pink(random, count):
    """Noise with equal energy in every octave, at a root mean square of 1."""
    bins = np.fft.rfft(random.standard_normal(count))
    noise = np.fft.irfft(bins / np.sqrt(np.maximum(1, np.arange(len(bins)))), count)
    return noise / np.sqrt(np.mean(noise**2))


def recognized(decoder, samples):
    decoder.start_utt()
    decoder.process_raw(samples.clip(-32768, 32767).astype(np.int16).tobytes(), full_utt=True)
    decoder.end_utt()
    return decoder.hyp().hypstr if decoder.hyp() else ""


def plain(words):
    """The words as a grammar has them."""
    return re.sub(r"[^a-z' ]", "", words)


def hear(what, phrases, random):
    """One row a noise for these phrases, any of which may be the answer."""
    with tempfile.NamedTemporaryFile("w", suffix=".jsgf") as grammar:
        choices = " | ".join(plain(phrase["words"]) for phrase in phrases)
        grammar.write(f"#JSGF V1.0;\ngrammar cues;\npublic <cue> = {choices};\n")
        grammar.flush()
        for noise_db in NOISE_DB:
            decoder = Decoder(jsgf=grammar.name, loglevel="FATAL", samprate=RECOGNIZER_RATE)
            wrong = []
            for phrase in phrases:
                speech = spoken(HOME / phrase["file"])
                pause = np.zeros(RECOGNIZER_RATE * 2 // 5)
                heard = np.concatenate([pause, speech, pause])
                # A trace of hiss, because no microphone gives perfect silence.
                heard += 3 * random.standard_normal(len(heard))
                if noise_db is not None:
                    level = np.sqrt(np.mean(speech**2)) / 10 ** (noise_db / 20)
                    heard += level * pink(random, len(heard))
                answer = recognized(decoder, 0.7 * heard)
                if answer != plain(phrase["words"]):
                    wrong.append(f"{phrase['words']} → {answer or 'nothing'}")
            name = "no noise" if noise_db is None else f"{noise_db} dB"
            right = f"{len(phrases) - len(wrong)} of {len(phrases)}"
            print(f"| {what} | {name} | {right} | {'; '.join(wrong)} |", flush=True)


def main():
    phrases = tomllib.loads((HOME / "phrases.toml").read_text())["phrase"]
    random = np.random.default_rng(SEED)
    print("| what | speech over noise | understood | taken for |")
    print("| --- | --- | ---: | --- |")
    remarks = [p for p in phrases if p["tone"] == "notice"]
    faults = [p for p in phrases if p["tone"] == "out"]
    to_do = [p for p in faults if p["id"].startswith("do_")]
    hear("what happened", [p for p in faults if p not in to_do] + remarks, random)
    hear("what to do", to_do + remarks, random)
    hear("parts", [p for p in phrases if p["tone"] == "none"], random)


if __name__ == "__main__":
    main()
