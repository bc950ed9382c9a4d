#!/bin/bash
# Starts the service as Debian would, under a live systemd in the virtual machine of run.sh: is it ready, does it run
# as its own user without privileges, does the watchdog leave it alone while it works, and is it started again after
# kill -9 and when it hangs? The machine's systemd is this machine's own, copied into a disk image; run.sh comes first,
# as it fetches the kernel. Ends with 0 only if every check passed. Takes about four minutes.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
work=${CARGO_TARGET_DIR:-$root/target}/devices
program=${PROGRAM:-${CARGO_TARGET_DIR:-$root/target}/release/cagehand}
limit=${LIMIT:-600}
kernel=$work/kernel
ls "$kernel"/boot/vmlinuz-* >/dev/null 2>&1 || { echo "no kernel yet: run make test-devices first" >&2; exit 1; }
[ -x /lib/systemd/systemd ] || { echo "this machine has no systemd to copy (apt install systemd)" >&2; exit 1; }
release=$(basename "$kernel"/boot/vmlinuz-*)
release=${release#vmlinuz-}
module_root=$kernel/lib/modules/$release

# The root file system: systemd, the program with its unit, and busybox for the rest.
fs=$work/service_fs
rm -rf "$fs" && mkdir -p "$fs"/{usr/bin,usr/sbin,usr/lib/systemd,usr/lib/sysusers.d,usr/share,proc,sys,dev,run,tmp,var/lib,var/log,root,out,home}
mkdir -p "$fs"/etc/{cagehand,systemd/system/multi-user.target.wants}
mkdir -p "$fs/usr/lib64"
for folder in bin sbin lib lib64; do ln -s "usr/$folder" "$fs/$folder"; done
copy() {
    for file in "$@"; do
        file=$(readlink -f "$file")
        [ -e "$fs$file" ] || install -D "$file" "$fs$file"
        for library in $(ldd "$file" 2>/dev/null | grep -o '/[^ ]*'); do
            [ -e "$fs$library" ] || install -D "$library" "$fs$library"
        done
    done
}
copy /lib/systemd/systemd /lib/systemd/systemd-journald /lib/systemd/systemd-shutdown /bin/systemctl /bin/journalctl \
    /usr/bin/systemd-sysusers /usr/bin/systemd-tmpfiles /bin/kill /bin/bash /bin/mount /bin/umount
[ ! -e /lib/systemd/systemd-executor ] || copy /lib/systemd/systemd-executor
cp /bin/busybox "$fs/usr/bin/busybox"
for name in ls cat sleep tar sync grep cut chmod sh; do ln -sf busybox "$fs/usr/bin/$name"; done
cp -r /lib/systemd/system "$fs/usr/lib/systemd/"
cp -r /usr/share/alsa "$fs/usr/share/alsa"
echo 'root:x:0:0:root:/root:/bin/sh' >"$fs/etc/passwd"
printf 'root:x:0:\nvideo:x:44:\naudio:x:29:\nsystemd-journal:x:101:\n' >"$fs/etc/group"
printf 'passwd: files\ngroup: files\n' >"$fs/etc/nsswitch.conf"
echo ID=debian >"$fs/etc/os-release"
echo 0123456789abcdef0123456789abcdef >"$fs/etc/machine-id"
echo cage >"$fs/etc/hostname"
strip -o "$work/stripped" "$program"
install -D "$work/stripped" "$fs/usr/bin/cagehand"
for library in $(ldd "$program" | grep -o '/[^ ]*'); do
    [ -e "$fs$library" ] || install -D "$library" "$fs$library"
done
cp "$root/config/cagehand.sysusers" "$fs/usr/lib/sysusers.d/cagehand.conf"
cp "$root/config/cagehand.service" "$fs/usr/lib/systemd/system/"
# The small model and a small picture: emulated, a frame takes seconds.
printf '[camera]\nwidth = 320\nheight = 180\nfps = 25\n[pose]\nmodel = "lite"\n[journal]\npath = "/var/lib/cagehand/journal.db"\n' >"$fs/etc/cagehand/cagehand.toml"
printf '[Unit]\nAfter=cagehand.service\n[Service]\nType=oneshot\nTimeoutStartSec=infinity\nExecStart=/bin/bash /root/probe.sh\n' \
    >"$fs/etc/systemd/system/probe.service"
cp "$here/service_guest.sh" "$fs/root/probe.sh"
for unit in /usr/lib/systemd/system/cagehand.service /etc/systemd/system/probe.service; do
    ln -s "$unit" "$fs/etc/systemd/system/multi-user.target.wants/"
done
ln -s /usr/lib/systemd/system/multi-user.target "$fs/etc/systemd/system/default.target"
# Parts of a whole Debian that are not here.
for unit in systemd-udevd.service systemd-udev-trigger.service getty.target systemd-logind.service dbus.socket dbus.service \
    systemd-networkd.service systemd-timesyncd.service systemd-resolved.service systemd-hwdb-update.service systemd-random-seed.service \
    systemd-modules-load.service systemd-sysctl.service systemd-update-utmp.service systemd-update-utmp-runlevel.service \
    systemd-binfmt.service systemd-remount-fs.service; do
    ln -sf /dev/null "$fs/etc/systemd/system/$unit"
done

# What loads the drivers, hands over the devices' groups as udev would, and starts systemd.
first=$work/service_initrd.d
rm -rf "$first" && mkdir -p "$first"/{bin,mods,proc,sys,dev,mnt}
cp /bin/busybox "$first/bin/"
number=0
for name in virtio_pci virtio_blk crc32c_generic ext4 vivid snd-aloop; do
    line=$(grep -E "/$name\.ko(\.xz|\.zst)?:" "$module_root/modules.dep" | head -1)
    [ -n "$line" ] || continue
    for file in $(tr ' ' '\n' <<<"${line#*:}" | tac) "${line%%:*}"; do
        base=$(basename "$file")
        base=${base%%.ko*}.ko
        ls "$first"/mods/*-"$base" >/dev/null 2>&1 && continue
        number=$((number + 1))
        out=$first/mods/$(printf '%03d' $number)-$base
        case $file in
            *.xz) xz -dc "$module_root/$file" >"$out" ;;
            *.zst) zstd -qdc "$module_root/$file" >"$out" ;;
            *) cp "$module_root/$file" "$out" ;;
        esac
    done
done
cat >"$first/init" <<'END'
#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t proc proc /proc
mount -t sysfs sys /sys
mount -t devtmpfs dev /dev
for module in /mods/*; do
    case $module in
        *vivid*) insmod "$module" n_devs=1 node_types=0x1 num_inputs=1 input_types=0x00 ;;
        *) insmod "$module" ;;
    esac
done
sleep 1
mount -t ext4 /dev/vda /mnt
chgrp 44 /dev/video* && chmod 660 /dev/video*
chgrp 29 /dev/snd/* && chmod 660 /dev/snd/*
mount --move /dev /mnt/dev
umount /proc /sys
exec switch_root /mnt /usr/lib/systemd/systemd
END
chmod +x "$first/init"
(cd "$first" && find . | cpio -o -H newc --quiet) >"$work/service_initrd"
rm -f "$work/service_root" "$work/service_disk"
truncate -s 600M "$work/service_root" && PATH=$PATH:/usr/sbin:/sbin mkfs.ext4 -q -d "$fs" "$work/service_root"
truncate -s 32M "$work/service_disk"
rm -rf "$fs"

echo "booting $release with systemd; this takes about four minutes"
began=$SECONDS
timeout "$limit" qemu-system-x86_64 -accel tcg,thread=multi -cpu max -smp 2 -m 1536 -display none -serial stdio -monitor none \
    -no-reboot -nic none -kernel "$kernel/boot/vmlinuz-$release" -initrd "$work/service_initrd" \
    -drive "file=$work/service_root,format=raw,if=virtio" -drive "file=$work/service_disk,format=raw,if=virtio" \
    -append "console=ttyS0 quiet panic=-1 systemd.show_status=0 apparmor=0 sysrq_always_enabled=1" </dev/null |
    tee "$work/service_console.txt" | grep -a --line-buffered '^==' || true
echo "the virtual machine ran for $((SECONDS - began)) s"
out=$work/service_out
rm -rf "$out" && mkdir "$out"
tar -xf "$work/service_disk" -C "$out" 2>/dev/null || { echo "FAIL  machine  it left no results; see $work/service_console.txt"; exit 1; }

failed=0
check() { # WHAT SAYS COMMAND...
    what=$1 says=$2
    shift 2
    if "$@"; then echo "PASS  $what: $says"; else echo "FAIL  $what: $says" && failed=1; fi
}
value() { sed -n "s/^$2=//p" "$out/$1.txt"; } # FILE KEY
running() { [ "$(value "$1" ActiveState)/$(value "$1" SubState)" = active/running ]; }
log() { grep -c "$1" "$out/journal.txt" || true; }
told() { echo "$(value "$1" ActiveState), restarts $(value "$1" NRestarts), process $(value "$1" MainPID)"; }
check "ready" "$(told ready)" running ready
uid=$(awk '/^Uid:/ { print $2 }' "$out/status.txt")
capable=$(awk '/^CapEff:/ { print $2 }' "$out/status.txt")
check "own user" "user $uid, capabilities $capable" test "${uid:-0}" -ne 0 -a "${capable:-1}" = 0000000000000000
same() { running alive && [ "$(value alive MainPID)" = "$(value ready MainPID)" ] && [ "$(value alive NRestarts)" = 0 ]; }
check "left alone" "$(told alive) after three times the watchdog's limit" same
fresh() { [ "$(value alive WatchdogTimestampMonotonic)" -gt "$(value ready WatchdogTimestampMonotonic)" ]; }
check "signs of life" "the last at $(($(value alive WatchdogTimestampMonotonic) / 1000000)) s" fresh
check "journal" "$(tr '\n' ' ' <"$out/state.txt")" grep -q journal.db "$out/state.txt"
again() { running killed && [ "$(value killed MainPID)" != "$(value alive MainPID)" ] && [ "$(value killed NRestarts)" = 1 ]; }
check "after kill -9" "$(told killed)" again
hung() { running hung && [ "$(value hung MainPID)" != "$(value killed MainPID)" ] && [ "$(log 'Watchdog timeout')" = 1 ]; }
check "after a hang" "$(told hung), $(log 'Watchdog timeout') watchdog in the log" hung
stopped() { [ "$(value stopped ActiveState)" = inactive ] && [ "$(value stopped Result)" = success ]; }
check "stopped" "$(value stopped ActiveState), $(value stopped Result)" stopped
[ $failed = 0 ] && echo "all passed"
exit $failed
