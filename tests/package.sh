#!/bin/sh
# Checks the Debian packages, the services' units, and install and uninstall, in a scratch folder: PROGRAM=... tests/package.sh
# Outside judges: lintian, dpkg, systemd-analyze, strace, PostgreSQL. Needs root for dpkg's part; touches nothing of the running
# machine.
set -eu
cd "$(dirname "$0")/.."
: "${PROGRAM:=target/release/cagehand}"
export PROGRAM
scratch=$(mktemp -d)
store=$scratch/store
# shellcheck disable=SC2317,SC2329
end() {
    [ ! -e "$store/data/postmaster.pid" ] || on_store pg_ctl -D "$store/data" -s -m immediate stop
    rm -rf "$scratch"
}
trap end EXIT
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

# --- the packages ---
check "one command builds the packages" sh config/package.sh "$scratch/deb"
deb() { ls "$scratch/deb/$1"_*.deb; }
# No mail address is known to the project; who publishes the packages gives one in DEBEMAIL.
check "lintian has no error and no warning but for the mail address" lintian --fail-on error,warning \
    --suppress-tags bogus-mail-host,bogus-mail-host-in-debian-changelog "$scratch"/deb/*.changes
for needs in libasound2 libc6; do
    check "the program depends on $needs" sh -c "dpkg-deb -f '$(deb cagehand-common)' Depends | grep -q '\\b$needs'"
done
for package in cagehand-common cagehand cagehand-office; do
    dpkg-deb -c "$(deb $package)" >"$scratch/$package.contents"
    dpkg-deb -x "$(deb $package)" "$scratch/tree"
    dpkg-deb -e "$(deb $package)" "$scratch/$package.control"
    check "$package: nobody but root owns or may change a file, none runs with others' rights" \
        sh -c "! grep -Ev '^[-d]rw[-x]r-[-x]r-[-x] root/root ' '$scratch/$package.contents'"
    for held in "MediaPipe" "Maureese Williams" "hexgrad" "SVOX" "CC0-1.0"; do
        check "$package: the licences name $held" grep -q "$held" "$scratch/tree/usr/share/doc/$package/copyright"
    done
done
while read -r package mode path; do
    check "$package: $path is $mode and root's" grep -Eq "^$mode root/root .* \./$path\$" "$scratch/$package.contents"
done <<END
cagehand-common -rwxr-xr-x usr/bin/cagehand
cagehand-common -rw-r--r-- usr/share/cagehand/left_60fps_faults.mp4
cagehand-common -rw-r--r-- usr/share/doc/cagehand/crates.txt.gz
cagehand-common -rw-r--r-- usr/share/doc/cagehand/parts.cdx.json(.gz)?
cagehand-common -rw-r--r-- usr/share/doc/cagehand/facility.md
cagehand-common -rw-r--r-- usr/share/man/man1/cagehand.1.gz
cagehand -rw-r--r-- (usr/)?lib/systemd/system/cagehand.service
cagehand -rw-r--r-- usr/lib/sysusers.d/cagehand.conf
cagehand -rw-r--r-- etc/cagehand/cagehand.toml
cagehand-office -rw-r--r-- (usr/)?lib/systemd/system/cagehand-office.service
cagehand-office -rw-r--r-- usr/lib/sysusers.d/cagehand-office.conf
cagehand-office -rw-r--r-- etc/cagehand/office.toml
cagehand-office -rw-r--r-- etc/default/cagehand-office
cagehand-office -rw-r--r-- usr/share/man/man8/cagehand-office.8.gz
END
version=$(dpkg-deb -f "$(deb cagehand-common)" Version)
for service in cagehand cagehand-office; do
    check "$service needs the program, of its own version" \
        sh -c "dpkg-deb -f '$(deb $service)' Depends | grep -Fq 'cagehand-common (= $version)'"
done
check "the office brings no cage's service" \
    sh -c "! dpkg-deb -f '$(deb cagehand-office)' Depends Recommends | grep -Eq '[: ]cagehand( |,|\$)'"
conffiles() { tr '\n' ' ' <"$scratch/$1.control/conffiles"; }
check "the cage's settings are marked as the owner's" same "$(conffiles cagehand)" "/etc/cagehand/cagehand.toml "
check "the office's settings are marked as the owner's" same "$(conffiles cagehand-office)" \
    "/etc/cagehand/office.toml /etc/default/cagehand-office "

# --- the units ---
# The only two words that an older systemd may not know are the back-off of restarts.
verified() {
    systemd-analyze verify --man=no "$scratch/$1.service" 2>&1 | grep -F cagehand |
        grep -Ev "Unknown key '?(name ')?(RestartSteps|RestartMaxDelaySec)'" | tee "$scratch/verify"
    [ ! -s "$scratch/verify" ]
}
for service in cagehand cagehand-office; do
    sed "s|=/usr/bin/|=$scratch/tree/usr/bin/|" "config/$service.service" >"$scratch/$service.service"
    check "systemd understands the unit of $service" verified $service
    check "its exposure is 2.0 or less of 10" systemd-analyze security --offline=yes --threshold=20 "$scratch/$service.service"
    echo "        $(tail -n 1 "$scratch/said")"
done
while read -r service key; do
    check "the unit of $service has $key" grep -q "^$key" "config/$service.service"
done <<END
cagehand Type=notify
cagehand WatchdogSec=
cagehand Restart=always
cagehand StateDirectory=cagehand
cagehand User=cagehand
cagehand WantedBy=multi-user.target
cagehand-office ConditionPathExists=/etc/cagehand/office_password
cagehand-office LoadCredential=facility_password:/etc/cagehand/office_password
cagehand-office Restart=always
cagehand-office RestartPreventExitStatus=2
cagehand-office StateDirectory=cagehand-office
cagehand-office User=cagehand-office
cagehand-office PrivateDevices=yes
cagehand-office WantedBy=multi-user.target
END
check "the office's unit asks for no camera and no sound card" \
    sh -c "! grep -E '^(DeviceAllow|SupplementaryGroups)=' config/cagehand-office.service"

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
# fits FOLDER: what strace saw of the program there is what both units allow, with this folder as the service's own.
fits() {
    # The last exec is the program's start; what came before is the timer's.
    sed -n '/cagehand", \["/,$p' "$1/trace" >"$scratch/trace"
    sed -En 's/^[0-9]+ +([a-z_0-9]+)\(.*/\1/p' "$scratch/trace" | sort -u >"$scratch/used"
    check "it makes system calls ($(wc -l <"$scratch/used") different ones)" test "$(wc -l <"$scratch/used")" -gt 20
    check "the unit's filter lets all of them through" same "$(comm -23 "$scratch/used" "$scratch/open" | tr '\n' ' ')" ""
    check "it maps no memory that is both written and run" sh -c "! grep -E 'PROT_WRITE\|PROT_EXEC' '$1/trace'"
    check "it opens files for writing below its data folder and /dev only" sh -c "
        ! grep -E 'open(at)?\(.*(O_WRONLY|O_RDWR|O_CREAT).* = [0-9]' '$scratch/trace' | grep -Ev '\"($1|/dev|/proc/self)/'"
}
fits "$runs"

