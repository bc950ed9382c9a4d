#!/bin/busybox sh
# The first and only program of the virtual machine: uses devices as a cage would, and takes them away.
# It judges nothing. What it sees goes into /out and from there, as a tar archive, onto the disk.
export PATH=/bin HOME=/tmp
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
mount -t tracefs trace /sys/kernel/tracing
mkdir -p /dev/shm
for module in /mods/*; do
    case $module in
        # Two cameras of the webcam kind, capture only.
        *vivid*) insmod "$module" n_devs=2 node_types=0x1,0x1 num_inputs=1,1 input_types=0x00,0x00 ;;
        *aloop*) insmod "$module" pcm_substreams=1 ;;
        *) insmod "$module" ;;
    esac
done

step() { echo "== $(cut -d' ' -f1 /proc/uptime) s: $*"; }
# The program's log is dated by the same clock.
mark() { echo "$1 $(/prog/date -u +%s.%N)" >>/out/events.txt; }
# await FILE PATTERN COUNT SECS: until the pattern is in so many lines.
await() {
    for _ in $(seq $(($4 * 5))); do
        [ "$(grep -c "$2" "$1" 2>/dev/null)" -ge "$3" ] && return 0
        sleep 0.2
    done
    return 1
}
settings() { # FILE DEVICE WIDTH HEIGHT FPS
    printf '[camera]\ndevice = "%s"\nwidth = %s\nheight = %s\nfps = %s\n[pose]\nmodel = "lite"\n' "$2" "$3" "$4" "$5" >"$1"
}
record() { # FILE: the other side of the loop-back card, until the process $recorder is interrupted
    /prog/arecord -q -D hw:Loopback,1,0 -f S16_LE -r 48000 -c 2 "$1" 2>>/out/arecord.txt &
    recorder=$!
    sleep 1
}
recorded() {
    kill -INT $recorder
    wait $recorder
}
settings /tmp/path.toml /dev/video0 320 180 25
settings /tmp/name.toml VIVID-001 320 180 25
# Faster than it can be at this size: the fastest that is offered is to be taken.
settings /tmp/large.toml vivid-000 640 480 60
# The gain is a control that vivid has.
sed 's/^fps.*/&\ngain_pct = 40/' /tmp/path.toml >/tmp/gain.toml && mv /tmp/gain.toml /tmp/path.toml
for name in path large; do sed 's/^device.*/&\nbackend = "nokhwa"/' /tmp/$name.toml >/tmp/nokhwa_$name.toml; done
# A microphone that gives nothing but zeros until something is played into the other side of the card.
for name in path large; do printf '[microphone]\non = true\n' >>/tmp/$name.toml; done
# A camera that drops all its frames is there and gives none, as one that hangs.
drop() { /prog/v4l2-ctl -d /dev/video0 -c percentage_of_dropped_buffers="$1" >>/out/control.txt 2>&1; }
trace() { # on, or off into a file
    if [ "$1" = on ]; then
        echo >/sys/kernel/tracing/trace
        echo 1 >/sys/kernel/tracing/events/v4l2/v4l2_dqbuf/enable
    else
        echo 0 >/sys/kernel/tracing/events/v4l2/v4l2_dqbuf/enable
        cp /sys/kernel/tracing/trace "$2"
    fi
}
controls() { /prog/v4l2-ctl -d /dev/video0 --list-ctrls >/out/controls_$1.txt 2>&1; }
ls /dev/video* /dev/snd >/out/nodes.txt 2>&1
# What the camera offers, by another program.
for camera in 0 1; do /prog/v4l2-ctl -d /dev/video$camera --list-formats-ext >/out/offered_$camera.txt 2>&1; done
for node in /sys/class/video4linux/video*; do echo "${node##*/} $(cat "$node/name")"; done >>/out/nodes.txt

step "a cue, recorded from the loop-back card"
record /out/cue.wav
/prog/cagehand -vv replay /data/swing.track.jsonl --pace real --height-cm 174 --no-journal --sound device >/out/replay.txt 2>&1
echo "status $?" >>/out/replay.txt
recorded

step "check"
/prog/cagehand --settings /tmp/large.toml check --silent >/out/check.txt 2>&1
echo "status $?" >>/out/check.txt

