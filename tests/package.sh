#!/bin/sh
# Checks the Debian package, the service's unit, and install and uninstall, in a scratch folder: PROGRAM=... tests/package.sh
# Outside judges: lintian, dpkg, systemd-analyze, strace. Needs root for dpkg's part; touches nothing of the running machine.
set -eu
cd "$(dirname "$0")/.."
: "${PROGRAM:=target/release/cagehand}"
export PROGRAM
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT
chmod 0755 "$scratch"
failed=0
good() { echo "ok      $1"; }
bad() {
    echo "FAILED  $1"
    failed=1
}
# check WHAT COMMAND...: the command must succeed.
check() {
    what=$1
    shift
    if "$@" >"$scratch/said" 2>&1; then good "$what"; else
        bad "$what"
        sed 's/^/        /' "$scratch/said" | tail -n 15
    fi
}
# says WHAT WORDS: what the last check ran must have said so.
says() {
    if grep -q "$2" "$scratch/said"; then good "$1"; else bad "$1"; fi
}
same() { [ "$1" = "$2" ] || { printf 'found    %s\nexpected %s\n' "$1" "$2"; return 1; }; }

# --- the package ---
check "one command builds the package" sh config/package.sh "$scratch/deb"
deb=$(ls "$scratch"/deb/*.deb)
# No mail address is known to the project; who publishes the package gives one in DEBEMAIL.
check "lintian has no error and no warning but for the mail address" lintian --fail-on error,warning \
    --suppress-tags bogus-mail-host,bogus-mail-host-in-debian-changelog "$scratch"/deb/*.changes
for needs in libasound2 libc6; do
    check "it depends on $needs" sh -c "dpkg-deb -f '$deb' Depends | grep -q '\\b$needs'"
done
dpkg-deb -c "$deb" >"$scratch/contents"
while read -r mode path; do
    check "$path is $mode and root's" grep -Eq "^$mode root/root .* \./$path\$" "$scratch/contents"
done <<EOF
-rwxr-xr-x usr/bin/cagehand
-rw-r--r-- (usr/)?lib/systemd/system/cagehand.service
-rw-r--r-- usr/lib/sysusers.d/cagehand.conf
-rw-r--r-- etc/cagehand/cagehand.toml
-rw-r--r-- usr/share/cagehand/left_60fps_faults.mp4
-rw-r--r-- usr/share/doc/cagehand/copyright
-rw-r--r-- usr/share/doc/cagehand/crates.txt.gz
-rw-r--r-- usr/share/doc/cagehand/parts.cdx.json(.gz)?
-rw-r--r-- usr/share/doc/cagehand/facility.md
-rw-r--r-- usr/share/man/man1/cagehand.1.gz
EOF
check "nobody but root owns or may change a file, none runs with others' rights" \
    sh -c "! grep -Ev '^[-d]rw[-x]r-[-x]r-[-x] root/root ' '$scratch/contents'"
dpkg-deb -x "$deb" "$scratch/tree"
dpkg-deb -e "$deb" "$scratch/tree/DEBIAN"
check "the settings are marked as the owner's" same "$(cat "$scratch/tree/DEBIAN/conffiles")" /etc/cagehand/cagehand.toml
for held in "MediaPipe" "Carnegie Mellon" "SVOX" "CC0-1.0"; do
    check "the licences name $held" grep -q "$held" "$scratch/tree/usr/share/doc/cagehand/copyright"
done

# --- the unit ---
unit=$scratch/cagehand.service
sed "s|=/usr/bin/|=$scratch/tree/usr/bin/|" config/cagehand.service >"$unit"
# The only two words that an older systemd may not know are the back-off of restarts.
verified() {
    systemd-analyze verify --man=no "$unit" 2>&1 | grep -F cagehand |
        grep -Ev "Unknown key '?(name ')?(RestartSteps|RestartMaxDelaySec)'" | tee "$scratch/verify"
    [ ! -s "$scratch/verify" ]
}
check "systemd understands the unit" verified
check "its exposure is 2.0 or less of 10" systemd-analyze security --offline=yes --threshold=20 "$unit"
echo "        $(tail -n 1 "$scratch/said")"
for key in Type=notify WatchdogSec= Restart=always StateDirectory=cagehand User=cagehand WantedBy=multi-user.target; do
    check "the unit has $key" grep -q "^$key" config/cagehand.service
done

# --- what the program does fits what the unit allows: it runs the recording as nobody, watched by strace ---
runs=$scratch/runs
mkdir "$runs"
as_nobody=
if [ "$(id -u)" = 0 ]; then
    chown nobody "$runs"
    as_nobody="setpriv --reuid=nobody --regid=nogroup --clear-groups"
fi
(
    cd "$runs"
    # shellcheck disable=SC2086
    HOME=$runs timeout --signal=TERM 60 $as_nobody strace -f -qq -o trace timeout --signal=TERM 20 \
        "$scratch/tree/usr/bin/cagehand" watch --sound none --settings "$scratch/tree/etc/cagehand/cagehand.toml" \
        --journal "$runs/journal.db" >said 2>&1 || true
)
check "the installed program finds its recording and logs a rep" grep -q "^rep  *1  swing" "$runs/said"
# Set names of systemd hold other sets; this walks down to the calls themselves.
calls_of() {
    systemd-analyze syscall-filter "$1" | sed -n 's/^    //p' | while read -r name; do
        case $name in
        '#'*) ;;
        @*) calls_of "$name" ;;
        *) echo "$name" ;;
        esac
    done
}
{ calls_of @system-service; calls_of @default; } | sort -u >"$scratch/allowed"
calls_of @privileged | sort -u >"$scratch/privileged"
# @default is let through whatever else is refused.
calls_of @default | sort -u | comm -23 "$scratch/privileged" - >"$scratch/refused"
comm -23 "$scratch/allowed" "$scratch/refused" >"$scratch/open"
# The last exec is the program's start; what came before is the timer's.
sed -n '/cagehand", \["/,$p' "$runs/trace" | sed -En 's/^[0-9]+ +([a-z_0-9]+)\(.*/\1/p' | sort -u >"$scratch/used"
check "it makes system calls ($(wc -l <"$scratch/used") different ones)" test "$(wc -l <"$scratch/used")" -gt 20
check "the unit's filter lets all of them through" same "$(comm -23 "$scratch/used" "$scratch/open" | tr '\n' ' ')" ""
check "it maps no memory that is both written and run" sh -c "! grep -E 'PROT_WRITE\|PROT_EXEC' '$runs/trace'"
check "it opens files for writing below its data folder and /dev only" sh -c "! sed -n '/cagehand\", \[\"/,\$p' '$runs/trace' |
    grep -E 'open(at)?\(.*(O_WRONLY|O_RDWR|O_CREAT).* = [0-9]' | grep -Ev '\"($runs|/dev|/proc/self)/'"

# --- make install, make uninstall ---
root=$scratch/root
settings=$root/etc/cagehand/cagehand.toml
install_it() { make --no-print-directory install DESTDIR="$root" PREFIX="$1" PROGRAM="$PROGRAM"; }
check "make install" install_it /usr/local
check "the unit starts the program where it was put" grep -q '^ExecStart=/usr/local/bin/cagehand ' "$root/usr/local/lib/systemd/system/cagehand.service"
check "the settings name the service's journal" grep -q '^path = "/var/lib/cagehand/journal.db"' "$settings"
check "the program takes the settings" "$root/usr/local/bin/cagehand" --settings "$settings" pitch
sed -i 's/^volume = .*/volume = 0.3/' "$settings"
mkdir -p "$root/var/lib/cagehand"
echo reps >"$root/var/lib/cagehand/journal.db"
check "make install again" install_it /usr/local
says "it says that edited settings are kept" "kept as it is"
check "edited settings are kept" grep -q '^volume = 0.3' "$settings"
check "make uninstall" make --no-print-directory uninstall DESTDIR="$root" PREFIX=/usr/local
says "it says where the data is" "/var/lib/cagehand"
check "data and settings stay, and nothing else" same "$(cd "$root" && find . -type f | sort | tr '\n' ' ')" \
    "./etc/cagehand/cagehand.toml ./var/lib/cagehand/journal.db "
check "the data is untouched" same "$(cat "$root/var/lib/cagehand/journal.db")" reps

# --- dpkg's install, upgrade, remove and purge on a tree of its own ---
if [ "$(id -u)" = 0 ]; then
    tree=$scratch/debian
    settings=$tree/etc/cagehand/cagehand.toml
    mkdir -p "$tree/var/lib/dpkg/info" "$tree/var/lib/dpkg/updates" "$tree/etc"
    : >"$tree/var/lib/dpkg/status"
    : >"$tree/var/lib/dpkg/available"
    grep -E '^(root|nogroup|video|audio):' /etc/group >"$tree/etc/group"
    grep -E '^root:' /etc/passwd >"$tree/etc/passwd"
    package() { dpkg --root="$tree" --force-script-chrootless --force-depends --force-confold "$@" </dev/null; }
    check "dpkg installs it" package -i "$deb"
    check "the service has a user of its own" grep -q '^cagehand:' "$tree/etc/passwd"
    for group in video audio; do
        check "that user is in the group $group" grep -Eq "^$group:.*[:,]cagehand(,|\$)" "$tree/etc/group"
    done
    check "the service starts at boot" test -L "$tree/etc/systemd/system/multi-user.target.wants/cagehand.service"
    sed -i 's/^volume = .*/volume = 0.3/' "$settings"
    mkdir -p "$tree/var/lib/cagehand"
    echo reps >"$tree/var/lib/cagehand/journal.db"
    check "dpkg installs it over itself" package -i "$deb"
    check "edited settings are kept" grep -q '^volume = 0.3' "$settings"
    check "dpkg removes it" package -r cagehand
    says "it says where the data is" "/var/lib/cagehand"
    check "the program is gone" test ! -e "$tree/usr/bin/cagehand"
    check "the data stays" same "$(cat "$tree/var/lib/cagehand/journal.db")" reps
    check "the settings stay" grep -q '^volume = 0.3' "$settings"
    check "dpkg purges it" package -P cagehand
    check "only a purge deletes data and settings" test ! -e "$tree/var/lib/cagehand" -a ! -e "$tree/etc/cagehand"
else
    echo "left out: dpkg's install, remove and purge need root"
fi

[ "$failed" = 0 ] || exit 1
echo "package: all checks hold"
