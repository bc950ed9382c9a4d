"""Writes what the microphone of the virtual machine hears: cracks at odd times over soft noise, 48 kHz, two channels.

Takes the WAV file and a text file for the truth: one line a crack, in seconds from the first sample.
"""

import random
import struct
import sys
import wave

RATE = 48000
SECS = 10

random.seed(21)
times = [0.5 + 0.61 * k + random.uniform(0, 0.2) for k in range(14)]
samples = [random.uniform(-0.002, 0.002) for _ in range(SECS * RATE)]
for at in times:
    for i in range(int(0.02 * RATE)):
        samples[round(at * RATE) + i] += 0.4 * random.uniform(-1, 1) * 2.718 ** (-i / (0.003 * RATE))
with wave.open(sys.argv[1], "wb") as file:
    file.setnchannels(2)
    file.setsampwidth(2)
    file.setframerate(RATE)
    file.writeframes(b"".join(struct.pack("<hh", *[round(32767 * s)] * 2) for s in samples))
with open(sys.argv[2], "w") as file:
    file.writelines(f"{round(at * RATE) / RATE:.6f}\n" for at in times)
