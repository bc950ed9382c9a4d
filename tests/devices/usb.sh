#!/bin/bash
# Runs the release build against a USB camera: in the virtual machine of run.sh the kernel's own uvcvideo finds a camera on the
# dummy bus (dummy_hcd), whose other side is usb_camera.c. It sends a recording as Motion JPEG at 60 and 120 frames a second, and
# is unplugged, stalls, sends damaged frames and slows down in dim light. usb_guest.sh is what happens, usb_judge.py what is
# looked at. Ends with 0 only if every check passed.
set -euo pipefail
: "${LIMIT:=1500}"
. "$(dirname "$0")/machine.sh"

make_file_system usb_guest.sh "virtio_pci virtio_blk uvcvideo dummy_hcd gadgetfs" v4l2-ctl date
gcc -O2 -Wall -static -pthread -o "$fs/prog/usb_camera" "$here/usb_camera.c"
# A swing of the recording that stands in for a camera, in each size that the camera offers and in four lights: what the sensor
# got, in percent of what it should. Tables and sampling as webcams have them.
pictures=$work/pictures
if [ ! -e "$pictures/done" ]; then
    rm -rf "$pictures" && mkdir "$pictures"
    for size in 640x360 320x180; do
        for light in 100 50 25 12; do
            ffmpeg -v error -ss 4 -t 2 -i "$root/recordings/left_60fps_faults.mp4" -an \
                -vf "scale=${size/x/:}:out_range=full,format=yuvj422p,lutyuv=y=val*$light/100:u=128+(val-128)*$light/100:v=128+(val-128)*$light/100" \
                -c:v mjpeg -huffman default -q:v 8 -f mjpeg "$pictures/${size}_$light.mjpeg"
        done
    done
    touch "$pictures/done"
fi
cp -r "$pictures" "$fs/data/pictures"
# BACKENDS=nokhwa tests one library alone.
echo "${BACKENDS:-v4l nokhwa}" >"$fs/data/backends"
echo "booting $release with a USB camera; this takes about four minutes"
boot usb_out
python3 "$here/usb_judge.py" "$work/usb_out"
