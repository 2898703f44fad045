#!/bin/busybox sh
# /init of the guest: makes a root from the host's file system (read-only over 9p, changes go to memory), or from a
# disk when the kernel command line says lab.root=NODE, and hands over to /out/session.sh; or, with lab.systemd, to
# systemd, which has that as a service and nothing else to do.
b=/bin/busybox
fail() { $b echo "guest init: $*"; $b poweroff -f; }
$b mount -t proc proc /proc; $b mount -t sysfs sys /sys; $b mount -t devtmpfs dev /dev
root=; for word in $($b cat /proc/cmdline); do case $word in lab.root=*) root=${word#lab.root=};; esac; done
while read -r module when; do
  [ "$when" = root ] && [ -z "$root" ] && continue
  $b insmod "/modules/$module" || fail "module $module"
done < /modules/order

$b mount -t tmpfs -o size=2g tmpfs /memory && $b mkdir -p /memory/upper /memory/work
$b mount -t 9p -o trans=virtio,version=9p2000.L,msize=1048576,cache=loose,ro host /host || fail 'no 9p share "host"'
$b mount -t overlay -o lowerdir=/host,upperdir=/memory/upper,workdir=/memory/work overlay /new || fail overlay

if [ -n "$root" ]; then
  # The disk holds /, with the host's folders bound into it: what runs is the host's, what "/" stands on is the disk.
  $b mkdir /disk; n=0
  until [ -b "$root" ]; do n=$((n + 1)); [ $n -gt 100 ] && fail "no $root"; $b sleep 0.1; done
  $b mount -t ext4 "$root" /disk || fail "$root cannot be mounted"
  for folder in /new/*; do
    name=${folder#/new/}
    if [ -L "$folder" ]; then $b ln -sf "$($b readlink "$folder")" "/disk/$name"; continue; fi
    [ -d "$folder" ] || continue
    $b mkdir -p "/disk/$name"
    case $name in proc | sys | dev | run | tmp | mnt | media | lost+found | out) ;;
      *) $b mount --bind "$folder" "/disk/$name" ;;
    esac
  done
  new=/disk
else
  new=/new
fi

# What / is made of stays in sight under the names that its mount options tell, or nobody could trace it.
for folder in host memory; do $b mkdir -p $new/$folder; $b mount --move /$folder $new/$folder; done
for folder in proc sys dev; do $b mkdir -p $new/$folder; $b mount --move /$folder $new/$folder; done
$b mkdir -p $new/out $new/dev/pts $new/dev/shm
$b mount -t tmpfs -o mode=0755 tmpfs $new/run; $b mount -t tmpfs tmpfs $new/dev/shm; $b mount -t devpts devpts $new/dev/pts
$b mount -t 9p -o trans=virtio,version=9p2000.L,msize=1048576 out $new/out || fail 'no 9p share "out"'
case " $($b cat $new/proc/cmdline) " in
  *' lab.systemd '*) ;;
  *) exec $b switch_root $new /bin/bash /out/session.sh ;;
esac
# What this machine starts at its boot is not wanted here.
for place in etc lib; do $b rm -rf $new/$place/systemd/system/*.wants; done
units=$new/run/systemd/system
$b mkdir -p $units
printf '[Unit]\nDefaultDependencies=no\nWants=lab.service\n' > $units/lab.target
printf '[Unit]\nDefaultDependencies=no\n[Service]\nExecStart=/bin/bash /out/session.sh\nTasksMax=infinity\nStandardOutput=null\n' > $units/lab.service
exec $b switch_root $new /lib/systemd/systemd --unit=lab.target