# --- the office's service over a store of its own: the unit's command, and the password as systemd hands it over ---
as_server=
[ "$(id -u)" != 0 ] || as_server="runuser -u postgres --"
on_store() { (
    cd "$store"
    program=$(find /usr/lib/postgresql/*/bin -name "$1" | sort -V | tail -n 1)
    shift
    $as_server "$program" "$@"
) }
mkdir "$store"
echo word-of-the-owner >"$store/password"
[ -z "$as_server" ] || chown -R postgres "$store"
as_owner() { "$scratch/tree/usr/bin/cagehand" facility "$@" --store "postgres:///cagehand?host=$store&user=owner" --password-file "$store/password"; }
check "a PostgreSQL server of its own is made" on_store initdb -D "$store/data" -U owner -A scram-sha-256 --pwfile="$store/password" \
    -E UTF8 --locale=C
check "it starts" on_store pg_ctl -D "$store/data" -s -w -l "$store/log" -o "-k $store -c listen_addresses=" start
PGPASSWORD=$(cat "$store/password") on_store createdb -h "$store" -U owner cagehand
check "the store is set up" as_owner set-up
office=$scratch/office
mkdir -p "$office/credentials"
as_owner add-office front | sed -n 's/^password //p' >"$office/credentials/facility_password"
sed "s|/var/lib/cagehand-office|$office|" "$scratch/tree/etc/cagehand/office.toml" >"$office/office.toml"
cp "$scratch/tree/etc/default/cagehand-office" "$office/default"
[ -z "$as_nobody" ] || chown -R nobody "$office"
# The unit's command, with STORE and OPTIONS of the file that the unit names.
# shellcheck disable=SC2120
run_office() { (
    cd "$office"
    # shellcheck disable=SC1091
    . "$office/default"
    # A braced variable is one word for systemd, an empty one too.
    eval "set -- $(sed -n "s|/etc/cagehand|$office|; s/[$]{[A-Z]*}/\"&\"/; s/^ExecStart=//p" "$scratch/cagehand-office.service")"
    # shellcheck disable=SC2086
    CREDENTIALS_DIRECTORY=$office/credentials HOME=$office exec timeout --signal=TERM 60 $as_nobody strace -f -qq -o trace "$@"
) }
status=0
# shellcheck disable=SC2119
run_office >"$office/said" 2>&1 || status=$?
check "as it is installed it names no store, and ends in the way that is not tried again" same "$status" 2
check "it says what a store is like" grep -q 'store: .*"postgres://' "$office/said"
printf 'STORE="%s"\nOPTIONS="--listen 127.0.0.1:0"\n' "postgres:///cagehand?host=$store&user=front" >>"$office/default"
# shellcheck disable=SC2119
run_office >"$office/said" 2>&1 &
runs_office=$!
tries=100
until grep -q '^page: ' "$office/said" || [ "$tries" = 0 ]; do
    sleep 0.2
    tries=$((tries - 1))
done
page=$(sed -n 's/^page: //p' "$office/said")
check "the office's page is up" test -n "$page"
check "it reads the store" sh -c "curl -fsS '${page}metrics' | grep -q '^# TYPE cagehand_cage_up '"
check "the coach's pages are shut until a password is set" \
    sh -c "curl -fsS -o /dev/null -w '%{redirect_url}' '${page}cages' | grep -q /door"
kill -TERM "$(sed -n 's/^\([0-9]*\) *execve(.*cagehand", .*/\1/p' "$office/trace" | head -n 1)"
check "it ends when it is asked to" wait "$runs_office"
fits "$office"

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
    settings=$tree/etc/cagehand
    mkdir -p "$tree/var/lib/dpkg/info" "$tree/var/lib/dpkg/updates" "$tree/etc"
    : >"$tree/var/lib/dpkg/status"
    : >"$tree/var/lib/dpkg/available"
    grep -E '^(root|nogroup|video|audio):' /etc/group >"$tree/etc/group"
    grep -E '^root:' /etc/passwd >"$tree/etc/passwd"
    package() { dpkg --root="$tree" --force-script-chrootless --force-depends --force-confold "$@" </dev/null; }
    wanted() { test -L "$tree/etc/systemd/system/multi-user.target.wants/$1.service"; }

    check "dpkg installs the office" package -i "$(deb cagehand-common)" "$(deb cagehand-office)"
    check "its service has a user of its own" grep -q '^cagehand-office:' "$tree/etc/passwd"
    check "that user is in no group of devices" sh -c "! grep -E '^(video|audio):.*cagehand' '$tree/etc/group'"
    check "its service is there at boot" wanted cagehand-office
    check "what its service waits for is not there yet" test ! -e "$settings/office_password"
    check "nothing of a cage's service is there" test ! -e "$settings/cagehand.toml" -a ! -e "$tree/lib/systemd/system/cagehand.service"
    check "dpkg installs the cage beside it" package -i "$(deb cagehand)"
    check "its service has a user of its own" grep -q '^cagehand:' "$tree/etc/passwd"
    for group in video audio; do
        check "that user is in the group $group" grep -Eq "^$group:.*[:,]cagehand(,|\$)" "$tree/etc/group"
    done
    check "its service starts at boot" wanted cagehand

    sed -i 's/^volume = .*/volume = 0.3/' "$settings/cagehand.toml"
    sed -i 's/^units = .*/units = "in"/' "$settings/office.toml"
    sed -i 's/^STORE=.*/STORE="edited"/' "$tree/etc/default/cagehand-office"
    mkdir -p "$tree/var/lib/cagehand" "$tree/var/lib/cagehand-office/office"
    echo reps >"$tree/var/lib/cagehand/journal.db"
    echo keys >"$tree/var/lib/cagehand-office/office/page-keys.toml"
    echo word >"$settings/office_password"
    echo word >"$settings/facility_password"
    cage_is_kept() {
        grep -q '^volume = 0.3' "$settings/cagehand.toml" && test -e "$settings/facility_password" &&
            same "$(cat "$tree/var/lib/cagehand/journal.db")" reps
    }
    office_is_kept() {
        grep -q '^units = "in"' "$settings/office.toml" && grep -q edited "$tree/etc/default/cagehand-office" &&
            test -e "$settings/office_password" && same "$(cat "$tree/var/lib/cagehand-office/office/page-keys.toml")" keys
    }
    check "dpkg installs all three over themselves" package -i "$scratch"/deb/*.deb
    check "the cage's edited settings and data are kept" cage_is_kept
    check "the office's edited settings and data are kept" office_is_kept
    check "dpkg removes the cage" package -r cagehand
    says "it says where the data is" "/var/lib/cagehand"
    check "its settings and data stay" cage_is_kept
    check "dpkg purges it" package -P cagehand
    check "only a purge deletes its data and settings" \
        test ! -e "$tree/var/lib/cagehand" -a ! -e "$settings/cagehand.toml" -a ! -e "$settings/facility_password"
    check "the office's are untouched" office_is_kept
    check "dpkg removes the office" package -r cagehand-office
    says "it says where the data is" "/var/lib/cagehand-office"
    check "its settings and data stay" office_is_kept
    check "dpkg purges it" package -P cagehand-office
    check "only a purge deletes its data and settings" \
        test ! -e "$tree/var/lib/cagehand-office" -a ! -e "$settings" -a ! -e "$tree/etc/default/cagehand-office"
    check "dpkg removes the program" package -r cagehand-common
    check "the program is gone" test ! -e "$tree/usr/bin/cagehand"
else
    echo "left out: dpkg's install, remove and purge need root"
fi

[ "$failed" = 0 ] || exit 1
echo "package: all checks hold"
