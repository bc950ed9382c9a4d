#!/bin/sh
# The C compiler of `make sanitize`: clang, which instruments all but the fuzzer itself.
case "$PWD $*" in
*libfuzzer*) exec "$CLANG" "$@" ;;
esac
exec "$CLANG" "$@" -fsanitize="$SANITIZE" -fno-omit-frame-pointer
