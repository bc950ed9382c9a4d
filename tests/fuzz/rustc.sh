#!/bin/sh
# Stands before the compiler (RUSTC_WRAPPER): the readers, ours and those of the crates beneath them, report to the fuzzer
# which of their branches run. Everything else is built as always.
compiler=$1
shift
case " $* " in
*" --crate-name cagehand "* | *" --crate-name cagehand_fuzz "* | *" --crate-name re_mp4 "* | *" --crate-name h264_reader "* | \
    *" --crate-name serde_urlencoded "* | *" --crate-name form_urlencoded "* | *" --crate-name toml "* | *" --crate-name toml_parser "* | *" --crate-name toml_edit "* | *" --crate-name serde_json "*)
    exec "$compiler" "$@" --cfg fuzzing -Cpasses=sancov-module -Cllvm-args=-sanitizer-coverage-level=4 \
        -Cllvm-args=-sanitizer-coverage-inline-8bit-counters -Cllvm-args=-sanitizer-coverage-pc-table \
        -Cllvm-args=-sanitizer-coverage-trace-compares
    ;;
esac
exec "$compiler" "$@"
