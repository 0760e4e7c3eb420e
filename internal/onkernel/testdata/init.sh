#!/bin/busybox sh
# The first program of the guest. It takes orders from the test: a folder of the
# host is /shared, a script N.sh that appears there is run, and what it said and
# its exit code are put beside it.
# It takes no place that is taken: ip is iproute2's. Orders are run by dash, which
# unlike the shell of busybox looks there first.
/bin/busybox --install -s /bin
export PATH=/bin:/usr/bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mount -t devtmpfs dev /dev
while read -r module; do insmod "$module"; done < /modules/order
hostname combine
ip link set lo up
mount -t 9p -o trans=virtio,version=9p2000.L,msize=131072 shared /shared || poweroff -f
cd /tmp
n=0
cut -d ' ' -f 1 /proc/uptime > /shared/booted.part
mv /shared/booted.part /shared/booted
while :; do
  if [ -e /shared/$n.sh ]; then
    dash /shared/$n.sh > /shared/$n.out 2>&1 < /dev/null
    echo $? > /shared/$n.part
    mv /shared/$n.part /shared/$n.exit
    n=$((n + 1))
  else
    sleep 0.05
  fi
done
