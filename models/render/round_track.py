"""Makes a pose track small enough to keep: round_track.py IN OUT. Pixels to a tenth, visibility to a hundredth, no metric landmarks."""
import json
import sys

with open(sys.argv[1]) as source, open(sys.argv[2], "w") as kept:
    for line in source:
        frame = json.loads(line)
        frame.pop("world", None)
        if frame.get("points"):
            frame["points"] = [[round(x, 1), round(y, 1), round(v, 2)] for x, y, v in frame["points"]]
        kept.write(json.dumps(frame, separators=(",", ":")) + "\n")
