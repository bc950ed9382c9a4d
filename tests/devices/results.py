"""What a virtual machine left behind, as the judges read it, and their verdicts."""

import collections
import datetime
import math
import pathlib
import re
import sys


class Results:
    def __init__(self, folder):
        self.folder = pathlib.Path(folder)
        self.failed = 0
        # What did not happen is at no time: every comparison with it is false, and so the check fails.
        self.events = collections.defaultdict(lambda: math.nan)
        lines = (line.split() for line in self.text("events.txt").splitlines())
        self.events.update((name, float(at)) for name, at in lines)

    def text(self, name):
        path = self.folder / name
        return path.read_text(errors="replace") if path.exists() else ""

    def check(self, what, good, says):
        self.failed += not good
        print(f"{'PASS' if good else 'FAIL'}  {what:<20}  {says}")

    def log(self, name):
        """The lines of the program's log: time in seconds since 1970, level, rest."""
        lines = []
        for line in self.text(name).splitlines():
            found = re.match(r"(\d{4}-\d\d-\d\dT[\d:.]+Z) +(\w+) (.*)", line)
            if found:
                at = datetime.datetime.fromisoformat(found[1].replace("Z", "+00:00")).timestamp()
                lines.append((at, found[2], found[3]))
        return lines

    @staticmethod
    def first(lines, pattern, after=0.0):
        return next((at for at, _, rest in lines if at >= after and re.search(pattern, rest)), None)

    @staticmethod
    def frames_in(lines):
        """The frames of a log: when each was logged, its number, its capture time in nanoseconds."""
        return [
            (at, int(found[1]), int(found[2]))
            for at, level, rest in lines
            if level == "TRACE" and (found := re.match(r"frame index=(\d+) captured_at_nanos=(\d+)", rest))
        ]

    def frames_of_trace(self, name):
        """The frames that the kernel handed over: timestamp in nanoseconds, the driver's count."""
        return [
            (int(stamp), int(sequence))
            for stamp, sequence in re.findall(r"v4l2_dqbuf: minor = 0, .*timestamp = (\d+),.*sequence = (\d+)", self.text(name))
        ]

    def end(self):
        print(f"{self.failed} failed" if self.failed else "all passed")
        sys.exit(1 if self.failed else 0)
