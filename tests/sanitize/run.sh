#!/bin/sh
# Runs what has unsafe code, foreign code or threads under tools that see what a test cannot, and ends with an error where one
# of them finds something. What this machine lacks is skipped, and said.
#
#   sh tests/sanitize/run.sh [address] [thread] [miri] [memcheck]
#
# What each part covers is in DEVELOPERS.md.
set -u
cd "$(dirname "$0")/../.."
here=$PWD
parts=${*:-address thread miri memcheck}
out=$here/target/sanitize
triple=$(rustc -vV | sed -n 's/^host: //p')
libs=$(rustc --print sysroot)/lib/rustlib/$triple/lib
failed=
skipped=

skip() {
    skipped="$skipped
  $1: $2"
    echo "SKIPPED $1: $2"
}

# Ends as its command does; what went wrong is told at the end.
check() {
    name=$1
    shift
    begun=$(date +%s)
    if "$@" >"$out/log" 2>&1; then
        tests=$(sed -n 's/^test result: ok. \([0-9]*\) passed.*/\1/p' "$out/log" | awk '{ n += $1 } END { print n + 0 }')
        echo "$name: nothing found, $tests tests, $(($(date +%s) - begun)) s"
    else
        cp "$out/log" "$out/$name.log"
        failed="$failed $name"
        echo "$name: FOUND SOMETHING, all of it in $out/$name.log:"
        grep -E -A 12 'ERROR: |WARNING: ThreadSanitizer|panicked at|^error|Invalid (read|write)|Undefined Behavior' "$out/$name.log" | head -n 60
    fi
}

# A sanitizer's run-time library comes with the compiler, its switch is one of those that are not stable yet.
has_runtime() {
    ls "$libs"/librustc*_rt."$1".a >/dev/null 2>&1
}

# The database and the codec are C and C++. Only clang's instrumentation fits the run-time library that rustc links.
set_compilers() {
    export SANITIZE="$1" CARGO_TARGET_DIR="$out/$1" CARGO_BUILD_TARGET="$triple" RUSTC_BOOTSTRAP=1
    CLANG=$(command -v clang || ls /usr/bin/clang-[0-9]* 2>/dev/null | sort -t- -k2n | tail -n 1)
    if [ -n "$CLANG" ]; then
        export CLANG CC="$here/tests/sanitize/cc.sh" CXX="$here/tests/sanitize/cxx.sh"
    else
        skip "$1, SQLite and openh264" "there is no clang; they are linked as they are"
    fi
}

address() {
    has_runtime asan || { skip address "the compiler has no library for it"; return; }
    set_compilers address
    export RUSTFLAGS=-Zsanitizer=address ASAN_OPTIONS=detect_stack_use_after_return=1:strict_string_checks=1
    check address-networks cargo test --lib --package cagehand-networks
    # Left out are a test that needs its second process to start within milliseconds, one that forgets its journal on purpose
    # (a leak), and minutes of plain arithmetic.
    check address-tests cargo test --lib --package cagehand -- \
        --skip kill:: --skip five_thousand_waiting --skip coach::spread --skip sound::synth::tests
    # Some seconds of each target, what was found before among them; memory and time count the sanitizer's own.
    FUZZ_SECS=${FUZZ_SECS:-10} FUZZ_OUT=$out/address-fuzz FUZZ_RSS_MB=4096 FUZZ_TIMEOUT=60 \
        check address-fuzz sh tests/fuzz/run.sh
}

# It must see the standard library's locks, too, so that this is built with it, from its source.
thread() {
    has_runtime tsan || { skip thread "the compiler has no library for it"; return; }
    [ -e "$(rustc --print sysroot)/lib/rustlib/src/rust/library/Cargo.lock" ] || {
        skip thread "the standard library's source is not here: rustup component add rust-src"
        return
    }
    set_compilers thread
    export RUSTFLAGS=-Zsanitizer=thread TSAN_OPTIONS=exitcode=66
    check thread-networks cargo test -Zbuild-std --lib --package cagehand-networks -- worker_pool cores layer
    # A kill in a process of its own needs a start within milliseconds, sound through a device its own pace.
    check thread-tests cargo test -Zbuild-std --lib --package cagehand -- \
        --skip kill:: --skip sound::output::speaker::tests latest_frame journal:: sound::output page::auth page::server status preview
}

miri() {
    toolchain=${MIRI_TOOLCHAIN:-nightly}
    cargo "+$toolchain" miri --version >/dev/null 2>&1 || {
        skip miri "no toolchain here has it: rustup toolchain install nightly --component miri,rust-src"
        return
    }
    export CARGO_TARGET_DIR="$out/miri" MIRIFLAGS=-Zmiri-disable-isolation
    check miri cargo "+$toolchain" miri test --package cagehand-networks --lib -- worker_pool
}

memcheck() {
    command -v valgrind >/dev/null || { skip memcheck "there is no valgrind"; return; }
    runner=CARGO_TARGET_$(echo "$triple" | tr 'a-z-' 'A-Z_')_RUNNER
    # The program's own build of tests, which is here already; the whole networks would take an hour.
    check memcheck env "$runner=valgrind --quiet --error-exitcode=66" \
        cargo test --lib --package cagehand-networks -- --test-threads 1 --skip network:: worker_pool layer plan cores
}

mkdir -p "$out"
for part in $parts; do
    case $part in
    address | thread | miri | memcheck) ;;
    *)
        echo "there is no part $part"
        exit 2
        ;;
    esac
    "$part"
    unset SANITIZE RUSTFLAGS CARGO_TARGET_DIR CARGO_BUILD_TARGET RUSTC_BOOTSTRAP CC CXX CLANG ASAN_OPTIONS TSAN_OPTIONS MIRIFLAGS
done
[ -z "$skipped" ] || echo "skipped:$skipped"
if [ -n "$failed" ]; then
    echo "findings in:$failed"
    exit 1
fi
