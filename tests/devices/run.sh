#!/bin/bash
# Runs the release build against devices: boots Debian's kernel in a virtual machine under software emulation,
# with two virtual cameras (vivid) and a virtual sound card whose other side can be recorded and spoken into (snd-aloop), goes
# through tests/devices/guest.sh there, and has tests/devices/judge.py look at what came of it.
# Ends with 0 only if every check passed. Nothing is installed but the Debian packages named in the Makefile;
# the kernel is unpacked into target/devices, and the machine's own devices are not touched.
set -euo pipefail
. "$(dirname "$0")/machine.sh"

# arecord hears the other side of the sound card, aplay speaks into it; busybox's own date has no fractions of a second.
make_file_system guest.sh "virtio_pci virtio_blk vivid snd-aloop" arecord aplay v4l2-ctl date
python3 "$here/scene.py" "$fs/data/scene.wav" "$work/scene.txt"
cp -r /usr/share/alsa "$fs/usr/share/alsa"
cp "$here/asound.conf" "$fs/etc/asound.conf"
cp "$root/tests/data/tracks/right_60fps_swing_2.track.jsonl" "$fs/data/swing.track.jsonl"
echo "booting $release; this takes three to six minutes"
boot out
python3 "$here/judge.py" "$work/out" "$work/scene.txt"
