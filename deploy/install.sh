#!/bin/sh
# Put Wardian and its broker on a computer that has neither, from the tree that this file stands in:
#
#   sudo sh /opt/wardian/deploy/install.sh
#
# For Debian and its relatives. Packages, a user of its own, Wardian into .venv, units of systemd, the broker's
# configuration where none of ours is there yet. Nothing is started; run again, it does no harm and brings it up to date.
set -eu

tree=$(cd "$(dirname "$0")/.." && pwd)
# Everything goes below this folder; empty, as usual, it is the computer's own.
root=${DESTDIR:-}

apt-get update -qq
apt-get install -y -qq --no-install-recommends make python3 python3-venv openssl mosquitto mosquitto-clients

id wardian >/dev/null 2>&1 ||
  useradd --system --home-dir /var/lib/wardian --shell /usr/sbin/nologin wardian
install -d -o wardian -g wardian -m 700 "$root/var/lib/wardian"

make -C "$tree" install

install -d -m 755 "$root/etc/systemd/system"
install -m 644 "$tree"/deploy/systemd/*.service "$root/etc/systemd/system/"
systemctl daemon-reload
systemctl enable wardian mosquitto

install -d -m 755 "$root/etc/mosquitto"
if ! [ -e "$root/etc/mosquitto/wardian.acl" ]; then
  if [ -e "$root/etc/mosquitto/mosquitto.conf" ]; then
    cp -p "$root/etc/mosquitto/mosquitto.conf" "$root/etc/mosquitto/mosquitto.conf.before"
  fi
  install -m 644 "$tree/deploy/mosquitto/wardian.conf" "$root/etc/mosquitto/mosquitto.conf"
  install -o mosquitto -g mosquitto -m 600 "$tree/deploy/mosquitto/wardian.acl" "$root/etc/mosquitto/wardian.acl"
  install -o mosquitto -g mosquitto -m 600 /dev/null "$root/etc/mosquitto/wardian.passwd"
fi

echo "Installed from $tree. Next: the broker's certificates and passwords, and /var/lib/wardian/wardian.toml,"
echo "or a backup of them: docs/operators-guide.md, docs/disaster.md."
