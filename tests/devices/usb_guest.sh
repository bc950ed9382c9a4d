#!/bin/busybox sh
# The first and only program of the virtual machine of usb.sh: uses the USB camera as a cage would, and has it fail.
# It judges nothing. What it sees goes into /out and from there, as a tar archive, onto the disk.
export PATH=/bin HOME=/tmp
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tracefs trace /sys/kernel/tracing
mkdir -p /dev/shm /dev/gadget
for module in /mods/*; do
    case $module in
        # The emulated bus loses requests of a device that it wakes.
        *usbcore*) insmod "$module" autosuspend=-1 ;;
        *) insmod "$module" ;;
    esac
done
mount -t gadgetfs gadget /dev/gadget
mkfifo /tmp/camera
# The camera is plugged in where its program runs.
plug_in() { /prog/usb_camera /data/pictures /out/camera.txt </tmp/camera >>/out/camera_errors.txt 2>&1 & camera=$!; }
pull_out() { kill $camera; wait $camera; }
plug_in
exec 5>/tmp/camera

step() { echo "== $(cut -d' ' -f1 /proc/uptime) s: $*"; }
# The program's log is dated by the same clock.
mark() { echo "$1 $(/prog/date -u +%s.%N)" >>/out/events.txt; }
camera() { echo "$*" >&5; }
# await FILE PATTERN COUNT SECS: until the pattern is in so many lines.
await() {
    for _ in $(seq $(($4 * 5))); do
        [ "$(grep -c "$2" "$1" 2>/dev/null)" -ge "$3" ] && return 0
        sleep 0.2
    done
    return 1
}
settings() { # FILE BACKEND FPS
    printf '[camera]\ndevice = "cage test"\nbackend = "%s"\nwidth = 320\nheight = 180\nfps = %s\n[pose]\nmodel = "lite"\nbat = false\n' "$2" "$3" >"$1"
}
watch() { # NAME: starts the program and waits until its pictures come
    log=/out/$1.log
    /prog/cagehand -vv --settings /tmp/$1.toml watch --wait --journal /tmp/$1.db --sound none >/out/$1.txt 2>$log &
    watch=$!
    await /out/$1.txt 'lite model' 1 60
    # Emulated, a pose takes seconds and the picture's way into the program some milliseconds: these are what is tested.
    for task in /proc/$watch/task/*; do
        case $(cat "$task/comm") in
            pose* | bat) renice -n 19 -p "${task##*/}" >/dev/null ;;
        esac
    done
}
# Ends it; the pose of the frame that it has in hand is not waited for.
ended() {
    mark "$1_stopped"
    kill -INT $watch
    sleep 4
    kill -KILL $watch 2>/dev/null
    wait $watch
}
fault() { # NAME SECS WORDS...
    local name=$1 secs=$2
    shift 2
    step "$name"
    mark "$name"
    camera "$@"
    sleep "$secs"
    camera good
    mark "${name}_over"
    sleep 3
    kill -0 $watch && mark "${name}_alive"
}
unplug() { # NAME SECS
    step "$1: away for $2 s"
    mark "$1"
    pull_out
    sleep "$2"
    reopened=$(grep -c 'the camera is back' $log)
    mark "${1}_over"
    plug_in
    await $log 'the camera is back' $((reopened + 1)) 12
    sleep 3
}

# Where the machine is stopped before its end, there is something to look at.
save() {
    cp /sys/kernel/tracing/trace /out/trace.txt
    dmesg >/out/dmesg.txt
    tar -cf /dev/vda -C /out .
    sync
}

for backend in $(cat /data/backends); do
    for fps in 60 120; do settings /tmp/${backend}_$fps.toml $backend $fps; done
done
echo mono >/sys/kernel/tracing/trace_clock
echo 8000 >/sys/kernel/tracing/buffer_size_kb
echo 1 >/sys/kernel/tracing/events/v4l2/v4l2_dqbuf/enable
for _ in $(seq 50); do [ -e /dev/video0 ] && break || sleep 0.2; done
sleep 1
for node in /sys/class/video4linux/video*; do echo "${node##*/} $(cat "$node/name")"; done >/out/nodes.txt
/prog/v4l2-ctl -d /dev/video0 --list-formats-ext >/out/offered.txt 2>&1

for backend in $(cat /data/backends); do
    step "$backend: 120 frames a second"
    watch ${backend}_120
    mark ${backend}_120_steady
    sleep 8
    mark ${backend}_120_steady_over
    fault ${backend}_corrupt 3 corrupt 4
    fault ${backend}_short 3 short 4
    fault ${backend}_flagged 3 flagged 4
    fault ${backend}_hang 2 hang
    fault ${backend}_ruined 8 short 1
    unplug ${backend}_unplugged 2
    step "${backend}: dim light"
    mark ${backend}_dim
    camera light 10
    sleep 8
    mark ${backend}_dim_over
    camera light 100
    sleep 1
    fault ${backend}_stall 10 stall
    ended ${backend}_120

    step "$backend: 60 frames a second"
    pull_out
    sleep 1
    plug_in
    sleep 2
    watch ${backend}_60
    mark ${backend}_60_steady
    sleep 8
    mark ${backend}_60_steady_over
    step "$backend: the camera slows down whatever it is told"
    camera slow on
    camera light 10
    mark ${backend}_slow
    sleep 5
    mark ${backend}_slow_over
    ended ${backend}_60
    save
    step "$backend: check, in dim light"
    /prog/cagehand --settings /tmp/${backend}_60.toml check --silent >/out/${backend}_check.txt 2>&1
    camera slow off
    camera light 100
done
step "done"
save
poweroff -f
