#!/bin/sh
# Installs cagehand on this machine, or takes it off again: install.sh install|uninstall.
# PREFIX is where programs go, DESTDIR a folder that stands for "/" (then nothing of the running machine is touched),
# PROGRAM the built program. An empty UNITDIR leaves the service out (the Debian package brings it its own way).
set -eu
cd "$(dirname "$0")/.."
: "${PREFIX:=/usr/local}" "${DESTDIR:=}" "${SYSCONFDIR:=/etc}" "${PROGRAM:=target/release/cagehand}"
: "${UNITDIR=$PREFIX/lib/systemd/system}" "${SYSUSERSDIR=$PREFIX/lib/sysusers.d}"
settings=$SYSCONFDIR/cagehand/cagehand.toml
data=/var/lib/cagehand
share=$DESTDIR$PREFIX/share/cagehand
doc=$DESTDIR$PREFIX/share/doc/cagehand

# The machine's settings are the default ones with the journal in the service's data folder.
machine_settings() {
    awk -v data="$data" '
        /^\[/ { section = $0 }
        /^# Settings of cagehand\./ {
            print "# Settings of the cagehand service. Every line below but the path of the journal shows the value in force when"
            print "# the line is left out."
            next
        }
        section == "[journal]" && /^# Where reps are kept/ { print "# Where reps are kept. The service may write below " data " only."; next }
        section == "[journal]" && /^path = / { print "path = \"" data "/journal.db\""; next }
        { print }' config/cagehand.toml
}

install_files() {
    if [ ! -x "$PROGRAM" ]; then
        echo "$PROGRAM is not there: build it first with \"cargo build --release\" (as yourself, not as root)" >&2
        exit 1
    fi
    install -D -m 0755 "$PROGRAM" "$DESTDIR$PREFIX/bin/cagehand.new"
    ! command -v strip >/dev/null 2>&1 || strip "$DESTDIR$PREFIX/bin/cagehand.new"
    # A running program's file cannot be written, but it can be replaced.
    mv -f "$DESTDIR$PREFIX/bin/cagehand.new" "$DESTDIR$PREFIX/bin/cagehand"
    install -d -m 0755 "$share" "$doc/licences"
    install -m 0644 recordings/left_60fps_faults.mp4 "$share/"
    install -m 0644 README.md CHANGELOG.md docs/*.md "$doc/"
    install -m 0644 LICENSE "$doc/licences/cagehand.txt"
    install -m 0644 models/LICENSE "$doc/licences/pose-models.txt"
    install -m 0644 models/README.md "$doc/licences/pose-models-origin.md"
    install -m 0644 recordings/README.md "$doc/licences/recordings-origin.md"
    for language in src/sound/assets/*/LICENSE-voice.txt; do
        install -m 0644 "$language" "$doc/licences/voice-$(basename "$(dirname "$language")").txt"
    done
    # "make build" writes the crates' licences and the list of parts beside the program.
    [ ! -e target/crates.txt ] || install -m 0644 target/crates.txt "$doc/licences/crates.txt"
    [ ! -e target/parts.cdx.json ] || install -m 0644 target/parts.cdx.json "$doc/parts.cdx.json"
    machine_settings >"$share/cagehand.toml"
    chmod 0644 "$share/cagehand.toml"
    if [ -e "$DESTDIR$settings" ]; then
        cmp -s "$share/cagehand.toml" "$DESTDIR$settings" ||
            echo "$settings is kept as it is; the new defaults are in $PREFIX/share/cagehand/cagehand.toml"
    else
        install -D -m 0644 "$share/cagehand.toml" "$DESTDIR$settings"
    fi
    if [ -n "$UNITDIR" ]; then
        install -d -m 0755 "$DESTDIR$UNITDIR" "$DESTDIR$SYSUSERSDIR"
        sed -e "s|^ExecStart=/usr/bin/cagehand|ExecStart=$PREFIX/bin/cagehand|" \
            -e "s|/etc/cagehand|$SYSCONFDIR/cagehand|" -e "s|/usr/share/doc|$PREFIX/share/doc|" \
            config/cagehand.service >"$DESTDIR$UNITDIR/cagehand.service"
        chmod 0644 "$DESTDIR$UNITDIR/cagehand.service"
        install -m 0644 config/cagehand.sysusers "$DESTDIR$SYSUSERSDIR/cagehand.conf"
    fi
}

systemd_runs() { [ -z "$DESTDIR" ] && [ -d /run/systemd/system ]; }

case ${1:-} in
install)
    install_files
    [ -n "$DESTDIR" ] || [ -z "$UNITDIR" ] || systemd-sysusers "$SYSUSERSDIR/cagehand.conf"
    if systemd_runs; then
        systemctl daemon-reload
        systemctl enable cagehand.service
        systemctl restart cagehand.service
        echo "The service runs and starts at boot. See what it says with: journalctl -u cagehand -f"
    elif [ -z "$DESTDIR" ]; then
        echo "No systemd runs here, so nothing was started. Start it by hand with: $PREFIX/bin/cagehand watch"
    fi
    echo "Not a substitute for qualified instruction or injury screening. Pain or dizziness: stop. Keep the camera and PC behind"
    echo "a net and out of the ball's path, and everyone out of reach of the bat. Facility rules come first."
    ;;
uninstall)
    if systemd_runs; then
        systemctl disable --now cagehand.service || echo "the service was not there"
    fi
    rm -f "$DESTDIR$PREFIX/bin/cagehand" "$DESTDIR$UNITDIR/cagehand.service" "$DESTDIR$SYSUSERSDIR/cagehand.conf"
    rm -rf "$share" "$doc"
    ! systemd_runs || systemctl daemon-reload
    echo "Kept, because only you can know whether they are still needed:"
    echo "  settings  $DESTDIR$settings"
    echo "  data      $DESTDIR$data (every rep; \"rm -r\" deletes it for good)"
    echo "  user      cagehand (\"deluser --system cagehand\" when its files are gone)"
    ;;
*)
    echo "usage: $0 install|uninstall" >&2
    exit 2
    ;;
esac
