"""Channels over time: what a body does, as plain numbers at a thousand a second."""
import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

RATE = 1000

# Smoothing of a channel, seconds: muscles make no corners. Feet are kept sharper, so that their events stay where they are.
SOFT = {"ball": 0.005, "foot": 0.006, "bat": 0.004, "grip": 0.008}


class Motion:
    """All channels of one body; angles in radians, places in meters."""

    def __init__(self, secs, rest):
        self.n = int(secs * RATE) + 1
        self.t = np.arange(self.n) / RATE
        self.ch = {name: np.full(self.n, float(value)) for name, value in rest.items()}

    def set(self, name, times, values):
        """A path through these points; outside of them the channel stays as it is, before the first and after the last."""
        a, b = self._span(times)
        self.ch[name][a:b] = PchipInterpolator(times, values)(self.t[a:b])

    def add(self, name, times, values, keep=False):
        """The same on top of what is there; `keep` holds the last value from then on."""
        a, b = self._span(times)
        self.ch[name][a:b] += PchipInterpolator(times, values)(self.t[a:b])
        if keep:
            self.ch[name][b:] += values[-1]

    def add_curve(self, name, curve, start, end):
        """A function of time on top of what is there."""
        a, b = self._span((start, end))
        self.ch[name][a:b] += curve(self.t[a:b])

    def _span(self, times):
        if np.any(np.diff(times) <= 0):
            raise ValueError(f"times must rise: {times}")
        return max(0, int(np.ceil(times[0] * RATE))), min(self.n, int(np.floor(times[-1] * RATE)) + 1)

    def finished(self):
        out = {"t": self.t}
        for name, values in self.ch.items():
            soft = next((s for part, s in SOFT.items() if part in name), 0.012)
            out[name] = gaussian_filter1d(values, soft * RATE, mode="nearest")
        return out


def at_times(channels, times):
    """The channels at other times."""
    return {name: (np.asarray(times) if name == "t" else np.interp(times, channels["t"], v)) for name, v in channels.items()}


def ease(u):
    """From 0 to 1 with a quarter wave's start and stop."""
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(u, 0, 1))


def fades(t, start, end, ramp):
    """1 between start and end, eased at both."""
    return ease((t - start) / ramp) * ease((end - t) / ramp)
