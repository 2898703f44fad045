# The guest after its root is made: devices, udev, then commands until told to stop. Run by bash as process 1.
# Commands come over the virtio port: "run ID" runs /out/ID.sh beside all others and answers "done ID STATUS";
# "off" ends the machine. Their output is written to /out/ID.stdout and /out/ID.stderr as it comes.
. /out/session.env
hostname station
ip link set lo up
mkdir -p "/lib/modules/$KERNEL_VERSION"
mount --bind "$KERNEL_MODULES" "/lib/modules/$KERNEL_VERSION"
modprobe -a -q $GUEST_MODULES || echo "guest: a module is missing: $GUEST_MODULES" > /dev/kmsg
# Only disks need udev's links; looking at every device of the machine, or at empty loops, costs seconds.
/lib/systemd/systemd-udevd --daemon
udevadm trigger --type=devices --sysname-match='sd*' --sysname-match='mmcblk*' --sysname-match='nvme*' --sysname-match='vd*'

# USB disks appear a second or more after their bus was scanned (usb-storage's delay_use).
for _ in {1..100}; do
  count=$(ls /sys/block | grep -c -E '^(sd|mmcblk[0-9]+$|nvme|vd)')
  [ "$count" -ge "$GUEST_DISKS" ] && break
  sleep 0.1
done
udevadm settle -t 30

port=
until [ -c "$port" ]; do
  port=/dev/$(basename "$(dirname "$(grep -ls '^lab$' /sys/class/virtio-ports/*/name)")")
  sleep 0.1
done
exec 3<> "$port"
echo "ready $(cut -d' ' -f1 /proc/uptime)" >&3
while :; do
  # The port reads as ended while nobody listens on the other side.
  read -r verb id <&3 || { sleep 0.2; continue; }
  case $verb in
    run)
      (
        setsid bash -c "echo \$\$ > /out/$id.pid; exec bash /out/$id.sh" 3>&- < /dev/null > "/out/$id.stdout" 2> "/out/$id.stderr"
        echo "done $id $?" >&3
      ) &
      ;;
    off) break ;;
  esac
done
sync
echo o > /proc/sysrq-trigger
sleep 20
