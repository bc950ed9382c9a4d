# Sourced by the tests in the virtual machine: Debian's kernel, fetched once, a file system in memory, and the boot.
# Sets root, work and program. Nothing is installed but the Debian packages named in the Makefile; the kernel is unpacked into
# target/devices, and the machine's own devices are not touched.
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
work=${CARGO_TARGET_DIR:-$root/target}/devices
program=${PROGRAM:-${CARGO_TARGET_DIR:-$root/target}/release/cagehand}
# Seconds after which the machine is stopped whatever it does.
limit=${LIMIT:-600}

mkdir -p "$work"
[ -x "$program" ] || (cd "$root" && cargo build --release)

# The kernel's package depends on nothing that the machine needs.
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

# make_file_system INIT MODULES TOOL...: the machine's files in $fs: busybox, this program, its libraries, the tools.
make_file_system() {
    fs=$work/fs
    rm -rf "$fs" && mkdir -p "$fs"/{bin,prog,proc,sys,dev,tmp,out,mods,etc,data,usr/share}
    cp /bin/busybox "$fs/bin/busybox"
    # Without its debug information: the whole lies in the machine's memory.
    strip -o "$fs/prog/cagehand" "$program"
    cp "$here/$1" "$fs/init" && chmod +x "$fs/init"
    local modules=$2 file library name number=0
    shift 2
    for name in "$@"; do cp "$(command -v "$name")" "$fs/prog/"; done
    for file in "$fs"/prog/*; do
        for library in $(ldd "$file" | grep -o '/[^ ]*'); do
            [ -e "$fs$library" ] || install -D "$library" "$fs$library"
        done
    done
    # shellcheck disable=SC2086
    for file in $(order $modules); do
        number=$((number + 1))
        name=$(basename "$file")
        local out=$fs/mods/$(printf '%03d' $number)-${name%%.ko*}.ko
        case $file in
            *.xz) xz -dc "$module_root/$file" >"$out" ;;
            *.zst) zstd -qdc "$module_root/$file" >"$out" ;;
            *) cp "$module_root/$file" "$out" ;;
        esac
    done
}

order() { # module names -> files, each after those it depends on
    local name line needed
    for name in "$@"; do
        line=$(grep -E "/$name\.ko(\.xz|\.zst)?:" "$module_root/modules.dep" | head -1)
        # A part that is built into the kernel needs no module.
        [ -n "$line" ] || continue
        for needed in $(tr ' ' '\n' <<<"${line#*:}" | tac); do echo "$needed"; done
        echo "${line%%:*}"
    done | awk '!seen[$0]++'
}

# boot NAME: runs the machine; what it writes to its disk, as a tar archive, comes back in $work/NAME.
boot() {
    (cd "$fs" && find . | cpio -o -H newc --quiet) >"$work/initrd"
    rm -rf "${work:?}/$1" "$work/disk" && mkdir "$work/$1" && truncate -s 64M "$work/disk"
    local began=$SECONDS
    # An old processor: what wider ones add is slow in emulation, and the pose model then takes seven times as long. The kernel
    # gives up at once where a busy host keeps its timer waiting, if it is let check it.
    timeout "$limit" qemu-system-x86_64 -accel tcg,thread=multi -cpu Nehalem -smp 2 -m 1024 -display none -serial stdio -monitor none \
        -no-reboot -nic none -kernel "$kernel/boot/vmlinuz-$release" -initrd "$work/initrd" \
        -drive "file=$work/disk,format=raw,if=virtio" -append "console=ttyS0 quiet panic=-1 loglevel=3 no_timer_check" </dev/null |
        tee "$work/$1_console.txt" | grep --line-buffered '^==' || true
    echo "the virtual machine ran for $((SECONDS - began)) s"
    tar -xf "$work/disk" -C "$work/$1" 2>/dev/null || {
        echo "FAIL  machine    it left no results; see $work/$1_console.txt"
        exit 1
    }
}
