#!/usr/bin/env python3
"""Stands in for a sound card: takes samples at the pace of a real one and keeps them in a file.

    pace.py --conf OUT.raw > asound.conf   print an ALSA configuration that plays through this script
    pace.py OUT.raw                        run by ALSA: read samples from standard input, write OUT.raw

Format: 48 kHz, two channels, 16 bits little endian. Beside OUT.raw, OUT.raw.log says when each sample
was heard: `start T N` gives the wall-clock time T of sample 0 (N samples had come at once when the
stream was opened), `gap D I` says that the player fell behind and everything from sample I on was heard
D seconds later.
"""

import fcntl
import os
import pathlib
import shlex
import sys
import time

RATE = 48_000
FRAME_BYTES = 4

# ALSA writes ahead into the pipe between it and us as far as the pipe holds, and every byte in it is
# latency that a card would not have. One page is the least Linux allows: 21 ms at this format.
PIPE_BYTES = 4096

# Further behind than this is a hole in the sound, not the jitter of sleeping.
LATE_SECS = 0.02

CONF = """\
pcm.null {{ type null }}
pcm.default {{
    type plug
    slave {{
        pcm {{ type file  slave.pcm {{ type null }}  file "|{command}"  format "raw" }}
        format S16_LE  rate {rate}  channels 2
    }}
}}
"""


def print_conf(out):
    """A whole configuration: none of the system's own is read with it."""
    script = str(pathlib.Path(__file__).resolve())
    command = shlex.join([script, str(pathlib.Path(out).resolve())])
    print(CONF.format(command=command, rate=RATE), end="")


def take(out):
    taken = 0
    with open(out, "wb") as raw, open(f"{out}.log", "w", buffering=1) as log:
        # What ALSA wrote before we ran has to be taken out before the pipe can be made smaller.
        while piece := os.read(0, 65536):
            raw.write(piece)
            taken += len(piece)
            try:
                fcntl.fcntl(0, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
                break
            except OSError:
                continue
        start = time.time() - taken / FRAME_BYTES / RATE
        log.write(f"start {start:.6f} {taken // FRAME_BYTES}\n")
        while piece := os.read(0, 64 * FRAME_BYTES):
            raw.write(piece)
            raw.flush()
            first = taken // FRAME_BYTES
            taken += len(piece)
            ahead = start + taken / FRAME_BYTES / RATE - time.time()
            if ahead > 0:
                time.sleep(ahead)
            elif ahead < -LATE_SECS:
                start -= ahead
                log.write(f"gap {-ahead:.6f} {first}\n")


if __name__ == "__main__":
    if len(sys.argv) == 3 and sys.argv[1] == "--conf":
        print_conf(sys.argv[2])
    elif len(sys.argv) == 2 and not sys.argv[1].startswith("-"):
        take(sys.argv[1])
    else:
        sys.exit(__doc__)
