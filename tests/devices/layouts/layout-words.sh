# What layouts of the guest are set up with; read by bash before each. Nodes are in $stick and so on, by label.
set -e -o pipefail

# partition DISK…: an MBR with a FAT of 16 MiB and a Linux partition behind it, both without content
partition() {
  for disk; do
    printf 'label: dos\nsize=16M, type=c\ntype=83\n' |
      sfdisk --quiet --wipe always --wipe-partitions always "$disk"
  done
  udevadm settle
}

# blank DISK…: takes away what stands on them
blank() {
  udevadm settle
  for disk; do wipefs --all --quiet --force "$disk"; blockdev --rereadpt "$disk"; done
  udevadm settle
}

# make_ext4 NODE…: small, since an emulated SD card is slow
make_ext4() { for node; do mke2fs -q -F -t ext4 "$node" 8M; done; }

# make_vault NODE NAME: LUKS on it, and opened under that name where one is given
make_vault() {
  echo secret > /run/key
  cryptsetup --batch-mode --type luks2 --pbkdf pbkdf2 --pbkdf-force-iterations 1000 \
    --luks2-metadata-size 16k --luks2-keyslots-size 256k --key-file /run/key luksFormat "$1"
  if [ $# -gt 1 ]; then cryptsetup --key-file /run/key open "$1" "$2"; fi
}

# mount_at FOLDER NODE [OPTION…]
mount_at() { mkdir -p "$1" && mount "${@:3}" "$2" "$1"; }

# lasting NAME COMMAND…: goes on in the background until `ended NAME`; its input is that of this call
lasting() {
  setsid "${@:2}" <&0 > /dev/null 2>&1 &
  echo $! > "/run/lasting-$1"
}

# ended NAME: ends it and waits until it is gone
ended() {
  pid=$(cat "/run/lasting-$1")
  kill -- "-$pid" 2> /dev/null || kill "$pid"
  until_not test -d "/proc/$pid"
}

# appears PATTERN: waits for a node that udev makes, in time for it to be whole
appears() { until_so compgen -G "$1" > /dev/null; udevadm settle; }

# until_so COMMAND…, until_not COMMAND…: waits for a minute at most
until_so() { for _ in {1..600}; do "$@" && return; sleep 0.1; done; echo "never: $*" >&2; return 1; }
until_not() { for _ in {1..600}; do "$@" || return 0; sleep 0.1; done; echo "still: $*" >&2; return 1; }
