#!/bin/sh
# Takes orders from the test: a folder of the host is /shared, a script N.sh that
# appears there is run, and what it said and its exit code are put beside it.
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
