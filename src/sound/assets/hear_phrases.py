#!/usr/bin/env python3
"""Lets a speech recogniser that has nothing to do with the voice write down what it hears.

Needs pocketsphinx and numpy from PyPI; pocketsphinx brings its own English model. The recogniser
may answer with any of our phrases, so a right answer says that a phrase is not taken for another,
not that a stranger would know the words. Pink noise stands in for the cage.

    ./hear_phrases.py            print the table of figures for README.md
"""

import pathlib
import tempfile
import tomllib
import wave

import numpy as np
from pocketsphinx import Decoder

HERE = pathlib.Path(__file__).resolve().parent
RECOGNISER_RATE = 16_000
NOISE_DB = [None, 15, 10, 5]
SEED = 1


def spoken(path):
    """The phrase at the recogniser's rate, as 16-bit steps."""
    with wave.open(str(path)) as wav:
        samples = np.frombuffer(wav.readframes(wav.getnframes()), np.int16).astype(float)
        count = len(samples) * RECOGNISER_RATE // wav.getframerate()
    bins = np.fft.rfft(samples)[: count // 2 + 1]
    return np.fft.irfft(bins, count) * count / len(samples)


def pink(random, count):
    """Noise with equal energy in every octave, at a root mean square of 1."""
    bins = np.fft.rfft(random.standard_normal(count))
    noise = np.fft.irfft(bins / np.sqrt(np.maximum(1, np.arange(len(bins)))), count)
    return noise / np.sqrt(np.mean(noise**2))


def recognised(decoder, samples):
    decoder.start_utt()
    decoder.process_raw(samples.clip(-32768, 32767).astype(np.int16).tobytes(), full_utt=True)
    decoder.end_utt()
    return decoder.hyp().hypstr if decoder.hyp() else ""


def main():
    phrases = tomllib.loads((HERE / "phrases.toml").read_text())["phrase"]
    random = np.random.default_rng(SEED)
    print("| speech over noise | understood | taken for |")
    print("| --- | ---: | --- |")
    with tempfile.NamedTemporaryFile("w", suffix=".jsgf") as grammar:
        choices = " | ".join(phrase["words"] for phrase in phrases)
        grammar.write(f"#JSGF V1.0;\ngrammar cues;\npublic <cue> = {choices};\n")
        grammar.flush()
        for noise_db in NOISE_DB:
            decoder = Decoder(jsgf=grammar.name, loglevel="FATAL", samprate=RECOGNISER_RATE)
            wrong = []
            for phrase in phrases:
                speech = spoken(HERE / phrase["file"])
                pause = np.zeros(RECOGNISER_RATE * 2 // 5)
                heard = np.concatenate([pause, speech, pause])
                # A trace of hiss, because no microphone gives perfect silence.
                heard += 3 * random.standard_normal(len(heard))
                if noise_db is not None:
                    level = np.sqrt(np.mean(speech**2)) / 10 ** (noise_db / 20)
                    heard += level * pink(random, len(heard))
                answer = recognised(decoder, 0.7 * heard)
                if answer != phrase["words"]:
                    wrong.append(f"{phrase['words']} → {answer or 'nothing'}")
            name = "no noise" if noise_db is None else f"{noise_db} dB"
            print(f"| {name} | {len(phrases) - len(wrong)} of {len(phrases)} | {'; '.join(wrong)} |")


if __name__ == "__main__":
    main()
