#!/bin/sh
# install.sh CACHE PACKAGE IMAGE: installs a Debian package of ours in a Debian of
# its own, with systemd, and makes the image of a disk of it. Needs root,
# debootstrap, e2fsprogs. What does not change is kept in CACHE.
set -eu
cache=$1 package=$2 image=$3
base=$cache/debian-systemd.tar
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
if [ ! -e "$base" ]; then
  debootstrap --variant=minbase --include=systemd,systemd-sysv,udev,dbus,kmod,iproute2,can-utils,wget \
    "$(. /etc/os-release && echo "$VERSION_CODENAME")" "$work/base" >&2
  tar -C "$work/base" -cf "$base.part" .
  mv "$base.part" "$base"
fi
mkdir "$work/root"
tar -C "$work/root" -xf "$base"
cp "$package" "$work/root/package.deb"
chroot "$work/root" dpkg -i /package.deb >&2
chroot "$work/root" systemctl enable systemd-networkd.service >&2
cat > "$work/root/etc/systemd/system/orders.service" <<END
[Unit]
After=basic.target
[Service]
ExecStart=/bin/sh /orders.sh
WorkingDirectory=/tmp
[Install]
WantedBy=multi-user.target
END
chroot "$work/root" systemctl enable orders.service >&2
rm "$work/root/package.deb"
mke2fs -q -t ext4 -d "$work/root" "$image" 700M
