#!/bin/sh
# Fuzzes each reader for a bounded time and ends with an error where one gave a finding.
#
#   FUZZ_SECS=60 sh tests/fuzz/run.sh [TARGET...]
#
# What the fuzzer learns is kept in target/fuzz/corpus, findings in target/fuzz/findings. A finding that was mended is kept
# for ever in tests/data/fuzz/TARGET, where the ordinary tests run it: DEVELOPERS.md.
set -eu
cd "$(dirname "$0")/../.."
secs=${FUZZ_SECS:-60}
targets=${*:-settings plan track clip journal timeline film picture cues keys forms}
# `make sanitize` has other places and limits.
out=${FUZZ_OUT:-$PWD/target/fuzz}

# The same versions as the program's; the fuzzer's own crate is added to this copy.
cp Cargo.lock tests/fuzz/Cargo.lock
RUSTC_WRAPPER=$PWD/tests/fuzz/rustc.sh CARGO_TARGET_DIR=$out cargo build --quiet --manifest-path tests/fuzz/Cargo.toml
fuzzer=$out/${CARGO_BUILD_TARGET:-.}/debug/cagehand-fuzz

# Inputs pass through files: in memory where there is such a folder.
memory=/dev/shm
[ -w "$memory" ] || memory=${TMPDIR:-/tmp}
TMPDIR=$(mktemp -d "$memory/cagehand-fuzz.XXXXXX")
export TMPDIR
trap 'rm -rf "$TMPDIR"' EXIT INT TERM

FUZZ_SEEDS=$out/seeds "$fuzzer"
failed=
for target in $targets; do
    mkdir -p "$out/corpus/$target" "$out/findings/$target" "tests/data/fuzz/$target"
    case $target in
    clip) most=65536 ;;
    journal) most=262144 ;;
    *) most=32768 ;;
    esac
    echo "$target: $secs s"
    # An input may take ten seconds and the whole a gigabyte. Without a search path there is no ffmpeg to hand a clip to.
    if ! env PATH=/nowhere FUZZ_TARGET="$target" "$fuzzer" "$out/corpus/$target" "$out/seeds/$target" "tests/data/fuzz/$target" \
        -artifact_prefix="$out/findings/$target/" -max_total_time="$secs" -max_len="$most" -timeout="${FUZZ_TIMEOUT:-10}" -rss_limit_mb="${FUZZ_RSS_MB:-1024}" \
        -malloc_limit_mb=512 -print_final_stats=1 >"$out/$target.log" 2>&1; then
        failed="$failed $target"
        echo "  a finding, in $out/findings/$target; the end of $out/$target.log:"
        grep -a -E '^(panic|SUMMARY|==[0-9]+== ?ERROR|Test unit)|artifact_prefix' "$out/$target.log" | tail -n 5 || true
    fi
    grep -a 'cov: ' "$out/$target.log" | tail -n 1 || true
    grep -a -E 'number_of_executed_units|average_exec_per_sec|peak_rss_mb' "$out/$target.log" || true
done
if [ -n "$failed" ]; then
    echo "findings in:$failed"
    exit 1
fi