step "watch: the camera named by its path"
controls before
# By default vivid dates a frame by the end of an exposure that it makes up, which is after it has handed the frame over.
/prog/v4l2-ctl -d /dev/video0 -c timestamp_source=1 >/out/control.txt 2>&1
echo mono >/sys/kernel/tracing/trace_clock
trace on
/prog/cagehand -vv --settings /tmp/path.toml watch --wait --journal /tmp/a.db --sound device >/out/watch.txt 2>/out/watch.log &
watch=$!
await /out/watch.txt '^camera ' 1 20
await /out/watch.log 'sound device is open' 1 20
await /out/watch.txt 'lite model' 1 40
await /out/watch.log 'the microphone is open' 1 20
sleep 8
trace off /out/dqbuf.txt
controls set
sed 's/^gain_pct.*/gain_pct = 80/' /tmp/path.toml >/tmp/new.toml && mv /tmp/new.toml /tmp/path.toml
await /out/watch.txt 'settings: camera.gain_pct = 80' 1 15
sleep 1
controls edited

vivid=/sys/bus/platform/drivers/vivid
back=0
for away in 1 8; do
    step "the camera is away for $away s"
    mark camera_away_$away
    echo vivid.0 >$vivid/unbind
    sleep $away
    echo vivid.0 >$vivid/bind
    mark camera_back_$away
    back=$((back + 1))
    await /out/watch.log 'the camera is back' $back 12
    sleep 3
    controls back_$away
done

step "the camera hangs"
mark camera_hangs
drop 100
await /out/watch.log 'no frame for' 1 10
sleep 1
drop 0
mark camera_answers
sleep 3

step "the camera gives nothing for 12 s"
mark camera_silent
drop 100
# No pose is worked out meanwhile, so that the emulated machine has time to listen.
mark scene
/prog/aplay -q -D hw:Loopback,1,0 /data/scene.wav 2>>/out/aplay.txt &
sleep 12
drop 0
mark camera_gives
sleep 3

step "the sound card is away for 2 s"
opened=$(grep -c 'sound device is open' /out/watch.log)
aloop=/sys/bus/platform/drivers/snd_aloop
mark sound_away
echo snd_aloop.0 >$aloop/unbind &
sleep 2
kill $! 2>/dev/null && mark sound_stuck
echo snd_aloop.0 >$aloop/bind
mark sound_back
await /out/watch.log 'sound device is open' $((opened + 1)) 15 && mark sound_open
await /out/watch.log 'the microphone is open' 2 20
# The program is asked how many swings there were; it looks for such wishes once a frame, and those are slow here.
record /out/count.wav
mark count_asked
kill -USR1 $watch
await /out/watch.log 'answer .* played after' 1 20
sleep 3
recorded
kill -0 $watch && mark alive
mark stopped
kill -INT $watch
wait $watch
echo "status $?" >>/out/watch.txt
controls after

step "watch: the other camera, by part of its name"
/prog/cagehand -v --settings /tmp/name.toml watch --wait --journal /tmp/b.db --sound none >/out/second.txt 2>/out/second.log &
watch=$!
await /out/second.txt 'page: ' 1 30
sleep 4
kill -INT $watch
wait $watch
echo "status $?" >>/out/second.txt

step "check through nokhwa"
/prog/cagehand --settings /tmp/nokhwa_large.toml check --silent >/out/nokhwa_check.txt 2>&1
echo "status $?" >>/out/nokhwa_check.txt

step "watch through nokhwa"
/prog/v4l2-ctl -d /dev/video0 -c timestamp_source=1 >>/out/control.txt 2>&1
trace on
/prog/cagehand -vv --settings /tmp/nokhwa_path.toml watch --wait --journal /tmp/c.db --sound none >/out/nokhwa_watch.txt 2>/out/nokhwa_watch.log &
watch=$!
await /out/nokhwa_watch.txt '^camera ' 1 20
await /out/nokhwa_watch.txt 'lite model' 1 40
sleep 6
mark nokhwa_traced
trace off /out/nokhwa_dqbuf.txt
step "the camera hangs"
mark nokhwa_hangs
drop 100
await /out/nokhwa_watch.log 'no frame for' 1 10
sleep 1
drop 0
mark nokhwa_answers
sleep 3
step "the camera is away for 2 s"
mark nokhwa_away
echo vivid.0 >$vivid/unbind
sleep 2
echo vivid.0 >$vivid/bind
mark nokhwa_back
await /out/nokhwa_watch.log 'the camera is back' 1 12
sleep 3
step "the camera hangs, and the program is asked to end"
drop 100
sleep 2
mark nokhwa_stopped
kill -INT $watch
wait $watch
echo "status $?" >>/out/nokhwa_watch.txt
mark nokhwa_ended
drop 0

step "done"
dmesg >/out/dmesg.txt
tar -cf /dev/vda -C /out .
sync
poweroff -f
