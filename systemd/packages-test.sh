#!/bin/sh
# Installs, upgrades, removes and purges the package with dpkg in a Debian of its
# own, and then starts that Debian's systemd in a container, to see the service
# run under its unit. Needs root, debootstrap and systemd-nspawn (Debian package
# systemd-container); touches nothing outside a temporary folder.
#
#   sh systemd/packages-test.sh dist/*.deb
#
# CHAFFINCH_DEBIAN may name a folder in which debootstrap has been: it is copied,
# which saves the download.
set -eu

[ "$(id -u)" = 0 ] || { echo "packages-test: must be root, for chroot"; exit 1; }
for tool in debootstrap systemd-nspawn dpkg-deb; do
	command -v "$tool" >/dev/null || { echo "packages-test: $tool is missing"; exit 1; }
done
arch=$(dpkg --print-architecture)
deb=
for d in "$@"; do
	case "$d" in *_"$arch".deb) deb=$d ;; esac
done
[ -n "$deb" ] || { echo "packages-test: none of the packages is for $arch"; exit 1; }

work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
trap 'exit 1' INT TERM
root=$work/debian
began=$(date +%s)
step() { printf '== %3d s  %s\n' "$(($(date +%s) - began))" "$*"; }
fail() { echo "FAILED: $*"; exit 1; }
expect() { # expect WHAT COMMAND...
	what=$1
	shift
	"$@" || fail "$what"
}
in_root() { chroot "$root" env DEBIAN_FRONTEND=noninteractive LC_ALL=C "$@"; }
install_deb() { in_root dpkg --force-confold -i "/root/$1" </dev/null >"$work/out" 2>&1 || { cat "$work/out"; fail "dpkg -i $1"; }; }
files() { # all but what dpkg and useradd themselves keep
	(cd "$root" && find . -xdev \( -path ./proc -o -path ./var/lib/dpkg -o -path ./var/log -o -path ./root \) -prune -o -print |
		grep -vE '^\./etc/(passwd|group|shadow|gshadow)-?$|^\./etc/\.pwd\.lock$' | sort)
}

step "a Debian"
if [ -n "${CHAFFINCH_DEBIAN:-}" ]; then
	cp -a "$CHAFFINCH_DEBIAN" "$root"
else
	debootstrap --variant=minbase --include=systemd,systemd-sysv,dbus,kmod bookworm "$root" >"$work/debootstrap.log" 2>&1 ||
		{ tail "$work/debootstrap.log"; fail "debootstrap"; }
fi
cp "$deb" "$root/root/first.deb"
files >"$work/before"

# The next version: another number, and another default configuration.
mkdir "$work/next"
dpkg-deb -R "$deb" "$work/next"
sed -i 's/^Version: .*/Version: 9.9-1/' "$work/next/DEBIAN/control"
echo '# of the next version' >>"$work/next/etc/chaffinch/chaffinch.toml"
dpkg-deb -b "$work/next" "$root/root/next.deb" >/dev/null

config=$root/etc/chaffinch/chaffinch.toml
data=$root/var/lib/chaffinch
wants=$root/etc/systemd/system/multi-user.target.wants/chaffinch.service

step "install"
install_deb first.deb
expect "no user" in_root getent passwd chaffinch >/dev/null
expect "not enabled" test -L "$wants"
expect "the configuration is not good" in_root chaffinch check-config /etc/chaffinch/chaffinch.toml >/dev/null
expect "no manual" test -s "$root/usr/share/man/man1/chaffinch.1.gz"

step "upgrade"
sed -i 's/^#name = "combine"/name = "mine"/' "$config"
mkdir -p "$data"
echo record >"$data/keep"
cp "$root/usr/bin/chaffinch" "$work/old"
install_deb next.deb
expect "the owner's configuration is gone" grep -q '^name = "mine"' "$config"
expect "the new default is not beside it" grep -q 'of the next version' "$config.dpkg-dist"
expect "the record is gone" grep -q record "$data/keep"
expect "the program of before was not kept" cmp "$work/old" "$root/usr/lib/chaffinch/chaffinch.previous"

step "an owner who disabled it"
in_root systemctl disable chaffinch.service >/dev/null 2>&1
install_deb next.deb
expect "it was enabled again" test ! -L "$wants"
in_root systemctl enable chaffinch.service >/dev/null 2>&1

step "remove"
in_root dpkg -r chaffinch >"$work/out" 2>&1 || { cat "$work/out"; fail "dpkg -r"; }
expect "the program stayed" test ! -e "$root/usr/bin/chaffinch"
expect "the record is gone" test -e "$data/keep"
expect "the configuration is gone" test -e "$config"
expect "it does not say that the record stays" grep -q 'the record stays' "$work/out"

