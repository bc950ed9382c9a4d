#!/bin/sh
# Installs the Debian packages named as arguments, where they are missing. Does nothing where all are there.
set -eu
if ! command -v cargo >/dev/null 2>&1; then
    echo "cargo is missing: install a Rust toolchain (1.92 or newer) first" >&2
    exit 1
fi
command -v dpkg-query >/dev/null 2>&1 || exit 0
missing=
for package in "$@"; do
    # Another release of Debian may number libclang otherwise; libclang-cpp is another library.
    case $package in libclang1-*)
        found=$(find /usr/lib/ -path '*/lib*/libclang[.-]*' ! -name 'libclang-cpp*' -name '*.so*' 2>/dev/null | head -n 1)
        [ -z "$found" ] || continue ;;
    esac
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'install ok installed' || missing="$missing $package"
done
[ -n "$missing" ] || exit 0
echo "installing:$missing"
as_root=
[ "$(id -u)" = 0 ] || as_root=sudo
$as_root apt-get update -qq
# shellcheck disable=SC2086
DEBIAN_FRONTEND=noninteractive $as_root apt-get install -y -qq --no-install-recommends $missing
