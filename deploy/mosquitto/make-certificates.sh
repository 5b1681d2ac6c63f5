#!/bin/sh
# Make a certificate authority of your own and the broker's certificate, for the probes' TLS listener.
#
#   sh make-certificates.sh NAME FOLDER [ADDRESS]
#
# NAME is the host name that the probes connect to, ADDRESS its IP address where they use that. FOLDER gets ca.crt (for
# the probes), ca.key (keep it offline), broker.crt and broker.key. Nothing that is there already is overwritten.
set -eu

name=${1:?say which host name the probes connect to}
folder=${2:?say in which folder to put the certificates}
address=${3:-}
days=3650

for file in ca.crt ca.key broker.crt broker.key; do
  if [ -e "$folder/$file" ]; then
    echo "$folder/$file is there already; nothing was changed" >&2
    exit 1
  fi
done

umask 077
mkdir -p "$folder"
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

openssl req -x509 -newkey rsa:3072 -nodes -days "$days" -subj "/CN=Probes at $name" \
  -addext "basicConstraints=critical,CA:TRUE" -addext "keyUsage=critical,keyCertSign,cRLSign" \
  -keyout "$folder/ca.key" -out "$folder/ca.crt" 2>/dev/null

openssl req -newkey rsa:2048 -nodes -subj "/CN=$name" \
  -keyout "$folder/broker.key" -out "$work/broker.csr" 2>/dev/null

cat >"$work/broker.ext" <<EXTENSIONS
basicConstraints = critical, CA:FALSE
keyUsage = critical, digitalSignature, keyEncipherment
extendedKeyUsage = serverAuth
subjectAltName = DNS:$name${address:+, IP:$address}
EXTENSIONS
openssl x509 -req -in "$work/broker.csr" -CA "$folder/ca.crt" -CAkey "$folder/ca.key" -CAcreateserial \
  -CAserial "$work/serial" -days "$days" -extfile "$work/broker.ext" -out "$folder/broker.crt" 2>/dev/null

chmod 644 "$folder/ca.crt" "$folder/broker.crt"
echo "Made in $folder, valid until $(openssl x509 -in "$folder/broker.crt" -noout -enddate | cut -d= -f2):"
echo "  ca.crt       the probes need it, to know the broker"
echo "  broker.crt   the broker's, with broker.key"
echo "  ca.key       only for a further certificate: keep it offline, not on the broker"
