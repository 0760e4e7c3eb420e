#!/bin/busybox sh
# The first program of the guest. It takes no place that is taken: ip is iproute2's.
# Orders are run by dash, which unlike the shell of busybox looks there first.
/bin/busybox --install -s /bin
export PATH=/bin:/usr/bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
hostname combine
installed=false
grep -q 'installed' /proc/cmdline && installed=true
while read -r module; do
  # An installed system finds the drivers of its bus itself.
  case $module in
  *can*|*sja1000*|*kvaser*) $installed && continue ;;
  esac
  insmod "$module"
done < /modules/order
mount -t 9p -o trans=virtio,version=9p2000.L,msize=131072 shared /shared || poweroff -f
if $installed; then
  mount -t ext4 /dev/vda /disk || poweroff -f
  drivers=/disk/lib/modules/$(uname -r)
  if [ ! -d $drivers ]; then
    mkdir -p $drivers && cp /modules/*.ko $drivers && chroot /disk /sbin/depmod -a
  fi
  mkdir -p /disk/shared
  mount --move /shared /disk/shared
  cp /orders.sh /disk/orders.sh
  mount --move /dev /disk/dev
  umount /proc /sys
  exec switch_root /disk /sbin/init
fi
ip link set lo up
cd /tmp
exec dash /orders.sh
