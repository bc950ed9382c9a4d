#!/bin/sh
# A facility to try (make facility): a PostgreSQL server of its own in target/facility, two cages that watch recordings, and the
# office's pages. Ctrl-C ends all of it; what was logged stays in target/facility until that folder is deleted.
set -eu
program=$(realpath "${PROGRAM:-target/release/cagehand}")
recordings=$(realpath recordings)
folder=$(pwd)/target/facility
server=$(ls -d /usr/lib/postgresql/*/bin | sort -V | tail -n 1)
mkdir -p "$folder"
# The name of a socket may have about a hundred characters.
socket=$(mktemp -d)
as_server=
if [ "$(id -u)" = 0 ]; then
    # The server refuses to run as root.
    as_server="runuser -u postgres --"
    chown postgres "$socket"
    install -d -o postgres "$folder/server"
fi
mkdir -p "$folder/server"
# Folders above may be closed to the server's own user: data then lie beside the socket.
data=$folder/server/data
$as_server test -w "$folder/server" 2>/dev/null || data=$socket/data
cd "$socket"
[ -e "$data/PG_VERSION" ] || $as_server "$server/initdb" -D "$data" -A trust -U owner -E UTF8 --locale=C >/dev/null
# One that was left running, where this was killed.
$as_server "$server/pg_ctl" -D "$data" -s status >/dev/null && $as_server "$server/pg_ctl" -D "$data" -s -m fast stop
$as_server "$server/pg_ctl" -D "$data" -s -w -l "$socket/log" -o "-k $socket -c listen_addresses=" start
pids=
# shellcheck disable=SC2317,SC2329
end() {
    # A second Ctrl-C does not keep it from stopping the server.
    trap '' INT TERM
    trap - EXIT
    # shellcheck disable=SC2086
    [ -z "$pids" ] || kill -INT $pids 2>/dev/null || true
    wait
    $as_server "$server/pg_ctl" -D "$data" -s -m fast stop
    [ "$data" = "$socket/data" ] || rm -rf "$socket"
}
trap end INT TERM EXIT
at="host=$socket&user"
"$server/psql" -q -h "$socket" -U owner -d postgres -tc "SELECT 1 FROM pg_database WHERE datname = 'cagehand'" | grep -q 1 ||
    "$server/createdb" -h "$socket" -U owner cagehand
"$program" facility set-up --store "postgres:///cagehand?$at=owner"
"$program" facility add-office front --store "postgres:///cagehand?$at=owner" >/dev/null
cage() { # login, name, height, recording, port
    "$program" facility add-cage "$1" --store "postgres:///cagehand?$at=owner" >/dev/null
    cat >"$folder/$1.toml" <<TOML
[hitter]
height_cm = $3
[camera]
device = "/dev/none"
[pose]
model = "lite"
[page]
listen = "127.0.0.1:$5"
trial = true
[facility]
store = "postgres:///cagehand?$at=$1"
cage = "$2"
TOML
    "$program" --settings "$folder/$1.toml" watch --stand-in "$recordings/$4" --loops 100 --sound none \
        --journal "$folder/$1.db" >"$folder/$1.log" 2>&1 &
    pids="$pids $!"
}
cage cage1 "Cage 1" 176 left_60fps_faults.mp4 7431
cage cage2 "Cage 2" 182 r03.mp4 7432
printf '[page]\nlisten = "127.0.0.1:7430"\ntrial = true\n' >"$folder/office.toml"
"$program" --settings "$folder/office.toml" review --store "postgres:///cagehand?$at=front" &
pids="$pids $!"
sleep 2
echo "office: http://127.0.0.1:7430/cages   cages: http://127.0.0.1:7431/ and http://127.0.0.1:7432/   Ctrl-C ends all"
wait
