#!/bin/sh
# Keep together what a backup of the database does not hold: the broker's configuration, passwords and TLS keys, and
# Wardian's settings.
#
#   sudo sh /opt/wardian/deploy/keep-settings.sh /mnt/other-disk/north-house-settings.tar.gz
#
# The file holds every password and key of the room: whoever has it can speak for every probe. It is readable to root
# alone, and appears when it is whole.
set -eu

file=${1:?say into which file, best on another disk}
root=${DESTDIR:-/}

umask 077
trap 'rm -f "$file.part"' EXIT
tar -czf "$file.part" -C "$root" etc/mosquitto var/lib/wardian/wardian.toml
sync "$file.part"
mv "$file.part" "$file"
echo "$file:"
tar -tzf "$file" | sed 's/^/  /'
