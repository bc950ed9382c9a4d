"""Figures of a soak run: robust lines, and where cues begin in a sound file."""

import array
import sys
import wave

# A sample louder than this is sound, out of 32767; silence in these files is exactly zero.
LOUD = 30
# Silence that must come before a cue for its beginning to be certain, seconds.
QUIET_SECS = 0.02
# A cue that has not begun by then after its time waited for another sound, seconds.
LATEST_SECS = 1.5


def line(points):
    """Theil-Sen line through (x, y) points: slope and the two ends of its 95 % interval, which rests on ranks (Sen 1968,
    J. Am. Stat. Assoc. 63:1379) and assumes neither a bell curve nor equal spread. None for fewer than ten points."""
    count = len(points)
    if count < 10:
        return None
    slopes = sorted(
        (points[j][1] - points[i][1]) / (points[j][0] - points[i][0])
        for i in range(count)
        for j in range(i + 1, count)
        if points[j][0] != points[i][0]
    )
    half = 1.96 * (count * (count - 1) * (2 * count + 5) / 18) ** 0.5
    low = max(0, int((len(slopes) - half) / 2))
    high = min(len(slopes) - 1, int((len(slopes) + half) / 2) + 1)
    return median(slopes), slopes[low], slopes[high]


def median(values):
    values = sorted(values)
    middle = len(values) // 2
    return values[middle] if len(values) % 2 else (values[middle - 1] + values[middle]) / 2


def medians(points, width):
    """One point for each stretch of x: neighbouring samples of memory are not independent."""
    stretches = {}
    for x, y in points:
        stretches.setdefault(int(x // width), []).append((x, y))
    return [
        (median([x for x, _ in part]), median([y for _, y in part]))
        for part in stretches.values()
    ]


def thinned(points, most):
    """At most so many points, evenly taken: the line looks at every pair."""
    step = max(1, -(-len(points) // most))
    return points[::step]


def begins(path, times):
    """For each time in seconds: when in the file the sound begins that belongs to it, or None where another sound was
    heard just before it or nothing follows."""
    with wave.open(str(path), "rb") as sound:
        rate = sound.getframerate()
        assert (sound.getnchannels(), sound.getsampwidth()) == (1, 2), "16-bit mono"
        found = []
        for at in times:
            first = max(0, round((at - QUIET_SECS) * rate))
            if first >= sound.getnframes():
                found.append(None)
                continue
            sound.setpos(first)
            samples = array.array("h", sound.readframes(round((QUIET_SECS + LATEST_SECS) * rate)))
            if sys.byteorder == "big":
                samples.byteswap()
            loud = next((i for i, s in enumerate(samples) if abs(s) > LOUD), None)
            # A first loud sample within half the quiet time is the tail of another sound.
            certain = loud is not None and loud >= QUIET_SECS * rate / 2
            found.append((first + loud) / rate if certain else None)
        return found
