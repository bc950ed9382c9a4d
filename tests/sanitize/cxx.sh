#!/bin/sh
# The C++ compiler of `make sanitize`: clang, which instruments all but the fuzzer itself.
case "$PWD $*" in
*libfuzzer*) exec "$CLANG" --driver-mode=g++ "$@" ;;
esac
exec "$CLANG" --driver-mode=g++ "$@" -fsanitize="$SANITIZE" -fno-omit-frame-pointer
