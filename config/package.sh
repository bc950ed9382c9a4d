#!/bin/sh
# Makes the Debian packages from a built program: PROGRAM=target/release/cagehand config/package.sh [OUT FOLDER].
# Needs cargo, python3, debhelper and help2man. SOURCE_DATE_EPOCH, DEBFULLNAME and DEBEMAIL are honoured.
set -eu
cd "$(dirname "$0")/.."
SOURCE=$PWD
: "${PROGRAM:=target/release/cagehand}"
PROGRAM=$(readlink -f "$PROGRAM")
export SOURCE PROGRAM
# `make deb PROGRAM=file` would hand the name as it was typed to the package's own makefile, too.
unset MAKEFLAGS
out=${1:-target/debian}
if [ ! -x "$PROGRAM" ]; then
    echo "$PROGRAM is not there: build it first with \"cargo build --release\"" >&2
    exit 1
fi
version=$(sed -n 's/^version = "\(.*\)"/\1/p' Cargo.toml | head -n 1)
maintainer="${DEBFULLNAME:-The cagehand contributors} <${DEBEMAIL:-cagehand@localhost}>"
: "${SOURCE_DATE_EPOCH:=$(git log -1 --format=%ct 2>/dev/null || date +%s)}"
export SOURCE_DATE_EPOCH

mkdir -p target "$out"
python3 config/crates.py target/crates.txt target/parts.cdx.json
out=$(readlink -f "$out")
rm -rf "$out/cagehand-$version"
mkdir "$out/cagehand-$version"
cd "$out/cagehand-$version"
cp -r "$SOURCE/config/debian" debian
chmod +x debian/rules
cp "$SOURCE"/config/*.service "$SOURCE"/config/*.sysusers debian/
sed -i "s/@MAINTAINER@/$maintainer/" debian/control
sed -i "s/@MAINTAINER@/$maintainer/" debian/copyright
# Licences that Debian does not ship are given in full, one space in, empty lines as dots. The Apache License it does ship.
{
    printf '\nLicense: voice-notices\n'
    for language in "$SOURCE"/src/sound/assets/*/LICENSE-voice.txt; do
        printf 'Notices for %s:\n\n' "$(basename "$(dirname "$language")")"
        sed '/^ *Apache License$/,$c On Debian systems it is in /usr/share/common-licenses/Apache-2.0.' "$language"
    done | sed -e 's/^$/./' -e 's/^/ /'
} >>debian/copyright
cat >debian/changelog <<EOF
cagehand ($version) unstable; urgency=medium

  * See CHANGELOG.md.

 -- $maintainer  $(date -R -u -d "@$SOURCE_DATE_EPOCH")
EOF
dpkg-buildpackage --build=binary --no-sign --no-check-builddeps
cd "$SOURCE"
rm -r "$out/cagehand-$version"
ls "$out"/cagehand*_"$version"_*.deb
