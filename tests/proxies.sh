#!/bin/bash
# The page behind real proxies from Debian's packages: PROGRAM=target/release/cagehand bash tests/proxies.sh
# nginx and Caddy as docs/page.md sets them up, nginx with its defaults, and socat. Each is asked as a browser in the network would.
set -eu
cd "$(dirname "$0")/.."
program=$(realpath "${PROGRAM:-target/release/cagehand}")
recording=$PWD/recordings/r03.mp4
scratch=$(mktemp -d)
pids=
trap 'for pid in $pids; do kill "$pid" 2>/dev/null || true; done; wait 2>/dev/null || true; rm -rf "$scratch"' EXIT
failed=0
name=cage.example.org
page=7431 nginx=7432 bare=7433 caddy=7434 tunnel=7435

# same WHAT EXPECTED FOUND
same() {
    if [ "$2" = "$3" ]; then echo "ok      $1: $3"; else
        echo "FAILED  $1: $3, expected $2"
        failed=1
    fi
}
# ask PORT PATH [CURL'S ARGUMENTS]: as a browser that calls the proxy by its name; the status.
ask() {
    local port=$1 path=$2
    shift 2
    curl -s -o "$scratch/said" -D "$scratch/headers" -w '%{http_code}' --max-time 20 --cacert "$scratch/ca.pem" \
        --resolve "$name:$port:127.0.0.1" "$@" "https://$name:$port$path" || true
}
# log_in PORT KEY JAR: status of the login.
log_in() {
    ask "$1" /door -c "$3" -b "$3" >/dev/null
    local token
    token=$(sed -n 's/.*name="token" value="\([0-9a-f]*\)".*/\1/p' "$scratch/said" | head -n 1)
    ask "$1" /door -c "$3" -b "$3" -H "Origin: https://$name:$1" -H 'Sec-Fetch-Site: same-origin' \
        --data-urlencode "token=$token" --data-urlencode "key=$2" --data-urlencode 'to=/sessions'
}
# through WHAT PORT: everything that must work, and what must not.
through() {
    local what=$1 port=$2 jar="$scratch/$2.jar"
    same "$what: the screen without a key" 303 "$(ask "$port" /)"
    same "$what: the health figures without a key" 403 "$(ask "$port" /health)"
    same "$what: a wrong key" 403 "$(log_in "$port" 135724 "$jar.wrong")"
    same "$what: the password" 303 "$(log_in "$port" 'nine long innings' "$jar")"
    same "$what: its cookie is bound to the host" 1 "$(grep -ic '^set-cookie: __Host-visit=.*HttpOnly.*Secure' "$scratch/headers")"
    same "$what: browsers stay with https" 1 "$(grep -ic '^strict-transport-security: max-age' "$scratch/headers")"
    same "$what: the coach's sessions" 200 "$(ask "$port" /sessions -b "$jar")"
    same "$what: who is logged in, from where" 200 "$(ask "$port" /logins -b "$jar")"
    same "$what: the client's address is told" 1 "$(grep -c '<td>127.0.0.1</td>' "$scratch/said" | sed 's/^[1-9].*/1/')"
    local token
    token=$(sed -n 's/.*name="token" value="\([0-9a-f]*\)".*/\1/p' "$scratch/said" | head -n 1)
    same "$what: a form" 303 "$(ask "$port" /seat -b "$jar" -H "Origin: https://$name:$port" --data-urlencode "token=$token" --data-urlencode name=Kit)"
    same "$what: a form of another site" 403 "$(ask "$port" /seat -b "$jar" -H 'Origin: https://evil.example' --data-urlencode "token=$token" --data-urlencode name=Kit)"
    ask "$port" /live -b "$jar" -N --max-time 3 >/dev/null
    same "$what: the stream comes while it lasts" 1 "$(grep -c '^data: {' "$scratch/said" | sed 's/^[1-9].*/1/')"
    same "$what: a claimed address is not believed" 403 "$(ask "$port" /health -H 'X-Forwarded-For: 127.0.0.1')"
    same "$what: logging out" 303 "$(ask "$port" /leave -b "$jar" -H "Origin: https://$name:$port" --data-urlencode "token=$token")"
    same "$what: and it is shut" 303 "$(ask "$port" /sessions -b "$jar")"
}
wait_for() {
    for _ in $(seq 300); do
        if (exec 3<>"/dev/tcp/127.0.0.1/$1") 2>/dev/null; then return; fi
        sleep 0.2
    done
    echo "nothing listens at port $1" >&2
    exit 1
}

