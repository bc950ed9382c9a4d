#!/bin/bash
# Runs the release build against devices: boots Debian's kernel in a virtual machine under software emulation,
# with two virtual cameras (vivid) and a virtual sound card whose other side can be recorded (snd-aloop), goes
# through tests/devices/guest.sh there, and has tests/devices/judge.py look at what came of it.
# Ends with 0 only if every check passed. Nothing is installed but the Debian packages named in the Makefile;
# the kernel is unpacked into target/devices, and the machine's own devices are not touched.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
work=${CARGO_TARGET_DIR:-$root/target}/devices
program=${PROGRAM:-${CARGO_TARGET_DIR:-$root/target}/release/cagehand}
# Seconds after which the machine is stopped whatever it does.
limit=${LIMIT:-600}
modules="virtio_pci virtio_blk vivid snd-aloop"

mkdir -p "$work"
[ -x "$program" ] || (cd "$root" && cargo build --release)

# The kernel, fetched once. Its package depends on nothing that the machine needs.
kernel=$work/kernel
if ! ls "$kernel"/boot/vmlinuz-* >/dev/null 2>&1; then
    newest() { apt-cache depends linux-image-amd64 2>/dev/null | sed -n 's/^ *Depends: \(linux-image-[0-9][^ ]*\).*/\1/p' | head -1; }
    package=$(newest || true)
    if [ -z "$package" ]; then
        as_root=
        [ "$(id -u)" = 0 ] || as_root=sudo
        $as_root apt-get update -qq
        package=$(newest || true)
    fi
    [ -n "$package" ] || { echo "apt knows no linux-image-amd64: this test needs Debian on a PC" >&2; exit 1; }
    echo "fetching $package"
    rm -rf "$work/fetch" && mkdir "$work/fetch"
    # apt's own download user may be unable to write here.
    (cd "$work/fetch" && apt-get -o APT::Sandbox::User=root download -qq "$package")
    dpkg-deb -x "$work"/fetch/*.deb "$work/fetch/unpacked"
    rm -rf "$kernel" && mv "$work/fetch/unpacked" "$kernel" && rm -rf "$work/fetch"
fi
release=$(basename "$kernel"/boot/vmlinuz-*)
release=${release#vmlinuz-}
module_root=$kernel/lib/modules/$release
[ -s "$module_root/modules.dep" ] || PATH=$PATH:/usr/sbin:/sbin depmod -b "$kernel" "$release"

# The file system of the virtual machine.
fs=$work/fs
rm -rf "$fs" "$work/out" && mkdir -p "$fs"/{bin,prog,proc,sys,dev,tmp,out,mods,etc,data,usr/share}
cp /bin/busybox "$fs/bin/busybox"
# Without its debug information: the whole lies in the machine's memory.
strip -o "$fs/prog/cagehand" "$program"
# busybox's own date has no fractions of a second.
cp "$(command -v arecord)" "$(command -v v4l2-ctl)" "$(command -v date)" "$fs/prog/"
for file in "$fs"/prog/*; do
    for library in $(ldd "$file" | grep -o '/[^ ]*'); do
        [ -e "$fs$library" ] || install -D "$library" "$fs$library"
    done
done
cp -r /usr/share/alsa "$fs/usr/share/alsa"
cp "$here/guest.sh" "$fs/init" && chmod +x "$fs/init"
cp "$here/asound.conf" "$fs/etc/asound.conf"
cp "$root/tests/data/tracks/right_60fps_swing_2.track.jsonl" "$fs/data/swing.track.jsonl"
order() { # module names -> files, each after those it depends on
    for name in "$@"; do
        line=$(grep -E "/$name\.ko(\.xz|\.zst)?:" "$module_root/modules.dep" | head -1)
        # A part that is built into the kernel needs no module.
        [ -n "$line" ] || continue
        for needed in $(tr ' ' '\n' <<<"${line#*:}" | tac); do echo "$needed"; done
        echo "${line%%:*}"
    done | awk '!seen[$0]++'
}
number=0
# shellcheck disable=SC2086
for file in $(order $modules); do
    number=$((number + 1))
    name=$(basename "$file")
    out=$fs/mods/$(printf '%03d' $number)-${name%%.ko*}.ko
    case $file in
        *.xz) xz -dc "$module_root/$file" >"$out" ;;
        *.zst) zstd -qdc "$module_root/$file" >"$out" ;;
        *) cp "$module_root/$file" "$out" ;;
    esac
done
(cd "$fs" && find . | cpio -o -H newc --quiet) >"$work/initrd"

# What the guest writes comes back through this disk, as a tar archive.
rm -f "$work/disk" && truncate -s 64M "$work/disk"
echo "booting $release; this takes three to six minutes"
began=$SECONDS
timeout "$limit" qemu-system-x86_64 -accel tcg,thread=multi -cpu max -smp 2 -m 1024 -display none -serial stdio -monitor none \
    -no-reboot -nic none -kernel "$kernel/boot/vmlinuz-$release" -initrd "$work/initrd" \
    -drive "file=$work/disk,format=raw,if=virtio" -append "console=ttyS0 quiet panic=-1 loglevel=3" </dev/null |
    tee "$work/console.txt" | grep --line-buffered '^==' || true
echo "the virtual machine ran for $((SECONDS - began)) s"
mkdir "$work/out"
tar -xf "$work/disk" -C "$work/out" 2>/dev/null || {
    echo "FAIL  machine    it left no results; see $work/console.txt"
    exit 1
}
python3 "$here/judge.py" "$work/out"
