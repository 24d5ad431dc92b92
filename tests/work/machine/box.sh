#!/bin/bash
# usage: box.sh FOLDER COMMAND...   one machine with processes, network and scratch folders of its own
exec unshare --ipc --net --pid --fork --mount --kill-child --mount-proc bash -c '
  ip link set lo up; mount --bind "$0" /mnt
  mount -t tmpfs -o mode=1777 tmpfs /tmp; mount -t tmpfs -o mode=1777 tmpfs /dev/shm
  cd /mnt; mkdir -p scratch/fifo; chmod 1777 scratch/fifo
  export HOME=/mnt RTAPI_UID=65534 RTAPI_FIFO_PATH=scratch/fifo/s; exec "$@"' "$@"