cd "$scratch"
openssl req -x509 -newkey rsa:2048 -nodes -keyout key.pem -out ca.pem -days 2 -subj "/CN=$name" -addext "subjectAltName=DNS:$name" 2>/dev/null
export HOME="$scratch" XDG_DATA_HOME="$scratch/data" XDG_CONFIG_HOME="$scratch/config"
echo 246971 | "$program" keys pin --journal page.db >/dev/null
echo 'nine long innings' | "$program" keys password --journal page.db >/dev/null
settings() {
    printf '[pose]\nmodel = "lite"\n[page]\nlisten = "127.0.0.1:%s"\n%s\n' "$page" "$1" >page.toml
}
settings "behind_proxy = [\"127.0.0.1\"]
names = [\"$name\"]"
"$program" watch --stand-in "$recording" --loops 500 --sound none --settings page.toml --journal page.db >watch.log 2>&1 &
pids="$pids $!"

cat >nginx.conf <<END
daemon off;
pid $scratch/nginx.pid;
error_log $scratch/nginx.log;
events {}
http {
    access_log off;
    client_body_temp_path $scratch/body;
    proxy_temp_path $scratch/proxy;
    fastcgi_temp_path $scratch/fastcgi;
    uwsgi_temp_path $scratch/uwsgi;
    scgi_temp_path $scratch/scgi;
    ssl_certificate $scratch/ca.pem;
    ssl_certificate_key $scratch/key.pem;
    server {
        listen $nginx ssl;
$(sed -n '/^    location \/ {$/,/^    }$/p' "$OLDPWD/docs/page.md" | sed "s/7420/$page/")
    }
    server {
        listen $bare ssl;
        location / { proxy_pass http://127.0.0.1:$page; }
    }
}
END
nginx -p "$scratch" -c "$scratch/nginx.conf" &
pids="$pids $!"
cat >Caddyfile <<END
{
    admin off
    auto_https disable_redirects
    https_port $caddy
}
$(sed -n '/^    cage.example.org {$/,/^    }$/p' "$OLDPWD/docs/page.md" | sed "s/7420/$page/; s/^    cage.example.org {/$name:$caddy {\n    tls $(printf '%s' "$scratch/ca.pem $scratch/key.pem" | sed 's,/,\\/,g')/")
END
caddy run --config Caddyfile --adapter caddyfile >caddy.log 2>&1 &
pids="$pids $!"
socat "TCP-LISTEN:$tunnel,fork,reuseaddr,bind=127.0.0.1" "TCP:127.0.0.1:$page" &
pids="$pids $!"
for port in $page $nginx $bare $caddy $tunnel; do wait_for "$port"; done

through nginx "$nginx"
through caddy "$caddy"
# A proxy that does not say for whom it asks gets nothing, named or not; nor does one that keeps quiet altogether.
same "nginx with its defaults, named" 403 "$(ask "$bare" /)"
same "socat, where a proxy is named" 403 "$(curl -s -o /dev/null -w '%{http_code}' -H 'Host: localhost' "http://127.0.0.1:$tunnel/hitters")"
settings ''
for _ in $(seq 60); do
    [ "$(curl -s -o /dev/null -w '%{http_code}' "http://127.0.0.1:$page/hitters")" = 303 ] && break
    sleep 0.5
done
same "this machine's own screen, once a PIN is set" 303 "$(curl -s -o /dev/null -w '%{http_code}' "http://127.0.0.1:$page/hitters")"
same "socat, which keeps quiet: it looks like this machine" 303 "$(curl -s -o /dev/null -w '%{http_code}' -H 'Host: localhost' "http://127.0.0.1:$tunnel/hitters")"
same "nginx with its defaults, not named, which keeps quiet too" 303 "$(ask "$bare" /hitters)"
same "nginx set up and not named" 403 "$(ask "$nginx" /hitters -H 'Host: localhost')"
exit "$failed"
