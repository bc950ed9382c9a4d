# Runs under systemd in the virtual machine of service.sh, after the service was started. It judges nothing.
step() { echo "== $(cut -d' ' -f1 /proc/uptime) s: $*" >/dev/console; }
show() {
    systemctl show cagehand -p ActiveState,SubState,NRestarts,MainPID,Result,WatchdogTimestampMonotonic >"/out/$1.txt" 2>&1
}
process() { systemctl show cagehand -p MainPID --value; }
step "the service says that it is ready"
show ready
cat "/proc/$(process)/status" >/out/status.txt
sleep 90
step "it was left alone for 90 s"
show alive
ls /var/lib/cagehand >/out/state.txt
step "kill -9"
kill -9 "$(process)"
sleep 8
show killed
# Past its start, so that it is a run that hangs.
sleep 30
step "it hangs"
kill -STOP "$(process)"
sleep 45
step "the watchdog has had its time"
show hung
sleep 5
systemctl stop cagehand
show stopped
journalctl -u cagehand --no-pager -o short-monotonic >/out/journal.txt 2>&1
step "done"
tar -cf /dev/vdb -C /out .
sync
echo o >/proc/sysrq-trigger
sleep 60