step "purge"
in_root dpkg -P chaffinch >"$work/out" 2>&1 || { cat "$work/out"; fail "dpkg -P"; }
expect "it does not say what it deleted" grep -q 'deleted /var/lib/chaffinch' "$work/out"
files >"$work/after"
diff "$work/before" "$work/after" || fail "files were left or lost"

step "install again, and start"
install_deb first.deb
expect "not enabled" test -L "$wants"
install -d -m 700 "$root/etc/credstore"
cat >"$root/root/look.sh" <<'LOOK'
#!/bin/sh
# Runs inside. Each line is a fact; the last is DONE.
systemctl show -p Type -p ActiveState -p StatusText chaffinch
pid=$(systemctl show -P MainPID chaffinch)
grep -E '^(CapEff|NoNewPrivs|Seccomp|VmHWM):' "/proc/$pid/status"
chaffinch status
chaffinch status --json | grep -c '"schema": 1'
setpriv --reuid=nobody --clear-groups chaffinch status >/dev/null 2>&1 || [ $? = 1 ] && echo anybody may ask
echo canary >/etc/credstore/uplink-password
sed -i '/^\[mqtt.uplink\]/a broker = "mqtt://127.0.0.1:9"\nusername = "u"' /etc/chaffinch/chaffinch.toml
systemctl restart chaffinch && echo restarted with a password
ls "/run/credentials/chaffinch.service"
sed -i '1i nonsense = 1' /etc/chaffinch/chaffinch.toml
dpkg --force-confold -i /root/next.deb </dev/null | grep -E 'NOT STARTED|nonsense'
echo "meanwhile $(systemctl is-active chaffinch)"
sed -i '/nonsense/d' /etc/chaffinch/chaffinch.toml
pid=$(systemctl show -P MainPID chaffinch)
dpkg --force-confold -i /root/next.deb </dev/null >/dev/null 2>&1
[ "$(systemctl show -P MainPID chaffinch)" != "$pid" ] && echo upgraded and restarted
pid=$(systemctl show -P MainPID chaffinch)
kill -STOP "$pid"
for i in $(seq 40); do
	sleep 1
	now=$(systemctl show -P MainPID chaffinch)
	[ "$now" = "$pid" ] || [ "$now" = 0 ] || break
done
echo "hung: started again after $i s"
journalctl -u chaffinch --no-pager | grep -oE 'Watchdog timeout|goroutine 1 ' | sort -u
sleep 1
journalctl --no-pager | grep -q canary || echo no canary in the journal
before=$(date +%s%N)
systemctl stop chaffinch
echo "stopped in $((($(date +%s%N) - before) / 1000000)) ms"
systemctl show -P Result chaffinch
chaffinch status || echo not running, exit code $?
dpkg -r chaffinch | grep 'the record stays'
echo DONE
LOOK
cat >"$root/etc/systemd/system/look.service" <<'LOOK'
[Unit]
After=chaffinch.service
[Service]
Type=oneshot
StandardOutput=append:/root/look.txt
StandardError=inherit
ExecStartPre=/bin/sleep 3
ExecStart=/bin/sh /root/look.sh
ExecStopPost=/bin/systemctl poweroff --no-block
LOOK
mkdir -p "$root/etc/systemd/system/multi-user.target.wants"
ln -s ../look.service "$root/etc/systemd/system/multi-user.target.wants/look.service"
timeout 150 systemd-nspawn -q -D "$root" --boot --register=no --keep-unit --private-network >"$work/nspawn.log" 2>&1 ||
	{ tail -20 "$work/nspawn.log"; cat "$root/root/look.txt"; fail "systemd-nspawn"; }
sed 's/^/    /' "$root/root/look.txt"
said() { grep -qE "$1" "$root/root/look.txt" || fail "missing: $1"; }
said '^Type=notify$'
said '^ActiveState=active$'
said '^StatusText=.*; recording; broker inside; '
said '^CapEff:	0+$'
said '^NoNewPrivs:	1$'
said '^Seccomp:	2$'
said '^well\?  .*(yes|NO: )'
said '^1$'
said '^anybody may ask$'
said '^store  .*recording; '
said '^restarted with a password$'
said '^uplink-password$'
said 'NOT STARTED'
said 'nonsense'
said '^meanwhile active$' # the old program goes on
said '^upgraded and restarted$'
said '^hung: started again after (1[0-9]|2[0-9]) s$'
said '^Watchdog timeout$'
said '^goroutine 1 $'
said '^stopped in [0-9]{1,4} ms$'
said '^success$'
said 'not running, exit code 1'
said 'the record stays'
said '^DONE$'
said '^no canary in the journal$'

step "done"
